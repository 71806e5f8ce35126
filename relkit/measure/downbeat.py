"""Which of the beats begins a bar?

Bass notes and chords like to change with the bar, the snare likes to answer
them, and a bounce mostly starts with a bar (common practice, no source). Where these do
not point clearly to one beat, the answer is None: a wrong downbeat is worse than none.

Conventions
    weights    of onsets, as in ``relkit.measure.grid.Peaks``

Not here: where the beats are (``relkit.measure.grid``).
"""

from __future__ import annotations

import numpy as np

from relkit.measure.grid import LOUD, Grid, Peaks

BAND_WEIGHTS = (0.6, 1.0, -0.5, -0.1)  # kick and bass, chords, snare, hats
OPENING = 0.3  # what the first loud onset counts if it falls on a beat
NEAR_BEAT = 0.1  # onsets this near to a beat [beats] belong to it
CLEAR = 0.2  # least lead of the best beat over the next


def first_downbeat(peaks: Peaks, grid: Grid, beats_per_bar: int) -> float | None:
    """Return the time [s] of the first beat that begins a bar; None where it is not clear.

    Args:
        peaks: onsets of the stretch that the grid belongs to.
        grid: its beats.
        beats_per_bar: 1 or more.
    """
    place = (peaks.time_s - grid.first_s) / grid.beat_s
    beat = np.rint(place).astype(np.int64)
    on = np.abs(place - beat) < NEAR_BEAT
    if not on.any():
        return None
    index = peaks.band[on] * beats_per_bar + beat[on] % beats_per_bar
    sums = np.bincount(index, peaks.weight[on], len(BAND_WEIGHTS) * beats_per_bar)
    shares = sums.reshape(len(BAND_WEIGHTS), beats_per_bar)
    shares = shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-9)
    evidence = np.array(BAND_WEIGHTS) @ shares * beats_per_bar / 2
    opening = int(np.argmax(peaks.weight >= LOUD))
    if on[opening]:
        evidence[beat[opening] % beats_per_bar] += OPENING
    order = np.argsort(-evidence)
    if beats_per_bar > 1 and evidence[order[0]] - evidence[order[1]] < CLEAR:
        return None
    return float(grid.first_s + int(order[0]) * grid.beat_s)
