"""``withdraw``: take back a record that was a mistake, or a package that must not be used.

A package is taken back by its digest, for everybody who got it. Nothing is
erased: the withdrawal is a record of its own, and every look-up respects it.
What was sent is still out there; tell whoever has it.

Not here: finding records (``relkit.release.ledger``).
"""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass, field

from relkit.errors import UsageError
from relkit.manifest import ShippedRecord, WithdrawnRecord
from relkit.release import ledger
from relkit.release.ledger import Ledger, NoSuchRecordError
from relkit.release.workspace import Workspace, now
from relkit.store.locking import writing

_LEAST_DIGEST = 8  # characters of a package's digest that may stand for the whole


@dataclass(frozen=True)
class WithdrawReport:
    """What was taken back.

    Attributes:
        what: in words.
        holders: shipments that went out and are still with somebody.
    """

    record: WithdrawnRecord
    what: str
    holders: list[ShippedRecord] = field(default_factory=list)


def withdraw(workspace: Workspace, which: str, *, reason: str, never_sent: bool = False) -> WithdrawReport:
    """Record that an earlier record or a package does not count any more.

    Args:
        which: id of the record or digest of the package, or the start of it.
        reason: for whoever reads the history later.
        never_sent: the package was built and did not go out.

    Raises:
        UsageError: no such record or package, no reason, or it was withdrawn already.
    """
    if not reason.strip():
        raise UsageError("a withdrawal needs a reason", hint="Say why with --reason.")
    with writing(workspace.inside):
        book = ledger.read(workspace)
        of, target, what, holders = _meant(workspace, book, which, never_sent=never_sent)
        earlier = book.withdrawn.get(of)
        if earlier is not None:
            raise UsageError(
                f"{what} was withdrawn already: {earlier.reason}", hint="Nothing needs to be done."
            )
        record = WithdrawnRecord(
            format=1,
            id=secrets.token_hex(16),
            release_id=workspace.release_id,
            recorded_at=now().isoformat(),
            of=of,
            after=ledger.after(workspace, book),
            reason=reason.strip(),
            never_sent=never_sent,
        )
        ledger.write(workspace, record, target)
    return WithdrawReport(record, what, holders)


def _meant(
    workspace: Workspace, book: Ledger, which: str, *, never_sent: bool
) -> tuple[str, bytes, str, list[ShippedRecord]]:
    """Return the digest of what is meant, the commit that it is about, its name, and who still has it."""
    try:
        entry = book.find(which)
    except NoSuchRecordError:
        package = _package(book, which)
        if package is None:
            raise
        carried = [(record, entry) for record, entry in book.shipments if record.of == package]
        if never_sent:
            raise UsageError(
                f"{package[:12]} is a package, and --never-sent speaks of one shipment",
                hint=f"Shipments of it: {', '.join(record.id[:8] for record, _entry in carried)}.",
            ) from None
        verified = ledger.verified_shipment(workspace, carried[0][1])[1]
        holders = [record for record, entry in carried if book.taken_back(entry) is None]
        what = f"package {package[:12]} of revision {verified.manifest.revision}"
        return package, carried[0][1].held.target, what, holders
    ledger.check(workspace, entry)
    is_out = isinstance(entry.record, ShippedRecord) and not never_sent
    holders = [entry.record] if is_out and isinstance(entry.record, ShippedRecord) else []
    return entry.held.digest, entry.held.target, ledger.in_words(entry.record), holders


def _package(book: Ledger, which: str) -> str | None:
    """Return the digest of the one shipped package that begins so."""
    wanted = which.strip().lower()
    if not re.fullmatch(rf"[0-9a-f]{{{_LEAST_DIGEST},64}}", wanted):
        return None
    found = {record.of for record, _entry in book.shipments if record.of.startswith(wanted)}
    return found.pop() if len(found) == 1 else None
