"""Two mixes, cell by cell of time and frequency: what their spectra have in common.

Conventions
    block      Hann window of about 93 ms, every 23 ms, wholly inside both: block i starts at i hops
    cell       a bin of a block
    band       a group of bins; ``BANDS`` of them, evenly spaced on a scale that is linear well
               below 1 kHz and logarithmic above
    product    complex cross-spectrum, each cell divided by the second mix's power there: what is
               masked least counts most. A share is in the real part alone; by chance, also where
               both hold one note, the two parts are alike, so the imaginary one is the control
    weight     power of the first mix, divided likewise; product / weight is a share, but a little
               small: a cell that the share happens to make louder is divided by more
    pull       by how much that makes the weight too large, if the share is small; ``back`` times the
               share's square is what of it to take back, if it is not

Not here: what follows from it (``stretches``, ``presence``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.measure.excerpts import Recording, excerpt

Array = npt.NDArray[np.float64]
Spectra = npt.NDArray[np.complex64]
Powers = npt.NDArray[np.float32]

BLOCK_S = 0.093  # [s], rounded to a power of two frames; half of it finds a third less in a mix
OVERLAP = 4  # hops to a block
LOW_HZ, HIGH_HZ = 80.0, 16_000.0  # mixes share hum below, and often nothing above
BANDS = 96
BLOCKS = 128  # worked on at a time
LOUDEST = 1e4  # [power ratio] of first to second mix in a cell; above, the second is as good as silent
AROUND = 2  # blocks to either side over which the second mix's power is averaged
PULL = 0.28  # how much of that average a cell is itself, or what overlaps it repeats
LEAKAGE = 1e-5  # [power ratio] of a tone's power that its window spreads over the bands nearby ...
NEARBY = 3  # ... these to either side,
FAR_LEAKAGE = 1e-8  # and into every bin: there is nothing to be heard in a tone's side lobes
SILENT = 1e-12  # [power of a bin re full scale] dither and less


@dataclass(frozen=True)
class Crossing:
    """What two mixes have in common.

    Attributes:
        hop_s, block_s: time from block to block, and the length of one [s].
        seconds: common length [s].
        products: see the header; complex, shape (blocks, bands).
        weights, pull, back: likewise; real.
        of_power: of the first mix; shape (blocks, bands).
        in_power: of the second mix, all bands; shape (blocks,).
    """

    hop_s: float
    block_s: float
    seconds: float
    products: npt.NDArray[np.complex128]
    weights: Array
    pull: Array
    back: Array
    of_power: Array
    in_power: Array


_TABLES = ("real", "imaginary", "weights", "pull", "back", "of_power", "in_power")


@dataclass(frozen=True)
class _Grid:
    """Which bins make bands."""

    block_frames: int
    first_bin: int
    end_bin: int
    band_starts: npt.NDArray[np.int64]  # from ``first_bin``

    @property
    def band_bins(self) -> npt.NDArray[np.int64]:
        """Number of bins in each band."""
        return np.diff(self.band_starts, append=self.end_bin - self.first_bin)

    @property
    def hop_frames(self) -> int:
        return self.block_frames // OVERLAP

    def by_band(self, values: npt.NDArray[np.floating[Any]]) -> Array:
        """Sum over the bins of each band."""
        return np.add.reduceat(values, self.band_starts, axis=1).astype(np.float64)


def cross(
    of: Recording, in_: Recording, rate_hz: int, *, first: int = 0, end: int | None = None, moved: int = 0
) -> Crossing:
    """Compare two recordings block by block; each is read once.

    Args:
        of, in_: lined up; only the common length is read.
        rate_hz: of both.
        first, end: the blocks that are wanted; all by default.
        moved: take the first mix this many blocks earlier (negative: later), as if it lay elsewhere.
    """
    grid = _grid(rate_hz)
    frames = min(of.frames, in_.frames)
    sides = of.channels > 1 and in_.channels > 1
    total = max(0, (frames - grid.block_frames) // grid.hop_frames + 1)
    end = total if end is None else min(end, total)
    tables = np.zeros((len(_TABLES), end - first, len(grid.band_starts)))
    for start in range(first, end, BLOCKS):
        count = min(BLOCKS, end - start)
        of_planes = _planes(of, sides, start - moved, count, grid)
        for of_plane, in_plane in zip(of_planes, _planes(in_, sides, start, count, grid), strict=True):
            tables[:, start - first : start - first + count] += _compare(of_plane, in_plane, grid)
    real, imaginary, weights, pull, back, of_power, in_power = tables
    return Crossing(
        hop_s=grid.hop_frames / rate_hz,
        block_s=grid.block_frames / rate_hz,
        seconds=frames / rate_hz,
        products=real + 1j * imaginary,
        weights=weights,
        pull=pull,
        back=back,
        of_power=of_power,
        in_power=in_power.sum(axis=1),
    )


def _grid(rate_hz: int) -> _Grid:
    """Lay out the bands for a rate."""
    block = int(2 ** round(np.log2(BLOCK_S * rate_hz)))
    first = max(1, round(LOW_HZ * block / rate_hz))
    end = int(min(HIGH_HZ, 0.45 * rate_hz) * block / rate_hz)
    scale = np.log1p(np.arange(first, end + 1) * rate_hz / block / 300.0)
    edges = np.searchsorted(scale, np.linspace(scale[0], scale[-1], BANDS + 1)[:-1])
    return _Grid(block, first, end, np.unique(edges))


def _planes(source: Recording, sides: bool, first: int, count: int, grid: _Grid) -> Iterator[Spectra]:
    """Yield the spectra of the mean of the channels and, if asked for, of half their difference."""
    from scipy import fft

    hop, block = grid.hop_frames, grid.block_frames
    samples = excerpt(source, first * hop, (count - 1) * hop + block)
    taper = (np.hanning(block + 1)[:-1] * (2.0 / block)).astype(np.float32)
    planes: list[npt.NDArray[Any]] = [samples.mean(axis=1)]
    if sides:
        planes.append((samples[:, 0] - samples[:, 1]) / 2)
    for plane in planes:
        blocks = np.lib.stride_tricks.sliding_window_view(plane, block)[::hop]
        yield fft.rfft(blocks * taper, axis=1)[:, grid.first_bin : grid.end_bin]


def _compare(of: Spectra, in_: Spectra, grid: _Grid) -> Array:
    """Return ``_TABLES`` for one plane; shape (tables, blocks, bands)."""
    of_power, in_power = _power(of), _power(in_)
    of_bands, in_bands = grid.by_band(of_power), grid.by_band(in_power)
    ease = 1 / _masking(of_power, in_power, in_bands, grid)
    cross = in_ * np.conj(of) * ease
    weights = of_power * ease
    leaning = np.float32(PULL) * weights
    return np.stack(
        [
            grid.by_band(cross.real),
            grid.by_band(cross.imag),
            grid.by_band(weights),
            grid.by_band(leaning * in_power * ease),
            grid.by_band(leaning * weights),
            of_bands,
            in_bands,
        ]
    )


def _masking(of_power: Powers, in_power: Powers, in_bands: Array, grid: _Grid) -> Powers:
    """Return what to divide each cell by: the second mix's power there, averaged over a few blocks."""
    masking = in_power.copy()
    for away in range(1, AROUND + 1):
        masking[away:] += in_power[:-away]
        masking[:-away] += in_power[away:]
    masking *= np.float32(1 / (2 * AROUND + 1))
    sums = np.cumsum(np.pad(in_bands, ((0, 0), (NEARBY + 1, NEARBY))), axis=1)
    bins = np.cumsum(np.pad(grid.band_bins, (NEARBY + 1, NEARBY)))
    reach = 2 * NEARBY + 1
    floor = LEAKAGE * (sums[:, reach:] - sums[:, :-reach]) / (bins[reach:] - bins[:-reach])
    floor += FAR_LEAKAGE * sums[:, -1:] + SILENT
    masking += np.repeat(floor.astype(np.float32), grid.band_bins, axis=1)
    np.maximum(masking, of_power * np.float32(1 / LOUDEST), out=masking)
    return masking


def _power(spectra: Spectra) -> Powers:
    """Return squared magnitudes."""
    power: Powers = spectra.real**2 + spectra.imag**2
    return power
