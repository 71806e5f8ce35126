"""``withdraw``: take back a record that was a mistake, or a package that must not be used.

Nothing is erased: the withdrawal is a record of its own, and every look-up
respects it. What was sent is still out there; tell whoever has it.

Not here: finding records (``relkit.release.ledger``).
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from relkit.errors import UsageError
from relkit.manifest import Record, WithdrawnRecord
from relkit.release import ledger
from relkit.release.workspace import Workspace, now
from relkit.store.locking import writing


@dataclass(frozen=True)
class WithdrawReport:
    """What was taken back."""

    record: WithdrawnRecord
    withdrawn: Record


def withdraw(workspace: Workspace, which: str, *, reason: str, never_sent: bool = False) -> WithdrawReport:
    """Record that an earlier record does not count any more.

    Args:
        which: id of the record, or the start of it.
        reason: for whoever reads the history later.
        never_sent: the package was built and did not go out.

    Raises:
        UsageError: no such record, no reason, or it was withdrawn already.
    """
    if not reason.strip():
        raise UsageError("a withdrawal needs a reason", hint="Say why with --reason.")
    with writing(workspace.inside):
        book = ledger.read(workspace)
        entry = book.find(which)
        ledger.check(workspace, entry)
        earlier = book.withdrawn.get(entry.held.digest)
        if earlier is not None:
            raise UsageError(
                f"{ledger.in_words(entry.record)} was withdrawn already: {earlier.reason}",
                hint="Nothing needs to be done.",
            )
        record = WithdrawnRecord(
            format=1,
            id=secrets.token_hex(16),
            release_id=workspace.release_id,
            recorded_at=now().isoformat(),
            of=entry.held.digest,
            after=ledger.after(workspace, book),
            reason=reason.strip(),
            never_sent=never_sent,
        )
        ledger.write(workspace, record, entry.held.target)
    return WithdrawReport(record, entry.record)
