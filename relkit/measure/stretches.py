"""Where does evidence for a share stand out of chance? Stretches of blocks, edges included.

For every start and a row of lengths the evidence is summed and compared with what mere chance gives
over that length. For the stretch that stands out most a share is fitted, and its edges moved to
where that share becomes likelier than none; if the bands agree on it, it is found. The search goes
on before, after, and within it for what is louder still.

Conventions
    score      evidence of a block in standard deviations times the root of its weight, summed over
               bands; a band alone gives no more than ``CLIP`` deviations, so that one coincidence
               of notes does not count as a leak. Complex: the imaginary part is chance
    standing   sum of scores over the root of the sum of weights, over its size by chance
    agreement  of the bands on one share, against each having its own phase; see ``_agreement``

Not here: where the evidence comes from (``crossing``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.measure.crossing import Crossing

Array = npt.NDArray[np.float64]
Products = npt.NDArray[Any]  # complex
Elsewhere = Callable[[int, int, int], Crossing]  # first block, end, blocks by which to move

CLIP = 6.0  # standard deviations
HEAVIEST = 1e5  # weight of one band in one block beyond which it counts no more
SHORTEST = 4  # blocks, about 0.16 s with the window's width
STANDS_OUT = 6.5  # standing; chance has several thousand tries in a song and a heavier tail than a bell
MOVED = 19  # blocks, 0.4 s: far enough for a voice to have moved on
STEADY = 0.5  # times the bands' power when moved counts as chance: a part of it is the real one
LONGEST = 1300  # blocks, 30 s, of which the bands' agreement is asked
SURE = 7.5  # [nats] of agreement between bands over a second or more; see ``_agreement`` ...
SECOND = 43  # blocks; ... over less, the more the more such spans there are in a second
TAIL = 3.0  # degrees of freedom of a band's error: now and then it is far larger than usual
FITS = 8  # times that edges and share are fitted to each other
AGAINST = 3.0  # [nats] against a share in a gap, below which the gap is bridged
BLOCK_COST = 0.02  # [nats] a block must bring to be counted in
APART = 3  # blocks next to a stretch that still hear some of it
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


def find_stretches(crossing: Crossing, elsewhere: Elsewhere) -> list[Stretch]:
    """Return the stretches in which a share stands out of chance, by depth and time.

    Args:
        crossing: of the whole.
        elsewhere: gives the crossing of some blocks with the first mix moved; asked for a few.
    """
    blocks = len(crossing.products)
    if blocks < SHORTEST:
        return []
    lengths = _lengths(blocks)
    chance = _chance(crossing, lengths)
    found: list[Stretch] = []
    waiting = [Stretch(0, blocks, 0.0, 0)]
    while waiting and len(found) < MOST:
        around = waiting.pop()
        inside = slice(around.first, around.end)
        products = crossing.products[inside] - around.share * crossing.weights[inside]
        span = _standing_out(products, crossing.weights[inside], lengths, chance)
        if span is None:
            continue
        first, end, share = _fitted(crossing, span[0] + around.first, span[1] + around.first, around)
        louder = around.depth == 0 or abs(share) > LOUDER * abs(around.share)
        if louder and _agreement(crossing, elsewhere, first, end, around.share) >= _sure(end - first):
            found.append(Stretch(first, end, share, around.depth))
            if around.depth < DEEPEST:
                waiting.append(Stretch(first, end, share, around.depth + 1))
        waiting.append(replace(around, end=max(around.first, first - APART)))
        waiting.append(replace(around, first=min(around.end, end + APART)))
    return _joined(crossing, found)


def share_in(crossing: Crossing, first: int, end: int, *, by_band: bool = False) -> Array:
    """Return the share over a span of blocks, in each band or (shape (1,)) in all together."""
    sums = [
        table[first:end].sum(axis=0)
        for table in (
            crossing.products.real,
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


def _scores(products: Products, weights: Array) -> tuple[Products, Array]:
    """Return score and weight of each block."""
    heavy = np.minimum(weights, HEAVIEST)
    deviations = products / np.sqrt(weights / 2 + 1e-30)
    deviations *= np.sqrt(heavy) * np.minimum(1, CLIP / np.maximum(np.abs(deviations), CLIP))
    return deviations.sum(axis=1), heavy.sum(axis=1)


def _agreement(crossing: Crossing, elsewhere: Elsewhere, first: int, end: int, around: float) -> float:
    """Return by how much it is more likely that the bands agree on a share than that they do by chance.

    By chance a band's product may turn any way, for a whole note alike; then the real parts add up to
    no more than the imaginary ones. That is Student's test, with one degree of freedom less than
    there are bands that matter, and its likelihood ratio [nats]. Tones that both hold without a
    tremble may even agree on the way; but they are as large if the first mix is moved.
    """
    longer = max(0, end - first - LONGEST) // 2
    first, end = first + longer, end - longer
    weights = crossing.weights[first:end].sum(axis=0)
    bands = (crossing.products[first:end].sum(axis=0) - around * weights) / (weights + 1e-30) ** 0.25
    powers = np.square(np.abs(bands))
    degrees = powers.sum() ** 2 / max(float(np.square(powers).sum()), 1e-300) - 1
    chance = max(float(np.square(bands.imag).sum()), 1e-12 * float(powers.sum()))
    if degrees <= 0 or degrees / 2 * np.log1p(bands.real.sum() ** 2 / chance / degrees) < _sure(end - first):
        return 0.0
    moved = elsewhere(first, end, MOVED if first >= MOVED else -MOVED)
    turned = moved.products.sum(axis=0) / (moved.weights.sum(axis=0) + 1e-30) ** 0.25
    chance = max(chance, STEADY * float(np.square(np.abs(turned)).sum()))
    return float(degrees / 2 * np.log1p(bands.real.sum() ** 2 / chance / degrees))


def _sure(blocks: int) -> float:
    """Return the agreement that is needed over a span [nats]."""
    return SURE + max(0.0, float(np.log(SECOND / blocks)))


def _fitted(crossing: Crossing, first: int, end: int, around: Stretch) -> tuple[int, int, float]:
    """Fit share and edges of a span to each other; the edges are where its share becomes likelier."""
    share = 0.0
    for _ in range(FITS):
        reach = 2 * (end - first)
        low, high = max(around.first, first - reach), min(around.end, end + reach)
        products, weights = crossing.products[low:high].real, crossing.weights[low:high]
        share = float(share_in(crossing, first, end).item())
        gain = _unlikely(products, weights, around.share) - _unlikely(products, weights, share)
        sums = np.concatenate([np.zeros(1), np.cumsum(gain - BLOCK_COST)])
        gains = sums[1:] - np.minimum.accumulate(sums)[:-1]
        last = int(np.argmax(gains)) + 1
        start = last - 1 - int(np.argmin(sums[:last][::-1]))
        if (low + start, low + last) == (first, end):
            break
        first, end = low + start, low + last
    return first, end, share


def _unlikely(products: Array, weights: Array, share: float) -> Array:
    """Return how unlikely each block is to hold a share [nats], by a bell curve with heavy tails."""
    errors = (products - share * weights) / np.sqrt(weights / 2 + 1e-30)
    unlikely: Array = (TAIL + 1) / 2 * np.log1p(np.square(errors) / TAIL).sum(axis=1)
    return unlikely


def _lengths(blocks: int) -> list[int]:
    """Return the lengths that are tried: doubling from the shortest to the whole."""
    lengths = [SHORTEST]
    while lengths[-1] * 1.5 < blocks:
        lengths.append(int(lengths[-1] * 1.5))
    return [*lengths, blocks] if lengths[-1] < blocks else lengths


def _sums(values: Products, length: int) -> Products:
    """Return the sum over every ``length`` neighbours."""
    total = np.concatenate([np.zeros(1), np.cumsum(values)])
    sums: Products = total[length:] - total[:-length]
    return sums


def _ratio(scores: Products, masses: Array) -> Products:
    """Return scores over the root of their weights; 0 where there is no weight."""
    ratio: Products = scores / np.sqrt(np.maximum(masses, 1e-12))
    return ratio


def _chance(crossing: Crossing, lengths: list[int]) -> list[float]:
    """Return the size of the ratio over each length in the imaginary part, which no share adds to."""
    scores, masses = _scores(crossing.products, crossing.weights)
    sizes = []
    for length in lengths:
        ratios = _ratio(_sums(scores, length), _sums(masses, length))
        sizes.append(max(1.0, float(np.sqrt(np.mean(np.square(ratios.imag))))))
    return sizes


def _standing_out(
    products: Products, weights: Array, lengths: list[int], chance: list[float]
) -> tuple[int, int] | None:
    """Return the span that stands out most, with its edges where it does so most; None if none does."""
    scores, masses = _scores(products, weights)
    best = (STANDS_OUT, 0, 0)
    for length, size in zip(lengths, chance, strict=True):
        if length > len(scores):
            break
        standing = np.abs(_ratio(_sums(scores, length), _sums(masses, length)).real) / size
        at = int(np.argmax(standing))
        if standing[at] > best[0]:
            best = (float(standing[at]), at, at + length)
    _, first, end = best
    return (first, end) if end else None


def _joined(crossing: Crossing, found: list[Stretch]) -> list[Stretch]:
    """Make one stretch of neighbours with next to the same share, if nothing between speaks against it."""
    joined: list[Stretch] = []
    for stretch in sorted(found, key=lambda each: (each.depth, each.first)):
        last = joined[-1] if joined else None
        if last and last.depth == stretch.depth and 1 / LOUDER < stretch.share / last.share < LOUDER:
            longer = max(last, stretch, key=lambda each: each.end - each.first)
            gap = slice(last.end, stretch.first)
            products, weights = crossing.products[gap].real, crossing.weights[gap]
            against = _unlikely(products, weights, longer.share) - _unlikely(products, weights, 0.0)
            if stretch.first - last.end <= SECOND / 2 and against.sum() < AGAINST:
                joined[-1] = replace(last, end=stretch.end, share=longer.share)
                continue
        joined.append(stretch)
    return joined
