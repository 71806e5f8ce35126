"""The benchmark of the comparison: CPU and memory for two bounces of a song, beside reading and hashing them.

    python tests/bench/comparison.py [--runs 3] [--seconds-limit S] [--kept FOLDER] [--markdown FILE]

Every comparison runs as a process of its own that reads the two files in pieces, as often as it needs to.

Conventions
    material  the example song, 24 bit / 44.1 kHz: the bounce, and new bounces of it with edits
    reading   reading both files and hashing them (SHA-256) in the same process, before the comparison
    times     CPU [s] of the comparison alone, on one thread, start-up and reading above not included

Exit codes: 0 all targets met, 1 one was missed.

Not here: whether what is heard is right (``hearing``).
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line has it; before numpy is imported
if not __package__:  # run as a file
    sys.path[0] = str(Path(__file__).resolve().parents[2])

import argparse
import hashlib
import json
import tempfile
import time
from statistics import median
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from relkit.measure.comparison import compare
from tests.bench.material import pack
from tests.bench.report import Report, machine, megabytes, seconds, times, write
from tests.bench.running import ready, run
from tests.bench.watched import note

Samples = npt.NDArray[np.float32]

LINED_UP_S, FOUND_S = 1.0, 3.0  # [s] CPU for 200 s
PEAK_BYTES = 300e6
CASES = {
    "equal": "equal samples",
    "exact": "three edits, all else equal to the last bit",
    "dither": "new dither",
    "edits": "new dither, 16 bit, three edits",
    "moved": "the same, 3 dB softer, 0.1 s later, and a bar put in",
}
LINED_UP = ("equal", "exact", "dither")


class WaveFile:
    """A recording that is read from a file as it is needed."""

    def __init__(self, path: Path) -> None:
        self._file = soundfile.SoundFile(path)
        self.frames, self.channels = self._file.frames, self._file.channels
        self.rate_hz = int(self._file.samplerate)

    def read(self, first: int, end: int) -> Samples:
        """Return the frames from ``first`` up to ``end``."""
        self._file.seek(first)
        samples: Samples = self._file.read(end - first, dtype="float32", always_2d=True)
        return samples


def edited(samples: Samples, rate_hz: int) -> Samples:
    """Mute a second, turn three around, and put a tone over half of one, at tenths of the song."""
    tenth = len(samples) // 10
    samples = samples.copy()
    samples[3 * tenth : 3 * tenth + rate_hz] = 0
    samples[5 * tenth : 5 * tenth + 3 * rate_hz] = samples[5 * tenth : 5 * tenth + 3 * rate_hz][::-1]
    tone = 0.2 * np.sin(2 * np.pi * 1000 * np.arange(rate_hz // 2) / rate_hz)
    samples[7 * tenth : 7 * tenth + rate_hz // 2] += tone[:, None].astype(np.float32)
    return samples


def make(bounce: Path, folder: Path) -> dict[str, Path]:
    """Write the new bounces; names as in ``CASES``."""
    rng = np.random.default_rng(1)
    samples, rate_hz = soundfile.read(bounce, dtype="float32")

    def dithered(clean: Samples, bits: int) -> Samples:
        scale = np.float32(2 ** (bits - 1))
        noise = rng.random(clean.shape, np.float32) - rng.random(clean.shape, np.float32)
        return (np.rint(clean * scale + noise) / scale).astype(np.float32)

    cut, bar = 2 * len(samples) // 5, round(rate_hz * 4 * 60 / 122)
    changed = edited(samples, rate_hz)
    longer = np.concatenate([changed[:cut], samples[bar : 2 * bar], changed[cut:]]) * np.float32(
        10 ** (-3 / 20)
    )
    made = {
        "equal": samples,
        "exact": changed,
        "dither": dithered(samples, 24),
        "edits": dithered(changed, 16),
        "moved": dithered(np.pad(longer, ((rate_hz // 10, 0), (0, 0))), 16),
    }
    paths = {name: folder / f"{name}.wav" for name in made}
    for name, each in made.items():
        soundfile.write(paths[name], each, rate_hz, subtype="PCM_24")
    return paths


def alone(old: Path, new: Path, told: Path, peak: Path) -> None:
    """Read, hash and compare two files in this process; write what it took."""
    begun = time.process_time()
    for path in (old, new):
        with path.open("rb") as file:
            hashlib.file_digest(file, "sha256")
    read_s = time.process_time() - begun
    first, second = WaveFile(old), WaveFile(new)
    begun = time.process_time()
    heard = compare(first, second, first.rate_hz)
    spent_s = time.process_time() - begun
    note(peak)
    result = {"read_s": read_s, "compare_s": spent_s, "regions": len(heard.regions)}
    told.write_text(json.dumps({**result, "peak_bytes": int(peak.read_text(encoding="ascii"))}))


def bench(work: Path, kept: Path, limit: float | None, runs: int) -> Report:
    """Run the whole benchmark."""
    report = Report()
    report.text(machine())
    bounce = pack("take", kept, limit).first["explicit.wav"]
    length_s = soundfile.info(bounce).duration
    new = make(bounce, work)
    found: dict[str, list[dict[str, Any]]] = {name: [] for name in CASES}
    for _ in range(runs):
        for name in CASES:
            ready([bounce, new[name]])
            told = work / "told.json"
            script = Path(__file__).resolve()
            run([sys.executable, script, "--alone", bounce, new[name], told, work / "peak"], work)
            found[name].append(json.loads(told.read_text()))
    rows = []
    for name, words in CASES.items():
        compare_s, read_s = (median(each[key] for each in found[name]) for key in ("compare_s", "read_s"))
        peak = max(each["peak_bytes"] for each in found[name])
        rows.append(
            [
                words,
                seconds(compare_s),
                times(compare_s / read_s),
                megabytes(peak),
                str(found[name][0]["regions"]),
            ]
        )
        wanted = LINED_UP_S if name in LINED_UP else FOUND_S
        report.at_most(f"{words}: CPU for 200 s", compare_s * 200 / length_s, wanted, " s")
        report.at_most(f"{words}: peak memory", peak / 1e6, PEAK_BYTES / 1e6, " MB")
    title = f"Two bounces of {length_s:.0f} s compared, medians of {runs}"
    head = ["", "CPU", "re reading and hashing both", "peak memory", "regions"]
    report.table(title, head, rows)
    return report


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seconds-limit", type=float, help="only the first so many seconds of the song")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--markdown", type=Path, help="a page with marks, or a new file")
    parser.add_argument("--kept", type=Path, help="folder for rendered files, used again by the next call")
    parser.add_argument("--alone", type=Path, nargs=4, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.alone:
        alone(*chosen.alone)
        return 0
    with tempfile.TemporaryDirectory() as work:
        kept = chosen.kept.absolute() if chosen.kept else Path(work) / "kept"
        report = bench(Path(work), kept, chosen.seconds_limit, chosen.runs)
    markdown = report.markdown()
    print(markdown)
    if chosen.markdown:
        write(markdown, chosen.markdown, section="comparison")
    return 0 if report.all_met else 1


if __name__ == "__main__":
    sys.exit(main())
