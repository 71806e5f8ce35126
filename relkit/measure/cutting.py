"""At which sample was a bar put in or taken out? Where the ways before and behind it differ least.

Of the two renderings, one has something that the other has not. In the other one there is then a single
place: up to it one offset fits, behind it another.

Conventions
    fits       a gain explains what differs over a few milliseconds
    late       where both fit, as in a bar that is played twice, the later place is taken: of two bars
               that are the same, the second one was put in or taken out

Not here: the offsets (``following``).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relkit.measure.excerpts import Recording, excerpt
from relkit.measure.leftover import Vector, coarsened

CUT_BLOCK_FRAMES = 44
FIT_BLOCKS = 8  # over which one gain is fitted: a compressor behind an edit is no reason to cut there
AROUND_BLOCKS = 500  # a cut is looked for so far on both sides of where the path has it ...
REPEAT_BLOCKS = 20_000  # ... and to the end of a repeat that is no longer
UNLIKE_SHARE = 0.03  # of the energy of both: nothing is in common
LATE, LATE_LOSSY = 0.005, 0.05  # what a block must cost less to make a cut earlier: see "cut" above


def cut_at(
    pair: tuple[Recording, Recording], span: tuple[int, int], near: int, offsets: tuple[int, int], grain: int
) -> int:
    """Return the frame of the shorter one at which the longer one has something more.

    Args:
        pair: the one without the bar, the one with it.
        span: frames of the former within which to look.
        near: where the path has it.
        offsets: before and after.
        grain: as in ``leftover``.
    """
    block = grain * max(1, CUT_BLOCK_FRAMES // grain)
    late = LATE_LOSSY if grain > 1 else LATE
    reach = AROUND_BLOCKS * block + min(abs(offsets[1] - offsets[0]), REPEAT_BLOCKS * block)
    first, end = max(span[0], near - reach, 0), min(span[1], near + reach, pair[0].frames)
    first = _least(pair, first, end, offsets, (block, grain, FIT_BLOCKS), late) - 2 * FIT_BLOCKS * block
    first = max(0, first)
    end = min(first + 4 * FIT_BLOCKS * block, pair[0].frames)
    return _least(pair, first, end, offsets, (1, 1, FIT_BLOCKS * block), late)


def _least(
    pair: tuple[Recording, Recording],
    first: int,
    end: int,
    offsets: tuple[int, int],
    resolution: tuple[int, int, int],
    late: float,
) -> int:
    """Return the last place before which one offset fits and behind which the other one does.

    Args:
        pair, offsets: as above.
        first, end: where to look.
        resolution: frames of a block, frames that are averaged first, and how many blocks before the
            place, or behind it, are fitted with one gain.
        late: what a block must cost less to be left out.
    """
    block, grain, reach = resolution
    count = max(1, (end - first) // block)
    base = coarsened(excerpt(pair[0], first, count * block), grain)
    energy = _sums(base, base, block // grain)
    costs = []
    for offset, before in zip(offsets, (True, False), strict=True):
        there = coarsened(excerpt(pair[1], first + offset, count * block), grain)
        sums = (energy, _sums(there, there, block // grain), _sums(base, there, block // grain))
        one, other, both = (_over(each, reach, before) for each in sums)
        unlike = 1 - both**2 / np.maximum(one * other, 1e-30)
        unlike[(one < 1e-12) & (other < 1e-12)] = 0
        costs.append(np.clip(unlike / UNLIKE_SHARE, 0, 1))
    gained = np.concatenate([np.zeros(1), np.cumsum(costs[0] - costs[1] - late)])
    return first + block * int(np.argmin(gained))


def _over(sums: Vector, reach: int, before: bool) -> Vector:
    """Return sums over each block and those before it, or behind it."""
    padded = np.concatenate([np.zeros(reach), sums]) if before else np.concatenate([sums, np.zeros(reach)])
    running = np.concatenate([np.zeros(1), np.cumsum(padded)])
    total: Vector = running[reach + 1 :] - running[: -reach - 1]
    return total


def _sums(one: npt.NDArray[np.float32], other: npt.NDArray[np.float32], block: int) -> Vector:
    width = block * one.shape[1]
    sums: Vector = np.einsum("ij,ij->i", one.reshape(-1, width), other.reshape(-1, width)).astype(np.float64)
    return sums
