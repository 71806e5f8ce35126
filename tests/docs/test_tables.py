"""The tables of the guide say what the code does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from relkit import errors
from relkit.pack.renditions import FORMATS
from relkit.release import wants
from relkit.release.gathering import facts_of
from relkit.release.recipients import Recipient
from relkit.sheet import Sheet, new_sheet_text
from relkit.vocabulary import Ambiguous, Recognised, recognise
from relkit.vocabulary.recipients import RecipientKind

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "docs" / "guide"


def rows(page: str, heading: str) -> list[list[str]]:
    """Return the cells of the table whose first heading is given."""
    text = (GUIDE / page).read_text(encoding="utf-8")
    table = re.search(rf"^\| {heading} \|.*\n\|[- |]+\n((?:\|.*\n)+)", text, re.MULTILINE)
    assert table is not None
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table[1].splitlines()]


def test_every_kind_gets_what_the_page_says() -> None:
    """With the versions and ratings of a new sheet."""
    sheet = Sheet.parse(new_sheet_text("Ostrel Vane", "Lanterns on the Weir"))
    versions = [facts_of(entry) for entry in sheet.versions.values()]
    told = {kind.strip("`"): cells for kind, *cells in rows("recipients.md", "kind")}
    assert told == {
        kind.value: [
            ", ".join(
                version.id for version in wants.choose(versions, Recipient.new("Somebody", kind.value))
            ),
            ", ".join(wants.formats_for(Recipient.new("Somebody", kind.value))),
            "yes" if kind in wants.NO_EXPLICIT else "",
        ]
        for kind in RecipientKind
    }


def test_every_format_is_on_the_page() -> None:
    """With the folder that it lies in."""
    told = {name.strip("`"): folder for name, folder, _ in rows("recipients.md", "format")}
    assert told == dict(FORMATS)


@pytest.mark.parametrize(("name", "meaning"), rows("bounces.md", "name"))
def test_names_are_recognised_as_the_page_says(name: str, meaning: str) -> None:
    """Outside of any release that has remembered an answer."""
    said = recognise(name.strip("`"), known={}, artist="Ostrel Vane", title="Lanterns on the Weir")
    if isinstance(said, Recognised):
        assert meaning == said.version_id
    elif isinstance(said, Ambiguous):
        assert meaning == f"a question: {', '.join(said.candidates)}"
    else:
        assert meaning == "no answer"


def test_exit_codes_are_those_of_the_families() -> None:
    """One family, one code; 0, 130 and what typer decides have none."""
    told = {family.strip("`"): int(code) for code, _, family in rows("exit-codes.md", "code") if family}
    assert told == {family.__name__: family.exit_code for family in errors.RelkitError.__subclasses__()}


def test_every_dependency_has_its_licence() -> None:
    """The table of the contributor guide lists what the project file asks for, and nothing else."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    names = {re.match(r"[A-Za-z0-9_-]+", requirement)[0] for requirement in wanted}  # type: ignore[index]
    assert {name for name, _, _ in rows("../../DEVELOPERS.md", "name")} == names


@pytest.mark.parametrize(
    "page", sorted((ROOT / "docs" / "decisions").glob("0*.md")), ids=lambda page: page.stem
)
def test_a_decision_has_all_its_parts(page: Path) -> None:
    """Number, status, and the five questions in their order."""
    text = page.read_text(encoding="utf-8")
    assert text.startswith(f"# ADR-{page.name[:4]}: ")
    assert re.search(r"^Status: \w+ \| Date: \d{4}-\d\d-\d\d \| Replaces: ", text, re.MULTILINE)
    assert re.findall(r"^## (.*)$", text, re.MULTILINE) == [
        "Question",
        "What pushes on the answer",
        "Options",
        "Decision",
        "What follows",
    ]
    assert page.name in (page.parent / "README.md").read_text(encoding="utf-8")
