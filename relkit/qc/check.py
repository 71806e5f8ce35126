"""All rules together, over one pack.

What will be asked for is measured first, two things at a time; the rules then only look. So the order
of findings, and everything in them, does not depend on which thread was quicker.

Not here: single rules, and what is done about a finding.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from relkit.qc import (  # importing a module of rules registers them
    rules_bounce,  # noqa: F401
    rules_clean,
    rules_dj,  # noqa: F401
    rules_facts,  # noqa: F401
    rules_leaks,
    rules_level,  # noqa: F401
    rules_lines,
    rules_music,  # noqa: F401
)
from relkit.qc.ear import Ear
from relkit.qc.findings import SEVERITIES, Finding
from relkit.qc.pack import Bounce, Pack
from relkit.qc.rule import RULES

VERSION = "relkit-qc-1"
Job = Callable[[], object]


def check(pack: Pack, ear: Ear) -> list[Finding]:
    """Return what all rules find, the gravest first, else in the order of the rules."""
    ear.warm(partial(ear.heard, one) for one in _longest_first(pack))
    ear.warm(_pairs(pack, ear))
    ear.warm(_more(pack, ear))
    found = [finding for rule in RULES.values() for finding in rule.findings(pack, ear)]
    return sorted(found, key=lambda one: SEVERITIES.index(one.severity))


def _longest_first(pack: Pack) -> list[Bounce]:
    """Return the bounces so that two threads end at about the same time: the lead has most meters."""
    return sorted(pack.bounces, key=lambda one: (one is not pack.lead, -one.sound.frames))


def _pairs(pack: Pack, ear: Ear) -> Iterator[Job]:
    """Yield how the bounces lie to each other, which everything else asks for."""
    for first, others in rules_lines.members(pack):
        for one in others:
            if rules_lines.comparable(first, one):
                yield partial(ear.lie, first, one)
    for edit, song in pack.dj_edits():
        if rules_lines.comparable(song, edit):
            beats = pack.sheet.bars.meter.beats_per_bar
            yield partial(ear.joins, song, edit, rules_clean.beat_s(pack), beats)
    for clean, explicit in pack.clean_pairs():
        if rules_lines.comparable(explicit, clean):
            yield partial(ear.lie, explicit, clean)


def _more(pack: Pack, ear: Ear) -> Iterator[Job]:
    """Yield the longer comparisons, leaks before all, since they take longest."""
    for parts in ("acapella", "instrumental"):
        for of, in_ in rules_leaks.leaks(pack, parts):
            yield partial(ear.leak, of, in_, rules_leaks.offset_between(pack, ear, of, in_))
    yield lambda: list(rules_clean.word_left(pack, ear))
