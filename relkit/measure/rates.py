"""A recording as if it had another sample rate, for comparing it with one that has.

A windowed sinc, as one matrix: so many frames in, so many out, over and over. What it passes is flat to
90 % of the lower Nyquist frequency; above that two converters never agree.

Conventions
    frames     of the new rate; frame 0 stays where it is

Not here: converting what is delivered (``relkit.audio.conversion``).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from relkit.measure.excerpts import Recording, excerpt, require_rate
from relkit.measure.slabs import Samples

TAPS = 64  # zero crossings on each side
PASSED = 0.95  # of the lower Nyquist frequency: -6 dB
KAISER = 9.0  # stop band about 90 dB down
MOST_STEPS = 1280  # 44.1 to 192 kHz takes 640 steps for 147 frames
ROWS = 64


class AtRate:
    """A recording at another rate, converted while it is read.

    Args:
        source: what to convert.
        from_hz: its rate.
        to_hz: the rate to be read at.

    Raises:
        ValueError: rates outside of 8 to 384 kHz, or with hardly a common factor.
    """

    def __init__(self, source: Recording, from_hz: int, to_hz: int) -> None:
        require_rate(from_hz)
        require_rate(to_hz)
        common = math.gcd(from_hz, to_hz)
        self._down, self._up = from_hz // common, to_hz // common
        if max(self._down, self._up) > MOST_STEPS:
            raise ValueError(f"{from_hz} and {to_hz} Hz have hardly a common factor")
        self._source = source
        self._matrix, self._reach = _matrix(self._down, self._up)
        self.channels = source.channels
        self.frames = round(source.frames * self._up / self._down)

    def read(self, first: int, end: int) -> Samples:
        """Return the frames from ``first`` up to ``end``."""
        block, last = first // self._up, -(-end // self._up)
        parts = [self._blocks(at, min(ROWS, last - at)) for at in range(block, last, ROWS)]
        whole = np.concatenate(parts) if parts else np.zeros((0, self.channels), np.float32)
        return np.ascontiguousarray(whole[first - block * self._up : end - block * self._up])

    def _blocks(self, block: int, count: int) -> Samples:
        """Return ``count`` blocks of output frames."""
        width = self._down + 2 * self._reach
        samples = excerpt(self._source, block * self._down - self._reach, (count - 1) * self._down + width)
        windows = np.lib.stride_tricks.sliding_window_view(samples, width, axis=0)[:: self._down]
        converted: Samples = np.matmul(windows, self._matrix)  # (count, channels, up)
        return converted.transpose(0, 2, 1).reshape(-1, self.channels)


def _matrix(down: int, up: int) -> tuple[npt.NDArray[np.float32], int]:
    """Return what each frame adds to each output frame, and how far it reaches before and behind."""
    narrow = min(1.0, up / down) * PASSED
    reach = math.ceil(TAPS / narrow)
    rows, columns = np.arange(down + 2 * reach)[:, None] - reach, np.arange(up)[None] * down / up
    at = rows - columns
    window = np.i0(KAISER * np.sqrt(np.clip(1 - (at / reach) ** 2, 0, 1))) / np.i0(KAISER)
    kernel = narrow * np.sinc(narrow * at) * window * (np.abs(at) < reach)
    return kernel.astype(np.float32), reach
