"""The pages about recipients and rejections say what the code does."""

from __future__ import annotations

import re
from pathlib import Path

from relkit.release.shipments import STATES
from tests.support.consoles import steps

GUIDE = Path(__file__).resolve().parents[2] / "docs" / "guide"


def test_every_state_is_on_the_page() -> None:
    """In the order in which one goes before another is of no matter; that none is missing is."""
    page = (GUIDE / "recipients.md").read_text("utf-8")
    table = page[page.index("| state |") :].split("\n\n")[0]
    assert set(re.findall(r"^\| `([a-z ]+)` \|", table, re.MULTILINE)) == set(STATES)


def test_the_walk_has_as_many_commands_as_it_says() -> None:
    """One numbered heading each; the first command below it is the one that counts."""
    page = (GUIDE / "rejection.md").read_text("utf-8")
    assert "What follows is four commands." in page
    headings = re.split(r"^## \d\. ", page, flags=re.MULTILINE)[1:]
    first = [steps(part)[0][0] for part in headings]
    assert [command.split()[1] for command in first] == ["reply", "commit", "diff", "ship"]
