"""How high does a signal reach, at its samples and between them?

Sample peak, and true peak by four-fold interpolation with the published
48-tap table. The interpolation runs as matrix products: 4 frames
and the 11 before them give 16 values.

Conventions
    samples    float32, C-contiguous, shape (frames, channels), full scale 1.0
    peaks      [dBFS] for samples, [dBTP] for true peak; silence is -inf, never NaN
    edges      zeros come before the first frame and after the last one, and the filter runs out
               over them: a signal that is cut off hard may overshoot there, as in a converter

The table is used as published at every rate: at 96 kHz and above 4x is more than is needed, at
44.1 kHz the band edge moves with the rate. The phases do not pass the samples themselves
through exactly (their sums are 1.0016 and 0.973), so the sample peak is a floor for the true peak.

Sources
    [BS1770]   Recommendation ITU-R BS.1770-5 (11/2023), Annex 2, section 3 and Attachment 1

Not here: loudness (``relkit.measure.loudness``), and which peak is too high (``relkit.qc``).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from relkit.measure.slabs import ABSURD, BATCH_ROWS, Samples, Slabs, without_absurd

# [BS1770] Annex 2, phases 0 and 1, times 8192 (all whole numbers); 3 and 2 are these backwards.
PHASE_0 = (14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68)
PHASE_1 = (-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155)
PHASES: npt.NDArray[np.float64] = np.array([PHASE_0, PHASE_1, PHASE_1[::-1], PHASE_0[::-1]]) / 8192
FACTOR, TAPS = PHASES.shape  # 4 values per frame, each from 12 frames
DELAY = (FACTOR * TAPS - 1) / 2  # of the symmetric filter [values]

BLOCK = 4  # frames; fewer waste the overlap, more multiply zeros
REACH = TAPS - 1  # frames before a block that it depends on
APART = 8  # a product takes every eighth block: BLAS wants rows that do not overlap in memory
SLAB_FRAMES = 32_768  # a stereo slab and its values fill a cache of 1 to 2 MB


class PeakMeter:
    """Takes a signal in windows of any size; knows its sample peak and true peak.

    The result does not depend on where the windows are cut.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.

    Attributes:
        nonfinite: a sample was NaN, infinite or beyond ±1e15; it was counted as 0.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.nonfinite = False
        self._rate_hz = rate_hz
        self._slabs = Slabs(rate_hz, channels, SLAB_FRAMES)
        self._frames: int | None = None  # length of the signal, once it is at its end
        self._position = 0  # frames in finished slabs
        self._sample_peak = self._between_peak = 0.0
        self._sample_place = self._between_place = 0.0  # where they are first reached [frames]
        self._recent = np.zeros((channels, REACH + SLAB_FRAMES), np.float32)
        blocks = np.lib.stride_tricks.sliding_window_view(self._recent, REACH + BLOCK, axis=1)[:, ::BLOCK]
        blocks = blocks.reshape(channels, -1, BATCH_ROWS, APART, REACH + BLOCK)
        self._blocks = blocks.swapaxes(2, 3)  # still a view of what comes in
        self._matrix = _interpolation()
        self._values = np.empty((*self._blocks.shape[:-1], BLOCK * FACTOR), np.float32)

    @property
    def frames(self) -> int:
        """How many frames were fed."""
        return self._slabs.frames if self._frames is None else self._frames

    def feed(self, samples: Samples) -> None:
        """Take the next window.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), any number of frames.

        Raises:
            ValueError: another shape, dtype or memory order; or a peak was asked for already.
        """
        if self._frames is not None:
            raise ValueError("the signal is at its end; use a new meter")
        for slab in self._slabs.feed(samples):
            self._take(slab)

    def sample_peak_dbfs(self) -> float:
        """End the signal and return its largest sample, whatever the sign; -inf for silence."""
        self._end()
        return _decibels(self._sample_peak)

    def true_peak_dbtp(self) -> float:
        """End the signal and return its largest value at or between samples; -inf for silence.

        Source:
            [BS1770] Annex 2.
        """
        self._end()
        return _decibels(max(self._sample_peak, self._between_peak))

    def true_peak_at_s(self) -> float | None:
        """End the signal and return where the true peak is first reached [s]; None for silence.

        To a quarter of a frame. The overshoot of a cut-off edge lies outside the signal; the time is
        then that of the first or last frame.
        """
        self._end()
        if not max(self._sample_peak, self._between_peak) > 0:
            return None
        place = self._between_place if self._between_peak > self._sample_peak else self._sample_place
        return min(max(place, 0.0), self.frames - 1) / self._rate_hz

    def _take(self, slab: Samples) -> None:
        """Look for higher peaks in a slab, and in the gap between it and the one before."""
        recent = self._recent[:, REACH:]
        recent[:] = slab.T
        peak = _largest(recent)
        if not peak <= ABSURD:  # also true of NaN
            recent[:], self.nonfinite = without_absurd(recent)
            peak = _largest(recent)
        if peak > self._sample_peak:
            self._sample_peak = peak
            self._sample_place = self._position + int((np.abs(recent) == peak).any(axis=0).argmax())
        np.matmul(self._blocks, self._matrix, out=self._values)
        between = _largest(self._values)
        if between > self._between_peak:
            self._between_peak, self._between_place = between, self._position + self._where(between)
        self._recent[:, :REACH] = self._recent[:, -REACH:]
        self._position += len(slab)

    def _where(self, between: float) -> float:
        """Return the first place of a value in this slab [frames], without the filter's delay."""
        _, batches, aparts, rows, values = np.nonzero(np.abs(self._values) == between)
        blocks = (batches * BATCH_ROWS + rows) * APART + aparts
        first = int((blocks * BLOCK * FACTOR + values).min())
        return float((first - DELAY) / FACTOR)

    def _end(self) -> None:
        """Let the filter run out over zeros, once."""
        if self._frames is not None:
            return
        self._frames = self._slabs.frames
        silence = np.zeros((REACH, len(self._recent)), np.float32)
        for slab in self._slabs.feed(silence):
            self._take(slab)
        for slab in self._slabs.rest():
            self._take(slab)


def _interpolation() -> npt.NDArray[np.float32]:
    """Return the matrix from 15 frames, oldest first, to the 4 values at each of the last 4."""
    matrix = np.zeros((REACH + BLOCK, BLOCK * FACTOR), np.float32)
    for frame in range(BLOCK):
        matrix[frame : frame + TAPS, frame * FACTOR : (frame + 1) * FACTOR] = PHASES[:, ::-1].T
    return matrix


def _largest(values: npt.NDArray[np.float32]) -> float:
    """Return the largest magnitude; NaN if there is one."""
    return max(float(values.max()), -float(values.min()))


def _decibels(peak: float) -> float:
    """Return the level of a magnitude re full scale 1.0 [dB]."""
    return 20 * math.log10(peak) if peak > 0 else -math.inf
