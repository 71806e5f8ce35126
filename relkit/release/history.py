"""``history``: what happened to a release, as a diary, newest first.

Revisions, shipments, replies, approvals and withdrawals in one list. What
belongs to one rejection (the shipment that was rejected, the rejection, the
revision that answers it, the next shipment to whoever rejected it) carries its
number, so that it can be read as one thread.

Shows what was recorded, as it was recorded. It does not check signatures, so
that it is quick; ``audit`` does.

Not here: what a recipient holds now (``shipments``), the diary as a table (``diary``).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import islice

from relkit.errors import UsageError
from relkit.manifest import Record, RevisionManifest, ShippedRecord, WithdrawnRecord
from relkit.release import ledger
from relkit.release.ledger import Ledger
from relkit.release.rejections import Rejection, all_rejections
from relkit.release.workspace import Workspace


class NoSuchRejectionError(UsageError):
    """No rejection has that number."""


@dataclass(frozen=True)
class Event:
    """One line of the diary: a revision or a record.

    Attributes:
        day: it stands under this one.
        recorded_at: when it was written down.
        digest: of the manifest or record.
        withdrawn: the withdrawal, if it was taken back.
        rejections: numbers of the rejections whose thread it belongs to.
    """

    day: str
    recorded_at: str
    digest: str
    revision: RevisionManifest | None = None
    record: Record | None = None
    withdrawn: WithdrawnRecord | None = None
    rejections: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class HistoryReport:
    """The newest events, and whether there are older ones."""

    events: list[Event]
    more: bool


def history(workspace: Workspace, limit: int | None = None, *, rejection: int | None = None) -> HistoryReport:
    """Return what happened, newest first.

    Args:
        limit: the most events to return; None returns all.
        rejection: only what belongs to the rejection of this number.

    Raises:
        NoSuchRejectionError: there is none of that number.
    """
    book = ledger.read(workspace)
    rejections = all_rejections(workspace, book, withdrawn=True)
    if rejection is not None and all(each.number != rejection for each in rejections):
        numbers = ", ".join(str(each.number) for each in rejections)
        raise NoSuchRejectionError(
            f"there is no rejection {rejection}",
            hint=f"There are {numbers}." if numbers else "Nothing was rejected yet.",
        )
    threads = _threads(book, rejections)
    most = limit + 1 if limit is not None and rejection is None else None
    revisions = list(islice(workspace.walk(), most))
    events = [
        Event(
            manifest.recorded_at[:10],
            manifest.recorded_at,
            held.digest,
            revision=manifest,
            withdrawn=book.withdrawn.get(held.digest),
            rejections=[each.number for each in rejections if each.digest in manifest.answers],
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
                rejections=threads.get(entry.held.digest, []),
            )
        )
    numbers_of = {held.digest: manifest.revision for manifest, held in revisions}

    def order(event: Event) -> tuple[str, str, int, bool]:
        """A late entry stands under its own day; within a day and second, in the order of writing.

        A record names the newest revision that was there before it.
        """
        if event.record is None:
            return (event.day, event.recorded_at, numbers_of[event.digest], False)
        known = max((numbers_of.get(digest, 0) for digest in event.record.after), default=0)
        return (event.day, event.recorded_at, known, True)

    events.sort(key=order, reverse=True)
    if rejection is not None:
        events = [event for event in events if rejection in event.rejections]
    more = limit is not None and len(events) > limit
    return HistoryReport(events[:limit], more)


def _threads(book: Ledger, rejections: list[Rejection]) -> dict[str, list[int]]:
    """Return which records belong to which rejections, beside the revisions that answer them."""
    found: dict[str, list[int]] = {}
    for rejection in rejections:
        digests = [rejection.shipment, rejection.digest]
        again = _sent_again(book, rejection)
        for digest in digests if again is None else [*digests, again]:
            found.setdefault(digest, []).append(rejection.number)
    for entry in book.entries:
        if isinstance(entry.record, WithdrawnRecord) and entry.record.of in found:
            found[entry.held.digest] = found[entry.record.of]
    return found


def _sent_again(book: Ledger, rejection: Rejection) -> str | None:
    """Return the first shipment of an answer to whoever rejected, by its digest."""
    if rejection.is_open:
        return None
    return next(
        (
            entry.held.digest
            for record, entry in book.shipments
            if isinstance(record, ShippedRecord)
            and record.recipient.id == rejection.record.recipient.id
            and record.revision >= rejection.answered_by[0]
            and record.recorded_at >= rejection.record.recorded_at
            and entry.held.digest != rejection.shipment
            and book.taken_back(entry) is None
        ),
        None,
    )
