"""Windows of any size in, slabs of one size out.

Both meters work in slabs that lie at fixed places, counted from the first
frame of the signal. However a caller cuts the signal into windows, the
arithmetic is then the same to the last bit, and a number that was signed can
be measured again by somebody who reads in other pieces.

Conventions
    samples    float32, C-contiguous, shape (frames, channels), full scale 1.0
    rate_hz    frames per second, 8000 to 384000
    channels   1 to 8

Not here: what is done with a slab (``loudness``, ``peak``).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

MIN_RATE_HZ, MAX_RATE_HZ = 8_000, 384_000
MAX_CHANNELS = 8
# Rows of a matrix product. Products of this size have kernels of their own in OpenBLAS, a third
# faster; and they stay below the size (2**18 multiplications) from which it starts threads, which
# get in the way of the caller's and made a busy machine hundreds of times slower.
BATCH_ROWS = 128
ABSURD = 1e15  # 300 dBFS: no mix gets there, and float32 energies still hold what is below


class Slabs:
    """Cuts one signal into slabs of equal length.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.
        slab_frames: length of a slab.

    Attributes:
        frames: how many frames were fed so far.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(self, rate_hz: int, channels: int, slab_frames: int) -> None:
        if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
            raise ValueError(f"rate_hz is {rate_hz}, must be {MIN_RATE_HZ} to {MAX_RATE_HZ}")
        if not 1 <= channels <= MAX_CHANNELS:
            raise ValueError(f"channels is {channels}, must be 1 to {MAX_CHANNELS}")
        self.frames = 0
        self._channels = channels
        self._partial = np.empty((slab_frames, channels), np.float32)
        self._filled = 0

    def feed(self, samples: Samples) -> Iterator[Samples]:
        """Yield every slab that ``samples`` completes; run it to its end.

        A slab is a view of ``samples`` or of one reused buffer: finish with it
        before you ask for the next.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), any number of frames.

        Raises:
            ValueError: another shape, dtype or memory order.
        """
        if samples.dtype != np.float32 or not samples.flags.c_contiguous:
            raise ValueError(f"samples must be C-contiguous float32, not {samples.dtype}")
        if samples.ndim != 2 or samples.shape[1] != self._channels:
            raise ValueError(f"samples must have shape (frames, {self._channels}), not {samples.shape}")
        self.frames += len(samples)
        start, slab_frames = 0, len(self._partial)
        if self._filled:
            start = min(slab_frames - self._filled, len(samples))
            self._partial[self._filled : self._filled + start] = samples[:start]
            self._filled += start
            if self._filled < slab_frames:
                return
            self._filled = 0
            yield self._partial
        while start + slab_frames <= len(samples):
            yield samples[start : start + slab_frames]
            start += slab_frames
        self._filled = len(samples) - start
        self._partial[: self._filled] = samples[start:]

    def rest(self) -> Iterator[Samples]:
        """Yield the unfinished slab, if there is one, with zeros after its last frame."""
        if self._filled:
            self._partial[self._filled :] = 0
            self._filled = 0
            yield self._partial


def without_absurd(samples: Samples) -> tuple[Samples, bool]:
    """Return a copy with NaN, infinity and values beyond ±1e15 set to 0, and whether there were any."""
    good = np.abs(samples) <= ABSURD  # false for NaN
    return np.where(good, samples, np.float32(0)), not bool(good.all())
