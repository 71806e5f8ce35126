"""Does a signal end at a frequency as if cut off with a knife? Lossy coders leave such an edge.

A coder of few bits drops everything above some frequency, and the decoded file keeps that edge in
whatever format it is sold. Instruments, rooms and equalisers fall off over octaves; a coder's
low-pass falls by tens of dB within a few hundred hertz.

How it is told: the power spectrum, averaged over pieces of about 0.1 s, is put into bands of 100 Hz. At
every border between bands the mean level [dB] of the bands 0.2 to 0.8 kHz below it is compared with that
of those 0.2 to 0.8 kHz above. The border with the greatest drop is an edge if

    drop       is at least 30 dB. A filter of 24 dB/octave at 16 kHz makes 1.5 dB of it; resampled instruments
               of a software sampler were seen to make 20 to 28 dB near 20.6 kHz
    plateau    the mean level from 0.8 to 2 kHz below the border is not higher than that of the bands
               below the border by more than half the drop
    nothing    above the border no band of 100 Hz comes within 10 dB of what is below the border
    place      from 10 kHz to 20.8 kHz, and 1 kHz or more below half the rate. Coders for 320 kbit/s cut at
               20 to 20.6 kHz; edges of sample rate conversion to and from 44.1 kHz lie at 21 to 22 kHz
               (and hide an edge below them that is less steep).

A file whose treble is less than 30 dB above its noise floor has no edge to see.

Sources
    the cut-offs of coders: default settings of the common free MP3 encoder, see the tests, which encode and
    decode; the limits above are ours

Not here: what to think of it (``relkit.qc``).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relkit.measure.slabs import Samples

BAND_HZ = 100
LOWEST_HZ, HIGHEST_HZ = 10_000, 20_800
BELOW_NYQUIST_HZ = 1_000
NEAR_BANDS, FAR_BANDS, PLATEAU_BANDS = 2, 8, 20  # distances from a border
LEAST_DROP_DB = 30.0
RETURN_DB = 10.0
FLOOR = 1e-20  # power; 200 dB below full scale


class Edge(NamedTuple):
    """Where the spectrum ends, and by how much it falls there [dB]."""

    hz: int
    drop_db: float


class BandEdge:
    """Averages a spectrum and looks for an edge in it.

    Args:
        rate_hz: 8000 to 384000; below 25 kHz there is never an edge.

    Attributes:
        frames: length of a piece.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self.frames = 1 << (rate_hz // 12).bit_length()  # bins of 6 to 12 Hz
        self._window = np.hanning(self.frames + 1)[:-1].astype(np.float32)
        self._power = np.zeros(self.frames // 2 + 1)
        self._pieces = 0

    def feed(self, piece: Samples) -> None:
        """Take a piece, shape (channels, ``frames``)."""
        spectrum = np.fft.rfft(piece * self._window)
        self._power += (np.abs(spectrum) ** 2).sum(axis=0)
        self._pieces += 1

    def edge(self) -> Edge | None:
        """Return the edge, or None."""
        levels = self._levels()
        if levels is None:
            return None
        borders = np.arange(LOWEST_HZ // BAND_HZ, len(levels) - NEAR_BANDS)
        below, above = (
            _means(levels, borders, -FAR_BANDS, -NEAR_BANDS),
            _means(levels, borders, NEAR_BANDS, FAR_BANDS),
        )
        drops = below - above
        best = int(drops.argmax())
        border, drop = int(borders[best]), float(drops[best])
        highest_hz = min(HIGHEST_HZ, self._rate_hz // 2 - BELOW_NYQUIST_HZ)
        if drop < LEAST_DROP_DB or border * BAND_HZ > highest_hz:
            return None
        if _means(levels, borders, -PLATEAU_BANDS, -FAR_BANDS)[best] - below[best] > drop / 2:
            return None
        if levels[border + NEAR_BANDS :].max() > below[best] - RETURN_DB:
            return None
        return Edge(border * BAND_HZ, drop)

    def _levels(self) -> npt.NDArray[np.float64] | None:
        """Return the level of every whole band of 100 Hz below half the rate [dB]."""
        if not self._pieces or self._rate_hz // 2 < LOWEST_HZ + BELOW_NYQUIST_HZ:
            return None
        bands = self._rate_hz // 2 // BAND_HZ
        firsts = np.ceil(np.arange(bands + 1) * BAND_HZ * self.frames / self._rate_hz).astype(np.int64)
        sums = np.add.reduceat(self._power, firsts[:-1])  # the last one runs to half the rate
        power = sums / np.diff(firsts) / self._pieces / (self.frames / 2) ** 2
        levels: npt.NDArray[np.float64] = 10 * np.log10(power + FLOOR)
        return levels


def _means(
    levels: npt.NDArray[np.float64], borders: npt.NDArray[np.int64], first: int, last: int
) -> npt.NDArray[np.float64]:
    """Return, for each border, the mean level of the bands from ``border + first`` to ``border + last``."""
    sums = np.concatenate([[0.0], np.cumsum(levels)])
    ends = np.minimum(borders + last, len(levels))
    means: npt.NDArray[np.float64] = (sums[ends] - sums[borders + first]) / (ends - borders - first)
    return means
