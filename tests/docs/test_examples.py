"""Everything that the guide prints is run, and what comes out is compared."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.support.consoles import Console, steps

ROOT = Path(__file__).resolve().parents[2]
PAGES = ("README.md", *sorted(str(page.relative_to(ROOT)) for page in (ROOT / "docs/guide").glob("*.md")))
DOCUMENTS = ("README.md", "DEVELOPERS.md", "example_release/README.md", "docs/**/*.md")
_LINK = re.compile(r"\]\(([^)#\s]+)(?:#[^)]*)?\)")
_PYTHON = re.compile(r"^```python\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("page", PAGES)
def test_commands_print_what_the_page_shows(page: str, music: Path, tmp_path: Path) -> None:
    """Every ``console`` block runs in order, in a folder with the bounces of a small song."""
    console = Console(music, tmp_path)
    for command, expected in steps((ROOT / page).read_text(encoding="utf-8")):
        console.step(command, expected)
    console.finish()


def test_the_walkthrough_has_commands() -> None:
    """A change in how blocks are written would otherwise leave nothing to run."""
    commands = [command for command, _ in steps((ROOT / "docs/guide/walkthrough.md").read_text("utf-8"))]
    assert sum(command.startswith("relkit ") for command in commands) > 10


@pytest.mark.parametrize(
    ("name", "begins"),
    [("python-api.md", "from relkit import Release"), ("measuring.md", "import LoudnessMeter")],
)
def test_the_python_example_runs(
    name: str, begins: str, music: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All ``python`` blocks of a page are one program; its own ``assert`` lines are the expectation."""
    page = (ROOT / "docs/guide" / name).read_text(encoding="utf-8")
    blocks = _PYTHON.findall(page)
    assert any(begins in block for block in blocks)
    monkeypatch.chdir(music)
    monkeypatch.setenv("RELKIT_HOME", str(tmp_path / "home"))
    names: dict[str, object] = {"__name__": "example"}
    for block in blocks:
        exec(compile(block, name, "exec"), names)  # noqa: S102 - our own page


def test_every_link_leads_somewhere() -> None:
    """Links between the pages, checked as files."""
    documents = [document for pattern in DOCUMENTS for document in sorted(ROOT.glob(pattern))]
    broken = [
        f"{document.relative_to(ROOT)}: {target}"
        for document in documents
        for target in _LINK.findall(document.read_text(encoding="utf-8"))
        if "://" not in target and not (document.parent / target).exists()
    ]
    assert not broken
