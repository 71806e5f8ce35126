"""What is left of a new rendering after the old one, lined up and at its level, was taken away?

Four energies for each block of about 1 ms. They are enough to tell, for any longer stretch, how loud
the difference is, how much of it is explained by a gain that changes slowly, and how much is not:
a compressor behind an edit changes the level of what follows, the edit itself changes the sound.

Conventions
    blocks     counted from the old rendering's first frame; ``frames`` frames each
    energies   sums over frames and channels of a block; the old rendering at the new one's level
    offset     frame of the new rendering at which frame 0 of the old one sounds
    grain      neighbouring frames that are averaged before anything else: 1, or more to listen below
               some kHz only, where a lossy codec keeps the waveform

Not here: finding the offset (``following``), and what counts as a change (``regions``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.excerpts import Recording, excerpt
from relkit.measure.slabs import Samples

Vector = npt.NDArray[np.float64]

BLOCK_S = 0.001
COARSE_GRAIN = 6  # at 44.1 kHz: -3 dB at 3.3 kHz
SLAB_BLOCKS = 1024
SILENT = 1e-12  # [power] -120 dBFS: below it there is nothing to compare


@dataclass(frozen=True)
class Stretch:
    """Part of the old rendering that is followed at one offset.

    Attributes:
        first, end: frames of the old rendering.
        offset: what to add for the frames of the new one.
    """

    first: int
    end: int
    offset: int


@dataclass(frozen=True)
class Leftover:
    """Energies of each block.

    Attributes:
        frames: length of a block.
        values: how many values a block has: averaged frames times channels.
        old, new: of the two renderings.
        left: of new minus old.
        cross: product of (new minus old) and old.
    """

    frames: int
    values: int
    old: Vector
    new: Vector
    left: Vector
    cross: Vector

    @property
    def old_power(self) -> Vector:
        """Mean square of the old rendering in each block."""
        return self.old / self.values

    @property
    def left_power(self) -> Vector:
        """Mean square of the difference in each block."""
        return self.left / self.values


@dataclass(frozen=True)
class Fit:
    """A gain that changes linearly over a short window, fitted around each block.

    Attributes:
        gain: factor from old to new in the middle of the window; 1 where the old rendering is silent.
        unexplained: [power] mean square of what the gain does not explain.
        left: [power] mean square of the difference over the same window.
        old: [power] of the old rendering over the same window.
    """

    gain: Vector
    unexplained: Vector
    left: Vector
    old: Vector


def block_frames(rate_hz: int, grain: int) -> int:
    """Return the length of a block, a multiple of the grain."""
    return grain * max(1, round(BLOCK_S * rate_hz / grain))


def leftover(
    old: Recording,
    new: Recording,
    stretches: tuple[Stretch, ...],
    gain: float,
    frames: int,
    grain: int = 1,
    wanted: npt.NDArray[np.bool_] | None = None,
) -> Leftover:
    """Read both along some stretches and return the energies of all blocks; zeros outside of them.

    Args:
        old, new: with the same number of channels.
        stretches: in order; a block may be shared by two.
        gain: signed factor from old to new.
        frames: block length, from ``block_frames``.
        grain: as above.
        wanted: for each slab of ``SLAB_BLOCKS`` blocks, whether to read it; None for all.
    """
    blocks = -(-old.frames // frames)
    sums = np.zeros((4, blocks))
    slab_frames = SLAB_BLOCKS * frames
    for stretch in stretches:
        for slab in range(stretch.first // slab_frames, -(-stretch.end // slab_frames)):
            if wanted is not None and not wanted[slab]:
                continue
            start = slab * slab_frames
            low, high = max(start, stretch.first), min(start + slab_frames, stretch.end)
            first_block = low // frames
            begin, end = first_block * frames, -(-high // frames) * frames
            pair = [
                _padded(excerpt(each, low + shift, high - low), low - begin, end - begin)
                for each, shift in ((old, 0), (new, stretch.offset))
            ]
            sums[:, first_block : end // frames] += _energies(pair[0], pair[1], gain, frames, grain)
    return Leftover(frames, frames // grain * old.channels, *sums)


def _padded(samples: Samples, before: int, frames: int) -> Samples:
    """Return samples at their place among zeros."""
    if len(samples) == frames:
        return samples
    whole = np.zeros((frames, samples.shape[1]), np.float32)
    whole[before : before + len(samples)] = samples
    return whole


def coarsened(samples: Samples, grain: int) -> Samples:
    """Average every ``grain`` frames; their number must divide."""
    if grain == 1:
        return samples
    groups = samples.reshape(-1, grain, samples.shape[1])
    total = groups[:, 0] + groups[:, 1]
    for each in range(2, grain):
        total += groups[:, each]
    total *= np.float32(1 / grain)
    return total


def _energies(old: Samples, new: Samples, gain: float, frames: int, grain: int) -> Vector:
    """Return the four sums of each block, shape (4, blocks)."""
    channels = old.shape[1]
    width = frames // grain * channels
    fitted = (coarsened(old, grain) * np.float32(gain)).reshape(-1, width)
    fresh = coarsened(new, grain).reshape(-1, width)
    rest = fresh - fitted
    pairs = ((fitted, fitted), (fresh, fresh), (rest, rest), (rest, fitted))
    return np.array([np.einsum("ij,ij->i", one, two) for one, two in pairs], np.float64)


def windowed(values: Vector, reach: int) -> Vector:
    """Return sums over each block and ``reach`` neighbours on both sides; no running sum, which rounds."""
    return moment(values, np.ones(2 * reach + 1))


def fitted(rest: Leftover, reach: int) -> Fit:
    """Fit a gain to each block and ``reach`` neighbours on both sides."""
    at = np.arange(-reach, reach + 1, dtype=np.float64)
    ones = np.ones_like(at)
    flat, slope, curve = (moment(rest.old, kernel) for kernel in (ones, at, at**2))
    lift, tilt = (moment(rest.cross, kernel) for kernel in (ones, at))
    left = moment(rest.left, ones)
    audible = flat > SILENT * rest.values * len(at)
    determinant = flat * curve - slope**2
    steady = audible & (determinant > 1e-6 * flat * np.maximum(curve, flat))
    safe = np.where(steady, determinant, 1.0)
    level = np.where(steady, (lift * curve - tilt * slope) / safe, 0.0)
    change = np.where(steady, (tilt * flat - lift * slope) / safe, 0.0)
    explained = level * lift + change * tilt
    unexplained = np.clip(left - explained, 1e-6 * left, left)
    count = rest.values * len(at)
    return Fit(1 + level, unexplained / count, left / count, flat / count)


def moment(values: Vector, kernel: Vector) -> Vector:
    """Return the sum of each block's neighbours, weighted by the kernel, whose middle is the block."""
    reach = len(kernel) // 2
    whole: Vector = np.convolve(np.pad(values, reach), kernel[::-1], "valid")
    return whole
