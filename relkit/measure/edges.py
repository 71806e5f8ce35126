"""Where exactly does a change begin and end? To the sample, by the energy of what is different.

An edge is the point that best splits the milliseconds around it into two parts of different power.
At the end of a change the gain that the tail has just after it is taken into account first.

Conventions
    frames     of the old rendering

Sources
    A single change of variance by maximum likelihood, as in C. Inclan and G. C. Tiao, "Use of cumulative
    sums of squares for retrospective detection of changes of variance", J. Am. Stat. Assoc. 89, 1994

Not here: finding changes (``changes``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.excerpts import Recording, excerpt
from relkit.measure.leftover import Stretch, Vector, coarsened
from relkit.measure.slabs import Samples

BEFORE_S, INTO_S = 0.015, 0.012  # how far from a rough edge to look, outside and inside of the change
TAIL_FIT_S = (0.002, 0.016)  # behind an edge: where the tail's gain is fitted
RINGS_DB = 25.0  # below a change: what a filter makes of its end
ROUNDS = 2


@dataclass(frozen=True)
class Pair:
    """Two renderings along their path.

    Attributes:
        old, new: with the same number of channels.
        stretches: what they have in common.
        gain: signed factor from old to new.
        rate_hz: of both.
        grain: frames that are averaged first.
    """

    old: Recording
    new: Recording
    stretches: tuple[Stretch, ...]
    gain: float
    rate_hz: int
    grain: int

    def stretch_at(self, frame: int) -> Stretch:
        """Return the stretch that holds a frame of the old rendering, or the nearest one."""
        return min(self.stretches, key=lambda each: max(each.first - frame, frame - each.end + 1, 0))

    def read(self, first: int, end: int, offset: int) -> tuple[Samples, Samples]:
        """Return old, at the new level, and new; averaged, (end - first) a multiple of the grain."""
        old = excerpt(self.old, first, end - first) * np.float32(self.gain)
        return coarsened(old, self.grain), coarsened(
            excerpt(self.new, first + offset, end - first), self.grain
        )


def start_of(pair: Pair, rough: int, within: Stretch, usual: float) -> int:
    """Return the frame at which a change begins.

    Args:
        pair: the renderings.
        rough: about where.
        within: where to look at most.
        usual: [power] of the difference where nothing was changed.
    """
    first, end = _window(
        pair, rough - round(BEFORE_S * pair.rate_hz), rough + round(INTO_S * pair.rate_hz), within
    )
    if end - first < 4 * pair.grain:
        return min(max(rough, within.first), within.end)
    old, new = pair.read(first, end, within.offset)
    power = _power(new - old)
    loudest = float(power[len(power) // 2 :].mean())
    return first + pair.grain * _split(power, max(usual, 1e-4 * loudest))


def end_of(pair: Pair, rough: int, within: Stretch, usual: float, tail: bool) -> int:
    """Return the frame behind the last one of a change; arguments as for ``start_of``."""
    edge = rough
    for _ in range(ROUNDS if tail else 1):
        behind = round((TAIL_FIT_S[1] if tail else BEFORE_S) * pair.rate_hz)
        first, end = _window(pair, edge - round(INTO_S * pair.rate_hz), edge + behind, within)
        if end - first < 4 * pair.grain:
            return min(max(rough, within.first), within.end)
        old, new = pair.read(first, end, within.offset)
        rest = new - old
        if tail:
            rest = new - old * _gain_behind(old, new, (edge - first) // pair.grain, pair)[:, None]
        power = _power(rest)[::-1]
        inside = max(1, (edge - first) // pair.grain)
        loudest = float(power[-inside:].mean())
        clamp = max(usual, loudest * (10 ** (-RINGS_DB / 10) if tail else 1e-4))
        edge = end - pair.grain * _split(power, clamp)
    return edge


def _window(pair: Pair, first: int, end: int, within: Stretch) -> tuple[int, int]:
    """Return a window inside of a stretch, a multiple of the grain long."""
    first, end = max(first, within.first), min(end, within.end)
    return first, end - (end - first) % pair.grain


def _power(rest: Samples) -> Vector:
    power: Vector = np.einsum("ij,ij->i", rest, rest).astype(np.float64) / rest.shape[1]
    return power


def _split(power: Vector, usual: float) -> int:
    """Return where quiet ends and loud begins: the most likely change of variance."""
    count = np.arange(1, len(power))
    sums = np.cumsum(power)
    before = sums[:-1] / count + usual
    behind = (sums[-1] - sums[:-1]) / (len(power) - count) + usual
    cost = count * np.log(before) + (len(power) - count) * np.log(np.maximum(behind, 1e-30))
    cost[behind < before] = np.inf
    best = int(np.argmin(cost))
    return best + 1 if np.isfinite(cost[best]) else 0


def _gain_behind(old: Samples, new: Samples, edge: int, pair: Pair) -> npt.NDArray[np.float32]:
    """Return the gain of the tail, linear in time, carried on to before the edge."""
    per_s = pair.rate_hz / pair.grain
    at = (np.arange(len(old)) - edge) / per_s
    inside = at > TAIL_FIT_S[0]
    o, n = old[inside].astype(np.float64), new[inside].astype(np.float64)
    t = at[inside][:, None]
    normal = np.array([[np.sum(o * o), np.sum(o * o * t)], [np.sum(o * o * t), np.sum(o * o * t * t)]])
    wanted = np.array([np.sum(o * n), np.sum(o * n * t)])
    if inside.sum() < 8 or np.linalg.det(normal) <= 1e-9 * normal[0, 0] * normal[1, 1]:
        return np.ones(len(old), np.float32)
    level, slope = np.linalg.solve(normal, wanted)
    gain: npt.NDArray[np.float32] = (level + slope * np.maximum(at, -TAIL_FIT_S[1])).astype(np.float32)
    return gain
