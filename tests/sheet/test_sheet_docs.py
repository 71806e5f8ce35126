"""The reference page of the sheet: its examples work and no key is missing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from relkit.bars import NOTE_VALUES
from relkit.sheet import Sheet, SheetError
from relkit.sheet.bar_reading import BAR_FIELDS
from relkit.sheet.fields import PATTERN_FIELDS
from relkit.sheet.reading import ARTWORK_FIELDS, PACKAGE_FIELDS, TOP_FIELDS, VERSION_FIELDS
from relkit.vocabulary import FORMS, PARTS, RATINGS, REMOVABLE, WELL_KNOWN

PAGE = (Path(__file__).parents[2] / "docs" / "reference" / "sheet.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("text", EXAMPLES, ids=range(len(EXAMPLES)))
def test_every_example_is_a_good_sheet(text: str) -> None:
    """People copy them."""
    assert Sheet.parse(text).artist


def test_the_shown_fault_is_what_relkit_says() -> None:
    """The fuller example with two slips."""
    text = EXAMPLES[1].replace('rating = "explicit"', 'rating = "claen"').replace('"drugs"', '"drug"')
    with pytest.raises(SheetError) as caught:
        Sheet.parse(text)
    assert f"{caught.value}\n{caught.value.hint}" in PAGE


def test_no_key_and_no_word_of_an_axis_is_missing() -> None:
    """Every key has its row, every word its place."""
    for table in (TOP_FIELDS, VERSION_FIELDS, ARTWORK_FIELDS, PACKAGE_FIELDS, BAR_FIELDS):
        missing = [key for key in table if f"| `{key}` |" not in PAGE and f"## `[{key}" not in PAGE]
        assert missing == []
    words = {*PARTS, *FORMS, *RATINGS, *REMOVABLE, *WELL_KNOWN, *NOTE_VALUES}
    assert [word for word in words if f"`{word}`" not in PAGE] == []
    assert [name for name in PATTERN_FIELDS if f"`{{{name}}}`" not in PAGE] == []
