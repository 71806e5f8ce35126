"""Where does a signal stay at its ceiling? Flat tops, as clipping leaves them.

A run is clipped when at least three samples of one channel in a row lie at its ceiling and
the signal gets there with a corner:

    ceiling    the channel's own extreme of that sign, or full scale if the extreme is beyond it. A
               clipper in a mix leaves its ceiling anywhere below full scale, so full scale alone
               would miss most clipping.
    at it      within 2**-13 of the ceiling: four steps of 16 bits at full scale, two at -6 dBFS, so that
               triangular dither after a clipper, which moves a sample by a step at most, does not hide it
    corner     the sample before or after is lower by more than 16 steps of 16 bits. The crest of a
               slow wave is flat, too, once it is rounded to 16 bits, but it falls off gently: beside
               n samples within t of a parabola's crest the next one is within t * (1 + 2 / n)**2.

Before the first sample and after the last one the signal counts as 0. A square wave is all flat tops,
and there is no telling it from clipping.

Sources
    three samples in a row: common practice of clip indicators, no source
    the corner: a parabola; the limits are ours

Not here: peaks between samples (``relkit.measure.peak``), how much clipping is too much (``relkit.qc``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Row = npt.NDArray[np.float32]

SHORTEST_RUN = 3  # samples
STEP = 2.0**-15  # of 16 bits
FULL_SCALE = 1 - STEP  # the highest 16-bit value; 24-bit clipping gets there, too
NEAR = 2.0**-13  # of the ceiling
CORNER = 16 * STEP


@dataclass
class _Run:
    """Samples in a row at the ceiling of their time; ``start`` in frames of the signal."""

    start: int
    length: int
    lowest: float
    before: float  # the sample before
    after: float = 0.0


class FlatTops:
    """Finds the clipped runs of one sign in one channel, slab by slab.

    While the signal runs its ceiling may rise. A run is kept if all of its samples are at the
    last ceiling, too.
    """

    def __init__(self) -> None:
        self._extreme = 0.0
        self._position = 0
        self._last = 0.0
        self._open: _Run | None = None  # reaches to the end of what was fed
        self._runs: list[npt.NDArray[np.float64]] = []  # rows of start, length, lowest sample

    def feed(self, row: Row, peak: float) -> None:
        """Take the next samples.

        Args:
            row: shape (n,), n > 0, with the sign that is looked for made positive.
            peak: the largest value in ``row``.
        """
        self._extreme = max(self._extreme, peak)
        floor = self._floor()
        if floor > CORNER and (peak >= floor or self._open):
            self._search(row, floor)
        self._position += len(row)
        self._last = float(row[-1])

    def runs(self) -> npt.NDArray[np.int64]:
        """End the signal and return starts and lengths, shape (runs, 2) [frames]."""
        if self._open:
            self._keep([self._open])
            self._open = None
        if not self._runs:
            return np.empty((0, 2), np.int64)
        found = np.concatenate(self._runs)
        return found[found[:, 2] >= self._floor(), :2].astype(np.int64)

    def _floor(self) -> float:
        """Return the lowest value that is at the ceiling; float32 as the samples are."""
        return float(np.float32(min(self._extreme, FULL_SCALE) * (1 - NEAR)))

    def _search(self, row: Row, floor: float) -> None:
        """Find the runs in a slab; join the first one to the open one."""
        at = np.flatnonzero(row >= floor)
        cuts = np.flatnonzero(np.diff(at) > 1) + 1
        firsts = at[np.concatenate([[0], cuts])] if len(at) else at
        lasts = at[np.concatenate([cuts - 1, [len(at) - 1]])] if len(at) else at
        if self._open:
            if len(at) and firsts[0] == 0:
                joined = int(lasts[0]) + 1
                self._open.length += joined
                self._open.lowest = min(self._open.lowest, float(row[:joined].min()))
                firsts, lasts = firsts[1:], lasts[1:]
                if joined == len(row):
                    return
                self._open.after = float(row[joined])
            else:
                self._open.after = float(row[0])
            self._keep([self._open])
            self._open = None
        if len(lasts) and lasts[-1] == len(row) - 1:
            first = int(firsts[-1])
            before = float(row[first - 1]) if first else self._last
            lowest = float(row[first:].min())
            self._open = _Run(self._position + first, len(row) - first, lowest, before)
            firsts, lasts = firsts[:-1], lasts[:-1]
        self._keep_inner(row, firsts, lasts)

    def _keep_inner(self, row: Row, firsts: npt.NDArray[np.int64], lasts: npt.NDArray[np.int64]) -> None:
        """Keep the clipped ones of the runs that end inside a slab."""
        long = lasts - firsts >= SHORTEST_RUN - 1
        firsts, lasts = firsts[long], lasts[long]
        if not len(firsts):
            return
        bounds = np.column_stack([firsts, lasts + 1]).reshape(-1)  # a run never ends the slab
        lowest = np.minimum.reduceat(row, bounds)[::2]
        before = np.where(firsts > 0, row[firsts - 1], np.float32(self._last))
        sharp = lowest - np.minimum(before, row[lasts + 1]) > CORNER
        found = np.column_stack([self._position + firsts, lasts - firsts + 1, lowest]).astype(np.float64)
        self._runs.append(found[sharp])

    def _keep(self, runs: list[_Run]) -> None:
        """Keep those of some finished runs that are clipped."""
        self._runs += [
            np.array([[run.start, run.length, run.lowest]], np.float64)
            for run in runs
            if run.length >= SHORTEST_RUN and run.lowest - min(run.before, run.after) > CORNER
        ]
