"""When can somebody talk, and when can the next record begin? Times in one file of a song.

The first word is found in the acapella, never in the mix, where a lead synth
could be one. A version without lead vocal has no first word, and a version
whose acapella is not there has none that is known.

Conventions
    times   [s] from the first sample of the file

Sources
    What a talk-up and a segue are: common practice, no published source.

Not here: finding edges in levels (``relkit.measure.audible``), writing timers
(``relkit.pack.cart``).
"""

from __future__ import annotations

from collections.abc import Iterable

from relkit.manifest import VersionFacts
from relkit.measure.audible import Envelope, falls_away_s, first_word_s
from relkit.pack.facts import Timers

_WITH_LEAD = frozenset({"full", "acapella"})


def vocal_of(version: VersionFacts, versions: Iterable[VersionFacts]) -> VersionFacts | None:
    """Return the acapella in which the first word of a version can be found, or None.

    It has the same length group and language. The one with the same rating is
    taken first: where the clean edit drops the first word, it begins later.
    Among others of the group the explicit one, whose words begin no later.
    """
    if version.parts not in _WITH_LEAD:
        return None
    vocals = [
        other
        for other in versions
        if other.parts == "acapella"
        and (other.length_group, other.language) == (version.length_group, version.language)
    ]
    if not vocals:
        return None
    return min(
        vocals,
        key=lambda other: (
            other.id != version.id,
            other.rating != version.rating,
            not other.may_be_explicit,
            other.id,
        ),
    )


def timers(
    own: Envelope | None,
    *,
    vocal: Envelope | None = None,
    vocal_later_s: float = 0.0,
    vocal_from_s: float | None = None,
    ending: str | None = None,
) -> Timers:
    """Return the times of one file; what is not certain is None.

    Args:
        own: the levels of this file; None where it was not measured.
        vocal: the levels of its acapella, as ``vocal_of`` names it.
        vocal_later_s: how much later the song lies in this file than in the acapella, as in a DJ edit.
        vocal_from_s: the first word as declared; goes before what is measured.
        ending: "cold" or "fade" as declared. A cold ending is there until its last sound.
    """
    if vocal_from_s is None and vocal is not None:
        found = first_word_s(vocal)
        vocal_from_s = None if found is None else found + vocal_later_s
    span = own.audible_span_s() if own is not None else None
    if own is None or span is None:
        return Timers(vocal_from_s=vocal_from_s)
    if vocal_from_s is not None and vocal_from_s > span[1]:
        vocal_from_s = None
    segue_s = span[1] if ending == "cold" else falls_away_s(own)
    if segue_s is not None:
        segue_s = min(max(segue_s, span[0]), span[1])
    return Timers(span[0], span[1], vocal_from_s, segue_s)
