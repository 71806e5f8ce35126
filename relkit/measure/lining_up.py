"""Two renderings brought together: their path, their gain, what is left, and how much of that is usual.

The cheapest way that will do: equal samples are found by comparing memory; two that are lined up as
they are need no search; for all others there is ``align``.

Conventions
    slab       ``SLAB_BLOCKS`` blocks of ``leftover`` at grain 1, about a second
    gain       signed factor from the old rendering to the new one

Not here: what the rest means (``changes``, ``comparison``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.align import align
from relkit.measure.edges import Pair
from relkit.measure.excerpts import Recording, excerpt
from relkit.measure.following import follow
from relkit.measure.leftover import (
    COARSE_GRAIN,
    SLAB_BLOCKS,
    Leftover,
    Stretch,
    block_frames,
    fitted,
    leftover,
)
from relkit.measure.noise import AUDIBLE, Noise, noise_of

Mask = npt.NDArray[np.bool_]

FEW_SLABS = 0.25  # of all, unequal: edits and nothing else
SOME_SLABS = 8
WINDOWS, WINDOW_FRAMES = 32, 4096
LINED_UP = 0.01  # [power ratio] what a gain leaves of a window that is lined up
LINED_UP_SHARE = 0.5  # of the windows with sound
DENSEST = 0.35  # part of the song within which the commonest gain is looked for
FIT_REACH = 5  # blocks on both sides: noise is told over 11 ms
NOISE_DB = -25.0  # re signal: what is louder is no noise


@dataclass(frozen=True)
class LinedUp:
    """Two renderings along their path.

    Attributes:
        pair: with path and gain.
        rest: what is left.
        noise: what of it is usual.
        covered: which blocks both have.
        offset_fraction: what to add for the offset below a sample.
    """

    pair: Pair
    rest: Leftover
    noise: Noise
    covered: Mask
    offset_fraction: float


def line_up(
    old: Recording, new: Recording, rate_hz: int, equal: Mask | None, *, lossy: bool
) -> LinedUp | None:
    """Bring two renderings together; None if they have no sound in common.

    Args:
        old, new: with the same number of channels.
        rate_hz: of both.
        equal: which slabs are known to be equal, if these are enough to do without lining up.
        lossy: whether one of them is known to come out of a lossy codec.
    """
    offset, gain, fraction = 0, 1.0, 0.0
    at_once = _as_they_are(old, new) if equal is None else None
    if at_once is not None:
        gain = at_once
    elif equal is None:
        alignment = align(old, new, rate_hz)
        if not alignment.alignable:
            return None
        offset, fraction = alignment.offset_frames, alignment.offset_fraction
        gain = alignment.polarity * 10 ** (alignment.gain_db / 20)
    unequal = None if equal is None else ~equal
    grain = COARSE_GRAIN if lossy else _grain(old, new, offset, gain, rate_hz, unequal)
    wanted = unequal if grain == 1 else None  # the slabs are those of grain 1
    followed = follow(old, new, rate_hz, offset, gain, grain, exact=equal is not None, wanted=wanted)
    rest = followed.rest
    covered = _covered(rest, followed.stretches)
    if equal is None:
        rest, gain = _at_commonest_gain(rest, covered, gain)
    noise = _noise(rest, covered, equal, lossy=lossy)
    return LinedUp(Pair(old, new, followed.stretches, gain, rate_hz, grain), rest, noise, covered, fraction)


def slab_frames(rate_hz: int) -> int:
    """Return the length of a slab."""
    return SLAB_BLOCKS * block_frames(rate_hz, 1)


def equal_slabs(old: Recording, new: Recording, rate_hz: int) -> tuple[Mask, Mask]:
    """Return which slabs are equal, and which of the old one are not silent.

    A few are looked at first: where not even one of them is equal, the others are taken to differ.
    """
    length = slab_frames(rate_hz)
    count = -(-old.frames // length)
    equal, audible = np.zeros(count, bool), np.zeros(count, bool)
    some = range(0, count, SOME_SLABS)
    for slab in [*some, *(each for each in range(count) if each % SOME_SLABS)]:
        if slab == 1 and audible[some].any() and not (equal & audible)[some].any():
            break
        first, end = slab * length, min((slab + 1) * length, old.frames)
        samples = old.read(first, end)
        audible[slab] = bool(samples.any())
        equal[slab] = end <= new.frames and np.array_equal(samples, new.read(first, end))
    return equal, audible


def _as_they_are(old: Recording, new: Recording) -> float | None:
    """Return the signed gain between two that are lined up already, as most bounces are; else None."""
    frames = min(old.frames, new.frames)
    length = min(WINDOW_FRAMES, frames)
    gains, audible = [], 0
    for part in range(WINDOWS):
        first = (frames - length) * part // (WINDOWS - 1)
        one, other = (excerpt(each, first, length).astype(np.float64) for each in (old, new))
        power, product = float(np.vdot(one, one)), float(np.vdot(one, other))
        if power <= AUDIBLE * one.size:
            continue
        audible += 1
        gain = product / power
        rest = other - gain * one
        if gain and float(np.vdot(rest, rest)) < LINED_UP * gain * product:
            gains.append(gain)
    return float(np.median(gains)) if len(gains) > LINED_UP_SHARE * audible else None


def _grain(
    old: Recording, new: Recording, offset: int, gain: float, rate_hz: int, wanted: Mask | None
) -> int:
    """Return how many frames to average: 1, unless the noise is that of a codec."""
    frames = block_frames(rate_hz, 1)
    some = np.zeros(-(-old.frames // (SLAB_BLOCKS * frames)), bool)
    some[:: max(1, len(some) // 24)] = True
    some = some if wanted is None else wanted
    if wanted is not None and wanted.mean() < FEW_SLABS:
        return 1
    first = min(max(0, -offset), old.frames)
    common = Stretch(first, max(first, min(old.frames, new.frames - offset)), offset)
    rest = leftover(old, new, (common,), gain, frames, 1, some)
    return COARSE_GRAIN if noise_of(fitted(rest, FIT_REACH), rest.left > 0).lossy else 1


def _covered(rest: Leftover, stretches: tuple[Stretch, ...]) -> Mask:
    """Return which blocks both renderings have."""
    mask = np.zeros(len(rest.old), bool)
    for stretch in stretches:
        mask[-(-stretch.first // rest.frames) : stretch.end // rest.frames] = True
    return mask


def _at_commonest_gain(rest: Leftover, covered: Mask, gain: float) -> tuple[Leftover, float]:
    """Return what is left at the gain that most of the song agrees on, and this gain."""
    fit = fitted(rest, FIT_REACH)
    used = covered & (fit.old > AUDIBLE)
    if not used.any():
        return rest, gain
    gains = np.sort(fit.gain[used])
    width = max(1, int(DENSEST * len(gains)))
    spans = gains[width - 1 :] - gains[: len(gains) - width + 1]
    first = int(np.argmin(spans))
    more = float(np.median(gains[first : first + width])) - 1
    if abs(more) < 1e-7:
        return rest, gain
    cross = (rest.cross - more * rest.old) * (1 + more)
    left = np.maximum(rest.left - 2 * more * rest.cross + more**2 * rest.old, 0)
    changed = Leftover(rest.frames, rest.values, rest.old * (1 + more) ** 2, rest.new, left, cross)
    return changed, gain * (1 + more)


def _noise(rest: Leftover, covered: Mask, equal: Mask | None, *, lossy: bool) -> Noise:
    """Return what is usual; where much is equal, what is usual in the rest, if it can be noise at all."""
    if lossy:
        usual = noise_of(fitted(rest, FIT_REACH), covered & (rest.left > 0))
        return Noise(usual.power, usual.relative_db, steady=False, lossy=True)
    if equal is None:
        return noise_of(fitted(rest, FIT_REACH), covered)
    nothing = Noise(0.0, -math.inf, True, False)
    if (~equal).mean() < FEW_SLABS:
        return nothing
    noise = noise_of(fitted(rest, FIT_REACH), covered & (rest.left > 0))
    return noise if noise.lossy and noise.relative_db < NOISE_DB else nothing
