"""Score the tempo meter on a folder of songs whose tempo is known.

    python tests/bench/music.py FOLDER

FOLDER holds sound files and ``truth.csv`` with the columns ``file``, ``bpm`` and ``bpm_alt`` (a second
tempo that a listener may count; may be empty).

Scores
    accuracy1   within 4 % of the truth
    accuracy2   the same against the truth times 1, 2, 3, 1/2 or 1/3 (Gouyon et al. 2006)
    P           the P-score of ``mir_eval.tempo`` (8 %) with the estimate and its runner-up, all weight on
                the truth where no second tempo is listed
    0.1 %       within 0.1 % of the truth
    hints       share of declared tempi told right: the true one, its half, its double, 1 % too fast

Not here: building such a folder.
"""

from __future__ import annotations

import csv
import importlib
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from relkit.measure.onsets import OnsetMeter
from relkit.measure.tempo import DeclaredTempo, Tempo, estimate

WINDOW_FRAMES = 1 << 16
FACTORS = (1, 2, 3, 1 / 2, 1 / 3)
HINTS = ((1.0, "agrees"), (0.5, "half"), (2.0, "double"), (1.01, "contradicts"))


@dataclass(frozen=True)
class Score:
    """How one song went."""

    name: str
    truth_bpm: float
    second_bpm: float | None
    tempo: Tempo
    hints: tuple[str | None, ...]
    cpu_s_per_200_s: float

    def near(self, share: float, factors: tuple[float, ...] = (1.0,)) -> bool:
        """Tell whether the estimate is near the truth times one of the factors."""
        bpm = self.tempo.bpm or 0.0
        return any(
            abs(bpm - self.truth_bpm * factor) <= share * self.truth_bpm * factor for factor in factors
        )

    def p_score(self) -> float:
        """Return the P-score."""
        tempo = importlib.import_module("mir_eval.tempo")
        first, second = self.truth_bpm, self.second_bpm or self.truth_bpm
        weight = 1.0 if first <= second else 0.0
        reference = np.array(sorted((first, second)))
        found = np.array(sorted((self.tempo.bpm or 0.0, self.tempo.runner_up_bpm or 0.0)))
        return float(tempo.detection(reference, weight, found)[0])


def scored(path: Path, truth_bpm: float, second_bpm: float | None) -> Score:
    """Measure one song, and once more with every hint."""
    samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    began = time.process_time()
    meter = OnsetMeter(rate_hz, samples.shape[1])
    for start in range(0, len(samples), WINDOW_FRAMES):
        meter.feed(samples[start : start + WINDOW_FRAMES])
    onsets = meter.result()
    tempo = estimate(onsets)
    taken = time.process_time() - began
    hints = tuple(estimate(onsets, DeclaredTempo(truth_bpm * factor)).agreement for factor, _ in HINTS)
    return Score(path.name, truth_bpm, second_bpm, tempo, hints, taken * 200 * rate_hz / len(samples))


def main(folder: Path) -> None:
    """Print a line per song and the means."""
    with (folder / "truth.csv").open(newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if row["bpm"]]
    scores = []
    for row in rows:
        alternative = row.get("bpm_alt")
        score = scored(folder / row["file"], float(row["bpm"]), float(alternative) if alternative else None)
        scores.append(score)
        tempo = score.tempo
        verdict = "" if score.near(0.001) else "off" if score.near(0.04, FACTORS) else "FAR OFF"
        odd = [str(hint) for hint, (_, right) in zip(score.hints, HINTS, strict=True) if hint != right]
        print(
            f"{score.name:32} truth {score.truth_bpm:7.2f}  {tempo.kind:8} {tempo.bpm or 0:7.2f} BPM"
            f"  sure {tempo.confidence:.2f}  next {tempo.runner_up_bpm or 0:6.1f}"
            f"  grid {tempo.max_grid_error_ms or 0:5.1f} ms  {score.cpu_s_per_200_s:.2f} s CPU per 200 s"
            f"  {verdict} {' '.join(odd)}"
        )
    print(f"{len(scores)} songs")
    shares: list[tuple[str, list[bool] | list[float]]] = [
        ("accuracy1", [score.near(0.04) for score in scores]),
        ("accuracy2", [score.near(0.04, FACTORS) for score in scores]),
        ("P", [score.p_score() for score in scores]),
        ("0.1 %", [score.near(0.001) for score in scores]),
        ("0.1 %, octaves forgiven", [score.near(0.001, FACTORS) for score in scores]),
        ("0.01 BPM", [abs((score.tempo.bpm or 0) - score.truth_bpm) <= 0.0101 for score in scores]),
        *(
            (f"declared x {factor}: {right}", [score.hints[i] == right for score in scores])
            for i, (factor, right) in enumerate(HINTS)
        ),
    ]
    for name, hits in shares:
        print(f"{name:26} {sum(hits) / len(hits):.3f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
