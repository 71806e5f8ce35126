"""Rules on clean versions beside the explicit ones: what was edited, the same everywhere, nothing left.

Places are told in the explicit version's time; the versions of a length group share it.

Sources
    Every limit: common practice, no source

Not here: what a word means; nobody here listens to words. What is not edited anywhere is not found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from relkit.qc import rules_leaks
from relkit.qc.ear import Ear
from relkit.qc.pack import Bounce, Pack
from relkit.qc.rule import Odd, rule
from relkit.qc.rules_lines import comparable

RE_SUNG_SHARE = 0.6  # of a version that differs: it is another performance, not an edit
MOST_PLACES = 12
MARGIN_S = 0.05
NOISE_DB = 15.0  # above what is usual between two bounces: less says nothing of a word


@dataclass(frozen=True)
class Edits:
    """A clean version beside its explicit one.

    Attributes:
        places: (start [s], end [s]) in the explicit version's time.
        re_sung: whether it differs nearly everywhere.
        usual_db: see ``pairs.Difference``.
    """

    clean: Bounce
    explicit: Bounce
    places: list[list[float]]
    re_sung: bool
    usual_db: float


def edits(pack: Pack, ear: Ear) -> Iterator[Edits]:
    """Yield what was edited in every clean version that can be laid beside its explicit one."""
    for clean, explicit in pack.clean_pairs():
        if not comparable(explicit, clean) or clean.version.form == "dj-edit":
            continue
        if clean.sound.identity == explicit.sound.identity or not ear.lie(explicit, clean).alignable:
            continue
        found = ear.difference(explicit, clean)
        yield Edits(clean, explicit, found.edits, found.edited_share > RE_SUNG_SHARE, found.usual_db)


@rule(
    "clean-is-explicit",
    about="Is the clean version another file than the explicit one?",
    why="The wrong bounce was exported under the clean name: explicit words would go on air.",
    todo="Bounce the clean version again, and listen to it.",
    about_explicit=True,
)
def clean_is_explicit(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """The same samples, or samples that differ nowhere by more than dither."""
    for clean, explicit in pack.clean_pairs():
        if clean.sound.identity == explicit.sound.identity:
            yield Odd(
                "fail",
                (clean.id, explicit.id),
                f"{clean.id} is the same audio as {explicit.id}",
                measured="0 places differ",
            )
        elif comparable(explicit, clean) and ear.lie(explicit, clean).alignable:
            found = ear.difference(explicit, clean)
            if not found.edits:
                yield Odd(
                    "fail",
                    (clean.id, explicit.id),
                    f"nothing is edited in {clean.id}",
                    measured=f"0 places differ from {explicit.id}",
                )


@rule(
    "clean-edits",
    about="Where does a clean version differ from the explicit one?",
    why="Whoever checks it need only listen there.",
    todo="Listen to each place once.",
)
def clean_edits(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """A list; a note."""
    for found in edits(pack, ear):
        if not found.places:
            continue
        count = len(found.places)
        yield Odd(
            "note",
            (found.clean.id, found.explicit.id),
            f"{found.clean.id} differs from {found.explicit.id} nearly everywhere: sung again?"
            if found.re_sung
            else f"{found.clean.id} differs from {found.explicit.id} at {count} place{'s'[: count > 1]}",
            measured=f"{count} place(s), {sum(end - start for start, end in found.places):.2f} s in all",
            places=() if found.re_sung else tuple(pack.place(*one) for one in found.places[:MOST_PLACES]),
        )


def muted(pack: Pack, ear: Ear) -> tuple[list[list[float]], list[Edits]]:
    """Return every place where a clean version mutes something, and all versions that do; none re-sung."""
    found = [one for one in edits(pack, ear) if not one.re_sung]
    places = sorted(place for one in found for place in one.places)
    joined: list[list[float]] = []
    for start, end in places:
        if joined and start <= joined[-1][1] + MARGIN_S:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    return joined, found


def _beat(pack: Pack, of: Edits) -> Bounce | None:
    """Return the instrumental that lies beside a version, or None."""
    return next(
        (
            one
            for one in pack.find("instrumental", of.clean.version.form)
            if one.version.length_group == of.clean.version.length_group and comparable(one, of.clean)
        ),
        None,
    )


def _pure(
    pack: Pack, ear: Ear, voice: Bounce | None, beat: Bounce | None
) -> tuple[Bounce | None, Bounce | None]:
    """Return voice and beat if neither is heard in the other: else they cannot be told apart in a mix."""
    if voice is None or beat is None:
        return voice, beat
    offset = rules_leaks.offset_between(pack, ear, voice, beat)
    most = pack.limit("leak_warn_db")
    leaks = [ear.leak(beat, voice, -offset), ear.leak(voice, beat, offset)]
    dirty = [any(burst[2] > most for burst in leak.bursts) for leak in leaks]
    return None if dirty[0] else voice, None if any(dirty) else beat


@rule(
    "word-left",
    about="Is anything left of a removed word, and is it removed in every clean version?",
    why="It is the commonest reason for a rejection: an ad-lib, a double, a consonant, an echo that is "
    "still heard.",
    todo="Mute it there in every voice track and effect return, and bounce all clean versions again.",
    about_explicit=True,
)
def word_left(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Every place that any clean version mutes, in all of them, by the voice's own samples."""
    places, versions = muted(pack, ear)
    fail, warn = pack.limit("left_fail_db"), pack.limit("left_warn_db")
    for one in versions if places else []:
        voice, beat = _pure(pack, ear, pack.voice_of(one.explicit), _beat(pack, one))
        alone = one.clean.version.parts == "acapella"
        if voice is None or not comparable(voice, one.clean) or (beat is None and not alone):
            yield from _by_places(pack, one, versions, places)
            continue
        left = ear.remains(one.explicit, one.clean, voice, None if alone else beat, places)
        noise = -200.0 if alone else one.usual_db + NOISE_DB
        for start, end, loudest, at in left.places:
            if loudest <= max(warn, noise):
                continue
            own = _touches(one.places, start, end)
            elsewhere = ", ".join(each.clean.id for each in versions if _touches(each.places, start, end))
            yield Odd(
                "fail" if loudest > fail else "warn",
                (one.clean.id,),
                f"something is left of a removed word in {one.clean.id}"
                if own
                else f"a word that {elsewhere} mutes is heard in {one.clean.id}",
                measured=f"{loudest:.0f} dB re the word, loudest at {at:.2f} s",
                expected=f"{warn:g} dB at most",
                places=(pack.place(start, end),),
                badness=loudest,
            )
        for kind, stretches in (("the beginning", left.onsets), ("the end", left.tails)):
            for start, end in stretches:
                if not _touches(one.places, start, end):
                    continue
                yield Odd(
                    "warn",
                    (one.clean.id,),
                    f"{kind} of a removed word is heard in {one.clean.id}",
                    measured=f"{1000 * (end - start):.0f} ms",
                    expected="0 ms",
                    places=(pack.place(start, end),),
                    badness=end - start,
                )


def _touches(places: list[list[float]], start: float, end: float) -> bool:
    return any(first <= end + MARGIN_S and start <= last + MARGIN_S for first, last in places)


def _by_places(pack: Pack, one: Edits, versions: list[Edits], places: list[list[float]]) -> Iterator[Odd]:
    """Without the voices to compare: only whether the others mute a place and this one does not."""
    for start, end in places:
        if not _touches(one.places, start, end):
            others = [each.clean.id for each in versions if _touches(each.places, start, end)]
            yield Odd(
                "fail",
                (one.clean.id,),
                f"{', '.join(others)} has an edit that {one.clean.id} does not have",
                places=(pack.place(start, end),),
                badness=end - start,
            )


@rule(
    "word-in-dj-edit",
    about="Is a removed word heard in the added bars of a clean DJ edit?",
    why="Intro and outro are taken from the hook, and the hook may hold the word.",
    todo="Take the added bars from the clean version, or from the instrumental.",
    about_explicit=True,
)
def word_in_dj_edit(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Every removed word's own samples, looked for before and after the body."""
    places, versions = muted(pack, ear)
    for edit, song in pack.dj_edits():
        if not edit.is_clean or not comparable(song, edit) or not versions:
            continue
        voice = pack.voice_of(song)
        joined = ear.joins(song, edit, beat_s(pack), pack.sheet.bars.meter.beats_per_bar)
        if voice is None or not comparable(voice, edit) or not joined.found:
            continue
        shift = ear.lie(versions[0].explicit, voice).offset_frames / voice.sound.sample_rate_hz
        for name, part in joined.parts.items():
            for start, end in places:
                word = (round(start + shift, 3), round(end + shift, 3))
                at = ear.sounds_again(voice, edit, word, (part.start_s, part.end_s))
                if at is not None:
                    yield Odd(
                        "fail",
                        (edit.id,),
                        f"a removed word is heard in the {name} of {edit.id}",
                        measured=f"the word from {pack.place(start)}",
                        places=(pack.place(at, at + end - start),),
                        badness=1,
                    )


def beat_s(pack: Pack) -> float | None:
    """Return the length of a beat at the song's first downbeat, or None without a grid."""
    first, second = pack.sheet.bars.seconds_of_bar(1, 1), pack.sheet.bars.seconds_of_bar(1, 2)
    return None if first is None or second is None else float(second - first)
