"""The benchmark of the label-wide index runs from end to end; how fast anything is here proves nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.support.stores import ROOT, clean_environment


def test_a_short_run(tmp_path: Path) -> None:
    """Every question has a row, and the answers are those of the made-up rows and the real ones."""
    done = subprocess.run(
        [
            *(sys.executable, str(ROOT / "tests/bench/label.py")),
            *("--releases", "20", "--shipments", "200", "--real", "1", "--runs", "1"),
        ],
        env=clean_environment(TMPDIR=str(tmp_path)),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    rows = [line for line in done.stdout.splitlines() if line.startswith("| ") and "[s]" not in line]
    assert len(rows) == 1 + 7  # the line below the heading, and the questions
    everybody = next(line for line in rows if line.startswith("| everybody"))
    assert everybody.split("|")[2].strip() == str(
        20 * 6 + 2
    )  # two in three of ten, and the DJ and the station
