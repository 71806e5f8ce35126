"""Roughly, how much later is one recording than another? Candidates, for ``align`` to choose from.

Both recordings are brought down to about 2.7 kHz, evened out in level and colour, and compared as
a whole at every offset by one FFT cross-correlation. Music repeats itself, so the right offset is
among the highest peaks but need not be the highest one.

Conventions
    offset     frame of ``other`` at which frame 0 of ``reference`` sounds; negative if before it
    low rate   one value for each ``factor`` frames, mono; the waveform, not its envelope, because
               an envelope is shared by sounds that have nothing in common but their rhythm

Sources
    [GCC]      C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of
               time delay", IEEE Trans. ASSP 24(4), 1976: the phase transform

Not here: the exact offset and whether there is one (``align``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.excerpts import Recording, excerpts
from relkit.measure.slabs import Samples

Vector = npt.NDArray[np.float32]

LOW_RATE_HZ = 2_700  # enough for voices, keys and drums; bass alone would not tell one bar from the next
MAX_LOW_FRAMES = 1 << 20  # 6 min; of longer recordings the low rate is lower: this bounds memory
TAPS_PER_STEP = 4  # low-pass length in output steps
CUTOFF = 0.42  # of the low rate
ROWS = 2048  # a slab's product stays below the size from which BLAS starts threads; see ``slabs``
EVENING_S = 0.25  # [s] over which the level is evened out
EVENING_FLOOR = 0.03  # of the overall level: what is 30 dB quieter is not brought up further
WHITENING = 0.8  # power of the phase transform: 1 would give bins of mere noise a full vote
CANDIDATES = 8
APART = 4  # low frames between two candidates
MID_LOST = 1e-4  # [power ratio] a mono sum this far below its left channel is a cancelled one


@dataclass(frozen=True)
class LowRate:
    """A recording at low rate.

    Attributes:
        factor: frames for each value.
        mono: mean of the channels.
        left: first channel, for when the channels cancel.
    """

    factor: int
    mono: Vector
    left: Vector


def common_factor(rate_hz: int, *recordings: Recording) -> int:
    """Return the factor by which to reduce recordings that are to be compared."""
    longest = max(recording.frames for recording in recordings)
    return max(1, rate_hz // LOW_RATE_HZ, -(-longest // MAX_LOW_FRAMES))


def low_rate(recording: Recording, factor: int) -> LowRate:
    """Read a recording once from beginning to end and reduce it."""
    kernel = _kernel(factor, recording.channels)
    rows = -(-recording.frames // factor)
    parts = np.zeros((rows + TAPS_PER_STEP - 1, 2 * TAPS_PER_STEP), np.float32)
    row, slab_frames = 0, max(1, ROWS // max(1, recording.channels // 2)) * factor
    for slab in excerpts(recording, 0, recording.frames, slab_frames):
        count = -(-len(slab) // factor)
        if len(slab) < count * factor:
            slab = np.concatenate([slab, np.zeros((count * factor - len(slab), slab.shape[1]), np.float32)])
        np.matmul(slab.reshape(count, -1), kernel, out=parts[row : row + count])
        row += count
    sums = [
        sum((parts[step : step + rows, column + step] for step in range(TAPS_PER_STEP)), np.float32(0))
        for column in (0, TAPS_PER_STEP)
    ]
    return LowRate(factor, np.asarray(sums[0], np.float32), np.asarray(sums[1], np.float32))


def cancels(low: LowRate) -> bool:
    """Whether the channels of a recording are so far out of phase that their mean is next to silent."""
    return float(np.vdot(low.mono, low.mono)) < MID_LOST * float(np.vdot(low.left, low.left))


def candidates(reference: Vector, other: Vector, factor: int, rate_hz: int) -> list[int]:
    """Return likely offsets [frames], best first, each within about ``factor`` of where it should be.

    Args:
        reference, other: low-rate signals.
        factor: of both.
        rate_hz: of the full-rate recordings.

    Returns:
        At most ``CANDIDATES``; none if one of the signals is silent or empty.

    Source:
        [GCC].
    """
    from scipy import fft

    if len(reference) == 0 or len(other) == 0:
        return []
    width = max(1, round(EVENING_S * rate_hz / factor))
    even_reference, even_other = evened(reference, width), evened(other, width)
    if not even_reference.any() or not even_other.any():
        return []
    size = fft.next_fast_len(len(reference) + len(other) - 1, real=True)
    cross = fft.rfft(even_other, size) * np.conj(fft.rfft(even_reference, size))
    strength = np.abs(cross)
    strength += np.float32(1e-6) * strength.max() + np.float32(1e-30)
    cross /= strength**WHITENING
    similar = np.abs(fft.irfft(cross, size))
    count = min(len(similar), CANDIDATES * 2 * APART)
    highest = np.argpartition(similar, -count)[-count:]
    lags: list[int] = []
    for index in highest[np.argsort(-similar[highest])]:
        lag = int(index) if index < len(other) else int(index) - size
        if all(abs(lag - known) >= APART for known in lags):
            lags.append(lag)
    return [lag * factor for lag in lags[:CANDIDATES]]


def _kernel(factor: int, channels: int) -> Samples:
    """Return the low-pass as a matrix from one step's interleaved frames to shares of 4 outputs, twice."""
    taps = TAPS_PER_STEP * factor
    at = np.arange(taps) - (taps - 1) / 2
    low_pass = np.sinc(2 * CUTOFF * at / factor) * np.hanning(taps + 2)[1:-1]
    low_pass /= low_pass.sum()
    steps = low_pass.reshape(TAPS_PER_STEP, factor).T  # column k: what this step adds to output -k
    matrix = np.zeros((factor, channels, 2 * TAPS_PER_STEP))
    matrix[:, :, :TAPS_PER_STEP] = steps[:, None] / channels
    matrix[:, 0, TAPS_PER_STEP:] = steps
    return matrix.reshape(factor * channels, -1).astype(np.float32)


def evened(signal: npt.NDArray[np.floating], width: int) -> Vector:
    """Divide by the running level, so that every second counts alike; without DC; zeros if silent."""
    centred = signal.astype(np.float64)
    centred -= centred.mean()
    power = centred**2
    overall = float(power.mean())
    if overall <= 1e-10 * float(np.mean(np.square(signal, dtype=np.float64))) or overall < 1e-30:
        return np.zeros_like(signal)
    sums = np.concatenate([np.zeros(1), np.cumsum(power)])
    first = np.maximum(np.arange(len(power)) - width // 2, 0)
    end = np.minimum(first + width, len(power))
    level = np.sqrt(np.maximum(sums[end] - sums[first], 0) / np.maximum(end - first, 1))
    evened: Vector = (centred / (level + EVENING_FLOOR * np.sqrt(overall))).astype(np.float32)
    return evened
