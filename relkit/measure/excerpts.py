"""Any stretch of a recording, also one that reaches past its ends.

What compares two recordings needs to go back and forth in them. It takes an array, or anything that
can give frames on demand, so that a long file need not lie in memory.

Conventions
    samples    float32, shape (frames, channels), full scale 1.0
    outside    before the first frame and after the last one there is silence
    absurd     NaN, infinity and values beyond ±1e15 count as 0

Not here: files (``relkit.audio``), and what is compared (``align``, ``presence``).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from relkit.measure.slabs import ABSURD, MAX_CHANNELS, MAX_RATE_HZ, MIN_RATE_HZ, Samples, without_absurd


class Recording(Protocol):
    """A source of samples that can be read anywhere."""

    @property
    def frames(self) -> int:
        """Length, 0 or more."""

    @property
    def channels(self) -> int:
        """1 to 8."""

    def read(self, first: int, end: int) -> Samples:
        """Return the frames from ``first`` up to ``end``, which lie inside; may be a view.

        Shape (end - first, channels), float32.
        """


class InMemory:
    """A recording whose samples lie in memory.

    Args:
        samples: floating point, shape (frames, channels) or (frames,), full scale 1.0.

    Raises:
        ValueError: another dtype (the full scale of integers is not known here) or shape.
    """

    def __init__(self, samples: npt.NDArray[Any]) -> None:
        if samples.dtype.kind != "f":
            raise ValueError(f"samples must be floating point, not {samples.dtype}")
        if samples.ndim == 1:
            samples = samples[:, None]
        if samples.ndim != 2 or not 1 <= samples.shape[1] <= MAX_CHANNELS:
            raise ValueError(f"samples must have shape (frames, 1 to {MAX_CHANNELS}), not {samples.shape}")
        self._samples = samples
        self.frames, self.channels = samples.shape

    def read(self, first: int, end: int) -> Samples:
        """Return a view, or a copy where the samples are of another precision."""
        with np.errstate(over="ignore"):  # a float64 beyond float32 becomes infinite, and is dealt with
            return np.ascontiguousarray(self._samples[first:end], dtype=np.float32)


def recording(source: Recording | npt.NDArray[Any]) -> Recording:
    """Return ``source``, or a recording of its samples if it is an array; errors as ``InMemory``."""
    return InMemory(source) if isinstance(source, np.ndarray) else source


def require_rate(rate_hz: int) -> None:
    """Raise ``ValueError`` for a sample rate outside 8 to 384 kHz."""
    if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        raise ValueError(f"rate_hz is {rate_hz}, must be {MIN_RATE_HZ} to {MAX_RATE_HZ}")


def excerpt(source: Recording, first: int, frames: int) -> Samples:
    """Return ``frames`` frames from ``first`` on, which may be negative; silence outside.

    Returns:
        Shape (frames, channels), without absurd values; read it only.
    """
    start, end = max(first, 0), min(first + frames, source.frames)
    if start >= end:
        return np.zeros((frames, source.channels), np.float32)
    inside = source.read(start, end)
    # A sum of squares is NaN or huge if one value is absurd: cheaper than to look at each.
    with np.errstate(all="ignore"):
        energy = float(np.vdot(inside, inside))
    if not energy <= ABSURD:
        inside, _ = without_absurd(inside)
    if len(inside) == frames:
        return inside
    padded = np.zeros((frames, source.channels), np.float32)
    padded[start - first : end - first] = inside
    return padded


def excerpts(source: Recording, first: int, end: int, frames: int) -> Iterator[Samples]:
    """Yield the stretch from ``first`` up to ``end`` in pieces of ``frames``; the last may be shorter."""
    for start in range(first, end, frames):
        yield excerpt(source, start, min(frames, end - start))
