"""Where else in a new rendering does a piece of the old one sound?

Conventions
    offset     frame of the new rendering at which frame 0 of the old one sounds
    low rate   as in ``coarse``

Sources
    [GCC]      C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of
               time delay", IEEE Trans. ASSP 24(4), 1976: the phase transform

Not here: which pieces are looked for, and whether an offset found is of any use (``following``).
"""

from __future__ import annotations

import numpy as np

from relkit.measure.coarse import common_factor, low_rate
from relkit.measure.excerpts import Recording, excerpt

PROBE_S = 2.5
PROBES = 6
PEAKS = 6
WINDOW_FRAMES = 1 << 14
ALIKE_ENOUGH = 0.5  # of the energy in a window


class Elsewhere:
    """Looks for pieces of the old rendering anywhere in the new one."""

    def __init__(self, old: Recording, new: Recording, rate_hz: int) -> None:
        self._pair, self._rate_hz = (old, new), rate_hz
        self._factor = common_factor(rate_hz, old, new)
        self._old, self._new = (low_rate(each, self._factor).mono for each in (old, new))
        self._probe = max(1, round(PROBE_S * rate_hz / self._factor))
        self._size = 1 << (len(self._new) + self._probe - 1).bit_length()
        self._spectrum = np.fft.rfft(self._new, self._size)

    def offsets(self, lost: list[tuple[int, int]], known: list[int]) -> list[int]:
        """Return new offsets at which pieces of the lost stretches sound alike."""
        found: list[int] = []
        for first, end in self._probes(lost):
            middle = (first + end) // 2
            alike, offset = max(self._refined(middle, guess) for guess in self._guesses(first, end))
            if alike > ALIKE_ENOUGH and all(abs(offset - one) > 2 for one in (*found, *known)):
                found.append(offset)
        return found

    def _probes(self, lost: list[tuple[int, int]]) -> list[tuple[int, int]]:
        """Return where to listen: the end of each stretch; its beginning and middle if it is long."""
        length = self._probe * self._factor
        probes = []
        for first, end in lost:
            margin = min(length, end - first) // 5
            probes.append((max(first, end - length - margin), max(first + 1, end - margin)))
            if end - first > length + 2 * margin:
                probes.append((first + margin, first + length + margin))
            if end - first > 2 * length:
                probes.append(((first + end - length) // 2, (first + end + length) // 2))
        return probes[:PROBES]

    def _guesses(self, first: int, end: int) -> list[int]:
        """Return a few likely offsets of one probe, best first."""
        start = first // self._factor
        probe = self._old[start : end // self._factor]
        cross = self._spectrum * np.conj(np.fft.rfft(probe - probe.mean(), self._size))
        strength = np.abs(cross)
        cross /= (strength + 1e-6 * strength.max() + 1e-30) ** 0.8
        similar = np.abs(np.fft.irfft(cross, self._size))
        guesses: list[int] = []
        for _ in range(PEAKS):
            lag = int(np.argmax(similar))
            similar[max(0, lag - 3) : lag + 4] = 0
            guesses.append(((lag if lag < len(self._new) else lag - self._size) - start) * self._factor)
        return guesses

    def _refined(self, middle: int, guess: int) -> tuple[float, int]:
        """Return the exact offset near a guess, behind the share of the energy that is alike there."""
        old, new = self._pair
        reach = 2 * self._factor
        first = middle - WINDOW_FRAMES // 2
        taper = np.hanning(WINDOW_FRAMES)[:, None]
        one = excerpt(old, first, WINDOW_FRAMES) * taper
        other = excerpt(new, first + guess, WINDOW_FRAMES) * taper
        cross = np.sum(np.fft.rfft(other, axis=0) * np.conj(np.fft.rfft(one, axis=0)), axis=1)
        similar = np.abs(np.fft.irfft(cross / (np.abs(cross) + 1e-9 * np.abs(cross).max() + 1e-30)))
        lags = np.arange(-reach, reach + 1)
        offset = guess + int(lags[np.argmax(similar[lags])])
        there = excerpt(new, first + offset, WINDOW_FRAMES).astype(np.float64)
        here = excerpt(old, first, WINDOW_FRAMES).astype(np.float64)
        power = float(np.vdot(here, here) * np.vdot(there, there))
        alike = float(np.vdot(here, there)) ** 2 / power if power else 0.0
        return alike, offset
