"""Two mixes, cell by cell of time and frequency: what their spectra have in common.

Conventions
    block      Hann window of about 93 ms, every 23 ms; block i is centred on i hops
    cell       a bin of a block
    band       a group of bins; ``BANDS`` of them, evenly spaced on a scale that is linear well
               below 1 kHz and logarithmic above
    product    real part of the cross-spectrum, each cell divided by the second mix's power there:
               what is masked least counts most
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
BANDS = 48
BLOCKS = 128  # worked on at a time
SHIFTS = (-29, 19)  # blocks, 0.4 to 0.7 s: far enough for a voice to have moved on
LOUDEST = 1e4  # [power ratio] of first to second mix in a cell; above, the second is as good as silent
OWN = 1 / 3  # a cell's power is averaged with its neighbours' in time, so its own counts a third
PULL = 0.45  # the same with what neighbours repeat of it, since they overlap by three quarters
SILENT = 1e-12  # [power of a bin re full scale] dither and less


@dataclass(frozen=True)
class Crossing:
    """What two mixes have in common.

    Attributes:
        hop_s: time from block to block [s].
        seconds: common length [s].
        products, weights, pull, back: see the header; shape (blocks, bands).
        chance: pairs of products and weights with the first mix shifted in time.
        of_power: of the first mix; shape (blocks, bands).
        in_power: of the second mix, all bands; shape (blocks,).
    """

    hop_s: float
    seconds: float
    products: Array
    weights: Array
    pull: Array
    back: Array
    chance: tuple[tuple[Array, Array], ...]
    of_power: Array
    in_power: Array


@dataclass(frozen=True)
class _Grid:
    """Which bins make bands."""

    block_frames: int
    first_bin: int
    end_bin: int
    band_starts: npt.NDArray[np.int64]  # from ``first_bin``

    @property
    def hop_frames(self) -> int:
        return self.block_frames // OVERLAP

    def by_band(self, values: npt.NDArray[np.floating[Any]]) -> Array:
        """Sum over the bins of each band."""
        return np.add.reduceat(values, self.band_starts, axis=1).astype(np.float64)


def cross(of: Recording, in_: Recording, rate_hz: int) -> Crossing:
    """Compare two recordings block by block; each is read once.

    Args:
        of, in_: lined up; only the common length is read.
        rate_hz: of both.
    """
    grid = _grid(rate_hz)
    frames = min(of.frames, in_.frames)
    sides = of.channels > 1 and in_.channels > 1
    kinds = 2 + 2 * len(SHIFTS)
    tables: list[list[Array]] = [[] for _ in range(kinds + 4)]
    for first in range(0, -(-frames // grid.hop_frames) if frames else 0, BLOCKS):
        count = min(BLOCKS, -(-frames // grid.hop_frames) - first)
        parts: list[Array] | None = None
        pair = zip(*(_planes(each, sides, first, count, grid) for each in (of, in_)), strict=True)
        for of_plane, in_plane in pair:
            added = _compare(of_plane, in_plane, grid)
            parts = added if parts is None else [a + b for a, b in zip(parts, added, strict=True)]
        for table, part in zip(tables, parts or [], strict=True):
            table.append(part)
    empty = np.zeros((0, len(grid.band_starts)))
    joined = [np.concatenate(table) if table else empty for table in tables]
    return Crossing(
        hop_s=grid.hop_frames / rate_hz,
        seconds=frames / rate_hz,
        products=joined[0],
        weights=joined[1],
        pull=joined[-4],
        back=joined[-3],
        chance=tuple((joined[at], joined[at + 1]) for at in range(2, kinds, 2)),
        of_power=joined[-2],
        in_power=joined[-1].sum(axis=1),
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
    samples = excerpt(source, first * hop - block // 2, (count - 1) * hop + block)
    taper = (np.hanning(block + 1)[:-1] * (2.0 / block)).astype(np.float32)
    planes: list[npt.NDArray[Any]] = [samples.mean(axis=1)]
    if sides:
        planes.append((samples[:, 0] - samples[:, 1]) / 2)
    for plane in planes:
        blocks = np.lib.stride_tricks.sliding_window_view(plane, block)[::hop]
        yield fft.rfft(blocks * taper, axis=1)[:, grid.first_bin : grid.end_bin]


def _compare(of: Spectra, in_: Spectra, grid: _Grid) -> list[Array]:
    """Return by band: product and weight, the same for each shift, and the powers of both."""
    of_power, in_power = _power(of), _power(in_)
    masking = in_power.copy()
    masking[1:] += in_power[:-1]
    masking[:-1] += in_power[1:]
    masking *= OWN
    np.maximum(masking, of_power / np.float32(LOUDEST), out=masking)
    masking += np.float32(SILENT)
    eased = in_ / masking
    results: list[Array] = []
    for shift in (0, *SHIFTS):
        shifted, power = np.roll(of, shift, axis=0), np.roll(of_power, shift, axis=0)
        results.append(grid.by_band(shifted.real * eased.real + shifted.imag * eased.imag))
        results.append(grid.by_band(power / masking))
    leaning = np.float32(PULL) * of_power / masking
    results.append(grid.by_band(leaning * (in_power / masking)))
    results.append(grid.by_band(leaning * (of_power / masking)))
    return [*results, grid.by_band(of_power), grid.by_band(in_power)]


def _power(spectra: Spectra) -> Powers:
    """Return squared magnitudes."""
    power: Powers = spectra.real**2 + spectra.imag**2
    return power
