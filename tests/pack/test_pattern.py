"""Patterns of names: what is empty takes its text along."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.pack.pattern import DEFAULT_PATTERN, read_pattern
from relkit.sheet.fields import PATTERN_FIELDS

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "sheet.md"
EMPTY = dict.fromkeys(PATTERN_FIELDS, "")


def filled(pattern: str, **values: str) -> str:
    """Fill a pattern in; fields that are not given are empty."""
    return read_pattern(pattern).filled({**EMPTY, **values})


@pytest.mark.parametrize(
    ("pattern", "values", "expected"),
    [
        # Each written by hand from the rules on the page about the sheet.
        ("{artist} - {title} ({version})", {"artist": "A", "title": "T", "version": "V"}, "A - T (V)"),
        ("{artist} - {title} ({version})", {"artist": "A", "title": "T"}, "A - T"),
        ("{artist} - {title} ({version})", {"title": "T", "version": "V"}, "T (V)"),
        ("{title} ({remixer} Remix) [{version}]", {"title": "T", "version": "V"}, "T [V]"),
        ("({featured}, {language}) {version}", {"language": "ES", "version": "V"}, "(ES) V"),
        ("({version}, {remixer} Remix)", {"version": "V"}, "(V)"),
        ("({version}, {remixer} Remix)", {"remixer": "R"}, "(R Remix)"),
        ("(with {featured}, {language}) {version}", {"language": "ES", "version": "V"}, "(ES) V"),
        ("{artist}_{featured}_{title}_{version}", {"artist": "A", "title": "T", "version": "V"}, "A_T_V"),
        ("{version} (promo)", {"version": "V"}, "V (promo)"),
        ("({version}", {"version": "V"}, "(V"),
        ("([{version}] {title})", {"title": "T"}, "(T)"),
        ("((({version})))", {"version": "V"}, "(((V)))"),
        ("Promo {version}!", {"version": "V"}, "Promo V!"),
        ("Promo {version}!", {}, ""),
        ("no field", {}, ""),
        ("{version}", {"version": "{title} (x)"}, "{title} (x)"),
    ],
)
def test_a_pattern_is_filled_as_the_page_says(pattern: str, values: dict[str, str], expected: str) -> None:
    """One case for each rule, and odd brackets as text."""
    assert filled(pattern, **values) == expected


def test_the_page_shows_the_default_and_names_that_it_makes() -> None:
    """The examples in the documentation, made again."""
    page = PAGE.read_text(encoding="utf-8")
    assert f"```text\n{DEFAULT_PATTERN}\n```" in page
    shown = re.findall(r"^\| .* \| `(.*)\.wav` \|$", page, re.MULTILINE)
    known = {"artist": "The Weir Keepers", "title": "Lanterns on the Weir", "version": "Clean"}
    more = [{}, {"featured": "Ada Sluice"}, {"remixer": "Cora Penstock"}, {"language": "ES"}]
    assert shown == [filled(DEFAULT_PATTERN, **known, **one) for one in more]


@given(st.text(max_size=80) | st.text(alphabet="()[]{}ab -", max_size=80))
def test_any_text_is_a_pattern_and_without_fields_it_says_nothing(text: str) -> None:
    """Reading never fails; filling fails only for a field that there is not."""
    pattern = read_pattern(text)
    if not pattern.slots:
        assert pattern.texts == (text,)
        assert pattern.filled({}) == ""
    else:
        with pytest.raises(ValueError, match="no field"):
            pattern.filled({})
