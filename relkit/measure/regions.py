"""What was done to a song, and where? Each change with its edges to the sample, its kind and its tail.

Conventions
    first, end     frames, end behind the last one; counted in the old and in the new rendering, whose
                   frames lie apart by the offset, and by what was put in or taken out before
    difference     [dB] energy of new minus old, lined up and at one level, re the old one's, over the core
    muted          something is gone and nothing new is there: silence, or a voice out of a mix
    added          something new is there and nothing is gone
    replaced       both: a word played backwards, a tone over a muted voice, another take
    faded          the same sound at another level, constant or not
    inserted       something put in between, so that all that follows is later
    removed        something cut out, so that all that follows is earlier

Not here: the path along which the two are compared (``following``), words for people (``relkit.cli``).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from relkit.measure.changes import FIT_REACH, Change, Heard
from relkit.measure.edges import Pair, end_of, start_of
from relkit.measure.excerpts import excerpt
from relkit.measure.leftover import Leftover, Stretch
from relkit.measure.noise import ABOVE_STEADY_DB

Kind = Literal["muted", "replaced", "added", "inserted", "removed", "faded"]

ONE_SIDED = 0.2  # energy that came (or went), re the other: below it nothing came (or went)
SILENCE_DBFS = -60.0  # before and after a song; a codec rings into it
SILENT_DB = -12.0  # re the old rendering
STEP = 0.25  # of gain within a few milliseconds: a fade that begins or ends at once
LOUDEST_S = 0.05


@dataclass(frozen=True)
class Region:
    """One change.

    Attributes:
        kind: see the module's header.
        old_first, old_end, new_first, new_end: the audible core; old_first == old_end if inserted,
            new_first == new_end if removed.
        difference_db: see the module's header; 0 if inserted or removed.
        level_db: [dB] level of the new rendering over the core re the old one's; -inf if silent, 0 if
            inserted or removed.
        level_dbfs: RMS of the difference over the core, or of what was inserted or removed.
        tail_end: frame of the old rendering at which both are the same again; ``old_end`` if at once.
        tail_db: loudest 50 ms of the tail's difference [dB] re the old rendering; -inf without a tail.
        tail_dbfs: the same as RMS.
        edge_db: where a fade begins and ends: residual [dB] re the old rendering.
    """

    kind: Kind
    old_first: int
    old_end: int
    new_first: int
    new_end: int
    difference_db: float
    level_db: float
    level_dbfs: float
    tail_end: int
    tail_db: float
    tail_dbfs: float
    edge_db: float


def regions(
    pair: Pair, rest: Leftover, ear: Heard | None, found: list[Change], edge_db: float
) -> list[Region]:
    """Return all changes, and all that was put in or taken out, in order of time.

    Args:
        pair: the renderings.
        rest: what is left along their path.
        ear, found: what is heard of it; None and nothing if only bars put in or taken out are wanted.
        edge_db: where fades begin and end.
    """
    named: list[Region] = []
    joins = _joins(pair, edge_db)
    for change in found:
        if change.cut:
            first, end = change.first * rest.frames, change.end * rest.frames
            joins = [
                _with_tail(each, change, rest)
                if abs(each.old_first - first) < rest.frames and abs(each.old_end - end) < rest.frames
                else each
                for each in joins
            ]
        elif ear is not None:
            named.extend(_named(pair, rest, ear, change, edge_db))
    return sorted([*joins, *named], key=lambda each: (each.old_first, each.new_first))


def cuts(pair: Pair, frames: int) -> list[tuple[int, int]]:
    """Return in blocks where something was put in or taken out between stretches."""
    return [
        (before.end // frames, behind.first // frames)
        for before, behind in itertools.pairwise(pair.stretches)
    ]


def _with_tail(join: Region, change: Change, rest: Leftover) -> Region:
    """Return a cut with the tail behind it."""
    if change.tail_end <= change.end + 2:
        return join
    level = _tail_level(rest, change)
    return replace(
        join, tail_end=max(join.old_end, change.tail_end * rest.frames), tail_db=level[0], tail_dbfs=level[1]
    )


def _joins(pair: Pair, edge_db: float) -> list[Region]:
    """Return what was put in and taken out between stretches, and before the first and after the last."""
    stretches = [
        Stretch(0, 0, 0),
        *pair.stretches,
        Stretch(pair.old.frames, pair.old.frames, pair.new.frames - pair.old.frames),
    ]
    found = []
    for before, behind in itertools.pairwise(stretches):
        outside = before is stretches[0] or behind is stretches[-1]
        old_span = (before.end, behind.first)
        new_span = (before.end + before.offset, behind.first + behind.offset)
        for kind, source, span in (("removed", pair.old, old_span), ("inserted", pair.new, new_span)):
            if span[1] <= span[0]:
                continue
            level = _level_dbfs(source, span)
            if outside and level < SILENCE_DBFS:
                continue  # silence before or after is an offset or a length, no edit
            old_at, new_at = (old_span[0], new_span[1]) if kind == "inserted" else (old_span[1], new_span[0])
            found.append(
                Region(
                    kind="removed" if kind == "removed" else "inserted",
                    old_first=span[0] if kind == "removed" else old_at,
                    old_end=span[1] if kind == "removed" else old_at,
                    new_first=new_at if kind == "removed" else span[0],
                    new_end=new_at if kind == "removed" else span[1],
                    difference_db=0.0,
                    level_db=0.0,
                    level_dbfs=level,
                    tail_end=span[1] if kind == "removed" else old_at,
                    tail_db=-math.inf,
                    tail_dbfs=-math.inf,
                    edge_db=edge_db,
                )
            )
    return found


def _level_dbfs(source: object, span: tuple[int, int]) -> float:
    total, step = 0.0, 1 << 16
    for start in range(span[0], span[1], step):
        part = excerpt(source, start, min(step, span[1] - start))  # type: ignore[arg-type]
        total += float(np.vdot(part, part)) / part.shape[1]
    return _db(total / (span[1] - span[0]))


def _named(pair: Pair, rest: Leftover, ear: Heard, change: Change, edge_db: float) -> list[Region]:
    """Return a change with its edges and its kind, in parts where it lies on both sides of a cut."""
    found = []
    first, end = change.first * rest.frames, min(change.end * rest.frames, pair.old.frames)
    for stretch in pair.stretches:
        if min(end, stretch.end) - max(first, stretch.first) < min(rest.frames * 2, end - first):
            continue
        edges = _edges(pair, rest, ear, change, stretch)
        if edges[1] > edges[0]:
            found.append(_region(pair, rest, change, stretch, edges, edge_db))
    return found


def _edges(pair: Pair, rest: Leftover, ear: Heard, change: Change, stretch: Stretch) -> tuple[int, int]:
    """Return first and end of a core within one stretch."""
    first, end = change.first, change.end
    step = FIT_REACH + 3
    frames = rest.frames
    usual = float(ear.limit[first]) * 10 ** (-ABOVE_STEADY_DB / 10)
    usual_end = float(ear.limit[min(end, len(ear.limit) - 1)]) * 10 ** (-ABOVE_STEADY_DB / 10)
    gain = np.abs(ear.fit.gain - 1)
    at_once = [
        not change.fade or gain[min(first + step, len(gain) - 1)] > STEP,
        not change.fade or gain[max(end - 1 - step, 0)] > STEP,
    ]
    middle = (first + end) // 2 * frames
    start = first * frames + (FIT_REACH * frames if not change.fade else 0)
    stop = end * frames - (FIT_REACH * frames if not change.fade else 0)
    if stop <= start:
        start = stop = middle
    left = Stretch(stretch.first, min(stretch.end, max(middle, start) + frames), stretch.offset)
    right = Stretch(max(stretch.first, min(middle, stop) - frames), stretch.end, stretch.offset)
    begin = start_of(pair, start, left, usual) if at_once[0] else first * frames
    tail = change.tail_end > change.end + 2
    finish = end_of(pair, stop, right, usual_end, tail) if at_once[1] else end * frames
    return max(begin, stretch.first), min(finish, stretch.end)


def _region(
    pair: Pair, rest: Leftover, change: Change, stretch: Stretch, edges: tuple[int, int], edge_db: float
) -> Region:
    """Name a change by what came and what went."""
    old_energy = new_energy = left = came = went = 0.0
    step = pair.grain * (1 << 14)
    for start in range(edges[0], edges[1], step):
        length = min(step, edges[1] - start)
        length = max(pair.grain, length - length % pair.grain)
        old, new = (each.astype(np.float64) for each in pair.read(start, start + length, stretch.offset))
        rests = new - old
        old_energy += float(np.vdot(old, old))
        new_energy += float(np.vdot(new, new))
        left += float(np.vdot(rests, rests))
        came += float(np.vdot(rests, new))
        went -= float(np.vdot(rests, old))
    tail_db, tail_dbfs = _tail_level(rest, change)
    values = max(1, (edges[1] - edges[0]) // pair.grain * pair.old.channels)
    return Region(
        kind=_kind(change, old_energy, new_energy, came, went),
        old_first=edges[0],
        old_end=edges[1],
        new_first=edges[0] + stretch.offset,
        new_end=edges[1] + stretch.offset,
        difference_db=_db(left / old_energy) if old_energy else math.inf,
        level_db=_db(new_energy / old_energy) if old_energy else math.inf,
        level_dbfs=_db(left / values),
        tail_end=max(edges[1], min(change.tail_end * rest.frames, pair.old.frames))
        if change.tail_end > change.end
        else edges[1],
        tail_db=tail_db,
        tail_dbfs=tail_dbfs,
        edge_db=edge_db,
    )


def _kind(change: Change, old: float, new: float, came: float, went: float) -> Kind:
    if new < old * 10 ** (SILENT_DB / 10):
        return "muted"
    if change.fade:
        return "faded"
    if went > 0 and came < ONE_SIDED * went:
        return "muted"
    if came > 0 and went < ONE_SIDED * came:
        return "added"
    return "replaced"


def _tail_level(rest: Leftover, change: Change) -> tuple[float, float]:
    """Return the loudest 50 ms of a tail, re the old rendering and re full scale [dB]."""
    count = max(1, round(LOUDEST_S / 0.001))
    tail = slice(change.end + 2, change.tail_end)
    left, old = rest.left[tail], rest.old[tail]
    if not left.size:
        return -math.inf, -math.inf
    parts = range(0, len(left), count)
    lefts = np.array([left[at : at + count].mean() for at in parts])
    olds = np.array([old[at : at + count].mean() for at in parts])
    loudest = int(np.argmax(lefts))
    relative = lefts[loudest] / olds[loudest] if olds[loudest] else math.inf
    return _db(float(relative)), _db(float(lefts[loudest]) / rest.values)


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 0 else -math.inf
