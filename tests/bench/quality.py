"""How long QC takes on a whole pack: uncached, again, and after a new clean edit.

    python -m tests.bench.quality FOLDER [SECOND]

FOLDER holds the bounces of ``example_release.render``, by version id or under their own names; SECOND holds
the clean versions of its second take. Wall time and CPU time of this process are printed, from the store's
bytes to findings; the target is 12 s for a seven-version pack of 200 s on two free cores.

Not here: rendering, and the speed of single meters (``loudness``, ``music``).
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: QC's own two threads do the work

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from relkit import Release
from relkit.release.home import Home
from relkit.release.quality import QualityReport


def timed(what: str, work: Callable[[], QualityReport]) -> QualityReport:
    """Run something, and print how long it took and what it found."""
    wall, cpu = time.perf_counter(), time.process_time()
    report = work()
    counts = ", ".join(f"{len(report.open(severity))} {severity}" for severity in ("fail", "warn", "note"))
    print(f"{what:24} {time.perf_counter() - wall:7.2f} s  {time.process_time() - cpu:7.2f} s CPU  {counts}")
    return report


def bench(first: list[Path], second: list[Path]) -> None:
    """Commit the bounces to a release of its own and check it."""
    with tempfile.TemporaryDirectory() as folder:
        home = Home(Path(folder) / "home")
        with Release.new(
            Path(folder) / "release", artist="A", title="B", tempo="122", key="F# minor", home=home
        ) as release:
            for path in first:
                release.commit([path], version=path.stem)
            timed("uncached", release.quality)
            timed("again", release.quality)
            for path in second:
                release.commit([path], version=path.stem)
            if second:
                timed("after new clean edits", release.quality)


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Measure QC on a whole pack.")
    parser.add_argument("first", type=Path)
    parser.add_argument("second", type=Path, nargs="?")
    chosen = parser.parse_args()
    bench(
        sorted(chosen.first.glob("*.wav")),
        sorted(chosen.second.glob("*.wav")) if chosen.second else [],
    )


if __name__ == "__main__":
    main()
