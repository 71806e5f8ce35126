"""One change in several versions of a pack, told as one; and the version that lacks it.

A clean edit, its acapella and its DJ edit are muted at the same words. Their
times are the same, or apart by where the song begins in the DJ edit.

Not here: finding changes (``hearing``), where a passage lies in another version
(``passages``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from relkit.release.hearing import Region
from relkit.release.passages import Timeline

SAME_PLACE_S = 0.05  # a mute before a reverb and one after it do not end together to the sample
_JOINS = frozenset({"inserted", "removed"})
_WITH_VOCALS = frozenset({"full", "acapella", "tv"})


@dataclass(frozen=True)
class SharedChange:
    """One change.

    Attributes:
        kind: of its regions, of the first version's where they differ.
        places: start and end [s] in each version that has it.
        bars: where it begins, of the first version; None where nothing says where bars are.
        lacking: versions that should have it and do not, with the place [s] where it would be.
    """

    kind: str
    places: dict[str, tuple[float, float]]
    bars: str | None = None
    lacking: dict[str, tuple[float, float]] = field(default_factory=dict)


def shared_changes(timeline: Timeline, regions: Mapping[str, Sequence[Region]]) -> list[SharedChange]:
    """Return all changes in order of time, each once.

    Args:
        regions: of every version that has new audio.
    """
    found: list[SharedChange] = []
    for version, each in regions.items():
        for region in each:
            span = (region.start_s, region.end_s)
            mate = next((one for one in found if _same(timeline, one, version, span, region.kind)), None)
            if mate is not None:
                mate.places[version] = span
            else:
                found.append(
                    SharedChange(region.kind, {version: span}, timeline.bars_at(version, region.start_s))
                )
    for change in found:
        _note_lacking(timeline, change)
    return found


def _same(
    timeline: Timeline, change: SharedChange, version: str, span: tuple[float, float], kind: str
) -> bool:
    """Say whether a region is the change that another version has."""
    if version in change.places or (change.kind in _JOINS) != (kind in _JOINS):
        return False
    first, place = next(iter(change.places.items()))
    shift = timeline.shift(first, version)
    if shift is None:
        return False
    start, end = place[0] + float(shift), place[1] + float(shift)
    return max(start, span[0]) <= min(end, span[1]) + SAME_PLACE_S


def _note_lacking(timeline: Timeline, change: SharedChange) -> None:
    """Point out a version of the same rating, with vocals, in which the passage is and the change is not."""
    first, place = next(iter(change.places.items()))
    rating = _rating(timeline, first)
    if rating != "clean" or change.kind in _JOINS:
        return
    for version in timeline.entries:
        if version in change.places or _rating(timeline, version) != rating:
            continue
        if not _has_vocals(timeline, version):
            continue
        shift = timeline.shift(first, version)
        if shift is not None:
            change.lacking[version] = (place[0] + float(shift), place[1] + float(shift))


def _rating(timeline: Timeline, version: str) -> str | None:
    facts = timeline.entries[version].version
    return facts.rating if facts else None


def _has_vocals(timeline: Timeline, version: str) -> bool:
    facts = timeline.entries[version].version
    return facts is not None and facts.parts in _WITH_VOCALS
