"""Fit the table by which a pulse is judged to be the beat, and print it as a module.

    python tests/bench/pulse_weights.py FOLDER > relkit/measure/pulse_weights.py

FOLDER holds sound files and ``truth.csv`` with the columns ``file`` and ``bpm``.
The shipped table was fitted on songs rendered from drum patterns and accompaniment
grooves; do not fit it on songs that are meant to judge it.

Not here: what the columns mean (``relkit.measure.pulse``).
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
from scipy.optimize import minimize

from relkit.measure.onsets import OnsetMeter
from relkit.measure.pulse import described, levelled

Values = npt.NDArray[np.float64]

RIGHT = 0.03  # a candidate this near to the truth is the beat
PENALTY = 1.0  # on squared weights of scaled features

HEAD = '''"""The table by which a pulse is judged to be the beat; see ``relkit.measure.pulse``.

Made by ``tests/bench/pulse_weights.py``, which prints this file; not edited by hand.

Order: tempo, its square, strength; then for each of ten parts or multiples of the beat the
likeness of the low band, the upper band, the high band and all bands; then the same 40 times tempo.

Not here: what is done with it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Row = npt.NDArray[np.float64]


def _row(*values: float) -> Row:
    """Return numbers as an array."""
    return np.array(values)

'''


def song(path: Path, bpm: float) -> tuple[Values, npt.NDArray[np.bool_]]:
    """Return the features of a song's candidates and which of them are right."""
    samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    meter = OnsetMeter(rate_hz, samples.shape[1])
    meter.feed(np.ascontiguousarray(samples))
    onsets = meter.result()
    found = described(levelled(onsets), onsets.step_s)
    return np.array([values for _, values in found]), np.array(
        [abs(60 / beat_s / bpm - 1) < RIGHT for beat_s, _ in found]
    )


def fit(songs: list[tuple[Values, npt.NDArray[np.bool_]]]) -> Values:
    """Return the weights of scaled features that make the right candidates likeliest."""

    def loss(weights: Values) -> tuple[float, Values]:
        cost, slope = PENALTY * float(weights @ weights), 2 * PENALTY * weights
        for values, right in songs:
            scores = values @ weights
            odds = np.exp(scores - scores.max())
            share = odds / odds.sum()
            wanted = share * right
            cost -= float(np.log(wanted.sum() + 1e-12))
            slope = slope - (wanted / (wanted.sum() + 1e-12) - share) @ values
        return cost, slope

    start = np.zeros(songs[0][0].shape[1])
    best: Values = minimize(loss, start, jac=True, method="L-BFGS-B").x
    return best


def main(folder: Path) -> None:
    """Print the module."""
    with (folder / "truth.csv").open(newline="") as lines:
        rows = [(row["file"], float(row["bpm"])) for row in csv.DictReader(lines) if row["bpm"]]
    songs = [song(folder / name, bpm) for name, bpm in rows]
    songs = [(values, right) for values, right in songs if right.any()]
    every = np.concatenate([values for values, _ in songs])
    centre, scale = every.mean(axis=0), every.std(axis=0) + 1e-9
    weights = fit([((values - centre) / scale, right) for values, right in songs])
    sys.stdout.write(HEAD)
    for name, what, row in (
        ("CENTRE", "means over all candidates", centre),
        ("SCALE", "standard deviations", scale),
        ("WEIGHTS", "of the scaled features", weights),
    ):
        table = "\n".join(
            "    " + " ".join(f"{value:.3f}," for value in row[i : i + 8]) for i in range(0, len(row), 8)
        )
        sys.stdout.write(f"\n# {what}\n{name}: Row = _row(\n{table}\n)\n")
    picked = sum(bool(right[np.argmax((values - centre) / scale @ weights)]) for values, right in songs)
    print(f"{picked} of {len(songs)} songs of the fit right", file=sys.stderr)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
