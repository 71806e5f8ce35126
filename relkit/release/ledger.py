"""Records: reading them in order, checking one, and writing the next.

Every record names the newest records and revision that were there before it.
So the records form a chain in which any missing or moved link shows, except at
its very end; the end is noted in the user's folder.

Order is (day, recorded_at, what comes after what, id): the day is ``shipped_on`` for a shipment,
``replied_on`` for a reply, and the day of recording, in UTC, for anything else.

Not here: what is decided from records (``ship``, ``checkout``, ``withdraw``).
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from itertools import groupby

from relkit.errors import DamagedError, UsageError
from relkit.filenames import shown
from relkit.manifest import (
    RECORD_NAMESPACE,
    ApprovedRecord,
    Record,
    ReplyRecord,
    ShippedRecord,
    WithdrawnRecord,
    as_document,
    read_record,
)
from relkit.release.remembering import Known, remember
from relkit.release.workspace import VerifiedPackage, Workspace, WrongReleaseError
from relkit.store import records
from relkit.store.records import HeldRecord

_LEAST_ID = 4  # characters of an id that may stand for the whole
SHORT_ID = 8  # characters of an id that stand in words for people


class NoSuchRecordError(UsageError):
    """No record has that id."""


class MovedRecordError(DamagedError):
    """A record's reference, tag and text do not agree."""


@dataclass(frozen=True)
class Entry:
    """One record with how it lies in the store."""

    record: Record
    held: HeldRecord

    @property
    def order(self) -> tuple[str, str, str]:
        """What records are sorted by."""
        return (day_of(self.record), self.record.recorded_at, self.record.id)


@dataclass(frozen=True)
class Ledger:
    """All records, oldest first. Form is checked, signatures are not (``check`` does one)."""

    entries: list[Entry]

    @cached_property
    def shipments(self) -> list[tuple[ShippedRecord, Entry]]:
        """Every shipment, also a withdrawn one."""
        return [(entry.record, entry) for entry in self.entries if isinstance(entry.record, ShippedRecord)]

    @cached_property
    def withdrawn(self) -> dict[str, WithdrawnRecord]:
        """What was taken back: the digest of the record or package, and why.

        A withdrawal that was itself withdrawn takes nothing back.
        """
        found: dict[str, WithdrawnRecord] = {}
        for entry in reversed(self.entries):  # newest first: whatever takes a withdrawal back is newer
            if isinstance(entry.record, WithdrawnRecord) and entry.held.digest not in found:
                found[entry.record.of] = entry.record
        return found

    @cached_property
    def replies(self) -> list[tuple[ReplyRecord, Entry]]:
        """Every reply that counts: neither it nor the shipment that it is about was taken back."""
        shipped = {entry.held.digest: entry for _record, entry in self.shipments}
        return [
            (entry.record, entry)
            for entry in self.entries
            if isinstance(entry.record, ReplyRecord)
            and entry.held.digest not in self.withdrawn
            and (entry.record.of not in shipped or self.taken_back(shipped[entry.record.of]) is None)
        ]

    def taken_back(self, entry: Entry) -> WithdrawnRecord | None:
        """Return the withdrawal of a record or, for a shipment, of the package that it carried."""
        by_itself = self.withdrawn.get(entry.held.digest)
        if by_itself is None and isinstance(entry.record, ShippedRecord):
            return self.withdrawn.get(entry.record.of)
        return by_itself

    def heads(self) -> list[str]:
        """Return the digests that no other record is after."""
        followed = {digest for entry in self.entries for digest in entry.record.after}
        return sorted(entry.held.digest for entry in self.entries if entry.held.digest not in followed)

    def find(self, text: str) -> Entry:
        """Return the record that a person means: its id, the start of it, or its reference.

        Raises:
            NoSuchRecordError: none or several.
        """
        wanted = text.strip().lower()
        wanted = wanted if len(wanted) >= _LEAST_ID else "\0"
        found = [
            entry
            for entry in self.entries
            if entry.record.id.startswith(wanted) or entry.record.ref == text.strip()
        ]
        if len(found) == 1:
            return found[0]
        raise NoSuchRecordError(
            f"{len(found)} records have the id {shown(text)}"
            if found
            else f"no record is called {shown(text)}",
            hint="relkit history shows every record with its id; give at least four characters of it.",
        )


def day_of(record: Record) -> str:
    """Return the civil day that a record stands under."""
    if isinstance(record, ShippedRecord):
        return record.shipped_on
    return record.replied_on if isinstance(record, ReplyRecord) else record.recorded_at[:10]


def read(workspace: Workspace) -> Ledger:
    """Read all records.

    Raises:
        DamagedError: one cannot be read; ``relkit audit`` says which all.
    """
    found, kept = [], workspace.kept
    for ref, tag in records.references(workspace.repository).items():
        if (ref, tag) not in kept:
            kept[ref, tag] = entry_of(records.read(workspace.repository, ref, tag))
        found.append(kept[ref, tag])
    return Ledger(_in_order(found))


def _in_order(entries: list[Entry]) -> list[Entry]:
    """Sort records; of one day and second, what names another as earlier comes after it."""
    ordered = sorted(entries, key=lambda entry: entry.order)
    place: dict[str, int] = {}
    for _day_and_time, group in groupby(ordered, key=lambda entry: entry.order[:2]):
        waiting = list(group)
        while waiting:
            unseen = {entry.held.digest for entry in waiting}
            # A ring cannot be: each digest covers those that it names.
            ready = [entry for entry in waiting if not unseen.intersection(entry.record.after)]
            place |= {entry.held.digest: len(place) + number for number, entry in enumerate(ready)}
            waiting = [entry for entry in waiting if entry.held.digest not in place]
    return sorted(ordered, key=lambda entry: place[entry.held.digest])


def entry_of(held: HeldRecord) -> Entry:
    """Read what a record says.

    Raises:
        DamagedError: it is not canonical JSON, or no record.
    """
    from relkit.trust.canonical import parse_canonical

    what = f"the record {held.ref}"
    return Entry(read_record(parse_canonical(held.body, what=what), what=what), held)


def check(workspace: Workspace, entry: Entry) -> str:
    """Check one record wholly, and return who signed it.

    Raises:
        DamagedError: changed, moved, or of another release.
        UntrustedSignerError: signed by a key that is not trusted here.
    """
    from relkit.trust.sshsig import verify

    record, held = entry.record, entry.held
    what = f"the record {held.ref}"
    if not held.ref == held.name == record.ref:
        raise MovedRecordError(
            f"{what} was moved or renamed: it says {shown(record.ref)}", hint="Run relkit audit."
        )
    if record.release_id != workspace.release_id:
        raise WrongReleaseError(
            f"{what} belongs to another release ({record.release_id[:12]})", hint="Run relkit audit."
        )
    recorded = datetime.fromisoformat(record.recorded_at)
    if recorded != held.moment:
        raise MovedRecordError(f"{what} and its tag disagree about the time", hint="Run relkit audit.")
    key = verify(held.signature, held.payload, RECORD_NAMESPACE, what=f"the signature of {what}")
    return workspace.home.trusted.principal_of(key, RECORD_NAMESPACE, recorded)


def verified_shipment(workspace: Workspace, entry: Entry) -> tuple[ShippedRecord, VerifiedPackage]:
    """Check a shipment's record and its package, and that they belong together.

    Raises:
        UsageError: the record is no shipment.
        DamagedError, UntrustedSignerError: anything does not fit.
    """
    record = entry.record
    if not isinstance(record, ShippedRecord):
        raise UsageError(
            f"{entry.held.ref} is no shipment", hint="relkit history shows shipments with their ids."
        )
    check(workspace, entry)
    package = workspace.verified_package(entry.held.target)
    if package.held.digest != record.of:
        raise DamagedError(
            f"shipment {record.id[:8]} points to another package than it says",
            hint="Run relkit audit; restore .relkit from a copy.",
        )
    return record, package


def standing(workspace: Workspace, book: Ledger) -> list[tuple[ShippedRecord, Entry]]:
    """Return the shipments that count, oldest first; the withdrawals that say so are checked.

    The shipments are not: ``verified_shipment`` does the one that is chosen.

    Raises:
        DamagedError, UntrustedSignerError: a withdrawal is not what a trusted signer wrote.
    """
    for entry in book.entries:
        if isinstance(entry.record, WithdrawnRecord):
            check(workspace, entry)
    return [(record, entry) for record, entry in book.shipments if book.taken_back(entry) is None]


def after(workspace: Workspace, ledger: Ledger) -> list[str]:
    """Return what a new record comes after: the newest records and the newest revision."""
    newest = workspace.newest_held()
    return sorted([*ledger.heads(), *([newest.digest] if newest else [])])


def write(workspace: Workspace, record: Record, target: bytes) -> Entry:
    """Sign and store a record; under the release's lock.

    Args:
        target: the commit that it is about.
    """
    from relkit.trust.canonical import canonical_bytes
    from relkit.trust.sshsig import sign

    key = workspace.home.signing_key()
    body = canonical_bytes(as_document(record))
    tag = records.write(
        workspace.repository,
        ref=record.ref,
        target=target,
        body=body,
        moment=datetime.fromisoformat(record.recorded_at),
        sign=lambda payload: sign(payload, key, RECORD_NAMESPACE),
    )
    entry = entry_of(records.read(workspace.repository, record.ref, tag))
    remember(workspace.home, workspace.release_id, [Known(entry.held.digest, in_words(record))])
    with contextlib.suppress(OSError):  # the record is written; room to tidy up may come later
        workspace.repository.tidy()
    return entry


def in_words(record: Record) -> str:
    """Describe a record in one line, for lists and for what audit misses."""
    if isinstance(record, ShippedRecord):
        return (
            f"shipment {record.id[:SHORT_ID]} of revision {record.revision} "
            f"to {shown(record.recipient.name)} on {record.shipped_on}"
        )
    if isinstance(record, WithdrawnRecord):
        return f"withdrawal {record.id[:SHORT_ID]} ({shown(record.reason)})"
    if isinstance(record, ReplyRecord):
        what = f"rejection {record.number}" if record.number else f"reply ({shown(record.answer)})"
        return f"{what} {record.id[:SHORT_ID]} by {shown(record.recipient.name)} on {record.replied_on}"
    if isinstance(record, ApprovedRecord):
        return (
            f"approval {record.id[:SHORT_ID]} of revision {record.revision} by {shown(record.by)} "
            f"({shown(record.role)})"
        )
    return f"record {record.id[:SHORT_ID]} ({shown(record.type)})"


def concerned(record: Record) -> list[str]:
    """Return whom a record is about, with the day and the versions."""
    if isinstance(record, ShippedRecord):
        return [
            f"{shown(record.recipient.name)} ({record.shipped_on}): {', '.join(map(shown, record.versions))}"
        ]
    if isinstance(record, ReplyRecord):
        return [f"{shown(record.recipient.name)} ({record.replied_on}): {shown(record.answer)}"]
    return []
