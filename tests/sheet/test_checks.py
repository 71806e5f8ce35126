"""What is odd about a sheet that reads well: each rule on a sheet with one oddity, and on one without."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.sheet import Sheet, SheetFinding, check_sheet, new_sheet_text
from relkit.sheet.toml_text import as_value

GOOD = """\
artist = "The Weir Keepers"
title = "Lanterns on the Weir"
composers = ["Ada Sluice"]
copyright = "2031 Tailrace Recordings"
release_date = 2031-05-23
embargo = 2031-05-16T00:00:00+01:00
end_date = 2031-12-31
[credits]
"Mixed by" = "Cora Penstock"
[bars]
tempo_bpm = 122
[versions.explicit]
rating = "explicit"
isrc = "AA-6Q7-20-00047"
[versions.clean]
rating = "clean"
isrc = "AA-6Q7-20-00048"
[versions.dj]
rating = "explicit"
[versions.acapella]
rating = "explicit"
"""  # AA-6Q7-20-00047 is the ISRC agency's made-up example, never a live code


def findings(text: str) -> list[SheetFinding]:
    """Check the sheet of a text."""
    return check_sheet(Sheet.parse(text))


def test_a_sheet_with_all_its_label_copy_has_no_finding() -> None:
    """DJ edit and acapella are promo-only: they need no ISRC."""
    assert findings(GOOD) == []


ODD = [
    # in GOOD, instead, and then: rule, severity, line, words of the fault
    ("00048", "00047", "isrc-twice", "fail", 17, "clean has the ISRC of explicit (line 14)"),
    ('isrc = "AA-6Q7-20-00048"\n', "", "isrc-missing", "warn", 15, "clean has no ISRC"),
    ('composers = ["Ada Sluice"]', "", "composers-missing", "warn", 1, "composer"),
    ('"Mixed by" = "Cora Penstock"', "", "credits-missing", "note", 1, "no credits"),
    ("2031-05-23\n", "1031-05-23\n", "date-odd", "warn", 5, "release_date is in the year 1031"),
    ("2031-12-31", "3031-12-31", "date-odd", "warn", 7, "end_date is in the year 3031"),
    ("2031-12-31", "2031-05-22", "end-before-start", "fail", 7, "before release_date 2031-05-23"),
    ("2031-05-16T", "2031-05-24T", "embargo-after-release", "warn", 6, "embargo 2031-05-24 is after"),
    ("tempo_bpm = 122", "tempo_bpm = 1000", "tempo-odd", "warn", 11, "1000 BPM is unusual"),
    ("tempo_bpm = 122", "tempo_bpm = 29.99", "tempo-odd", "warn", 11, "29.99 BPM is unusual"),
    ("tempo_bpm = 122", "tempo_live_bpm = [12, 90]", "tempo-odd", "warn", 11, "12 BPM is unusual"),
    (
        "tempo_bpm = 122",
        "tempo_changes = [\n{bar = 1, bpm = 122},\n{bar = 9, bpm = 301}]",
        "tempo-odd",
        "warn",
        13,
        "301 BPM is unusual",
    ),
    ('"2031 Tailrace', '"20315 Tailrace', "copyright-without-year", "warn", 4, "has no year"),
    ('Weir"\ncomp', 'Weir [Explicit]"\ncomp', "title-explicit", "warn", 2, "is explicit, and clean"),
    ('Weir"\ncomp', 'Weir (Explicit Version)"\ncomp', "title-explicit", "warn", 2, "is explicit, and clean"),
    ('Weir"\ncomp', 'W**r"\ncomp', "title-explicit", "warn", 2, "is explicit, and clean"),
    (
        'Weir"\ncomp',
        'W [Explicit]"\nclean_title = "W"\ncomp',
        "version-in-title",
        "warn",
        2,
        'names a version, "Explicit"',
    ),
    ('Weir"\ncomp', 'Weir (Clean)"\ncomp', "version-in-title", "warn", 2, 'names a version, "Clean"'),
    ('Weir"\ncomp', 'Weir - Radio Edit"\ncomp', "version-in-title", "warn", 2, '"Radio Edit"'),
    ('Weir"\ncomp', 'Weir [DJ Intro Dirty]"\ncomp', "title-explicit", "warn", 2, "is explicit, and clean"),
    (
        'Weir"\ncomp',
        'W"\nclean_title = "W [Explicit]"\ncomp',
        "clean-title-explicit",
        "fail",
        3,
        "marked explicit",
    ),
    (
        'Weir"\ncomp',
        'W"\nclean_title = "W (Clean)"\ncomp',
        "version-in-title",
        "warn",
        3,
        "clean_title names",
    ),
    (
        'Weir"\ncomp',
        'W (feat. Ada)"\nfeatured = ["Ada"]\ncomp',
        "guests-twice",
        "warn",
        2,
        "names guests",
    ),
    ("composers", 'remixer = "Cora Remix"\ncomposers', "remixer-not-a-name", "warn", 3, "more than a name"),
    (
        "[bars]",
        '[package]\npattern = "{title} {version}"\n[bars]',
        "pattern-incomplete",
        "warn",
        11,
        "the artist",
    ),
]


@pytest.mark.parametrize(("old", "new", "name", "severity", "line", "fault"), ODD, ids=range(len(ODD)))
def test_each_oddity_is_found_at_its_line(
    old: str, new: str, name: str, severity: str, line: int, fault: str
) -> None:
    """One oddity in an otherwise good sheet is one finding."""
    assert GOOD.count(old) == 1

    found = findings(GOOD.replace(old, new))

    assert [(one.name, one.severity, one.line) for one in found] == [(name, severity, line)], found
    assert fault in found[0].fault
    assert found[0].hint.endswith((".", "?"))


@pytest.mark.parametrize(
    "title",
    [
        "Clean",
        "Explicit",
        "Clean Slate",
        "Dirty (Part 2)",
        "Weir (Long Way Home)",
        "Weir [Live in the Clean Room]",
        "Weir (Version)",
        "Stay - Go",
        "5 * 5",
        "Lanterns*",
        "(((",
        "[]",
    ],
)
def test_an_honest_title_is_left_alone(title: str) -> None:
    """A word of the trade in a title is no mark unless it stands apart and alone."""
    assert findings(GOOD.replace('"Lanterns on the Weir"', as_value(title))) == []


def test_an_explicit_title_is_fine_with_a_clean_one_or_without_clean_versions() -> None:
    """Masked words are how the trade prints such a title."""
    masked = GOOD.replace("Lanterns", "L**terns")
    assert findings(masked.replace("composers", 'clean_title = "Weir"\ncomposers')) == []
    assert findings(masked.replace('rating = "clean"', 'rating = "explicit"')) == []


def test_the_end_of_an_embargo_can_be_the_last_day_but_not_after_it() -> None:
    """Days count, in the zone that the sender wrote."""
    one_day = GOOD.replace("2031-12-31", "2031-05-23").replace("2031-05-16T00:00", "2031-05-23T23:59")
    assert findings(one_day) == []
    no_release = one_day.replace("release_date = 2031-05-23\n", "").replace("2031-05-23\n", "2031-05-22\n")
    assert [one.name for one in findings(no_release)] == ["end-before-start"]


def test_without_versions_one_finding_speaks_of_all() -> None:
    """The eight well-known ones were not declared by anybody."""
    found = findings('artist = "A"\ntitle = "T"\n')
    assert [(one.name, one.line) for one in found] == [
        ("isrc-missing", 1),
        ("composers-missing", 1),
        ("credits-missing", 1),
    ]


def test_a_new_sheet_asks_for_what_was_not_declared_yet() -> None:
    """Nothing in the template itself is odd."""
    found = findings(new_sheet_text("A", "T", "122"))
    assert {one.name for one in found} == {"isrc-missing", "composers-missing", "credits-missing"}
    assert [one.fault for one in found if one.name == "isrc-missing"] == [
        "explicit has no ISRC",
        "clean has no ISRC",
    ]


def test_every_rule_has_its_row_in_the_documentation_with_its_severity() -> None:
    """And no row is left of a rule that went."""
    page = (Path(__file__).parents[2] / "docs" / "reference" / "sheet.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([a-z-]+)` \| (fail|warn|note) \|", page, re.MULTILINE)
    assert sorted(rows) == sorted({(name, severity) for _, _, name, severity, _, _ in ODD})


@given(title=st.text(min_size=1, max_size=300), more=st.text(max_size=300))
def test_any_text_is_checked_without_an_error_and_shown_on_one_line(title: str, more: str) -> None:
    """Brackets, asterisks and line ends in values are text."""
    text = f"artist = 'A'\ntitle = {as_value('x' + title)}\ncopyright = {as_value('c' + more)}\n"
    for one in findings(text + '[versions.clean]\nrating = "clean"\n'):
        assert one.fault.isprintable()
        assert one.hint.isprintable()
