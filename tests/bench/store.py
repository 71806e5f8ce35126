"""The benchmark: relkit beside stock Git and a plain copy, on the example song.

    python tests/bench/store.py [--seconds-limit N] [--runs 3] [--memory] [--markdown FILE]

or ``python -m tests.bench.store``. Prints Markdown; ``--markdown docs/reference/performance.md``
puts it into that page as well. Every run does everything once, in the same order; what
is reported is the median over the runs. Ratios are ratios of medians.

Exit codes: 0 all targets met, 1 one was missed (with ``--seconds-limit`` start-up weighs more
than on the whole song, for which the targets are made).

Not here: the contenders (``contenders``), sizes (``sizes``), what targets look like (``report``).
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

from tests.bench import loudness, sizes
from tests.bench.contenders import Contender, PlainCopy, StockGit, StoringAlone, WholeCommand, warm_up
from tests.bench.material import Kind, Pack, long_bounce, pack
from tests.bench.report import Report, machine, megabytes, seconds, share, times, write
from tests.bench.running import Spent

# Wanted of relkit on the whole example song; the times as fast as stock Git are for first and second commit.
STORING_FACTORS, COMMAND_FACTORS = (8.0, 12.0), (4.0, 5.0)
UNCHANGED_S, START_CPU_S = 0.3, 0.35
LOUDNESS_FACTORS = (2.5, 4.0)  # on one thread, on two
FIRST_SHARE, ADDED_SHARE = 0.40, 0.01
PEAK_BYTES, GROWTH_BYTES = 400e6, 60e6
SHORT_FILE_S, LONG_FILE_S = 600, 7_200
_SMALL_TIMES = 5  # short commands are run this often in every run

Times = dict[tuple[str, str], list[Spent]]  # (who, what) to one entry a run


def wall(times_: Times, who: str, what: str) -> float:
    """Return the median time [s]."""
    return median(spent.wall_s for spent in times_[who, what])


def cpu(times_: Times, who: str, what: str) -> float:
    """Return the median CPU time [s]."""
    return median(spent.cpu_s for spent in times_[who, what])


def one_run(song: Pack, folder: Path, found: Times) -> WholeCommand:
    """Do everything once; returns the release, with two revisions in it."""
    whole = WholeCommand(folder / "whole")
    keepers: list[Contender] = [
        StockGit(folder / "git"),
        PlainCopy(folder / "cp"),
        StoringAlone(folder / "alone"),
        whole,
    ]
    for keeper in keepers:
        found[keeper.name, "first"].append(keeper.commit(song.first))
    for _ in range(_SMALL_TIMES):
        found[whole.name, "unchanged"].append(whole.relkit("commit"))
    for keeper in keepers:
        found[keeper.name, "second"].append(keeper.commit(song.edits))
    for keeper in keepers:
        found[keeper.name, "checkout"].append(keeper.checkout(folder / f"{keeper.name}-checkout"))
    for _ in range(_SMALL_TIMES):
        found[whole.name, "history"].append(whole.relkit("history"))
        found[whole.name, "help"].append(whole.relkit("--help"))
    bounce = song.first["explicit.wav"]
    meters: dict[str, Callable[[Path], Spent]] = {
        "ffmpeg": loudness.ffmpeg,
        "one thread": loudness.one_thread,
        "two threads": loudness.two_threads,
    }
    for name, meter in meters.items():
        found[name, "loudness"].append(meter(bounce))
    return whole


def tell_times(report: Report, found: Times) -> None:
    """Tables and targets of what takes long."""
    git, copy = StockGit.name, PlainCopy.name
    rows = []
    everybody = (git, copy, StoringAlone.name, WholeCommand.name)
    for who in everybody:
        cells = [who]
        for what in ("first", "second", "checkout"):
            own = wall(found, who, what)
            cells += [seconds(own), times(wall(found, git, what) / own), times(wall(found, copy, what) / own)]
        rows.append(cells)
    head = [
        "",
        "first commit",
        "x git",
        "x cp",
        "second commit",
        "x git",
        "x cp",
        "checkout",
        "x git",
        "x cp",
    ]
    report.table("Commit and checkout, everything on the disk (fsync)", head, rows)
    steps = ("first", "second", "checkout")
    report.table(
        "CPU time of the same steps, which tells more on a busy machine",
        ["", "first commit", "second commit", "checkout"],
        [[who, *(seconds(cpu(found, who, what)) for what in steps)] for who in everybody],
    )
    for who, factors in ((StoringAlone.name, STORING_FACTORS), (WholeCommand.name, COMMAND_FACTORS)):
        for what, wanted in zip(("first", "second"), factors, strict=True):
            ratio = wall(found, git, what) / wall(found, who, what)
            report.at_least(f"{who}, {what} commit, as fast as stock git", ratio, wanted, " x")


def tell_small(report: Report, found: Times) -> None:
    """Tables and targets of what is short."""
    who = WholeCommand.name
    names = {"unchanged": "commit, nothing changed", "history": "history", "help": "--help"}
    rows = [
        [f"relkit {name}", seconds(wall(found, who, what)), seconds(cpu(found, who, what))]
        for what, name in names.items()
    ]
    report.table("Short commands, start-up included", ["", "time", "CPU"], rows)
    report.at_most("nothing changed, with start-up", wall(found, who, "unchanged"), UNCHANGED_S, " s")
    for what in ("help", "history"):
        report.at_most(f"relkit {names[what]}, CPU", cpu(found, who, what), START_CPU_S, " s")


def tell_loudness(report: Report, found: Times, song: Pack) -> None:
    """Table and targets of measuring."""
    import soundfile

    length_s = soundfile.info(song.first["explicit.wav"]).duration
    reference = wall(found, "ffmpeg", "loudness")
    rows = []
    for who, wanted in zip(("ffmpeg", "one thread", "two threads"), (None, *LOUDNESS_FACTORS), strict=True):
        own = wall(found, who, "loudness")
        name = "ffmpeg -af ebur128=peak=true" if wanted is None else f"relkit, {who}"
        rows.append([name, seconds(own), times(reference / own), f"{length_s / own:,.0f}"])
        if wanted is not None:
            report.at_least(f"measuring on {who}, as fast as ffmpeg", reference / own, wanted, " x")
    title = f"One bounce of {length_s:.0f} s: integrated loudness, range and true peak from the file"
    report.table(title, ["", "time", "x ffmpeg", "x real time"], rows)


def tell_sizes(report: Report, release: WholeCommand, folder: Path, kept: Path, limit: float | None) -> None:
    """Tables and targets of what the store holds."""
    folder.mkdir()
    kinds: tuple[tuple[str, Kind], ...] = (
        ("the example, 24 bit", "take"),
        ("the same, 16 bit", "16-bit"),
        ("the same, 3 dB lower, 32-bit float", "float"),
        ("every bounce with fresh dither, 24 bit", "dither"),
        ("bus compressor after the edit, 24 bit", "bus-compressor"),
    )
    rows = []
    for name, kind in kinds:
        one = pack(kind, kept, limit)
        total, growth = one.wav_bytes, sizes.of_pack(one, folder / kind)
        row = [name, megabytes(total), megabytes(growth.first), share(growth.first, total)]
        row += [megabytes(growth.added), share(growth.added, total), share(growth.added, one.edit_bytes)]
        rows.append(row)
        if kind == "take":
            report.at_most(
                "first commit, store as a share of the WAV bytes", growth.first / total, FIRST_SHARE
            )
            report.at_most("second commit adds, share of the WAV bytes", growth.added / total, ADDED_SHARE)
    head = ["", "WAV", "store", "of WAV", "edits add", "of WAV", "of the edited files"]
    report.table("The store before any shipment; the edits are three files", head, rows)

    inside = release.size_inside_bytes() - release.size_bytes()
    shipped = sizes.of_shipping(release, folder / "shipped")
    rows = [[each.whom, megabytes(each.added), megabytes(each.package)] for each in shipped]
    report.table("What shipping adds to the store", ["to", "adds", "package"], rows)
    silent_s = 3_600 if limit is None else 60
    silent, added = sizes.of_silence(silent_s, folder / "silence")
    report.text(
        f"{silent_s // 60} min of digital silence ({megabytes(silent)}) add {megabytes(added)}. "
        f"The cache beside the store, which can be deleted at any time, has {megabytes(inside)}."
    )


def tell_memory(report: Report, folder: Path) -> None:
    """Peak memory of the whole commit of a short and a long file."""
    peaks, rows = [], []
    for length_s in (SHORT_FILE_S, LONG_FILE_S):
        release = WholeCommand(folder / f"memory-{length_s}")
        bounce = long_bounce(release.folder / "bounces" / "explicit.wav", length_s)
        size = bounce.stat().st_size
        peaks.append(release.peak_of_commit())
        bounce.unlink()
        rows.append([f"{length_s // 60} min", megabytes(size), megabytes(peaks[-1])])
    report.table("Peak memory of relkit commit, 24-bit/96 kHz stereo", ["", "file", "peak"], rows)
    report.at_most("peak memory, 2 h at 96 kHz", peaks[1] / 1e6, PEAK_BYTES / 1e6, " MB")
    report.at_most("growth from 10 min to 2 h", (peaks[1] - peaks[0]) / 1e6, GROWTH_BYTES / 1e6, " MB")


def bench(work: Path, kept: Path, limit: float | None, runs: int, memory: bool) -> Report:
    """Run the whole benchmark."""
    report = Report()
    report.text(machine())
    song = pack("take", kept, limit)
    report.text(
        f"{len(song.first) - 1} versions of the example song and its cover, {megabytes(song.wav_bytes)}; "
        f"the second commit brings {len(song.edits)} edited versions, {megabytes(song.edit_bytes)}. "
        f"Medians of {runs} run{'s' * (runs > 1)}; files in the page cache; OPENBLAS_NUM_THREADS=1."
        + (f" **The song was cut to {limit:g} s.**" if limit is not None else "")
    )
    found: Times = defaultdict(list)
    warm_up(work / "warm-up")
    for number in range(runs):
        with tempfile.TemporaryDirectory(dir=work) as folder:
            release = one_run(song, Path(folder), found)
            if number == runs - 1:
                tell_times(report, found)
                tell_small(report, found)
                tell_loudness(report, found, song)
                tell_sizes(report, release, Path(folder) / "sizes", kept, limit)
    if memory:
        with tempfile.TemporaryDirectory(dir=work) as folder:
            tell_memory(report, Path(folder))
    return report


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seconds-limit", type=float, help="only the first so many seconds of the song")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--memory", action="store_true", help="a file of two hours, too; takes 9 GB of disk")
    parser.add_argument("--markdown", type=Path, help="a page with marks, or a new file")
    parser.add_argument("--kept", type=Path, help="folder for rendered files, used again by the next call")
    parser.add_argument("--work", type=Path, help="folder on the disk that is to be measured")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.work) as work:
        kept = chosen.kept.absolute() if chosen.kept else Path(work) / "kept"
        report = bench(Path(work), kept, chosen.seconds_limit, chosen.runs, chosen.memory)
    markdown = report.markdown()
    print(markdown)
    if chosen.markdown:
        write(markdown, chosen.markdown)
    return 0 if report.all_met else 1


if __name__ == "__main__":
    sys.exit(main())
