"""What is odd about a sheet that reads well? Findings, each at its line of ``release.toml``.

A value that cannot be right (an ISRC of another form, a GTIN whose check digit
is wrong) is refused when the sheet is read. Here stands what a person may have
meant: it is said, and never changed. Nothing asks a clock, so that the same
sheet always has the same findings.

Conventions
    severity    "fail": a recipient would send it back; "warn": a professional
                would ask; "note": good to know
    line        counted from 1

Sources
    [ISRC]  ISO 3901:2019 and the International ISRC Agency: a recording has one
            code, and another mix or edit is another recording
    Everything else is common practice, no source.

Not here: whether the declared files exist and how they sound (``relkit.qc``),
who a code was given to, the picture itself (``relkit.pack.artwork``).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from relkit.bars import LiveTempo, decimal_text
from relkit.sheet.fields import quoted
from relkit.sheet.lines import Path
from relkit.sheet.model import Sheet

Severity = Literal["fail", "warn", "note"]

FIRST_YEAR, LAST_YEAR = 1900, 2099  # a date outside is mistyped
LOW_BPM, HIGH_BPM = 30, 300  # music outside is counted in another note value

_BRACKETED = re.compile(r"\(([^()]*)\)|\[([^\[\]]*)\]")
_AFTER_A_DASH = re.compile(r"\s[-\u2013\u2014]\s+([^-\u2013\u2014]*)$")
_MASKED = re.compile(r"\w\*+\w|\*{2,}\w|\w\*{2,}")  # "D**n", "**mn", "D***"; "Song*" is a footnote
_GUESTS = re.compile(r"\b(feat|featuring)\b|\bft\.", re.IGNORECASE)
_REMIX = re.compile(r"\bremix\s*$", re.IGNORECASE)
_YEAR = re.compile(r"(?<!\d)\d{4}(?!\d)")
_FILLERS = frozenset({"version", "edit", "mix", "lyrics"})
_AXES = frozenset({"parts", "form", "rating"})


@dataclass(frozen=True)
class SheetFinding:
    """One thing to look at.

    Attributes:
        line: of ``release.toml``.
        name: of the rule, lower-case words joined by hyphens; stays the same for ever.
        severity: see the module's conventions.
        fault: what is odd; one line.
        hint: what to do; one line.
    """

    line: int
    name: str
    severity: Severity
    fault: str
    hint: str


def check_sheet(sheet: Sheet) -> list[SheetFinding]:
    """Return what is odd about a sheet, in the order of its lines."""
    rules = (_codes, _credits, _dates, _tempo, _copyright, _titles, _guests_and_remixer, _pattern)
    found = [
        SheetFinding(sheet.line_of(*path), name, severity, fault, hint)
        for rule in rules
        for path, name, severity, fault, hint in rule(sheet)
    ]
    return sorted(found, key=lambda one: one.line)


_Odd = tuple[Path, str, Severity, str, str]  # place, rule, severity, fault, hint


def _codes(sheet: Sheet) -> Iterator[_Odd]:
    """One ISRC is one recording [ISRC]; the song's main versions have one each."""
    owners: dict[str, str] = {}
    for version_id, entry in sheet.versions.items():
        if entry.isrc is None:
            continue
        first = owners.setdefault(entry.isrc, version_id)
        if first != version_id:
            line = sheet.line_of("versions", first, "isrc")
            yield (
                ("versions", version_id, "isrc"),
                "isrc-twice",
                "fail",
                f"{version_id} has the ISRC of {first} (line {line})",
                "Another mix or edit is another recording: get it a code of its own, or delete the line.",
            )
    if not sheet.declares("versions"):
        yield (
            (),
            "isrc-missing",
            "warn",
            "no version is declared, so none has an ISRC",
            'Declare the versions, and write isrc = "..." for those that are released.',
        )
        return
    for version_id, entry in sheet.versions.items():
        if entry.isrc is None and (entry.version.parts, entry.version.form) == ("full", "song"):
            yield (
                ("versions", version_id),
                "isrc-missing",
                "warn",
                f"{version_id} has no ISRC",
                'Stations report plays by it: add isrc = "..." as your label or distributor gave it.',
            )


def _credits(sheet: Sheet) -> Iterator[_Odd]:
    """Who wrote it is what collecting societies need; who made it is for readers."""
    if not sheet.composers:
        yield (
            (),
            "composers-missing",
            "warn",
            "nobody is named as composer",
            'Stations report plays by it: add composers = ["..."].',
        )
    if not sheet.credits:
        yield (
            (),
            "credits-missing",
            "note",
            "there are no credits",
            'Add a table [credits] with lines like "Mixed by" = "...".',
        )


def _dates(sheet: Sheet) -> Iterator[_Odd]:
    """Days that are mistyped, or contradict each other."""
    embargo = sheet.embargo.date() if sheet.embargo else None  # the day in the sender's own zone
    declared = {"release_date": sheet.release_date, "embargo": embargo, "end_date": sheet.end_date}
    days: dict[str, dt.date] = {}
    for name, day in declared.items():
        if day is not None and FIRST_YEAR <= day.year <= LAST_YEAR:
            days[name] = day
        elif day is not None:  # and then it contradicts nothing: one slip is one finding
            yield (name,), "date-odd", "warn", f"{name} is in the year {day.year}", "Is a digit mistyped?"
    for name in ("release_date", "embargo"):
        if name in days and days.get("end_date", days[name]) < days[name]:
            fault = f"end_date {days['end_date']} is before {name} {days[name]}"
            yield ("end_date",), "end-before-start", "fail", fault, "No day is left: mend one of the two."
    if days.get("embargo", dt.date.min) > days.get("release_date", dt.date.max):
        yield (
            ("embargo",),
            "embargo-after-release",
            "warn",
            f"embargo {days['embargo']} is after release_date {days['release_date']}",
            "What is released can be played: mend one of the two.",
        )


def _tempo(sheet: Sheet) -> Iterator[_Odd]:
    """A tempo that is mistyped, or counts another note than the sheet says."""
    tempo = sheet.bars.tempo
    places: list[tuple[Path, Fraction]] = []
    if isinstance(tempo, LiveTempo):
        places = [(("bars", "tempo_live_bpm"), bpm) for bpm in (tempo.low_bpm, tempo.high_bpm)]
    elif tempo is not None and sheet.declares("bars", "tempo_bpm"):
        places = [(("bars", "tempo_bpm"), tempo[0].bpm)]
    elif tempo is not None:
        places = [(("bars", "tempo_changes", place, "bpm"), one.bpm) for place, one in enumerate(tempo)]
    for path, bpm in places:
        if not LOW_BPM <= bpm <= HIGH_BPM:
            yield (
                path,
                "tempo-odd",
                "warn",
                f"a tempo of {decimal_text(bpm)} BPM is unusual",
                f"Music has {LOW_BPM} to {HIGH_BPM}: is a digit mistyped, or is another note counted?",
            )


def _copyright(sheet: Sheet) -> Iterator[_Odd]:
    """Year and owner."""
    if sheet.copyright is not None and not _YEAR.search(sheet.copyright):
        fault = f"copyright {quoted(sheet.copyright)} has no year"
        yield ("copyright",), "copyright-without-year", "warn", fault, 'Write year and owner: "2031 ...".'


def _titles(sheet: Sheet) -> Iterator[_Odd]:
    """A title speaks of the song; of a version speaks its label."""
    has_clean = any(entry.version.rating == "clean" for entry in sheet.versions.values())
    versions, _explicit = _marks(sheet.title)
    if has_clean and sheet.clean_title is None and title_is_explicit(sheet):
        yield (
            ("title",),
            "title-explicit",
            "warn",
            f"the title {quoted(sheet.title)} is explicit, and clean versions would carry it",
            'Take the mark out, or say what clean versions are called: clean_title = "...".',
        )
    elif versions:
        yield _version_in_title("title", versions)
    if sheet.clean_title is None:
        return
    versions, explicit = _marks(sheet.clean_title)
    if explicit:
        fault = f"the clean title {quoted(sheet.clean_title)} is marked explicit"
        yield ("clean_title",), "clean-title-explicit", "fail", fault, "Take the mark out."
    elif versions:
        yield _version_in_title("clean_title", versions)


def title_is_explicit(sheet: Sheet) -> bool:
    """Say whether a title must not be read by whoever excludes what is explicit.

    What the sheet declares counts; where it says nothing, a title that is marked
    "(Explicit)" or has a masked word counts as explicit.
    """
    if sheet.title_rating is not None:
        return sheet.title_rating == "explicit"
    return reads_explicit(sheet.title)


def reads_explicit(text: str) -> bool:
    """Say whether a text is marked explicit, "Song (Dirty)", or has a masked word, "f***"."""
    return _marks(text)[1] or _MASKED.search(text) is not None


def _version_in_title(key: str, words: str) -> _Odd:
    fault = f"{key} names a version, {quoted(words)}"
    return (key,), "version-in-title", "warn", fault, "Take it out: each file says its version by its label."


def _marks(title: str) -> tuple[str | None, bool]:
    """Return the first words of a title that name a version, and whether any mark says explicit."""
    groups = [one[1] if one[1] is not None else one[2] for one in _BRACKETED.finditer(title)]
    dashed = _AFTER_A_DASH.search(title)
    named = [group for group in (*groups, *([dashed[1]] if dashed else [])) if _kinds(group)]
    return next(iter(named), None), any(("rating", "explicit") in _kinds(group) for group in named)


def _kinds(text: str) -> set[tuple[str, str]]:
    """Return the axes and values that a text speaks of if it is made of words for versions only."""
    from relkit.vocabulary.cutting import phrase_of  # brings the words of file names with it
    from relkit.vocabulary.words import LONGEST_PHRASE, PHRASES

    words = phrase_of(text[:80]).split()
    found: set[tuple[str, str]] = set()
    at = 0
    while at < len(words):
        for count in range(min(LONGEST_PHRASE, len(words) - at), 0, -1):
            mark = PHRASES.get(tuple(words[at : at + count]))
            if mark is not None and (mark.axis in _AXES or mark.value in {"radio", "edit", "club"}):
                found.add((mark.axis, mark.value))
                break
        else:
            count = 1
            if words[at] not in _FILLERS:
                return set()
        at += count
    return found


def _guests_and_remixer(sheet: Sheet) -> Iterator[_Odd]:
    """Names would say twice what stands in the title and in its own key."""
    if sheet.featured and _GUESTS.search(sheet.title):
        fault = "the title names guests, and so does featured"
        yield (
            ("title",),
            "guests-twice",
            "warn",
            fault,
            "Take them out of the title: names get them from featured.",
        )
    if sheet.remixer is not None and _REMIX.search(sheet.remixer):
        fault = f"remixer {quoted(sheet.remixer)} is more than a name"
        yield (
            ("remixer",),
            "remixer-not-a-name",
            "warn",
            fault,
            "Write the name alone: names add Remix to it.",
        )


def _pattern(sheet: Sheet) -> Iterator[_Odd]:
    """A file leaves its folder sooner or later, and then its name is all it has."""
    pattern = sheet.package_pattern
    for name in ("artist", "title") if pattern is not None else ():
        if f"{{{name}}}" not in str(pattern):
            yield (
                ("package", "pattern"),
                "pattern-incomplete",
                "warn",
                f"names of files do not say the {name}",
                f"Add {{{name}}} to the pattern.",
            )
