"""How much of one mix is in another, and when? A vocal left in an instrumental, drums in an acapella.

Both are cut into short blocks and narrow cells of frequency. If a share of the first is in the second,
then in each cell the second is that share of the first plus something unrelated; the share is found by
least squares over many cells, each weighted by how quiet the second is there. What two unrelated mixes
in the same key and tempo have in common by chance is measured on the same material, the first shifted
in time, and only what stands far out of that is reported.

Conventions
    share      real factor, the same for a stretch of time: leaks are taken to have no delay and no
               phase of their own. Line the two up first (``relkit.measure.align``).
    level      [dB] energy of the found share re the mean energy of ``in_`` where it is not silent;
               both between 80 Hz and 16 kHz. A share of a voice in a mix reads up to 2 dB low.
    times      [s] from the first frame of both
    channels   compared as mean and half difference of the first two; mono as mean

Not here: lining up, and what is a fault (``relkit.qc``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.measure.crossing import Crossing, cross
from relkit.measure.excerpts import Recording, recording, require_rate
from relkit.measure.stretches import Stretch, find_stretches, share_in

Vector = npt.NDArray[np.float64]

STEP_S = 0.25  # [s] of the curve over time
AUDIBLE = 1e-4  # [power ratio] blocks of ``in_`` 40 dB below its loudest do not count for its mean


@dataclass(frozen=True)
class Burst:
    """A stretch of time in which a share was found.

    Attributes:
        start_s, end_s: [s].
        level_db: mean over the stretch, re the mean level of the whole other mix.
        share_db: the share itself, re ``of`` as it was given.
    """

    start_s: float
    end_s: float
    level_db: float
    share_db: float


@dataclass(frozen=True)
class Presence:
    """How much of ``of`` is in ``in_``.

    Attributes:
        times_s: middle of each step of the curve.
        level_db: for each step; -inf where nothing was found.
        overall_db: energy of all that was found re the energy of ``in_``; -inf if nothing was found.
        bursts: in order of time. A steady leak is one long burst; a louder one within it comes as well.
    """

    times_s: Vector
    level_db: Vector
    overall_db: float
    bursts: tuple[Burst, ...]


def presence(of: Recording | npt.NDArray[Any], in_: Recording | npt.NDArray[Any], rate_hz: int) -> Presence:
    """Find where and how loud ``of`` sounds in ``in_``.

    Args:
        of, in_: floating point, shape (frames, channels) or (frames,), full scale 1.0; or recordings,
            which are read once. Lined up to the sample. Where one is longer, the rest is not looked at.
        rate_hz: of both, 8000 to 384000.

    Returns:
        What was found; nothing where one of the two is silent, or their common length under 0.2 s.

    Raises:
        ValueError: a rate, dtype or shape outside of these.
    """
    require_rate(rate_hz)
    crossing = cross(recording(of), recording(in_), rate_hz)
    stretches = find_stretches(crossing)
    found = np.zeros(len(crossing.in_power))  # energy of the share in each block
    bursts = []
    mean = _audible_mean(crossing.in_power)
    for stretch in sorted(stretches, key=lambda each: each.depth):
        energy = _share_energy(crossing, stretch)
        inside = slice(stretch.first, stretch.end)
        found[inside] = np.maximum(found[inside], energy)
        bursts.append(
            Burst(
                start_s=max(0.0, (stretch.first - 0.5) * crossing.hop_s),
                end_s=min(crossing.seconds, (stretch.end - 0.5) * crossing.hop_s),
                level_db=_decibels(float(energy.mean()), mean),
                share_db=_decibels(stretch.share**2, 1.0),
            )
        )
    bursts.sort(key=lambda burst: (burst.start_s, -burst.end_s))
    times, levels = _curve(found, mean, crossing)
    overall_db = _decibels(float(found.sum()), float(crossing.in_power.sum()))
    return Presence(times, levels, overall_db, tuple(bursts))


def _share_energy(crossing: Crossing, stretch: Stretch) -> Vector:
    """Return the energy of the share in each block of a stretch, by its own factor in each band."""
    inside = slice(stretch.first, stretch.end)
    weights = crossing.weights[inside].sum(axis=0)
    shares = share_in(crossing, stretch.first, stretch.end, by_band=True)
    # A band with little to say is drawn to the share of all bands.
    trust = weights / (weights + weights.sum() / len(weights))
    shares = trust * shares + (1 - trust) * stretch.share
    energy: Vector = crossing.of_power[inside] @ shares**2
    return energy


def _audible_mean(power: Vector) -> float:
    """Return the mean energy of the blocks that are not silent."""
    if not power.any():
        return 0.0
    return float(power[power > AUDIBLE * power.max()].mean())


def _curve(found: Vector, mean: float, crossing: Crossing) -> tuple[Vector, Vector]:
    """Return times and levels in steps of ``STEP_S``."""
    count = math.ceil(crossing.seconds / STEP_S)
    times: Vector = (np.arange(count) + 0.5).astype(np.float64) * STEP_S
    step = np.minimum((np.arange(len(found)) * crossing.hop_s / STEP_S).astype(int), max(count - 1, 0))
    blocks = np.maximum(np.bincount(step, minlength=count), 1)
    energies = np.bincount(step, weights=found, minlength=count) / blocks
    return times, np.array([_decibels(float(energy), mean) for energy in energies])


def _decibels(energy: float, reference: float) -> float:
    """Return the ratio of two energies [dB]; -inf if there is none of the first."""
    return 10 * math.log10(energy / reference) if energy > 0 and reference > 0 else -math.inf
