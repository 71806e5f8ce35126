"""What a rule says: what is wrong, where, by how much, why it matters, what to do.

Conventions
    severity   "fail": a recipient would send it back; "warn": a professional would ask; "note":
               good to know
    places     times in the file of the first version named, [ms] from its first frame; a moment has
               equal start and end
    badness    how bad, on a scale of the rule's own: larger is worse. Two findings of one rule at
               one place are compared by it, never findings of two rules

Not here: rules (``rule``), whether somebody accepted a finding (``relkit.release.quality``).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Literal

Severity = Literal["fail", "warn", "note"]
SEVERITIES: tuple[Severity, ...] = ("fail", "warn", "note")  # gravest first
SHORT_ID = 8


@dataclass(frozen=True)
class Place:
    """Where in a file.

    Attributes:
        start_ms, end_ms: from its first frame.
        bars: the same in bars, "bar 33.2" or "bars 33.2-34.1"; None where the sheet gives no grid.
    """

    start_ms: int
    end_ms: int
    bars: str | None = None

    def __str__(self) -> str:
        time = clock(self.start_ms)
        if self.end_ms > self.start_ms:
            time += f"-{clock(self.end_ms)}"
        return f"{time} ({self.bars})" if self.bars else time

    def overlaps(self, other: Place, margin_ms: int) -> bool:
        """Whether two places are the same but for a margin."""
        return self.start_ms <= other.end_ms + margin_ms and other.start_ms <= self.end_ms + margin_ms


@dataclass(frozen=True)
class Finding:
    """One thing to look at.

    Attributes:
        rule: id of the rule; stays the same for ever.
        rule_version: goes up when the rule judges otherwise.
        severity: see the module's header.
        versions: ids of the versions it is about, the one to look at first; none for the whole pack.
        fault: what is wrong; one line.
        why: why it matters; one line.
        todo: what to do; one line.
        measured, expected: with their units, for people; empty where nothing was measured.
        places: where; see the module's header.
        badness: see the module's header.
        about_explicit: whether explicit material may be where none is expected.
    """

    rule: str
    rule_version: int
    severity: Severity
    versions: tuple[str, ...]
    fault: str
    why: str
    todo: str
    measured: str = ""
    expected: str = ""
    places: tuple[Place, ...] = ()
    badness: float = 0.0
    about_explicit: bool = False

    @property
    def id(self) -> str:
        """Eight digits that stand for rule, versions and place: the same as long as these are."""
        where = f"{self.places[0].start_ms} {self.places[0].end_ms}" if self.places else ""
        text = f"{self.rule}|{','.join(self.versions)}|{where}|{'' if where else self.fault}"
        return hashlib.sha256(text.encode()).hexdigest()[:SHORT_ID]


def clock(milliseconds: int) -> str:
    """Write a time as m:ss.mmm."""
    minutes, rest = divmod(milliseconds, 60_000)
    return f"{minutes}:{rest / 1000:06.3f}"
