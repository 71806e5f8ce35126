"""Along which offsets does a new rendering follow an old one? Bars put in and taken out are followed.

The offset that most of the song agrees on comes from outside. Where the two stay unlike each other for
long, what the old one has there is looked for elsewhere in the new one; the cheapest way through all
offsets found, with a price for every change, is the path.

Conventions
    offset     frame of the new rendering at which frame 0 of the old one sounds
    unlike     0 where a gain and noise explain all that differs over 40 ms, 1 where nothing is common

Not here: the main offset (``align``), looking for others (``elsewhere``), the sample at which the offset
changes (``cutting``), what is different along the path (``changes``).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.cutting import cut_at
from relkit.measure.elsewhere import Elsewhere
from relkit.measure.excerpts import Recording
from relkit.measure.leftover import (
    SILENT,
    Leftover,
    Stretch,
    Vector,
    block_frames,
    leftover,
    windowed,
)

STEP_BLOCKS = 20  # of a millisecond: steps of the path
REACH_BLOCKS = 20
LIKE_DB = -35.0  # a residual this far below is all that is asked for, when nothing is known of the noise
UNLIKE_DB = -12.0  # nothing is in common: other bars of a loop are somewhat alike, and no reason to go there
CHANGE_STEPS = 10.0  # price of a change of offset, in steps where nothing is common
MISSING = 0.9  # price of a step of audio that only one of them has
MUTED = 0.02  # [power ratio] so much softer is not the same at another level
LOST_S, JOINED_S = 0.6, 1.0  # unlike for so long is looked for elsewhere; shorter likeness between is chance
FLANKED_S = 4.0  # shorter than this and alike on both sides: nothing was moved, something was replaced
AT_END_STEPS = 25
ROUNDS = 4
ALIKE = 0.3  # share of a song that is surely alike at the main offset


@dataclass(frozen=True)
class _Way:
    """One offset and how unlike the two are along it, for each step of the old rendering."""

    offset: int
    unlike: Vector


@dataclass(frozen=True)
class Followed:
    """The path, and what is left along it.

    Attributes:
        stretches: what both have in common, in order in both.
        rest: energies of what is left along them.
    """

    stretches: tuple[Stretch, ...]
    rest: Leftover


@dataclass(frozen=True)
class _Leg:
    """Steps ``first`` up to ``end`` along one offset."""

    offset: int
    first: int
    end: int


def follow(
    old: Recording,
    new: Recording,
    rate_hz: int,
    offset: int,
    gain: float,
    grain: int,
    *,
    exact: bool = False,
    wanted: npt.NDArray[np.bool_] | None = None,
) -> Followed:
    """Find the path, starting from a likely offset.

    Args:
        old, new: with the same number of channels.
        rate_hz: of both.
        offset: on which most agrees.
        gain: signed factor from old to new.
        grain, wanted: as in ``leftover``; what is not wanted is known to be the same.
        exact: whether a good part is known to be the same to the last bit.
    """
    frames = block_frames(rate_hz, grain)
    step = STEP_BLOCKS * frames

    def rest_along(stretches: tuple[Stretch, ...]) -> Leftover:
        return leftover(old, new, stretches, gain, frames, grain, wanted)

    rest = rest_along((_whole(old, new, offset),))
    usual = _Usual(0.0, LIKE_DB) if exact else _usual(rest)
    ways = [_Way(offset, _unlike(rest, usual, _whole(old, new, offset)))]
    longer = new.frames - old.frames
    legs = _cheapest(ways, step, longer)
    elsewhere: Elsewhere | None = None
    for _ in range(ROUNDS):
        lost = _lost(ways, legs, step, rate_hz)
        if not lost:
            break
        elsewhere = elsewhere or Elsewhere(old, new, rate_hz)
        known = [way.offset for way in ways]
        fresh = [each for each in elsewhere.offsets(lost, known) if all(abs(each - one) > 2 for one in known)]
        if not fresh:
            break
        for each in fresh:
            whole = _whole(old, new, each)
            along = leftover(old, new, (whole,), gain, frames, grain)
            ways.append(_Way(each, _unlike(along, usual, whole)))
        legs = _cheapest(ways, step, longer)
        used = {leg.offset for leg in legs}
        ways = [way for way in ways if way.offset in used]
    if len(legs) == 1 and legs[0].offset == offset:
        return Followed((_whole(old, new, offset),), rest)
    stretches = _stretches(old, new, legs, step, grain)
    return Followed(stretches, rest_along(stretches))


def _whole(old: Recording, new: Recording, offset: int) -> Stretch:
    """Return all that the two have in common in time at one offset."""
    first = min(max(0, -offset), old.frames)
    return Stretch(first, max(first, min(old.frames, new.frames - offset)), offset)


@dataclass(frozen=True)
class _Usual:
    """What is as like as it gets in a pair.

    Attributes:
        energy: that no gain explains, over the window of a step.
        db: [dB] re the energy of the new rendering there.
    """

    energy: float
    db: float


def _sums_around(rest: Leftover) -> tuple[Vector, Vector]:
    """Return, for the window of each step, the energy that no gain explains, and that of the new rendering.

    Where one of the two is far softer, which a gain would explain, too, all that there is is unexplained.
    """
    old, new, left, cross = (
        windowed(each, REACH_BLOCKS)[STEP_BLOCKS // 2 :: STEP_BLOCKS]
        for each in (rest.old, rest.new, rest.left, rest.cross)
    )
    silent = SILENT * rest.values * (2 * REACH_BLOCKS + 1)
    explained = np.where(old > silent, cross**2 / np.maximum(old, silent), 0)
    unexplained = np.maximum(left - explained, 0)
    softer, louder = np.minimum(old, new), np.maximum(old, new)
    apart = (louder > silent) & (softer < MUTED * louder)
    unexplained[apart] = louder[apart]
    return unexplained, np.maximum(np.where(apart, louder, new), silent)


def _usual(rest: Leftover) -> _Usual:
    """Return what is as like as it gets, along the main offset."""
    unexplained, new = _sums_around(rest)
    heard = new > 2 * SILENT * rest.values * (2 * REACH_BLOCKS + 1)
    if not heard.any():
        return _Usual(0.0, LIKE_DB)
    usual_db = 10 * np.log10(float(np.quantile(unexplained[heard] / new[heard], ALIKE)) + 1e-12)
    return _Usual(float(np.quantile(unexplained[heard], ALIKE)), float(np.clip(usual_db + 3, LIKE_DB, -9.0)))


def _unlike(rest: Leftover, usual: _Usual, common: Stretch) -> Vector:
    """Return how unlike the two are at each step, 0 to 1; 1 where there is no frame in common."""
    unexplained, new = _sums_around(rest)
    level = 10 * np.log10(np.maximum(unexplained - 4 * usual.energy, 0) / new + 1e-12)
    unlike: Vector = np.clip((level - usual.db) / max(UNLIKE_DB - usual.db, 6.0), 0, 1)
    step = STEP_BLOCKS * rest.frames
    unlike[: common.first // step] = 1
    unlike[-(-common.end // step) :] = 1
    return unlike


def _cheapest(ways: list[_Way], step: int, longer: int) -> list[_Leg]:
    """Return the cheapest path; where two ways are alike, the later change of offset.

    Args:
        ways: all that may be gone.
        step: frames of a step.
        longer: frames by which the new rendering is longer than the old one.
    """
    steps = len(ways[0].unlike)
    if len(ways) == 1:
        return [_Leg(ways[0].offset, 0, steps)]
    count = len(ways)
    apart = [[(b.offset - a.offset) / step for a in ways] for b in ways]  # [to][from]
    skipped = [[max(0, round(-gap)) for gap in row] for row in apart]
    prices = [[CHANGE_STEPS + MISSING * abs(gap) for gap in row] for row in apart]
    costs = [way.unlike.tolist() for way in ways]
    # What only the new one has at its beginning and end is missing, too, beyond what it has in any case.
    before = [MISSING * (way.offset - min(each.offset for each in ways)) / step for way in ways]
    behind = [MISSING * max(0, longer - way.offset) / step for way in ways]
    best = [[0.0] * steps for _ in ways]
    origin = [[0] * steps for _ in ways]
    for at in range(steps):
        for to in range(count):
            origin[to][at], cheapest = to, best[to][at - 1] if at else before[to]
            for start in range(count):
                reached = at - 1 - skipped[to][start]
                if start != to and reached >= 0 and best[start][reached] + prices[to][start] <= cheapest:
                    origin[to][at], cheapest = start, best[start][reached] + prices[to][start]
            best[to][at] = cheapest + costs[to][at]
    here = min(range(count), key=lambda way: best[way][-1] + behind[way])
    legs, at, end = [], steps - 1, steps
    while at >= 0:
        start = origin[here][at]
        if start != here:
            legs.append(_Leg(ways[here].offset, at, end))
            at -= skipped[here][start]
            here, end = start, at
        at -= 1
    legs.append(_Leg(ways[here].offset, 0, end))
    return legs[::-1]


def _lost(ways: list[_Way], legs: list[_Leg], step: int, rate_hz: int) -> list[tuple[int, int]]:
    """Return where in the old rendering [frames] the path has nothing in common for long, longest first."""
    unlike = np.ones(len(ways[0].unlike))
    for leg in legs:
        way = next(each for each in ways if each.offset == leg.offset)
        unlike[leg.first : leg.end] = way.unlike[leg.first : leg.end]
    for before, leg in itertools.pairwise(legs):
        unlike[before.end : leg.first] = 0  # taken out: known
    found: list[tuple[int, int]] = []
    for first, end in runs(unlike > 0.5):
        if found and (first - found[-1][1]) * step < JOINED_S * rate_hz:
            found[-1] = (found[-1][0], end)
        else:
            found.append((first, end))
    ends = {each for leg in legs for each in (leg.first, leg.end)}
    long = [
        (first * step, end * step)
        for first, end in found
        if (end - first) * step >= (LOST_S if _at_an_end(first, end, ends) else FLANKED_S) * rate_hz
    ]
    return sorted(long, key=lambda each: each[0] - each[1])


def _at_an_end(first: int, end: int, ends: set[int]) -> bool:
    """Whether a stretch of steps touches the beginning or the end of a leg."""
    return any(first - AT_END_STEPS <= each <= end + AT_END_STEPS for each in ends)


def runs(mask: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and end of every run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(first), int(end)) for first, end in edges.reshape(-1, 2)]


def _stretches(
    old: Recording, new: Recording, legs: list[_Leg], step: int, grain: int
) -> tuple[Stretch, ...]:
    """Place each change of offset to the sample."""
    firsts = [min(max(0, -legs[0].offset), old.frames)]
    ends = []
    for before, leg in itertools.pairwise(legs):
        low, high = (before.first + before.end) // 2 * step, (leg.first + leg.end) // 2 * step
        if leg.offset > before.offset:
            span = (low, high)
            cut = cut_at((old, new), span, before.end * step, (before.offset, leg.offset), grain)
            ends.append(cut)
            firsts.append(cut)
        else:
            span, near = (low + before.offset, high + leg.offset), before.end * step + before.offset
            cut = cut_at((new, old), span, near, (-before.offset, -leg.offset), grain)
            ends.append(cut - before.offset)
            firsts.append(cut - leg.offset)
    ends.append(max(firsts[-1], min(old.frames, new.frames - legs[-1].offset)))
    return tuple(
        Stretch(first, end, leg.offset)
        for first, end, leg in zip(firsts, ends, legs, strict=True)
        if end > first
    )
