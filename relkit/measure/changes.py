"""Which milliseconds of a song were changed, and which only follow from it? Cores and tails, in blocks.

An edit that was made before a compressor also changes, by a hair, the level of what comes after it.
What a slowly changing gain explains is therefore no change of its own: it is the tail of the change
before it. A gain that goes far, or has nothing before it, is a fade or a mute.

Conventions
    blocks     of about 1 ms, as in ``leftover``
    core       where the sound itself is another, or its level is far from what it was
    tail       what comes after a core until both are the same again

Sources
    Every threshold here: common practice, no source; tried on generated pairs (``tests/support``)

Not here: edges to the sample, names for what was done (``regions``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from relkit.measure.following import runs
from relkit.measure.leftover import Fit, Leftover, Vector, fitted, windowed
from relkit.measure.noise import Noise

Mask = npt.NDArray[np.bool_]

FIT_REACH = 2  # blocks on both sides over which a gain is fitted
WIDE_REACH = 5  # the same, to tell a fade from another sound: in a few milliseconds any bass is alike
NEAR_REACH = 2  # over which a difference is noticed
SIGNAL_REACH = 15  # over which the signal's level is taken: a codec's noise spreads
JOINED_S = 0.12  # changes closer than this are one: a word has silences
RING_DB, RING_DB_PER_BLOCK = 30.0, 0.2  # a filter rings on this far below a change, and falls off
FITTED_DB = -40.0  # re signal; a compressor's gain is not quite linear over a window
FAR_DB = 4.0  # no compressor stays so far away after an edit, ...
FARTHEST_DB = 12.0  # ... nor does one start its way back from so far away
EXPLAINED = 0.2  # part of a difference that a gain may leave unexplained
CURVED = 0.1  # the same, of a gain that changes so fast that it is no straight line over the window
CLEARLY = 2.0  # [power] times the limit, somewhere in a change
TOUCHING_S = 0.03
ANSWER_S = 0.2  # of what came before: to this a compressor answers
SMEAR_S = 0.045  # what differs so close to a cut belongs to it: a crossfade, a codec's smear
TAIL_S = 3.0  # a tail may be silent so long before it is heard again


@dataclass(frozen=True)
class Change:
    """A core with its tail, in blocks.

    Attributes:
        first, end: of the core.
        tail_end: of the tail; the core's end if there is none.
        fade: whether a gain explains the core.
        cut: whether it is a place where something was put in or taken out, which is known already.
    """

    first: int
    end: int
    tail_end: int
    fade: bool
    cut: bool = False


@dataclass(frozen=True)
class Heard:
    """What the search looks at, one value for each block.

    Attributes:
        rest: what is left.
        fit, wide: over ``FIT_REACH``, and over ``WIDE_REACH``.
        limit: [power] above which a difference means something.
        differs: where it is above the limit, over ``NEAR_REACH``.
        near: [power] mean square of the difference over ``NEAR_REACH``.
        edge_db: residual re the signal at which a fade begins and ends.
        block_s: length of a block [s].
    """

    rest: Leftover
    fit: Fit
    wide: Fit
    limit: Vector
    differs: Mask
    near: Vector
    edge_db: float
    block_s: float

    def blocks(self, seconds: float) -> int:
        """Return a length in blocks."""
        return max(1, round(seconds / self.block_s))


def heard(rest: Leftover, noise: Noise, edge_db: float, rate_hz: int) -> Heard:
    """Return what there is to hear in what is left."""
    fit = fitted(rest, FIT_REACH)
    signal = windowed(np.maximum(rest.old, rest.new), SIGNAL_REACH) / (2 * SIGNAL_REACH + 1) / rest.values
    limit = noise.limit(signal)
    near = windowed(rest.left, NEAR_REACH) / (2 * NEAR_REACH + 1) / rest.values
    return Heard(
        rest, fit, fitted(rest, WIDE_REACH), limit, near > limit, near, edge_db, rest.frames / rate_hz
    )


def changes(ear: Heard, cuts: list[tuple[int, int]]) -> list[Change]:
    """Return all changes in order of time.

    Args:
        ear: what there is to hear.
        cuts: first and end of each place where something was taken out, both the same where it was put in.
    """
    sounds = _other_sound(ear)
    cores = _joined(runs(sounds | _other_level(ear, sounds)), ear.blocks(JOINED_S))
    smear = ear.blocks(SMEAR_S)
    found = [Change(first, end, end, fade=False, cut=True) for first, end in cuts]
    for first, end in cores:
        if not _clear(ear, first, end):
            continue
        cut = next((each for each in cuts if first >= each[0] - smear and end <= each[1] + smear), None)
        if cut is None:
            found.append(Change(first, end, end, not _sound_differs(ear, first, end)))
    found.sort(key=lambda each: each.first)
    taken = np.zeros(len(ear.differs), bool)
    touching = ear.blocks(TOUCHING_S)
    for change in found:
        margin = smear if change.cut else touching
        taken[max(0, change.first - margin) : change.end + (smear if change.cut else 0)] = True
    for first, end in _joined(runs(ear.differs & ~taken), ear.blocks(JOINED_S)):
        found = _with_rest(ear, found, first, end)
    return sorted(found, key=lambda each: each.first)


def _other_sound(ear: Heard) -> Mask:
    """Return where no gain explains what is different."""
    unexplained = ear.fit.unexplained
    level_db = 10 * np.log10(unexplained + 1e-30)
    at = np.arange(len(level_db)) * RING_DB_PER_BLOCK
    lag = 2 * FIT_REACH
    ring_db = np.maximum.accumulate(level_db + at) - at - RING_DB
    ring_db = np.concatenate([np.full(lag, -np.inf), ring_db[:-lag]]) if len(ring_db) > lag else ring_db - 300
    enough = np.maximum(ear.fit.old * 10 ** (FITTED_DB / 10), CURVED * ear.fit.left)
    return (unexplained > np.maximum(ear.limit, enough)) & (level_db > ring_db)


def _other_level(ear: Heard, sounds: Mask) -> Mask:
    """Return where the same sound is at a level far away, together with the way there and back."""
    fit = ear.fit
    explained = (fit.unexplained < EXPLAINED * fit.left) & (fit.left > ear.limit)
    level = 20 * np.log10(np.clip(np.abs(fit.gain), 1e-3, 1e3))
    away = np.where(explained & (np.abs(fit.gain - 1) > 10 ** (ear.edge_db / 20)), np.sign(fit.gain - 1), 0)
    mask = np.zeros(len(away), bool)
    core = sounds.copy()
    lobes = sorted((*lobe, side) for side in (-1, 1) for lobe in _lobes(ear, away == side, sounds))
    for first, end, side in lobes:
        inside = level[first:end]
        if np.abs(inside).max() > FAR_DB and not (_recovers(inside) and _answers(ear, core, first, side)):
            mask[first:end] = core[first:end] = True
    return mask


def _lobes(ear: Heard, away: Mask, sounds: Mask) -> list[tuple[int, int]]:
    """Return where the gain is away on one side; noise may hide it for a moment, another sound may not."""
    lobes: list[tuple[int, int]] = []
    for first, end in runs(away):
        gap = slice(lobes[-1][1], first) if lobes else slice(0, 0)
        if lobes and gap.stop - gap.start < ear.blocks(JOINED_S) and not sounds[gap].any():
            lobes[-1] = (lobes[-1][0], end)
        else:
            lobes.append((first, end))
    return lobes


def _recovers(level: Vector) -> bool:
    """Whether a gain [dB] goes back from not too far away to nothing, as a compressor's does."""
    level = np.abs(level)
    early = level[: max(1, len(level) // 3)].max()
    return bool(
        early >= level.max() * 0.9 and early < FARTHEST_DB and level[-1 - len(level) // 10] < 0.5 * early
    )


def _answers(ear: Heard, core: Mask, first: int, side: int) -> bool:
    """Whether what comes right before was louder and this is softer, or the other way round."""
    near = core[max(0, first - ear.blocks(TOUCHING_S)) : first + 1]
    if not near.any():
        return False
    before = slice(max(0, first - ear.blocks(ANSWER_S)), first + 1)
    inside = core[before]
    louder = ear.rest.new[before][inside].sum() > ear.rest.old[before][inside].sum()
    return bool(louder == (side < 0))


def _sound_differs(ear: Heard, first: int, end: int) -> bool:
    """Whether within a stretch more is different than a gain explains."""
    inside = slice(first, end)
    return bool(ear.wide.unexplained[inside].sum() > EXPLAINED * ear.wide.left[inside].sum())


def _clear(ear: Heard, first: int, end: int) -> bool:
    """Whether a stretch is not only just above the limit."""
    return bool((ear.near[first:end] > CLEARLY * ear.limit[first:end]).any())


def _joined(stretches: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """Join what is closer than ``gap``."""
    joined: list[tuple[int, int]] = []
    for first, end in stretches:
        if joined and first - joined[-1][1] < gap:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((first, end))
    return joined


def _with_rest(ear: Heard, found: list[Change], first: int, end: int) -> list[Change]:
    """Make what still differs part of the tail before it, or a change of its own."""
    before = max((each for each in found if each.first < end), key=lambda each: each.first, default=None)
    behind = min((each for each in found if each.first >= end), key=lambda each: each.first, default=None)
    fade = not _sound_differs(ear, first, end)
    if behind is not None and behind.fade and fade and behind.first - end < 2 * ear.blocks(TOUCHING_S):
        return found  # the beginning of a fade, before the level at which it is said to begin
    silence = first - before.tail_end if before else 0
    faint = bool(ear.fit.left[first:end].sum() < 10 ** (FITTED_DB / 10) * ear.fit.old[first:end].sum())
    if before is not None and silence <= ear.blocks(TAIL_S if fade or faint else TOUCHING_S):
        tail = replace(before, tail_end=max(before.tail_end, end))
        return [tail if each is before else each for each in found]
    return [*found, Change(first, end, end, fade)] if _clear(ear, first, end) else found
