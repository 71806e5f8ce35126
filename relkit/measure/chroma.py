"""Which notes sound, and when? A chroma that knows its tuning, and the bass apart from the rest.

The signal is decimated to 5 to 10 kHz. Pieces of about 0.75 s, each half over the last, are taken apart
into spectral peaks. A peak counts by how high and how far above its surroundings it stands, which keeps
drums and noise out; it speaks for the note of its own frequency and, less, for those whose 2nd to 5th
harmonic it may be. Notes are kept in steps of 10 cents until the tuning of the whole song is known.

Conventions
    samples    float32, C-contiguous, shape (frames, channels), full scale 1.0; powers of channels
               are added, so that nothing cancels
    bass       27 to 160 Hz, fundamentals only. The chroma proper starts at 110 to 150 Hz: below it a
               kick drum is louder than any note
    chroma     pitch classes from C upward; shape (12,) or (pieces, 12)
    tuning     [cents] above A4 = 440 Hz, -50 to 50; equal temperament

Sources
    peaks that speak for the notes below them: Gómez, Tonal description of music audio signals, 2006,
    chapter 3 (harmonic pitch class profile); how they are weighted is ours

Not here: what key it makes (``relkit.measure.key``).
"""

from __future__ import annotations

import math
from array import array
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relkit.measure.slabs import ABSURD, Samples, Slabs, without_absurd

Chroma = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

DECIMATED_HZ = 5_000  # at least; 1.6 kHz and what folds onto it stay apart by a short filter
PIECE_S = 0.75  # tells semitones apart from 90 Hz upward
HOPS = 8  # in a slab
BLOCK = 16  # decimated samples that one row of a matrix product makes
REACH = 6  # half the filter's length, in decimated samples
KAISER_BETA = 7.0  # 70 dB
GEMM_LIMIT = 1 << 17  # multiplications in one product: below this OpenBLAS starts no threads

LOWEST_HZ, HIGHEST_HZ = 27.0, 1_600.0
BASS_HZ = 160.0
FADE_IN_HZ, FADE_OUT_HZ = (110.0, 150.0), (1_200.0, 1_600.0)
HARMONICS, HARMONIC_DECAY = 5, 0.7
AROUND_HZ = 67.0  # to either side: the surroundings of a peak
PROMINENT_DB, SURE_DB = 10.0, 30.0  # above its surroundings: where a peak starts to count, counts fully
FLOOR = 1e-12  # power of a full-scale sine is 1: nothing below -120 dBFS is a note
A4_HZ, A4_CLASS = 440.0, 9
FINE = 10  # steps in a semitone
CLASSES = 12 * FINE


class Notes(NamedTuple):
    """What was heard.

    Attributes:
        chroma: of every piece, shape (pieces, 12).
        bass: the same below 160 Hz.
        piece_s: from one piece to the next.
        tuning_cents: of the whole song; 0 if no note was heard.
        tonal: share of the power from 27 to 1600 Hz that lies in prominent peaks, 0 to 1.
    """

    chroma: Chroma
    bass: Chroma
    piece_s: float
    tuning_cents: float
    tonal: float


class ChromaMeter:
    """Takes a signal in windows of any size; knows its notes.

    The result does not depend on where the windows are cut.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._factor = max(1, rate_hz // DECIMATED_HZ)
        self._rate_hz = rate_hz / self._factor
        self._hop = 1 << round(math.log2(PIECE_S * self._rate_hz / 2))
        self._slabs = Slabs(rate_hz, channels, self._factor * self._hop * HOPS)
        self._notes: Notes | None = None
        width = BLOCK * self._factor
        self._rows = np.zeros(
            (channels, 1 + self._hop * HOPS // BLOCK, width), np.float32
        )  # the last one first
        self._matrices = _decimation(self._factor)
        self._batch = 1 << int(math.log2(max(1, GEMM_LIMIT // (width * BLOCK))))
        self._decimated = np.zeros((channels, self._hop * (1 + HOPS)), np.float32)
        pieces = np.lib.stride_tricks.sliding_window_view(self._decimated, 2 * self._hop, axis=1)
        self._pieces = pieces[:, :: self._hop].swapaxes(0, 1)  # a view of what comes in
        self._window = (np.hanning(2 * self._hop + 1)[:-1] * 2 / self._hop).astype(np.float32)
        self._fine = array("f")
        self._fine_bass = array("f")
        self._tuning = 0j
        self._peak_power = self._power = 0.0

    def feed(self, samples: Samples) -> None:
        """Take the next window.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), any number of frames.

        Raises:
            ValueError: another shape, dtype or memory order; or the notes were asked for already.
        """
        if self._notes is not None:
            raise ValueError("the signal is at its end; use a new meter")
        for slab in self._slabs.feed(samples):
            self._take(slab)

    def notes(self) -> Notes:
        """End the signal and return its notes."""
        if self._notes is None:
            for slab in self._slabs.rest():
                self._take(slab)
            tuning = float(np.angle(self._tuning)) / (2 * math.pi)  # [semitones]
            folding = _folding(tuning)
            self._notes = Notes(
                chroma=np.frombuffer(self._fine, np.float32).reshape(-1, CLASSES) @ folding,
                bass=np.frombuffer(self._fine_bass, np.float32).reshape(-1, CLASSES) @ folding,
                piece_s=self._hop / self._rate_hz,
                tuning_cents=100 * tuning,
                tonal=min(1.0, self._peak_power / self._power) if self._power > 0 else 0.0,
            )
        return self._notes

    def _take(self, slab: Samples) -> None:
        """Decimate a slab, and take the pieces apart that end in it."""
        rows = self._rows
        rows[:, 0] = rows[:, -1]
        new = rows[:, 1:].reshape(len(rows), -1)  # a view
        new[:] = slab.T
        if not max(float(new.max()), -float(new.min())) <= ABSURD:
            new[:] = without_absurd(new)[0]
        before, now = self._matrices
        hop = self._hop
        self._decimated[:, :hop] = self._decimated[:, -hop:]
        for row, out in zip(rows, self._decimated[:, hop:], strict=True):
            batches = (-1, min(self._batch, len(row) - 1), row.shape[1])
            made = row[1:].reshape(batches) @ now + row[:-1].reshape(batches) @ before
            out[:] = made.reshape(-1)
        spectra = np.fft.rfft(self._pieces * self._window)[:, :, : self._bin(HIGHEST_HZ) + 2]
        self._listen((spectra.real**2 + spectra.imag**2).sum(axis=1, dtype=np.float64))

    def _bin(self, hz: float) -> int:
        """Return the bin of a frequency."""
        return round(hz * 2 * self._hop / self._rate_hz)

    def _listen(self, power: npt.NDArray[np.float64]) -> None:
        """Find the peaks of some pieces and what they speak for; ``power`` has shape (pieces, bins)."""
        first = self._bin(LOWEST_HZ)
        levels = 10 * np.log10(power + FLOOR)
        above = levels - _surroundings(levels, self._bin(AROUND_HZ))
        middle = levels[:, 1:-1]
        is_peak = (middle > levels[:, :-2]) & (middle >= levels[:, 2:]) & (above[:, 1:-1] > PROMINENT_DB)
        is_peak[:, : first - 1] = False
        piece, at = np.nonzero(is_peak)
        at += 1
        self._power += float(power[:, first:].sum())
        self._peak_power += float(sum(power[piece, at + side].sum() for side in (-1, 0, 1)))
        left, top, right = (levels[piece, at + side] for side in (-1, 0, 1))
        aside = (left - right) / (2 * (left - 2 * top + right))  # the vertex of a parabola through three
        hz = (at + aside) * self._rate_hz / (2 * self._hop)
        level = top - (left - right) * aside / 4
        sure = np.minimum((above[piece, at] - PROMINENT_DB) / (SURE_DB - PROMINENT_DB), 1)
        weight = np.sqrt(sure * 10 ** (level / 20))
        semitone = 12 * np.log2(hz / A4_HZ) + A4_CLASS
        steady = hz > FADE_IN_HZ[1]
        self._tuning += complex(weight[steady] @ np.exp(2j * math.pi * semitone[steady]))
        bass = hz < BASS_HZ
        self._fine_bass.frombytes(_spread(len(power), piece[bass], semitone[bass], weight[bass]).tobytes())
        weight *= np.interp(hz, [*FADE_IN_HZ, *FADE_OUT_HZ], [0, 1, 1, 0])
        fine = np.zeros((len(power), CLASSES), np.float32)
        for harmonic in range(1, HARMONICS + 1):
            decayed = weight * HARMONIC_DECAY ** (harmonic - 1)
            fine += _spread(len(power), piece, semitone - 12 * math.log2(harmonic), decayed)
        self._fine.frombytes(fine.tobytes())


def _decimation(factor: int) -> tuple[Floats, Floats]:
    """Return two matrices to a row of output: from the row of input before, and from the row itself."""
    reach = REACH * factor
    times = np.arange(-reach, reach + 1)
    response = np.sinc(times / factor) * np.kaiser(len(times), KAISER_BETA)
    response /= response.sum()
    width = BLOCK * factor
    matrix = np.zeros((2 * width, BLOCK))
    for sample in range(BLOCK):
        end = width + (sample + 1) * factor  # causal: what comes out is ``reach`` late
        matrix[end - len(times) : end, sample] = response
    return matrix[:width].astype(np.float32), matrix[width:].astype(np.float32)


def _surroundings(levels: npt.NDArray[np.float64], reach: int) -> npt.NDArray[np.float64]:
    """Return the mean level over ``reach`` bins to either side, mirrored at the ends."""
    sums = np.cumsum(np.pad(levels, ((0, 0), (reach + 1, reach)), mode="reflect"), axis=1)
    means: npt.NDArray[np.float64] = (sums[:, 2 * reach + 1 :] - sums[:, : -2 * reach - 1]) / (2 * reach + 1)
    return means


def _spread(
    pieces: int,
    piece: npt.NDArray[np.intp],
    semitone: npt.NDArray[np.float64],
    weight: npt.NDArray[np.float64],
) -> Floats:
    """Add weights up by piece and tenth of a semitone."""
    step = np.rint(semitone * FINE).astype(np.intp) % CLASSES
    added = np.bincount(piece * CLASSES + step, weight, pieces * CLASSES)
    return added.reshape(pieces, CLASSES).astype(np.float32)


def _folding(tuning: float) -> Chroma:
    """Return the matrix from tenths of a semitone to pitch classes, ``tuning`` [semitones] high."""
    semitone = np.arange(CLASSES) / FINE - tuning
    nearest = np.rint(semitone)
    matrix = np.zeros((CLASSES, 12))
    matrix[np.arange(CLASSES), nearest.astype(np.intp) % 12] = np.cos(math.pi * (semitone - nearest)) ** 2
    return matrix
