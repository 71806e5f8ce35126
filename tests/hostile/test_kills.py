"""SIGKILL at random moments of commit, ship and checkout.

``RELKIT_KILLS=500`` makes the long run; a few dozen are enough for every day.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from tests.support.stores import ROOT, clean_environment


def test_killed_at_any_moment(tmp_path: Path) -> None:
    """The last good state is intact, the next command works, no package is without a record."""
    kills = int(os.environ.get("RELKIT_KILLS", "32"))
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.killed", str(tmp_path / "victim"), str(kills), "7"],
        cwd=ROOT,
        env=clean_environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    outcomes = json.loads(done.stdout.splitlines()[-1])
    assert sum(sum(each.values()) for each in outcomes.values()) == kills
    died = sum(number for each in outcomes.values() for how, number in each.items() if how != "lived")
    assert died >= kills // 3, outcomes
