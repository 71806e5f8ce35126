"""How people write versions in file names.

A phrase is lower-case words; accents are gone, and "and", "&" and punctuation
count as nothing between words. The longest phrase at a place wins, so a longer
phrase is also the way to take the meaning from a shorter one ("clean up").

All of it is common practice, no source.

Not here: what follows from the phrases (``recognition``).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Mark:
    """What one phrase says.

    Attributes:
        axis: "parts", "form" or "rating" decide; "weak" decides if nothing
            else does; "open" needs another word beside it or an answer;
            "nothing" only uses the phrase up.
        value: the axis's value, or the name of an entry in ``OPEN``.
    """

    axis: str
    value: str


@dataclass(frozen=True)
class Open:
    """A word that does not say enough on its own.

    Attributes:
        question: why, for a person; ``{}`` is the text in the file name.
        readings: what it may mean, each as changes to the axes.
        settled_by: axis and values, any of which beside it leaves no question.
    """

    question: str
    readings: tuple[dict[str, str], ...]
    settled_by: tuple[tuple[str, tuple[str, ...]], ...] = ()


_FORMS = ("dj-edit", "intro-only", "short", "extended")

OPEN = {
    "radio": Open(
        'is "{}" clean, shortened, or both?',
        ({"rating": "clean"}, {"form": "short"}, {"form": "short", "rating": "clean"}),
        (("rating", ("clean",)),),
    ),
    "edit": Open(
        'is "{}" clean, shortened, or both?',
        ({"rating": "clean"}, {"form": "short"}, {"form": "short", "rating": "clean"}),
        (("rating", ("clean", "explicit")), ("form", _FORMS)),
    ),
    "unedited": Open(
        'is "{}" the explicit version, or a longer one?',
        ({"rating": "explicit"}, {"form": "extended"}),
        (("rating", ("explicit",)), ("form", ("extended",))),
    ),
    "club": Open(
        'is "{}" a DJ edit or an extended version?',
        ({"form": "dj-edit"}, {"form": "extended"}),
        (("form", ("dj-edit", "extended")),),
    ),
    "intro": Open(
        'is "{}" a DJ edit, or the intro only?',
        ({"form": "dj-edit"}, {"form": "intro-only"}),
        (("form", ("dj-edit", "intro-only")),),
    ),
    "minutes": Open(
        'is "{}" a cut-down, or just its length?',
        ({"form": "short"}, {}),
        (("form", ("short", "extended")),),
    ),
    "dj-name": Open('is "{}" a DJ edit, or part of a name?', ({"form": "dj-edit"}, {})),
    "vocal": Open(
        'is "{}" the vocal alone, or the song with its vocal?',
        ({"parts": "acapella"}, {"parts": "full"}),
        (("parts", ("acapella",)),),
    ),
    "backing": Open(
        'is "{}" the instrumental, or everything but the lead?',
        ({"parts": "instrumental"}, {"parts": "tv"}),
        (("parts", ("instrumental", "tv")),),
    ),
    "track": Open('"{}" sounds like a single track of the session; is it one?', ({}, {"parts": "stems"})),
    "master": Open('"{}" says how far the mix is, not which version', ({}, {"rating": "explicit"})),
    "language": Open('is "{}" a version in another language?', ({}, {"language": "?"})),
}

_PHRASES: dict[tuple[str, str], str] = {
    ("parts", "instrumental"): """
        instrumental, instrumentals, instrumental mix, instrumental version, instr, inst, instru, instrum,
        no vocals, no vocal, no vox, without vocals, w o vocals, w o vox, minus vocals""",
    ("parts", "acapella"): """
        acapella, acapellas, acappella, accapella, accappella, acapela, accapela, a capella, a cappella,
        a capela, a capp, acap, acapp, acca, accap, vocals only, vocal only, vox only, only vocals,
        no beat, no music""",
    ("parts", "tv"): """
        tv, tv track, tv mix, tv version, t v track, t v mix, no lead, no lead vocal, no lead vox,
        no lead vocals, without lead, w o lead, minus lead""",
    ("parts", "stems"): "stems, stem, multitrack, multitracks, multi track, multi tracks",
    ("form", "dj-edit"): """
        dj, dj edit, dj intro, dj outro, dj version, dj mix, dj intro outro, dj intro edit, dj friendly,
        intro outro, intro outro edit, intro edit""",
    ("form", "intro-only"): "intro only, only intro",
    ("form", "short"): """
        short, short edit, short version, short mix, shortened, cutdown, cut down, cutdowns""",
    ("form", "extended"): """
        extended, extended mix, extended version, extended edit, ext, ext mix, long, long version,
        long mix""",
    ("rating", "explicit"): """
        explicit, expl, exp, xplicit, dirty, drty, uncensored, street, street version, not clean, non clean,
        unclean""",
    ("rating", "clean"): """
        clean, cln, censored, squeaky clean, super clean, family friendly, radio safe, non explicit,
        not explicit, no explicit, no swearing""",
    ("weak", "main"): """
        main, main mix, main version, full, full mix, full version, full song, original, original mix,
        original version, album version, lp version""",
    ("weak", "master"): "master, mastered, mstr",
    (
        "open",
        "radio",
    ): "radio, radio edit, radio mix, radio version, radio cut, edited, airplay, airplay edit",
    ("open", "edit"): "edit, single edit, single version",
    ("open", "unedited"): "unedited, uncut",
    ("open", "club"): "club, club mix, club edit, club version",
    ("open", "intro"): "intro, outro, with intro",
    ("open", "vocal"): "vocal, vocals, vox, voc, vocal mix, vocal version, vocal up, vox up, vocal down",
    ("open", "backing"): "backing, backing track, karaoke, performance track, show track, playback",
    ("open", "track"): """
        drums, drum, kick, snare, hats, perc, percussion, bass, sub, guitar, guitars, gtr, gtrs, synth,
        synths, keys, piano, rhodes, organ, pad, pads, strings, brass, horns, fx, bgv, bgvs, bgvox, bvs,
        adlib, adlibs, ad lib, ad libs, hook, hooks, chorus, verse, lead, lead vox, lead vocal,
        lead vocals, di""",
    ("open", "language"): """
        english, spanish, espanol, french, francais, german, deutsch, italian, italiano, portuguese,
        portugues, japanese, korean, mandarin, arabic, russian, polish, turkish, dutch, swedish, hindi""",
    ("nothing", ""): """
        clean up, cleanup, no intro, without intro, no outro, no edit, no edits, no edit needed,
        pre master, premaster, un mastered, unmastered""",
}

PHRASES: dict[tuple[str, ...], Mark] = {
    tuple(phrase.split()): Mark(*mark) for mark, phrases in _PHRASES.items() for phrase in phrases.split(",")
}
TRADE_WORDS = frozenset(word for phrase in PHRASES for word in phrase)
LONGEST_PHRASE = max(map(len, PHRASES))  # [words]

# Words that say how a file was made and never which version it is. Needed only to keep them out of
# a phrase that is remembered: "beat", not "beat 7 final 24".
_NOISE = """
    a b c d e f g k m r v x s bit bits khz hz kbps bpm ver vers version rev mix mixes mx mixdown mixed take tk
    final finale finals fin bounce bounced bnc print render rendered export exported copy new newest latest
    old ok approved draft rough ref test wav wave aif aiff flac mp3 stereo mono lr int float pcm dither
    dithered undithered limited unlimited the and of on in to for with w o no feat ft featuring by minor
    major min maj sharp flat am bm cm dm em fm gm jan feb mar apr may jun jul aug sep oct nov dec track
    audio song file"""
NOISE = frozenset(_NOISE.split())

DENIALS = frozenset(["no", "not", "non", "never", "isnt", "without", "yet"])
"""Words that turn what stands beside them into its opposite, or into a doubt."""
SECONDS = frozenset({"s", "sec", "secs", "second", "seconds"})  # after a number: a cut-down
MINUTES = frozenset({"min", "mins", "minute", "minutes"})  # after a number: a cut-down, or just the length

# Words that appear glued together without a change of case: "djintroclean", "fullmix", "instfinal".
_NOT_GLUED = {"nothing", "track", "language"}  # too short or too common inside other words
GLUED = frozenset(
    word
    for phrase, mark in PHRASES.items()
    if not {mark.axis, mark.value} & _NOT_GLUED
    for word in phrase
    if len(word) > 1
) | {"edit", "mix", "version", "track", "final", "bounce", "print"}
