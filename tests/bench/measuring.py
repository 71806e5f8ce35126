"""The benchmark of the meters: every number of a bounce, beside ffmpeg's loudness meter.

    python tests/bench/measuring.py [--runs 5] [--memory] [--kept FOLDER] [--markdown FILE]

or ``python -m tests.bench.measuring``. Prints Markdown; ``--markdown docs/reference/performance.md`` puts it
into that page as well, between marks of its own. In every run everybody takes a turn; what is reported is the
median over the runs. ``--memory`` measures a file of two hours, too, and takes 5 GB of disk.

Conventions
    material  the example song, 24 bit / 44.1 kHz; for memory, files of any length at 24 bit / 96 kHz
    start-up  everybody runs as a process, and its start is in its time; ratios are given with it, and without
              what Python and numpy take before they do anything (ffmpeg's is in its time in both)
    times     CPU: everybody works on one thread, so that this is the time on one core, and hardly differs
              on a busy machine

Exit codes: 0 all targets met, 1 one was missed.

Not here: whether the numbers are right (``tests/measure``), the store (``store``).
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line has it; before numpy is imported
if not __package__:  # run as a file
    sys.path[0] = str(Path(__file__).resolve().parents[2])

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Callable
from statistics import median

import soundfile

from relkit.measure.align import align
from relkit.measure.presence import presence
from tests.bench import loudness, meter_alone
from tests.bench.material import long_bounce, pack
from tests.bench.report import Report, machine, megabytes, seconds, times, write
from tests.bench.running import Spent, ready, run, timed

LEVELS_FACTOR, FAULTS_FACTOR = 2.5, 1.0  # as fast as ffmpeg
MUSIC_CPU_S = 1.5  # for 200 s
PEAK_BYTES = 150e6
LENGTHS_S = {"200 s": 200, "20 min": 1_200, "2 h": 7_200}
WHAT = {
    "levels": "loudness, range, maxima, true peak",
    "faults": "the same and the faults of a bounce",
    "music": "tempo and key",
}
NAMES = {
    "ffmpeg": "ffmpeg -af ebur128=peak=true",
    **{who: f"relkit: {what}" for who, what in WHAT.items()},
    "nothing": "Python with numpy, doing nothing",
}
PATHS = {"faults": "levels and faults", "music": "tempo and key"}
SCRIPT = Path(meter_alone.__file__).resolve()


def alone(what: str, path: Path, note: Path) -> Spent:
    """Run meters over a file in a process of their own; the note then has its peak memory [bytes]."""
    ready([path])
    return run([sys.executable, SCRIPT, what, path, note], note.parent)


def tell_times(report: Report, bounce: Path, work: Path, runs: int) -> None:
    """Table and targets of all meters over one bounce."""
    length_s = soundfile.info(bounce).duration
    found: defaultdict[str, list[Spent]] = defaultdict(list)
    for _ in range(runs):
        for who in NAMES:
            spent = loudness.ffmpeg(bounce) if who == "ffmpeg" else alone(who, bounce, work / "note")
            found[who].append(spent)
    cpu = {who: median(each.cpu_s for each in spent) for who, spent in found.items()}
    # A song cut short leaves next to nothing beside the start-up.
    net = {who: each if who == "ffmpeg" else max(each - cpu["nothing"], 0.001) for who, each in cpu.items()}
    rows = []
    for who, name in NAMES.items():
        row = [name, seconds(cpu[who]), times(cpu["ffmpeg"] / cpu[who])]
        rows.append([*row, "" if who == "nothing" else times(cpu["ffmpeg"] / net[who])])
    title = f"Meters over one bounce of {length_s:.0f} s, each a process on one thread"
    report.table(title, ["", "CPU", "x ffmpeg", "without start-up"], rows)
    for who, wanted in (("levels", LEVELS_FACTOR), ("faults", FAULTS_FACTOR)):
        report.at_least(f"{WHAT[who]}, as fast as ffmpeg", cpu["ffmpeg"] / net[who], wanted, " x")
    report.at_most("tempo and key of 200 s, CPU", cpu["music"] * 200 / length_s, MUSIC_CPU_S, " s")


def tell_pairs(report: Report, bounces: dict[str, Path], runs: int) -> None:
    """Table of what compares two bounces, which are in memory."""
    samples = {
        name: soundfile.read(bounces[f"{name}.wav"], dtype="float32")[0]
        for name in ("explicit", "instrumental", "acapella", "dj")
    }
    rate_hz = soundfile.info(bounces["explicit.wav"]).samplerate
    tasks: dict[str, Callable[[], object]] = {
        "the instrumental lined up with the explicit version": lambda: align(
            samples["explicit"], samples["instrumental"], rate_hz
        ),
        "the DJ edit lined up with the explicit version": lambda: align(
            samples["explicit"], samples["dj"], rate_hz
        ),
        "the acapella looked for in the instrumental": lambda: presence(
            samples["acapella"], samples["instrumental"], rate_hz
        ),
    }
    rows = []
    for name, task in tasks.items():
        spent = []
        for _ in range(runs):
            with timed() as one:
                task()
            spent.append(one)
        rows.append([name, seconds(median(one.cpu_s for one in spent))])
    length_s = len(samples["explicit"]) / rate_hz
    title = f"Two bounces of {length_s:.0f} s and more, in memory, in a running process"
    report.table(title, ["", "CPU"], rows)


def tell_memory(report: Report, work: Path) -> None:
    """Table and targets of peak memory."""
    rows = []
    note = work / "note"
    for name, length_s in LENGTHS_S.items():
        bounce = long_bounce(work / "long.wav", length_s)
        row = [name, megabytes(bounce.stat().st_size)]
        for who in ("nothing", *PATHS):
            alone(who, bounce, note)
            peak = int(note.read_text(encoding="ascii"))
            row.append(megabytes(peak))
            if who != "nothing":
                report.at_most(f"peak memory, {PATHS[who]}, {name}", peak / 1e6, PEAK_BYTES / 1e6, " MB")
        rows.append(row)
        bounce.unlink()
    head = ["", "file", "nothing", *PATHS.values()]
    report.table("Peak memory of the meters, 24-bit/96 kHz stereo", head, rows)


def bench(work: Path, kept: Path, limit: float | None, runs: int, memory: bool) -> Report:
    """Run the whole benchmark."""
    report = Report()
    report.text(machine())
    bounces = pack("take", kept, limit).first
    report.text(
        f"Medians of {runs} run{'s' * (runs > 1)}; files in the page cache; OPENBLAS_NUM_THREADS=1."
        + (f" **The song was cut to {limit:g} s.**" if limit is not None else "")
    )
    tell_times(report, bounces["explicit.wav"], work, runs)
    tell_pairs(report, bounces, runs)
    if memory:
        tell_memory(report, work)
    return report


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seconds-limit", type=float, help="only the first so many seconds of the song")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--memory", action="store_true", help="files of up to two hours; takes 5 GB of disk")
    parser.add_argument("--markdown", type=Path, help="a page with marks, or a new file")
    parser.add_argument("--kept", type=Path, help="folder for rendered files, used again by the next call")
    parser.add_argument("--work", type=Path, help="folder on the disk that is to be used")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.work) as work:
        kept = chosen.kept.absolute() if chosen.kept else Path(work) / "kept"
        report = bench(Path(work), kept, chosen.seconds_limit, chosen.runs, chosen.memory)
    markdown = report.markdown()
    print(markdown)
    if chosen.markdown:
        write(markdown, chosen.markdown, section="measuring")
    return 0 if report.all_met else 1


if __name__ == "__main__":
    sys.exit(main())
