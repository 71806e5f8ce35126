"""How much may two renderings of the same thing differ before it means something?

New dither, another bit depth or a codec changes every sample. What is usual for a pair is read from
the pair itself: from what no gain explains, in the milliseconds that are most alike.

Conventions
    floor      [power] mean square of a difference that is usual, full scale 1.0
    steady     dither, rounding, noise: the same level everywhere; else it follows the signal, as
               that of a lossy codec or of another converter does

Sources
    Every threshold here: common practice, no source; tried on dither and on 320 kbit/s MP3, whose
    error below 4 kHz stayed 26 dB and more below the signal in every 5 ms

Not here: which differences are changes (``regions``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.leftover import Fit, Vector

LEAST = 1e-12  # [power] -120 dBFS; differences below it are of no interest
AUDIBLE = 1e-8  # [power] what is 80 dB below full scale does not vote
STEADY_DB = 4.0
ABOVE_STEADY_DB = 8.0
LOSSY_DB = -60.0  # re signal: noise that follows it and is louder is that of a codec
LOSSY_LIMIT_DB = -24.0  # re signal
FOLLOWING_LEAST = 1e-8  # [power] -80 dBFS: in a long fade noise does not follow, nor does a codec
ABOVE_FOLLOWING_DB = 18.0
LEAVES_DB = 3.0  # a change ends this much below where it is noticed


@dataclass(frozen=True)
class Noise:
    """What is usual for a pair.

    Attributes:
        power: mean square of the usual difference; 0 if there is none.
        relative_db: [dB] the usual difference re the signal; -inf if there is none.
        steady: whether its level is the same everywhere.
        lossy: whether it is as loud as that of a lossy codec.
    """

    power: float
    relative_db: float
    steady: bool
    lossy: bool

    def limit(self, signal: Vector) -> Vector:
        """Return the power above which a difference means something, for each power of the signal."""
        steady = max(self.power * 10 ** (ABOVE_STEADY_DB / 10), LEAST)
        if self.steady:
            return np.full(len(signal), steady)
        relative_db = LOSSY_LIMIT_DB if self.lossy else self.relative_db + ABOVE_FOLLOWING_DB
        return np.maximum(signal * 10 ** (min(relative_db, LOSSY_LIMIT_DB) / 10), FOLLOWING_LEAST)


def noise_of(fit: Fit, heard: npt.NDArray[np.bool_]) -> Noise:
    """Return what is usual, from a fit over short windows and the blocks that both renderings have."""
    heard = heard & (fit.old > AUDIBLE)
    if not heard.any():
        return Noise(0.0, -np.inf, True, False)
    unexplained, signal = fit.unexplained[heard], fit.old[heard]
    low, middle, high = np.quantile(unexplained, [0.25, 0.5, 0.6])
    if middle <= LEAST / 100:
        return Noise(
            float(middle),
            -np.inf if middle == 0 else _db(float(np.median(unexplained / signal))),
            True,
            False,
        )
    relative_db = _db(float(np.quantile(unexplained / signal, 0.6)))
    steady = bool(_db(high) - _db(low) < STEADY_DB) or high < LEAST
    return Noise(float(middle), relative_db, steady, not steady and relative_db > LOSSY_DB)


def _db(power: float) -> float:
    return float(10 * np.log10(power + 1e-30))
