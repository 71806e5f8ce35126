"""Rules on facts: what the sheet and the manifest say, without listening.

Sources
    What a pack has to hold: common practice, no source

Not here: how anything sounds (all other ``rules_*``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator

from relkit.qc.ear import Ear
from relkit.qc.findings import Severity
from relkit.qc.limits import LIMITS
from relkit.qc.pack import Bounce, Pack
from relkit.qc.rule import Odd, rule

_WANTED = (
    ("full", "song", "full mix"),
    ("instrumental", "song", "instrumental"),
    ("acapella", "song", "acapella"),
    ("full", "dj-edit", "DJ edit"),
)


@rule(
    "pack-incomplete",
    about="Are the versions there that the trade expects of this song, and a cover?",
    why="Each of them is what somebody can play where the others do not fit; what is missing is asked for.",
    todo="Bounce it and commit it; or ship without it, if this song has none.",
)
def pack_incomplete(pack: Pack, _ear: Ear) -> Iterator[Odd]:
    """Whether anything is missing; with explicit material everything sung is wanted twice."""
    versions = [one for one in pack.versions if one.parts != "stems"]
    explicit = any(one.rating in {"explicit", "clean"} for one in versions)
    for parts, form, name in _WANTED:
        found = [one for one in versions if (one.parts, one.form) == (parts, form)]
        if not explicit or parts == "instrumental":
            if not found:
                yield Odd("warn", (), f"there is no {name}", expected=name)
            continue
        if not any(one.may_be_explicit for one in found):
            yield Odd("warn", (), f"there is no explicit {name}", expected=f"explicit {name}")
        if all(one.may_be_explicit for one in found):
            yield Odd("warn", (), f"there is no clean {name}", expected=f"clean {name}")
    if not pack.has_cover:
        yield Odd(
            "warn",
            (),
            "there is no cover",
            expected="a square picture",
            todo="Put one where the sheet says, artwork/cover.png by default, and commit it.",
        )


def _outliers(bounces: list[Bounce], of: Callable[[Bounce], object]) -> tuple[object, list[Bounce]]:
    """Return what most bounces have, the first one's if none has a majority, and those that differ."""
    counts = Counter(of(one) for one in bounces)
    usual, number = counts.most_common(1)[0]
    if list(counts.values()).count(number) > 1:
        usual = of(bounces[0])
    return usual, [one for one in bounces if of(one) != usual]


def _format(bounce: Bounce) -> str:
    sound = bounce.sound
    return f"{sound.sample_rate_hz} Hz, {sound.sample_format}, {sound.channels} channel(s)"


@rule(
    "formats-differ",
    about="Do all bounces have one sample rate, sample format and number of channels?",
    why="A recipient who lines versions up, or swaps them while playing, cannot do so between formats.",
    todo="Bounce it again with the settings of the others; do not convert the finished file.",
)
def formats_differ(pack: Pack, _ear: Ear) -> Iterator[Odd]:
    """Whether one bounce was made with other settings; stems may be mono."""
    if not pack.whole:
        return
    usual, others = _outliers(list(pack.whole), _format)
    for one in others:
        yield Odd(
            "fail",
            (one.id,),
            f"{one.id} has another format than the other versions",
            measured=_format(one),
            expected=str(usual),
        )


@rule(
    "rating",
    about="Does every version say whether it is explicit, and do the ratings fit together?",
    why="A rating that nobody declared counts as explicit: radio does not get the file, and a wrong one "
    "puts it on air.",
    todo='Set rating = "explicit", "clean" or "no-edit-needed" for this version in the sheet.',
    about_explicit=True,
)
def rating(pack: Pack, _ear: Ear) -> Iterator[Odd]:
    """Whether ratings are missing, or contradict an id or each other."""
    severity: Severity
    ratings = {one.rating for one in pack.versions}
    for one in pack.versions:
        declared, words = one.rating, one.id.split("-")
        if declared is None:
            severity = "note" if one.parts in {"instrumental", "stems", "other"} else "warn"
            yield Odd(severity, (one.id,), f"{one.id} has no rating", expected="a rating")
        elif ("clean" in words and declared == "explicit") or (
            "explicit" in words and declared != "explicit"
        ):
            yield Odd("fail", (one.id,), f"{one.id} is declared {declared}", measured=declared)
        elif declared == "no-edit-needed" and one.parts != "instrumental" and "explicit" in ratings:
            others = [
                each
                for each in pack.versions
                if (each.parts, each.form, each.language) == (one.parts, one.form, one.language)
            ]
            for other in [each for each in others if each.rating == "explicit"][:1]:
                yield Odd(
                    "warn",
                    (one.id, other.id),
                    f"{one.id} is declared no-edit-needed, and {other.id} explicit",
                    measured=declared,
                    todo='If words were taken out of it, it is rating = "clean".',
                )
        if declared == "clean" and not one.removed:
            yield Odd(
                "note",
                (one.id,),
                f"nobody says what was removed from {one.id}",
                todo='Add removed = ["swearing", ...], so that a station knows what it need not look for.',
            )
    if pack.sheet.cover_rating == "explicit" and pack.sheet.clean_cover is None and "clean" in ratings:
        yield Odd(
            "warn",
            (),
            "the cover is explicit, and there is no clean one",
            todo="Add clean_cover to [artwork] in the sheet.",
        )


@rule(
    "label-copy",
    about="Is the sheet's text complete and free of slips: names, ISRC, dates?",
    why="It is what gets printed, read out, and paid by.",
    todo="Mend it in the sheet.",
)
def label_copy(pack: Pack, _ear: Ear) -> Iterator[Odd]:
    """What is odd about the sheet; see ``relkit.sheet.check_sheet`` and docs/reference/sheet.md."""
    from relkit.sheet import check_sheet

    for found in check_sheet(pack.sheet):
        yield Odd(
            found.severity,
            (),
            f"{pack.sheet.name}, line {found.line}: {found.fault}",
            measured=found.name,
            todo=found.hint,
        )
    for name in pack.sheet.limits:
        if name not in LIMITS:
            yield Odd(
                "warn",
                (),
                f"the sheet sets a limit {name}, which no rule has",
                measured=name,
                todo="Correct its name; the limits are listed in docs/reference/qc.md.",
            )


@rule(
    "artwork",
    about="Is the cover a square of the size that is asked for?",
    why="Shops and players show a square, and refuse or crop anything else.",
    todo="Export the picture again.",
)
def artwork(pack: Pack, _ear: Ear) -> Iterator[Odd]:
    """What is odd about the picture."""
    for found in pack.cover_odd:
        yield Odd(found.severity, (), found.fault, measured=found.name, todo=found.todo)
