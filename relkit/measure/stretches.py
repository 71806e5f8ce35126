"""Where does evidence for a share stand out of chance? Stretches of blocks, edges included.

For every start and a row of lengths the evidence is summed and compared with what mere chance gives
over that length. The stretch that stands out most is taken, its edges are moved to where it stands
out most, and the search goes on before, after, and within it for what is louder still.

Conventions
    score      evidence of a block in standard deviations times the root of its weight, summed over
               bands; a band alone gives no more than ``CLIP`` deviations, so that one coincidence
               of notes does not count as a leak
    standing   sum of scores over the root of the sum of weights, over its size by chance
    breadth    a leak has the same sign in all bands: sum of the bands' deviations over the root of
               the sum of their squares, a bell curve by chance however large they are

Not here: where the evidence comes from (``crossing``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from relkit.measure.crossing import Crossing

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

CLIP = 6.0  # standard deviations
HEAVIEST = 1e5  # weight of one band in one block beyond which it counts no more
SHORTEST = 6  # blocks, about 0.15 s
STANDS_OUT = 6.5  # standing; chance has several thousand tries in a song and a heavier tail than a bell
BROAD = 3.2  # breadth; two steady tones of one pitch agree or disagree in each band by chance
LOUDER = 2.0  # a stretch within another is told apart if its share is this many times as large
DEEPEST = 2  # stretches within stretches
MOST = 200  # stretches; more would be one long leak with pauses


@dataclass(frozen=True)
class Stretch:
    """Blocks ``first`` up to ``end`` hold ``share`` (signed factor); ``depth`` others lie around it."""

    first: int
    end: int
    share: float
    depth: int


def find_stretches(crossing: Crossing) -> list[Stretch]:
    """Return the stretches in which a share stands out of chance, by depth and time."""
    if len(crossing.products) <= SHORTEST:
        return []
    lengths = _lengths(len(crossing.products))
    chance = _chance(crossing, lengths)
    found: list[Stretch] = []
    waiting = [Stretch(0, len(crossing.products), 0.0, 0)]
    while waiting and len(found) < MOST:
        around = waiting.pop()
        inside = slice(around.first, around.end)
        products, weights = crossing.products[inside], crossing.weights[inside]
        scores, masses = _scores(products - around.share * weights, weights)
        span = _standing_out(scores, masses, lengths, chance)
        if span is None:
            continue
        first, end = span
        if _breadth(products[first:end] - around.share * weights[first:end], weights[first:end]) < BROAD:
            waiting.append(Stretch(around.first, around.first + first, around.share, around.depth))
            waiting.append(Stretch(around.first + end, around.end, around.share, around.depth))
            continue
        first, end = first + around.first, end + around.first
        share = float(share_in(crossing, first, end).item())
        if around.depth == 0 or abs(share) > LOUDER * abs(around.share):
            stretch = Stretch(first, end, share, around.depth)
            found.append(stretch)
            if around.depth < DEEPEST:
                waiting.append(Stretch(first, end, share, around.depth + 1))
        waiting.append(Stretch(around.first, first, around.share, around.depth))
        waiting.append(Stretch(end, around.end, around.share, around.depth))
    return _joined(found)


def share_in(crossing: Crossing, first: int, end: int, *, by_band: bool = False) -> Array:
    """Return the share over a span of blocks, in each band or (shape (1,)) in all together."""
    sums = [
        table[first:end].sum(axis=0)
        for table in (
            crossing.products,
            # One loud cell may have more pull than weight; never correct by more than 6 dB.
            np.maximum(crossing.weights - crossing.pull, crossing.weights / 2),
            crossing.back,
        )
    ]
    products, weights, back = sums if by_band else [each.sum(keepdims=True) for each in sums]
    share: Array = np.zeros_like(products)
    for _ in range(30):  # a slow but sure way to the root: each step goes half of the way
        step = products / np.maximum(weights + share**2 * back, 1e-30)
        share = (share + step) / 2
    return share


def _scores(products: Array, weights: Array) -> tuple[Array, Array]:
    """Return score and weight of each block."""
    deviations = np.clip(products / np.sqrt(weights / 2 + 1e-30), -CLIP, CLIP)
    heavy = np.minimum(weights, HEAVIEST)
    return (deviations * np.sqrt(heavy)).sum(axis=1), heavy.sum(axis=1)


def _breadth(products: Array, weights: Array) -> float:
    """Return how much the bands of a span agree on a sign."""
    deviations = products.sum(axis=0) / np.sqrt(weights.sum(axis=0) + 1e-30)
    return float(abs(deviations.sum()) / np.sqrt(np.square(deviations).sum() + 1e-30))


def _lengths(blocks: int) -> list[int]:
    """Return the lengths that are tried: doubling from the shortest to the whole."""
    lengths = [SHORTEST]
    while lengths[-1] * 1.5 < blocks:
        lengths.append(int(lengths[-1] * 1.5))
    return [*lengths, blocks] if lengths[-1] < blocks else lengths


def _sums(values: Array, length: int) -> Array:
    """Return the sum over every ``length`` neighbours."""
    total = np.concatenate([np.zeros(1), np.cumsum(values)])
    sums: Array = total[length:] - total[:-length]
    return sums


def _ratio(scores: Array, masses: Array) -> Array:
    """Return scores over the root of their weights; 0 where there is no weight."""
    ratio: Array = scores / np.sqrt(np.maximum(masses, 1e-12))
    return ratio


def _chance(crossing: Crossing, lengths: list[int]) -> list[float]:
    """Return the size of the ratio over each length when the first mix is shifted in time."""
    shifted = [_scores(*pair) for pair in crossing.chance]
    sizes = []
    for length in lengths:
        squares = [
            np.mean(_ratio(_sums(scores, length), _sums(masses, length)) ** 2) for scores, masses in shifted
        ]
        sizes.append(max(1.0, float(np.sqrt(np.mean(squares)))))
    return sizes


def _standing_out(
    scores: Array, masses: Array, lengths: list[int], chance: list[float]
) -> tuple[int, int] | None:
    """Return the span that stands out most, with its edges where it does so most; None if none does."""
    best = (STANDS_OUT, 0, 0)
    for length, size in zip(lengths, chance, strict=True):
        if length > len(scores):
            break
        standing = np.abs(_ratio(_sums(scores, length), _sums(masses, length))) / size
        at = int(np.argmax(standing))
        if standing[at] > best[0]:
            best = (float(standing[at]), at, at + length)
    _, first, end = best
    if end == 0:
        return None
    score_sums = np.concatenate([np.zeros(1), np.cumsum(scores)])
    mass_sums = np.concatenate([np.zeros(1), np.cumsum(masses)])

    def standing_of(starts: Places, ends: Places) -> Array:
        """Return how far each of many spans stands out; one of the two may be a single place."""
        return np.abs(_ratio(score_sums[ends] - score_sums[starts], mass_sums[ends] - mass_sums[starts]))

    for _ in range(4):  # one edge after the other, until neither moves
        reach = end - first
        starts = np.arange(max(0, first - reach), end - 2)
        first = int(starts[np.argmax(standing_of(starts, np.array([end])))])
        ends = np.arange(first + 3, min(len(scores), end + reach) + 1)
        end = int(ends[np.argmax(standing_of(np.array([first]), ends))])
    return first, end


def _joined(found: list[Stretch]) -> list[Stretch]:
    """Make one stretch of neighbours with next to no gap and next to the same share."""
    joined: list[Stretch] = []
    for stretch in sorted(found, key=lambda each: (each.depth, each.first)):
        last = joined[-1] if joined else None
        if (
            last
            and last.depth == stretch.depth
            and 0 <= stretch.first - last.end < SHORTEST
            and 1 / LOUDER < stretch.share / last.share < LOUDER
        ):
            longer = max(last, stretch, key=lambda each: each.end - each.first)
            joined[-1] = replace(last, end=stretch.end, share=longer.share)
        else:
            joined.append(stretch)
    return joined
