"""The benchmark of packages: what shipping takes beside what its encoder alone takes, and what it stores.

    python tests/bench/packages.py [--runs 2] [--kept FOLDER] [--markdown FILE]

or ``python -m tests.bench.packages``. Prints Markdown; ``--markdown docs/reference/performance.md`` puts it
into that page as well, between marks of its own. In every run everybody takes a turn; what is reported is
the median over the runs.

Conventions
    material   the example song: seven versions, 24 bit / 44.1 kHz, each as MP3 and as WAV
    encoder    libsndfile encoding the same seven files, on all cores, in a process that does nothing else
    ratio      of each run on its own, so that a machine that is slow for a while is slow for both
    start-up   is in every time
    quality    is checked before, so that shipping finds the answers
    fsync      is in the time of shipping: relkit brings what it records to the disk

Exit codes: 0 all targets met, 1 one was missed.

Not here: whether the files are right (``tests/release``), the store (``store``), the meters (``measuring``).
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

if not __package__:  # run as a file
    sys.path[0] = str(Path(__file__).resolve().parents[2])

import argparse
import shutil
import tempfile
from collections import defaultdict
from contextlib import suppress
from dataclasses import dataclass, field
from statistics import median

from tests.bench import encoder_alone
from tests.bench.material import COVER, Pack, pack
from tests.bench.report import Report, Target, machine, megabytes, seconds, write
from tests.bench.running import Spent, ready, relkit, run, size_of

MOST_OF_ENCODER = 1.15  # first shipment over encoder
MOST_A_SHIPMENT_BYTES = 4_000
MOST_RETAG_BYTES = 40_000
MORE_RECIPIENTS = 5
BUSY = 1.4  # seven files on two cores leave one of them idle for an eighth of the time; that is 1.14
SCRIPT = Path(encoder_alone.__file__).resolve()
STEPS = {
    "encoder": "the encoder alone: seven MP3s",
    "first": "first shipment: seven MP3s and seven WAVs",
    "second": "the same to somebody else",
    "changed": "three of seven versions are new",
    "retagged": "new composers, the same audio",
}


@dataclass
class Found:
    """What every run gave: times by step, and what a step added to the store [bytes]."""

    spent: dict[str, list[Spent]] = field(default_factory=lambda: defaultdict(list))
    added: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))


class Release:
    """A release of the example in a folder of its own."""

    def __init__(self, work: Path, files: Pack) -> None:
        self.work, self.files = work, files
        self.folder = work / "release"
        self._surroundings = {"RELKIT_HOME": str(work / "home"), "PYTHONPATH": str(SCRIPT.parents[2])}

    def relkit(self, *words: str | Path) -> Spent:
        """Run a command in the release."""
        where = self.folder if self.folder.exists() else self.work
        return run(relkit(*words), where, self._surroundings)

    def store_bytes(self) -> int:
        """Return the size of everything that is kept."""
        return size_of(self.folder / ".relkit" / "store.git")

    def start(self) -> None:
        """Take in the first revision."""
        self.relkit("new", self.folder, "--artist", "Ostrel Vane", "--title", "Lanterns", "--tempo", "122")
        for name, path in self.files.first.items():
            shutil.copy(path, self.folder / ("artwork" if name == COVER else "bounces") / name)
        self.commit()

    def commit(self) -> None:
        """Record what is in the folder, and have its quality checked, whatever is found."""
        self.relkit("commit")
        with suppress(RuntimeError):
            self.relkit("qc")

    def ship(self, somebody: str) -> tuple[Spent, int]:
        """Ship MP3s and WAVs; return what it took and what it added to the store."""
        before = self.store_bytes()
        ready([path for path in self.folder.rglob("*.pack") if path.is_file()])
        spent = self.relkit(
            *("ship", somebody, "--kind", "label", "--format", "mp3", "--format", "wav"),
            *("--to", self.work / "sent", "--despite", "a benchmark: a short song has silent versions"),
        )
        shutil.rmtree(self.work / "sent")
        return spent, self.store_bytes() - before


def one_run(work: Path, files: Pack, found: Found) -> None:
    """Let everybody take a turn."""
    wavs = [path for name, path in files.first.items() if name != COVER]
    release = Release(work, files)
    release.start()

    def shipped(step: str, somebody: str) -> None:
        spent, added = release.ship(somebody)
        found.spent[step].append(spent)
        found.added[step].append(added)

    out = work / "encoded"
    out.mkdir()
    ready(wavs)
    found.spent["encoder"].append(
        run([sys.executable, SCRIPT, out, *wavs], work, {"PYTHONPATH": str(SCRIPT.parents[2])})
    )
    shipped("first", "Label")
    shipped("second", "Label 0")
    before = release.store_bytes()
    for number in range(1, MORE_RECIPIENTS):
        release.ship(f"Label {number}")
    found.added["more"].append((release.store_bytes() - before) // (MORE_RECIPIENTS - 1))
    sheet = release.folder / "release.toml"
    sheet.write_text(f'composers = ["Dorn Lade"]\n{sheet.read_text("utf-8")}', encoding="utf-8")
    release.commit()
    shipped("retagged", "Label")
    for name, path in files.edits.items():
        shutil.copy(path, release.folder / "bounces" / name)
    release.commit()
    shipped("changed", "Label")


def was_busy(encoder: list[Spent]) -> bool:
    """Say whether the encoder had to wait for the cores: a ratio of times then means nothing."""
    cores = os.cpu_count() or 2
    return any(spent.wall_s * cores > BUSY * spent.cpu_s for spent in encoder)


def bench(work: Path, kept: Path, seconds_limit: float | None, runs: int) -> Report:
    """Run everything and return the report."""
    report = Report()
    report.text(machine())
    files = pack("take", kept, seconds_limit)
    found = Found()
    for number in range(runs):
        folder = work / f"run {number}"
        folder.mkdir()
        one_run(folder, files, found)
        shutil.rmtree(folder)
    rows = [
        [
            what,
            seconds(median(spent.wall_s for spent in found.spent[step])),
            seconds(median(spent.cpu_s for spent in found.spent[step])),
            megabytes(round(median(found.added[step]))) if found.added[step] else "",
        ]
        for step, what in STEPS.items()
    ]
    report.table("Packages", ["", "time", "CPU", "added to the store"], rows)
    first, encoder = found.spent["first"], found.spent["encoder"]
    ratios = {
        "time": median(one.wall_s / other.wall_s for one, other in zip(first, encoder, strict=True)),
        "CPU": median(one.cpu_s / other.cpu_s for one, other in zip(first, encoder, strict=True)),
    }
    if was_busy(encoder):
        report.targets.append(
            Target(
                "first shipment over encoder", "not told: busy machine", f"at most {MOST_OF_ENCODER} x", False
            )
        )
    else:
        report.at_most("first shipment over encoder", ratios["time"], MOST_OF_ENCODER, " x")
    report.at_most("one more recipient", max(found.added["more"]), MOST_A_SHIPMENT_BYTES, " bytes")
    report.at_most("new text in fourteen files", max(found.added["retagged"]), MOST_RETAG_BYTES, " bytes")
    report.text(
        f"A first shipment takes {ratios['CPU']:.2f} times the encoder's CPU time. The rest is reading "
        "bounces out of the store, decoding and measuring MP3s, wrapping, storing, and writing the package."
    )
    return report


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seconds-limit", type=float, help="only the first so many seconds of the song")
    parser.add_argument("--runs", type=int, default=2)
    parser.add_argument("--markdown", type=Path, help="a page with marks, or a new file")
    parser.add_argument("--kept", type=Path, help="folder for rendered files, used again by the next call")
    parser.add_argument("--work", type=Path, help="folder on the disk that is to be used")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.work) as work:
        kept = chosen.kept.absolute() if chosen.kept else Path(work) / "kept"
        report = bench(Path(work), kept, chosen.seconds_limit, chosen.runs)
    markdown = report.markdown()
    print(markdown)
    if chosen.markdown:
        write(markdown, chosen.markdown, section="packages")
    return 0 if report.all_met else 1


if __name__ == "__main__":
    sys.exit(main())
