"""Is what differs everywhere an equaliser, or noise? A filter does the same to every window, noise does not.

Conventions
    share      energy of the difference below 5.6 kHz that one filter for the whole song explains, 0 to 1;
               by chance about one in the number of windows times channels
    bands      octaves from 125 Hz to 8 kHz, in which every codec and every converter keeps the level

Source
    J. S. Bendat and A. G. Piersol, "Random Data", chapter 6: the transfer function that explains most,
    from averaged spectra

Not here: where two renderings differ (``changes``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from relkit.measure.edges import Pair
from relkit.measure.excerpts import excerpt

WINDOW_FRAMES = 8192
WINDOWS = 36
KEPT = 0.67  # of the windows: the most alike, without edits
BANDS_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
SHARED_HZ = (88, 5_600)  # above it a codec takes away, which is a kind of filter
SHARE = 0.5
COLOURED_DB = 0.2


@dataclass(frozen=True)
class Filtered:
    """What one filter explains.

    Attributes:
        share: see the module's header.
        largest_db: largest change of level in any of the bands, either way.
    """

    share: float
    largest_db: float

    @property
    def is_filter(self) -> bool:
        """Whether a filter explains most of the difference."""
        return self.share > SHARE

    @property
    def is_coloured(self) -> bool:
        """Whether it changes the balance of the bands."""
        return self.is_filter and self.largest_db > COLOURED_DB


def filtered(pair: Pair) -> Filtered:
    """Look for one filter between two renderings that are lined up and at one level."""
    taper = np.hanning(WINDOW_FRAMES)[:, None]
    spectra = []
    length = sum(stretch.end - stretch.first for stretch in pair.stretches)
    for at in np.linspace(0, length, WINDOWS + 2)[1:-1]:
        first, offset = _place(pair, round(float(at)))
        old = np.fft.rfft(excerpt(pair.old, first, WINDOW_FRAMES) * pair.gain * taper, axis=0)
        new = np.fft.rfft(excerpt(pair.new, first + offset, WINDOW_FRAMES) * taper, axis=0)
        whole = float(np.vdot(old, old).real)
        if whole > 0:
            spectra.append((float(np.vdot(new - old, new - old).real) / whole, old, new))
    spectra.sort(key=lambda each: each[0])
    kept = spectra[: math.ceil(KEPT * len(spectra))]
    if not kept:
        return Filtered(0.0, 0.0)
    olds = np.concatenate([old for _, old, _ in kept], axis=1)
    news = np.concatenate([new for _, _, new in kept], axis=1)
    power = np.sum(np.square(np.abs(olds)), axis=1)
    transfer = np.sum(news * np.conj(olds), axis=1) / np.maximum(power, 1e-20)
    inside = slice(*(round(hz * WINDOW_FRAMES / pair.rate_hz) for hz in SHARED_HZ))
    left = float(np.sum(np.square(np.abs(news - olds)[inside])))
    share = float(np.sum(np.square(np.abs(transfer - 1)[inside]) * power[inside])) / left if left else 0.0
    levels = [
        10 * math.log10(np.sum(np.abs(transfer[band]) ** 2 * power[band]) / np.sum(power[band]))
        for band in _bands(pair.rate_hz)
        if np.sum(power[band]) > 0
    ]
    return Filtered(share, max((abs(each) for each in levels), default=0.0))


def _place(pair: Pair, at: int) -> tuple[int, int]:
    """Return a frame of the old rendering, ``at`` frames along the path, and the offset there."""
    for stretch in pair.stretches:
        if at < stretch.end - stretch.first:
            return min(stretch.first + at, max(stretch.first, stretch.end - WINDOW_FRAMES)), stretch.offset
        at -= stretch.end - stretch.first
    last = pair.stretches[-1]
    return max(last.first, last.end - WINDOW_FRAMES), last.offset


def _bands(rate_hz: int) -> list[slice]:
    """Return the bins of each band."""
    per_hz = WINDOW_FRAMES / rate_hz
    root = math.sqrt(2)
    return [slice(round(mid / root * per_hz), round(mid * root * per_hz) + 1) for mid in BANDS_HZ]
