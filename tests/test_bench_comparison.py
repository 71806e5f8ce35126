"""The benchmarks of the comparison run from end to end; how fast anything is here is not looked at."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.report import marks
from tests.support.example_short import SHORT_S
from tests.support.stores import ROOT, clean_environment


@pytest.mark.parametrize(
    ("script", "words", "targets"),
    [
        ("comparison", ("--seconds-limit", str(SHORT_S), "--runs", "1"), 10),
        ("hearing", ("--pairs", "2"), 4),
    ],
)
def test_a_short_run_fills_the_page(
    tmp_path: Path, script: str, words: tuple[str, ...], targets: int
) -> None:
    """The table is there, every target has a verdict, and the exit code says whether all are met."""
    page = tmp_path / "page.md"
    page.write_text("\n".join(marks(script)) + "\n", encoding="utf-8")

    done = subprocess.run(
        [sys.executable, str(ROOT / f"tests/bench/{script}.py"), *words, "--markdown", str(page)],
        env=clean_environment(),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode in (0, 1), done.stderr
    verdicts = re.findall(r"\| (met|\*\*missed\*\*) \|", page.read_text(encoding="utf-8"))
    assert len(verdicts) == targets
    assert (done.returncode == 1) == ("**missed**" in verdicts)
