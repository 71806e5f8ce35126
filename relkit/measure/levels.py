"""The numbers that a manifest holds of one signal, from one pass over it.

Conventions
    units      in every name: LUFS, LU, dBTP, dBFS
    rounding   to 0.01, where the figures of common meters still agree; what is -inf (silence)
               or cannot be told (too short) is null in JSON

Not here: the measuring itself (``loudness``, ``peak``), files, caches.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

from relkit.measure.loudness import LoudnessMeter
from relkit.measure.peak import PeakMeter
from relkit.measure.slabs import Samples

METER_VERSION = "relkit-meter-1"  # goes up whenever a rounded figure of any signal may change


@dataclass(frozen=True)
class Levels:
    """How long, how loud and how high a signal is.

    Attributes:
        frames: length.
        integrated_loudness_lufs: -inf for silence; None if shorter than 0.4 s.
        loudness_range_lu: None if shorter than 3 s or silent.
        true_peak_dbtp: -inf for silence.
        sample_peak_dbfs: -inf for silence.
    """

    frames: int
    integrated_loudness_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float
    sample_peak_dbfs: float

    def rounded(self) -> dict[str, int | float | None]:
        """Return the values under their names, ready for JSON: to 0.01, null for -inf and None."""
        return {name: value if name == "frames" else _rounded(value) for name, value in asdict(self).items()}


def _rounded(value: float | None) -> float | None:
    """Round to 0.01; -0.0 becomes 0.0, which is the same number and looks less odd."""
    return None if value is None or math.isinf(value) else round(value, 2) + 0.0


class Meter:
    """Both meters in one.

    ``loudness`` and ``peak`` share nothing: to use two threads, feed each of them every window
    from its own thread, and ask for ``levels`` when both are done.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.
        channel_mask: as in WAVE_FORMAT_EXTENSIBLE; 0 for none.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(self, rate_hz: int, channels: int, channel_mask: int = 0) -> None:
        self.loudness = LoudnessMeter(rate_hz, channels, channel_mask)
        self.peak = PeakMeter(rate_hz, channels)

    @property
    def nonfinite(self) -> bool:
        """Whether a sample was no number, infinite or beyond ±1e15; sure once ``levels`` was asked for."""
        return self.peak.nonfinite or self.loudness.nonfinite

    def feed(self, samples: Samples) -> None:
        """Take the next window.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), full scale 1.0.

        Raises:
            ValueError: another shape, dtype or memory order; or the levels were asked for already.
        """
        self.loudness.feed(samples)
        self.peak.feed(samples)

    def levels(self) -> Levels:
        """End the signal and return its levels.

        Raises:
            ValueError: the two meters were not fed the same number of frames.
        """
        if self.loudness.frames != self.peak.frames:
            raise ValueError(f"meters heard {self.loudness.frames} and {self.peak.frames} frames")
        loudness = self.loudness.result()
        return Levels(
            frames=self.peak.frames,
            integrated_loudness_lufs=loudness.integrated_lufs,
            loudness_range_lu=loudness.range_lu,
            true_peak_dbtp=self.peak.true_peak_dbtp(),
            sample_peak_dbfs=self.peak.sample_peak_dbfs(),
        )
