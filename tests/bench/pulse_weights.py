"""Fit the table by which a pulse is judged to be the beat, and print it as a module.

    python tests/bench/pulse_weights.py FOLDER > relkit/measure/pulse_weights.py

FOLDER holds sound files and ``truth.csv`` with the columns ``file`` and ``bpm``.
The shipped table was fitted on songs rendered from drum patterns and accompaniment
grooves; do not fit it on songs that are meant to judge it.

Also says, on standard error, how many songs are right when their family (the file's name without what
follows its last ``_``) was left out of the fit, and how that goes with the odds the model gave.

Not here: what the columns mean (``relkit.measure.pulse``).
"""

from __future__ import annotations

import csv
import re
import sys
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
from scipy.optimize import minimize

from relkit.measure.onsets import OnsetMeter
from relkit.measure.pulse import described, levelled

Values = npt.NDArray[np.float64]
Song = tuple[Values, npt.NDArray[np.bool_]]  # features of its candidates, and which of them are right

RIGHT = 0.03  # a candidate this near to the truth is the beat
PENALTY = 3.0  # on squared weights of scaled features
FOLDS = 8
SURE = (0.0, 0.5, 0.7, 0.8, 0.9, 0.97, 1.01)

HEAD = '''"""The table by which a pulse is judged to be the beat; see ``relkit.measure.pulse``.

Made by ``tests/bench/pulse_weights.py``, which prints this file; not edited by hand.

Order: tempo, its square, strength; then for each of ten parts or multiples of the beat the
likeness of the low band, the upper band, the high band and all bands; then the same 40 times tempo;
then what a beat holds of the onsets of the four bands and of all, and the squares of that.

Not here: what is done with it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Row = npt.NDArray[np.float64]


def _row(values: str) -> Row:
    """Return numbers as an array."""
    return np.array([float(value) for value in values.split()])

'''


def song(path: Path, bpm: float) -> Song:
    """Return the features of a song's candidates and which of them are right."""
    samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    meter = OnsetMeter(rate_hz, samples.shape[1])
    meter.feed(np.ascontiguousarray(samples))
    onsets = meter.result()
    found = described(levelled(onsets), onsets.step_s)
    return np.array([values for _, values in found]), np.array(
        [abs(60 / beat_s / bpm - 1) < RIGHT for beat_s, _ in found]
    )


def fit(songs: list[Song]) -> Values:
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


@dataclass(frozen=True)
class Table:
    """A fitted table."""

    centre: Values
    scale: Values
    weights: Values

    @classmethod
    def of(cls, songs: list[Song]) -> Table:
        """Fit one."""
        every = np.concatenate([values for values, _ in songs])
        centre, scale = every.mean(axis=0), every.std(axis=0) + 1e-9
        return cls(centre, scale, fit([((values - centre) / scale, right) for values, right in songs]))

    def picks(self, song: Song) -> tuple[bool, float]:
        """Tell whether the likeliest candidate is right, and how likely the table says it is."""
        values, right = song
        scores = (values - self.centre) / self.scale @ self.weights
        odds = np.exp(scores - scores.max())
        return bool(right[np.argmax(scores)]), float(odds.max() / odds.sum())


def left_out(songs: list[Song], families: list[str]) -> None:
    """Say how songs go whose family was left out of the fit."""
    names = sorted(set(families))
    fold = dict(zip(np.random.default_rng(0).permutation(names), np.arange(len(names)) % FOLDS, strict=True))
    picks = []
    for part in range(FOLDS):
        inside = [fold[family] == part for family in families]
        table = Table.of([song for song, out in zip(songs, inside, strict=True) if not out])
        picks += [table.picks(song) for song, out in zip(songs, inside, strict=True) if out]
    print(f"families left out: {sum(ok for ok, _ in picks)} of {len(picks)} right", file=sys.stderr)
    for low, high in pairwise(SURE):
        oks = [ok for ok, share in picks if low <= share < high]
        if oks:
            print(f"  given {low:.2f} to {high:.2f}: {np.mean(oks):.2f} of {len(oks)} right", file=sys.stderr)


def main(folder: Path) -> None:
    """Print the module."""
    with (folder / "truth.csv").open(newline="") as lines:
        rows = [(row["file"], float(row["bpm"])) for row in csv.DictReader(lines) if row["bpm"]]
    families = [re.sub(r"_[^_]*$", "", Path(name).stem) for name, _ in rows]
    found = [(song(folder / name, bpm), family) for (name, bpm), family in zip(rows, families, strict=True)]
    found = [(song, family) for song, family in found if song[1].any()]
    songs = [song for song, _ in found]
    table = Table.of(songs)
    sys.stdout.write(HEAD)
    for name, what, row in (
        ("CENTRE", "means over all candidates", table.centre),
        ("SCALE", "standard deviations", table.scale),
        ("WEIGHTS", "of the scaled features", table.weights),
    ):
        lines_of_8 = "\n".join(
            "    " + " ".join(f"{value:6.3f}" for value in row[i : i + 8]) for i in range(0, len(row), 8)
        )
        sys.stdout.write(f'\n# {what}\n{name} = _row("""\n{lines_of_8}\n""")\n')
    picked = sum(table.picks(song)[0] for song in songs)
    print(f"{picked} of {len(songs)} songs of the fit right", file=sys.stderr)
    left_out(songs, [family for _, family in found])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
