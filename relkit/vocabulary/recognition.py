"""From the name of a bounce to the version it is for, or to a question.

A name is cut into words, the artist and the title are taken out, and what is
left is read for phrases of ``words``. A name that says two things, or not
enough, is never guessed at: the answer is a question, with a phrase under
which the sheet remembers what the person said.

Conventions
    word, folded, phrase    as in ``cutting``

Sources
    Common practice, no source.

Not here: asking (``relkit.cli``), remembering (``relkit.sheet``), and files
that the sheet already points to, whose version needs no recognition.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

from relkit.vocabulary.cutting import Word, phrase_of, place_of, stem, without_names, words_of
from relkit.vocabulary.versions import WELL_KNOWN, Version, default_label
from relkit.vocabulary.words import DENIALS, LONGEST_PHRASE, MINUTES, NOISE, OPEN, PHRASES, SECONDS, Mark


@dataclass(frozen=True)
class Recognised:
    """The name says which version it is.

    Attributes:
        version_id: a declared or well-known id, or one made from the axes
            ("tv", "short-clean").
        because: the words of the name that decided, as written there.
        parts, form, language: axes of that version, for a sheet that lacks it. The
            rating is absent on purpose: it is declared, never inferred.
    """

    version_id: str
    because: str
    parts: str
    form: str
    language: str | None = None


@dataclass(frozen=True)
class Ambiguous:
    """The name says two things or not enough.

    Attributes:
        candidates: version ids that it may mean, likeliest first.
        question: one line for a person.
        phrase: what to remember the answer under.
    """

    candidates: tuple[str, ...]
    question: str
    phrase: str


@dataclass(frozen=True)
class Unrecognised:
    """The name does not speak of a version.

    Attributes:
        phrase: what an answer can be remembered under; None if nothing is left.
    """

    phrase: str | None


@dataclass(frozen=True)
class _Found:
    """A phrase at its place: words ``start`` to ``end`` (exclusive)."""

    mark: Mark
    start: int
    end: int


def recognise(
    filename: str,
    *,
    known: Mapping[str, str],
    artist: str | None,
    title: str | None,
    versions: Mapping[str, Version] = WELL_KNOWN,
) -> Recognised | Ambiguous | Unrecognised:
    """Say which version a bounce is for, judging by its name alone.

    Args:
        filename: a name or path; only the last component counts.
        known: answers remembered for this release, phrase to version id.
        artist, title: taken out first, so that a song called "Clean Slate"
            does not make every bounce the clean one.
        versions: what the release declares; a custom version is recognised by
            its id and label, too.
    """
    words = words_of(stem(filename))
    words, title_found = without_names(words, artist=artist, title=title)
    found = _durations(words, _phrases(words))
    deciding = _deciding(found)
    custom = _custom(words, deciding, versions)
    if custom is not None:
        answer = _judge_custom(words, deciding, custom, versions)
    elif deciding:
        doubtful = [] if title_found else _shared_with(title, words, deciding)
        answer = _judge(words, deciding, versions, doubtful)
    else:
        return _leftover(words, known, versions)
    if isinstance(answer, Ambiguous) and answer.phrase in known:
        return _answered(known[answer.phrase], f"{answer.phrase} (remembered)", versions)
    return answer


# --- phrases ---------------------------------------------------------------------------------------


def _phrases(words: Sequence[Word]) -> list[_Found]:
    """Find phrases from left to right, the longest at each place."""
    found: list[_Found] = []
    at = 0
    while at < len(words):
        hit = None
        if words[at].folded:
            hit = next(filter(None, (_phrase_at(words, at, n) for n in range(LONGEST_PHRASE, 0, -1))), None)
        if hit is not None:
            found.append(hit)
        at = hit.end if hit is not None else at + 1
    return found


def _phrase_at(words: Sequence[Word], start: int, count: int) -> _Found | None:
    """Return the phrase of that many words at a place; words that fold away are passed over."""
    taken: list[str] = []
    end = start
    while end < len(words) and len(taken) < count and words[end].text:
        if words[end].folded:
            taken.append(words[end].folded)
        end += 1
    mark = PHRASES.get(tuple(taken)) if len(taken) == count else None
    if mark is None:
        return None
    if taken == ["dj"] and end < len(words) and _is_name(words[end]):
        return _Found(Mark("open", "dj-name"), start, end + 1)
    return _Found(mark, start, end)


def _is_name(word: Word) -> bool:
    """Whether a word beside "DJ" may be somebody's name."""
    return (
        bool(word.folded)
        and word.folded.isalpha()
        and word.folded not in NOISE
        and (word.folded,) not in PHRASES
    )


def _durations(words: Sequence[Word], found: list[_Found]) -> list[_Found]:
    """Add what "30s" says, a cut-down, and the question that "2 min" leaves."""
    added = [
        _Found(Mark("form", "short") if word.folded in SECONDS else Mark("open", "minutes"), at, at + 2)
        for at, (number, word) in enumerate(pairwise(words))
        if number.folded.isdecimal() and word.folded in SECONDS | MINUTES
    ]
    return sorted([*found, *added], key=lambda one: one.start)


def _text(words: Sequence[Word], found: Iterable[_Found]) -> str:
    """Return phrases as written in the name."""
    return ", ".join(" ".join(word.text for word in words[one.start : one.end]) for one in found)


def _key(words: Sequence[Word], found: Iterable[_Found]) -> str:
    """Return what an answer about these phrases is remembered under."""
    return " ".join(word.folded for one in found for word in words[one.start : one.end] if word.folded)


def _deciding(found: list[_Found]) -> list[_Found]:
    """Return the phrases that decide: a weak one only where no other says anything."""
    strong = [one for one in found if one.mark.axis in {"parts", "form", "rating", "open"}]
    main = [one for one in found if one.mark == Mark("weak", "main")]
    master = [one for one in found if one.mark == Mark("weak", "master")]
    # "main mix" is a version; "master" alone only says how far the mix is.
    return strong or main or [_Found(Mark("open", "master"), one.start, one.end) for one in master[:1]]


def _shared_with(title: str | None, words: Sequence[Word], deciding: list[_Found]) -> list[_Found]:
    """Return phrases that may be a piece of a shortened title: only one among others can be."""
    in_title = {word.folded for word in words_of(title or "")}
    said = [one for one in deciding if one.mark.axis != "open"]
    if len(said) < 2:
        return []
    return [one for one in said if {word.folded for word in words[one.start : one.end]} <= in_title]


# --- judging ---------------------------------------------------------------------------------------


def _judge(
    words: Sequence[Word],
    deciding: list[_Found],
    versions: Mapping[str, Version],
    doubtful: list[_Found],
) -> Recognised | Ambiguous:
    """Weigh what the phrases say together."""
    key, because = _key(words, deciding), _text(words, deciding)
    denied = next((one for one in deciding if one.mark.axis == "rating" and _is_denied(words, one)), None)
    if denied is not None:
        text = " ".join(word.text for word in words[max(0, denied.start - 1) : denied.end + 1] if word.text)
        return Ambiguous(("explicit", "clean"), f'what is "{text}"?', f"denied {key}")

    def ask(question: str, *readings: Mapping[str, str]) -> Ambiguous:
        candidates = dict.fromkeys(one for reading in readings for one in _matches(reading, versions))
        return Ambiguous(tuple(candidates), question, key)

    said = {
        axis: list(dict.fromkeys(one.mark.value for one in deciding if one.mark.axis == axis))
        for axis in ("parts", "form", "rating")
    }
    if any(len(values) > 1 for values in said.values()):
        choices = product(*(values or [""] for values in said.values()))
        return ask(f'"{because}" says two things', *(dict(zip(said, one, strict=True)) for one in choices))
    axes = {axis: values[0] for axis, values in said.items() if values}
    if doubtful:
        of_title = {(one.mark.axis, one.mark.value) for one in doubtful}
        rest = {axis: value for axis, value in axes.items() if (axis, value) not in of_title}
        return ask(f'is "{_text(words, doubtful)}" the version, or a piece of the title?', rest, axes)
    for one in deciding:
        if one.mark.axis == "open" and not _settled(one.mark.value, axes):
            entry = OPEN[one.mark.value]
            question = entry.question.format(_text(words, [one]))
            possible = [one for one in entry.readings if all(axes.get(a, v) == v for a, v in one.items())]
            if len(possible) < len(entry.readings):
                possible.insert(0, {})  # another word excludes a reading: it may mean nothing more than that
            return ask(question, *({**axes, **one} for one in possible))
    matches = _matches(axes, versions)
    if len(matches) > 1:
        return ask(f'"{because}" fits more than one version of this release', axes)
    declared = versions.get(matches[0])
    if declared is None and axes.get("parts") == "instrumental" and "rating" in axes:
        unrated = {axis: value for axis, value in axes.items() if axis != "rating"}
        return ask(f'is "{because}" the instrumental, or one with cleaned samples?', unrated, axes)
    if declared is not None and _contradicts(axes.get("rating"), declared):
        return ask(f'"{because}", but the sheet declares {declared.id} as {declared.rating}', axes)
    return _answered(matches[0], because, versions, axes)


def _is_denied(words: Sequence[Word], one: _Found) -> bool:
    """Whether "not" or the like stands right beside a rating: "not clean", "clean not ok"."""
    beside = (*words[max(0, one.start - 1) : one.start], *words[one.end : one.end + 1])
    return any(word.folded in DENIALS for word in beside)


def _settled(name: str, axes: Mapping[str, str]) -> bool:
    """Whether the other words leave no question about an open one."""
    return any(axes.get(axis) in values for axis, values in OPEN[name].settled_by)


def _contradicts(rating: str | None, declared: Version) -> bool:
    """Whether a name's word and a declared rating cannot both be true."""
    if rating == "explicit":
        return not declared.may_be_explicit
    return rating == "clean" and declared.rating == "explicit"


def _composed_id(axes: Mapping[str, str]) -> str:
    """Make an id from axes the way that the well-known ids are made."""
    form, parts, rating = axes.get("form", ""), axes.get("parts", ""), axes.get("rating", "")
    names = ["dj" if form == "dj-edit" else form, "" if parts == "full" else parts]
    names = [name for name in names if name]
    if rating == "clean":
        names.append("clean")
    elif rating == "explicit" and not names:
        names.append("explicit")
    return "-".join(names) or "main"


def _matches(axes: Mapping[str, str], versions: Mapping[str, Version]) -> tuple[str, ...]:
    """Return declared versions at this point of the axes, or else one id made from it."""
    composed = _composed_id(axes)
    other_language = "language" in axes
    if composed in versions and not other_language:
        return (composed,)
    said = axes.get("rating")
    same = tuple(
        version.id
        for version in versions.values()
        if version.parts == (axes.get("parts") or "full")
        and version.form == (axes.get("form") or "song")
        and (version.rating == "clean") == (said == "clean")
        and not _contradicts(said, version)
        and not (said == "explicit" and "clean" in version.id.split("-"))  # whatever its rating is, or is not
        and (version.language is not None or not other_language)
    )
    return same if same or other_language else (composed,)


def _custom(
    words: Sequence[Word], deciding: list[_Found], versions: Mapping[str, Version]
) -> tuple[str, int, int] | None:
    """Find an id or label that only this release has; the longest wins.

    A name made of nothing but words of the trade ("tv-clean") is left to the
    axes, which read its words in any order.
    """
    said = {at for one in deciding if one.mark.axis != "open" for at in range(one.start, one.end)}
    hits = []
    for version in versions.values():
        names = {
            version.id: version.id not in WELL_KNOWN,
            version.label: version.label != default_label(version.id),
        }
        for name in (name for name, own in names.items() if own):
            place = place_of(words, "".join(word.folded for word in words_of(name)))
            if place is not None and not set(range(*place)) <= said:
                hits.append((version.id, *place))
    return max(hits, key=lambda hit: hit[2] - hit[1], default=None)


def _judge_custom(
    words: Sequence[Word],
    deciding: list[_Found],
    custom: tuple[str, int, int],
    versions: Mapping[str, Version],
) -> Recognised | Ambiguous:
    """Take a declared version's own name, unless other words beside it say something else."""
    version_id, start, end = custom
    own = " ".join(word.text for word in words[start:end] if word.text)
    beside = [one for one in deciding if one.end <= start or one.start >= end]
    if not beside:
        return _answered(version_id, own, versions)
    version, text = versions[version_id], _text(words, beside)
    if all(one.mark.value in {version.parts, version.form, version.rating} for one in beside):
        return _answered(version_id, f"{own}, {text}", versions)
    axes = {one.mark.axis: one.mark.value for one in beside if one.mark.axis in {"parts", "form", "rating"}}
    candidates = dict.fromkeys((version_id, *_matches(axes, versions)))
    key = f"{phrase_of(own)} {_key(words, beside)}"
    return Ambiguous(tuple(candidates), f'"{own}" and "{text}" say two things', key)


def _leftover(
    words: Sequence[Word], known: Mapping[str, str], versions: Mapping[str, Version]
) -> Recognised | Unrecognised:
    """Nothing decides: perhaps a person explained the words that are left, earlier."""
    left = [word for word in words if word.folded.isalpha() and word.folded not in NOISE]
    phrase = " ".join(word.folded for word in left)
    if phrase in known:
        text = " ".join(word.text for word in left)
        return _answered(known[phrase], f"{text} (remembered)", versions)
    return Unrecognised(phrase or None)


def _answered(
    version_id: str,
    because: str,
    versions: Mapping[str, Version],
    axes: Mapping[str, str] | None = None,
) -> Recognised:
    """Put an answer together; a declared version's axes win over those of the name."""
    declared = versions.get(version_id) or WELL_KNOWN.get(version_id)
    if declared is not None:
        return Recognised(version_id, because, declared.parts, declared.form, declared.language)
    axes = axes or {}
    return Recognised(version_id, because, axes.get("parts") or "full", axes.get("form") or "song")
