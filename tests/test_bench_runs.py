"""The benchmark runs from end to end; how fast anything is here proves nothing and is not looked at."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.report import SECTION, marks, write
from tests.support.example_short import SHORT_S
from tests.support.stores import ROOT, clean_environment

SECTIONS = (
    "Commit and checkout",
    "Short commands",
    "One bounce",
    "The store before",
    "What shipping",
    "Targets",
)


def test_a_short_run_fills_the_page_and_names_no_place(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Every table is there, every target has a verdict, and the exit code says whether all are met."""
    page = tmp_path / "page.md"
    begin, end = marks(SECTION)
    page.write_text(f"# Before\n\n{begin}\nstale figures\n{end}\n\nAfter.\n", encoding="utf-8")

    rendered = tmp_path_factory.getbasetemp() / "rendered"  # shared with the tests of limits

    done = subprocess.run(
        [
            *(sys.executable, str(ROOT / "tests/bench/store.py")),
            *("--seconds-limit", str(SHORT_S), "--runs", "1"),
            *("--work", str(tmp_path), "--kept", str(rendered), "--markdown", str(page)),
        ],
        env=clean_environment(),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode in (0, 1), done.stderr
    text = page.read_text(encoding="utf-8")
    assert [name for name in SECTIONS if f"### {name}" not in text] == []
    verdicts = re.findall(r"\| (met|\*\*missed\*\*) \|", text)
    assert len(verdicts) == 11
    assert (done.returncode == 1) == ("**missed**" in verdicts)
    assert text.startswith("# Before")
    assert text.endswith("After.\n")
    assert [place for place in ("stale figures", str(tmp_path), str(ROOT)) if place in text] == []


def test_a_short_run_of_the_meters(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Its tables go between marks of their own, and leave the others alone."""
    page = tmp_path / "page.md"
    kept, (begin, end) = "\n".join(marks(SECTION)), marks("measuring")
    page.write_text(f"{kept}\n{begin}\nstale figures\n{end}\n", encoding="utf-8")
    rendered = tmp_path_factory.getbasetemp() / "rendered"

    done = subprocess.run(
        [
            *(sys.executable, str(ROOT / "tests/bench/measuring.py")),
            *("--seconds-limit", str(SHORT_S), "--runs", "1"),
            *("--work", str(tmp_path), "--kept", str(rendered), "--markdown", str(page)),
        ],
        env=clean_environment(),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode in (0, 1), done.stderr
    text = page.read_text(encoding="utf-8")
    assert [name for name in ("Meters over", "Two bounces", "Targets") if f"### {name}" not in text] == []
    assert len(re.findall(r"\| (met|\*\*missed\*\*) \|", text)) == 3
    assert text.startswith(f"{kept}\n{begin}")
    assert [place for place in ("stale figures", str(tmp_path), str(ROOT)) if place in text] == []


def test_a_page_without_marks_is_left_alone(tmp_path: Path) -> None:
    """The benchmark does not write over a page that was not made for it."""
    page = tmp_path / "page.md"
    page.write_text("mine", encoding="utf-8")

    with pytest.raises(ValueError, match="nothing was written over"):
        write("tables", page)

    assert page.read_text(encoding="utf-8") == "mine"
