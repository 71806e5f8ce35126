"""Signals for the meters, and float64 reference meters made of other people's parts.

Conventions
    levels     a tone's dBFS is the level of its peak, as EBU Tech 3341 has it
    samples    float32, shape (frames, channels), full scale 1.0

Sources
    [T3341], [T3342]   EBU Tech 3341 and 3342 (November 2023), Table 1 of each
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Protocol

import numpy as np
import numpy.typing as npt
import scipy.signal
from pyloudnorm import Meter as PyloudnormMeter

Samples = npt.NDArray[np.float32]

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 192_000)


class Feedable(Protocol):
    """Any of the meters."""

    def feed(self, samples: Samples) -> None:
        """Take the next window."""


def amplitude(dbfs: float) -> float:
    """Return the factor for a level."""
    return float(10 ** (dbfs / 20))


def tone(rate_hz: int, seconds: float, dbfs: Sequence[float], hz: float = 1000.0) -> Samples:
    """Return a sine that starts at phase 0, one channel for each level, in phase; -inf is silence."""
    wave = np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)
    return (wave[:, None] * [amplitude(level) for level in dbfs]).astype(np.float32)


def tones(rate_hz: int, steps: Sequence[tuple[float, float]], channels: int = 2) -> Iterator[Samples]:
    """Yield windows of 10 ms, 1000 Hz, for (seconds, dBFS) in turn: ten whole cycles, so phase runs on."""
    cycles = tone(rate_hz, 0.01, [0.0] * channels)
    for seconds, dbfs in steps:
        window = cycles * np.float32(amplitude(dbfs))
        for _ in range(round(seconds * 100)):
            yield window


def feed_tones(
    meter: Feedable, rate_hz: int, steps: Sequence[tuple[float, float]], channels: int = 2
) -> None:
    """Feed what ``tones`` yields."""
    for window in tones(rate_hz, steps, channels):
        meter.feed(window)


def weighted(samples: Samples, rate_hz: int) -> npt.NDArray[np.float64]:
    """Return K-weighted samples by SciPy in float64, with pyloudnorm's conforming coefficients."""
    result = samples.astype(np.float64)
    for stage in PyloudnormMeter(rate_hz, filter_class="DeMan")._filters.values():
        result = scipy.signal.lfilter(stage.b, stage.a, result, axis=0)
    return result


def reference_lufs(samples: Samples, rate_hz: int, weights: Sequence[float]) -> float:
    """Return integrated loudness, step by step after ITU-R BS.1770-5 Annex 1, equations 3 to 7."""
    squares = weighted(samples, rate_hz) ** 2 @ np.array(weights)
    means = []
    for block in range(len(samples) * 10 // rate_hz):
        first, last = round(block * rate_hz / 10), round((block + 4) * rate_hz / 10)
        if last <= len(samples):
            means.append(float(squares[first:last].mean()))
    loud = [mean for mean in means if mean > 0 and _lufs(mean) > -70]
    if not loud:
        return -math.inf
    threshold = _lufs(float(np.mean(loud))) - 10
    return _lufs(float(np.mean([mean for mean in loud if _lufs(mean) > threshold])))


def _lufs(mean_square: float) -> float:
    """Return loudness; equation 2."""
    return -0.691 + 10 * math.log10(mean_square)


def varied(seed: int, rate_hz: int, seconds: float, channels: int) -> Samples:
    """Return noise of a random colour, with random level steps, pauses, a tone and an offset."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    noise = rng.standard_normal((frames, channels))
    noise = scipy.signal.lfilter([1.0], [1.0, -float(rng.uniform(-0.5, 0.98))], noise, axis=0)
    noise /= np.abs(noise).max()
    steps = np.repeat(10 ** (rng.uniform(-40, 0, 8) / 20), -(-frames // 8))[:frames]
    if seed % 3 == 0:
        steps[frames // 3 : frames // 2] = 0
    hz = rng.uniform(30, rate_hz / 3)
    wave = np.sin(2 * np.pi * hz * np.arange(frames) / rate_hz) * rng.uniform(0, 0.4)
    pan = rng.uniform(0.2, 1, channels)
    offset = rng.uniform(-0.05, 0.05) if seed % 2 else 0.0
    mixed = (noise * steps[:, None] * 0.5 + wave[:, None]) * pan * amplitude(rng.uniform(-30, 0)) + offset
    return np.ascontiguousarray(mixed, dtype=np.float32)
