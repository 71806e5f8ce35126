"""What is a rendering like as a whole? For two that differ throughout, as after another mix or master.

Conventions
    bands      octaves, by their middle [Hz]; level [dB] is the mean power in it, full-scale sine 0
    crest      [dB] sample peak re RMS
    PLR        [dB] true peak re integrated loudness
    width      [dB] half difference of the first two channels re their mean; -inf for mono

Sources
    [BS1770]   Recommendation ITU-R BS.1770-5 (11/2023): loudness and true peak, hence PLR

Not here: where two renderings differ (``comparison``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.measure.excerpts import Recording, excerpts, recording, require_rate
from relkit.measure.levels import Levels, Meter

BANDS_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
WINDOW_FRAMES = 8192
EVERY = 2  # of the windows: a spectrum of the whole needs no more
SLAB_FRAMES = 1 << 16


@dataclass(frozen=True)
class Character:
    """One rendering as a whole.

    Attributes:
        levels: length, loudness, loudness range and peaks.
        bands_db: level in each band of ``BANDS_HZ``; -inf above Nyquist and for silence.
        crest_db: -inf for silence.
        plr_db: None where there is no loudness.
        width_db: see the module's header.
    """

    levels: Levels
    bands_db: tuple[float, ...]
    crest_db: float
    plr_db: float | None
    width_db: float


def character(source: Recording | npt.NDArray[Any], rate_hz: int) -> Character:
    """Measure one rendering in one pass.

    Args:
        source: floating point, shape (frames, channels) or (frames,), full scale 1.0; or a recording.
        rate_hz: 8000 to 384000.

    Raises:
        ValueError: a rate, dtype or shape outside of these.
    """
    require_rate(rate_hz)
    source = recording(source)
    meter = Meter(rate_hz, source.channels)
    taper = np.hanning(WINDOW_FRAMES + 1)[:-1].astype(np.float32)[None, :, None]
    powers = np.zeros(WINDOW_FRAMES // 2 + 1)
    windows = 0
    total = middle = side = 0.0
    for slab in excerpts(source, 0, source.frames, SLAB_FRAMES):
        meter.feed(np.ascontiguousarray(slab))
        total += float(np.vdot(slab, slab))
        if source.channels > 1:
            total_mid, total_side = slab[:, 0] + slab[:, 1], slab[:, 0] - slab[:, 1]
            middle += float(np.vdot(total_mid, total_mid))
            side += float(np.vdot(total_side, total_side))
        count = len(slab) // WINDOW_FRAMES
        cut = slab[: count * WINDOW_FRAMES].reshape(count, WINDOW_FRAMES, -1)[::EVERY]
        spectra = np.fft.rfft(cut * taper, axis=1)
        powers += np.square(np.abs(spectra)).sum(axis=(0, 2))
        windows += len(cut) * source.channels
    levels = meter.levels()
    rms_db = _db(total / max(1, source.frames * source.channels))
    loudness = levels.integrated_loudness_lufs
    return Character(
        levels=levels,
        bands_db=_bands(powers / max(1, windows), rate_hz),
        crest_db=levels.sample_peak_dbfs - rms_db if math.isfinite(rms_db) else -math.inf,
        plr_db=None if loudness is None or math.isinf(loudness) else levels.true_peak_dbtp - loudness,
        width_db=_db(side / middle) if middle else (math.inf if side else -math.inf),
    )


def _bands(powers: npt.NDArray[np.float64], rate_hz: int) -> tuple[float, ...]:
    """Return the level in each octave, by Parseval's theorem for a Hann window."""
    hz = np.arange(len(powers)) * rate_hz / WINDOW_FRAMES
    # A sine of amplitude 1 has power 1/2; the window lets 3/8 of it through, half of that on this side.
    scale = 4 / (WINDOW_FRAMES**2 * 3 / 8)
    root = math.sqrt(2)
    return tuple(_db(float(powers[(hz >= mid / root) & (hz < mid * root)].sum() * scale)) for mid in BANDS_HZ)


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 0 else -math.inf
