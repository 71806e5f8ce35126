"""How well did a comparison hear the edits of a generated pair? Held against the truth about the pair.

Conventions
    near       an edge is near enough within 5 ms, through MP3 within 10 ms
    verdict    every verdict must be right; "noise" may be added, since a change of level leaves some

Not here: making pairs (``hearing_pairs``), counting over many (``tests/bench/hearing.py``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from relkit.measure.comparison import Comparison
from relkit.measure.regions import Region
from tests.support.hearing_pairs import Edit, Pair
from tests.support.rendered_pairs import RATE_HZ

WITHIN_S, WITHIN_MP3_S = 0.005, 0.010
ABOUT_S = 0.02  # [s] a region so near to an edit speaks of it
EXPECTED = {"mute": "muted", "swap": "muted", "fade": "faded", "insert": "inserted", "remove": "removed"}
"""Kinds that an edit may be called; a reversed or bleeped word is replaced, or added to silence."""


@dataclass(frozen=True)
class Score:
    """How one pair was heard.

    Attributes:
        missed: edits that no region covers.
        false: regions where nothing was done.
        off_s: error of each edge of the edits that were found, with the edit [s].
        verdict: whether the verdicts are right.
        named: edits found under the right name.
    """

    missed: tuple[Edit, ...]
    false: tuple[Region, ...]
    off_s: tuple[tuple[Edit, float], ...]
    verdict: bool
    named: int


def wanted_verdicts(made: Pair) -> set[str]:
    """Return what a comparison must say besides bit depth."""
    if not made.edits and np.array_equal(made.old, made.new):
        return set()
    wanted: set[str] = {word for word in ("gain", "offset", "polarity") if word in made.done}
    if made.edits:
        wanted.add("edited")
    if "mp3" in made.done:
        wanted.add("lossy")
    elif made.done & {"dither", "16-bit"}:
        wanted.add("noise")
    return wanted


def fade_edges(made: Pair, edit: Edit, edge_db: float) -> tuple[int, int]:
    """Return where the gain of a fade passes the stated level."""
    span = slice(max(0, edit.first - RATE_HZ // 4), edit.end + RATE_HZ // 4)
    change = made.gain[span] - 1
    side = np.sign(change[np.argmax(np.abs(change))])
    inside = np.flatnonzero(change * side > 10 ** (edge_db / 20))
    return span.start + int(inside[0]), span.start + int(inside[-1]) + 1


def score(made: Pair, heard: Comparison) -> Score:
    """Hold a comparison against the truth."""
    left = list(heard.regions)
    missed: list[Edit] = []
    off: list[tuple[Edit, float]] = []
    named = 0
    for edit in made.edits:
        margin = round(ABOUT_S * RATE_HZ)
        here = [
            region
            for region in left
            if region.new_first < max(edit.new_end, edit.new_first + 1) + margin
            and region.new_end > edit.new_first - margin
            and (edit.kind in ("insert", "remove")) == (region.kind in ("inserted", "removed"))
        ]
        if not here:
            missed.append(edit)
            continue
        left = [region for region in left if region not in here]
        named += all(region.kind == EXPECTED.get(edit.kind, region.kind) for region in here)
        first, end = edit.first, edit.end
        if edit.kind == "fade":
            first, end = fade_edges(made, edit, here[0].edge_db)
        edges = [(here[0].old_first, first), (here[-1].old_end, end)]
        if edit.kind == "insert":
            edges = [(here[0].new_first, edit.new_first), (here[-1].new_end, edit.new_end)]
        off.extend((edit, (found - true) / RATE_HZ) for found, true in edges)
    said = {str(verdict) for verdict in heard.verdicts} - {"bit depth", "same samples"}
    wanted = wanted_verdicts(made)
    right = said - {"noise"} == wanted - {"noise"} and ("noise" in said or "noise" not in wanted)
    return Score(tuple(missed), tuple(left), tuple(off), right, named)


def edges_within(made: Pair, scored: Score) -> list[bool]:
    """Return for each edge whether it is near enough."""
    allowed = WITHIN_MP3_S if "mp3" in made.done else WITHIN_S
    return [abs(off) <= allowed for _, off in scored.off_s]
