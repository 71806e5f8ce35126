"""Memory does not grow with the bounce."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.support.stores import ROOT, clean_environment


def growth(folder: Path, minutes: float) -> tuple[int, int]:
    """Store and restore so many minutes of 24/96 in a process of its own; returns its peaks [bytes]."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.streaming", str(folder), str(minutes)],
        cwd=ROOT,
        env=clean_environment(),
        check=True,
        stdout=subprocess.PIPE,
    )
    storing, both, size_bytes, store_bytes = map(int, done.stdout.split())
    assert size_bytes == 44 + int(minutes * 60 * 96_000) * 6
    assert store_bytes > size_bytes * 0.4  # nothing was shared, or this would prove nothing
    return storing, both


def test_memory_does_not_grow_with_the_bounce(tmp_path: Path) -> None:
    """Four times as long, as much memory: within 150 MB, and nearly the same.

    What grows is the list of chunks, some 150 bytes for every 100 KB of audio; mapped pack files count as
    long as the system has room for them, so restoring is only held to the first bound.
    """
    short, _ = growth(tmp_path / "short", 3)
    long, both = growth(tmp_path / "long", 12)
    assert long < 150_000_000
    assert long - short < 25_000_000
    assert both < 1_000_000_000
