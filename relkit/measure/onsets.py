"""Where does something begin? Onset strength of a signal, in four bands, one value per 9 ms.

The curve that tempo is read from. Windows go in one after the other; what
stays is four numbers per 9 ms (2 KB a second), whatever the rate.

Conventions
    samples    float32, C-contiguous, shape (frames, channels), full scale 1.0
    strength   rise of the fourth root of the power, summed over the bins of a band; 0 or more.
               The root is a loudness law, and unlike a logarithm it needs no floor: ten times the
               level gives the same curve, larger
    bands      low (kick, bass), middle (voices, chords), upper (snare), high (hats)
    time       value i belongs to ``first_s + i * step_s``; the offset makes a click fall on its own
               time to about a millisecond

Rates above 33 kHz are brought down by the mean of a few neighbouring frames. What folds down is
above the bands that matter, and it begins when the sound begins.

Sources
    Rectified spectral flux: J. P. Bello et al., "A Tutorial on Onset Detection in Music Signals",
    IEEE Transactions on Speech and Audio Processing 13 (2005), section III.

Not here: pulse, tempo and grid (``relkit.measure.tempo``, ``relkit.measure.grid``).
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from relkit.measure.slabs import ABSURD, Samples, Slabs, without_absurd

Curve = npt.NDArray[np.float64]

INNER_RATE_HZ = 22_050  # about; the inner rate is a whole fraction of the real one
WINDOW_S = 0.046  # about; the next power of two. Long enough to tell low notes apart
STEPS_PER_WINDOW = 5  # about
LAG = 2  # steps over which a rise is taken: near the steepest part of the window
RIPPLE = 0.02  # of the root, 0.35 dB: a steady tone is not quite steady from window to window,
FLOOR = 1e-7  # of the strongest bin's power: and least of all in the far lobes of the window
EDGES_HZ = (25, 130, 1300, 5000, 16_500)  # of the bands
BANDS = len(EDGES_HZ) - 1
COARSE = (1, 1, 4, 16)  # bins taken together, band by band
SLAB_STEPS = 256  # about 1.5 s
LEAST_WEIGHT = 0.75  # of the last channel; channels of opposite polarity must not cancel out
# A window hears a click before its middle reaches it: the root makes its faint edge count.
EARLY = 0.315  # of a window; follows from window, root and LAG, checked by the tests with clicks


@dataclass(frozen=True)
class Onsets:
    """Onset strength of a whole signal.

    Attributes:
        bands: shape (BANDS, values), low band first.
        step_s: time between values.
        first_s: time of value 0; below 0, since the first windows begin before the signal.
        length_s: of the signal.
    """

    bands: npt.NDArray[np.float32]
    step_s: float
    first_s: float
    length_s: float


class OnsetMeter:
    """Takes a signal in windows of any size; the result does not depend on where they are cut.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._fold = max(1, round(rate_hz / INNER_RATE_HZ))
        inner_hz = rate_hz / self._fold
        self._size = 2 ** round(np.log2(WINDOW_S * inner_hz))
        self._hop = self._size // STEPS_PER_WINDOW
        self._slabs = Slabs(rate_hz, channels, SLAB_STEPS * self._hop * self._fold)
        self._ended = False
        self._window = np.hanning(self._size + 1)[:-1].astype(np.float32)
        self._mix = np.linspace(1, LEAST_WEIGHT, channels, dtype=np.float32) / (channels * self._fold)
        self._recent = np.zeros(self._size - self._hop + SLAB_STEPS * self._hop, np.float32)
        bins = np.array(EDGES_HZ) / inner_hz * self._size
        self._bins = np.clip(np.ceil(bins), 1, self._size // 2).astype(int)
        self._roots = np.zeros((LAG, sum(self._columns())), np.float32)
        self._strengths = array("f")

    def feed(self, samples: Samples) -> None:
        """Take the next window.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), any number of frames.

        Raises:
            ValueError: another shape, dtype or memory order; or the result was asked for already.
        """
        if self._ended:
            raise ValueError("the signal is at its end; use a new meter")
        for slab in self._slabs.feed(samples):
            self._take(slab)

    def result(self) -> Onsets:
        """End the signal and return its curve; may be called again, but nothing more can be fed."""
        if not self._ended:
            self._ended = True
            for slab in self._slabs.rest():
                self._take(slab)
        step_s = self._hop * self._fold / self._rate_hz
        length_s = self._slabs.frames / self._rate_hz
        window_s = self._size * self._fold / self._rate_hz
        first_s = step_s * (1 - LAG / 2) + window_s * (EARLY - 0.5)
        values = min(len(self._strengths) // BANDS, max(0, int((length_s - first_s) / step_s) + 1))
        bands = np.frombuffer(self._strengths, np.float32).reshape(-1, BANDS)[:values].T
        return Onsets(np.ascontiguousarray(bands), step_s, first_s, length_s)

    def _take(self, slab: Samples) -> None:
        """Add the strengths of a slab's steps."""
        mono = self._mono(slab)
        if not np.abs(mono).max() <= ABSURD:  # also true of NaN
            mono = self._mono(without_absurd(slab)[0])
        overlap = self._size - self._hop
        self._recent[:overlap] = self._recent[-overlap:]
        self._recent[overlap:] = mono
        frames = np.lib.stride_tricks.sliding_window_view(self._recent, self._size)[:: self._hop]
        spectra = np.fft.rfft(np.multiply(frames, self._window))
        with np.errstate(under="ignore"):
            power = np.square(spectra.real).astype(np.float32)
            power += np.square(spectra.imag).astype(np.float32)
        power += FLOOR * power.max(axis=1, keepdims=True)
        roots = np.concatenate([self._roots, np.sqrt(np.sqrt(np.hstack(list(self._grouped(power)))))])
        self._roots = roots[-LAG:]
        rises = np.maximum((1 - RIPPLE) * roots[LAG:] - roots[:-LAG], 0)
        ends = np.cumsum([0, *self._columns()])
        strengths = np.column_stack([np.sum(rises[:, a:b], axis=1) for a, b in pairwise(ends)])
        self._strengths.frombytes(strengths.astype(np.float32).tobytes())

    def _mono(self, slab: Samples) -> npt.NDArray[np.float32]:
        """Return the mix of all channels at the inner rate."""
        with np.errstate(all="ignore"):  # what overflows is found by its size
            return _summed(
                slab[i :: self._fold, channel] * weight
                for channel, weight in enumerate(self._mix)
                for i in range(self._fold)
            )

    def _columns(self) -> list[int]:
        """Return the number of values that each band is looked at in."""
        widths = np.diff(self._bins)
        return [max(int(width) // coarse, 0) for width, coarse in zip(widths, COARSE, strict=True)]

    def _grouped(self, power: npt.NDArray[np.float32]) -> Iterator[npt.NDArray[np.float32]]:
        """Yield the power of every band in its columns."""
        for first, columns, coarse in zip(self._bins, self._columns(), COARSE, strict=False):
            part = power[:, first : first + columns * coarse]
            yield _summed(part[:, i::coarse] for i in range(coarse))


def _summed(parts: Iterable[npt.NDArray[np.float32]]) -> npt.NDArray[np.float32]:
    """Return the sum of arrays of one shape."""
    first, *rest = parts
    total = first
    for part in rest:
        total = total + part
    return total
