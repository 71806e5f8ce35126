"""``history``: revisions, shipments and withdrawals in one list, newest first.

Shows what was recorded, as it was recorded. It does not check signatures, so
that it is quick; ``audit`` does.

Not here: what a recipient holds now.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

from relkit.manifest import Record, RevisionManifest, WithdrawnRecord
from relkit.release import ledger
from relkit.release.workspace import Workspace


@dataclass(frozen=True)
class Event:
    """One line of the diary: a revision or a record.

    Attributes:
        day: it stands under this one.
        recorded_at: when it was written down.
        digest: of the manifest or record.
        withdrawn: the withdrawal, if it was taken back.
    """

    day: str
    recorded_at: str
    digest: str
    revision: RevisionManifest | None = None
    record: Record | None = None
    withdrawn: WithdrawnRecord | None = None


@dataclass(frozen=True)
class HistoryReport:
    """The newest events, and whether there are older ones."""

    events: list[Event]
    more: bool


def history(workspace: Workspace, limit: int | None = None) -> HistoryReport:
    """Return what happened, newest first.

    Args:
        limit: the most events to return; None returns all.
    """
    book = ledger.read(workspace)
    revisions = list(islice(workspace.walk(), limit + 1 if limit is not None else None))
    events = [
        Event(
            manifest.recorded_at[:10],
            manifest.recorded_at,
            held.digest,
            revision=manifest,
            withdrawn=book.withdrawn.get(held.digest),
        )
        for manifest, held in revisions
    ]
    for entry in reversed(book.entries):  # what the sort below leaves together is newest first, too
        record = entry.record
        events.append(
            Event(
                ledger.day_of(record),
                record.recorded_at,
                entry.held.digest,
                record=record,
                withdrawn=book.taken_back(entry),
            )
        )
    numbers = {held.digest: manifest.revision for manifest, held in revisions}

    def order(event: Event) -> tuple[str, str, int, bool]:
        """A late entry stands under its own day; within a day and second, in the order of writing.

        A record names the newest revision that was there before it.
        """
        if event.record is None:
            return (event.day, event.recorded_at, numbers[event.digest], False)
        known = max((numbers.get(digest, 0) for digest in event.record.after), default=0)
        return (event.day, event.recorded_at, known, True)

    events.sort(key=order, reverse=True)
    more = limit is not None and len(events) > limit
    return HistoryReport(events[:limit], more)
