"""What was sent to whom: finding the one shipment that a person means.

Withdrawn shipments are passed over: they never went out, or must not count.

Not here: writing the package out (``checkout``), what is owed (``shipments``).
"""

from __future__ import annotations

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import ShippedRecord
from relkit.release import ledger
from relkit.release.days import parsed_day, parsed_month
from relkit.release.ledger import Entry, Ledger
from relkit.release.recipients import AddressBook, Recipient, choose
from relkit.release.workspace import Workspace

_HINT = "relkit shipments shows what was sent to whom."


class NothingSentError(UsageError):
    """Nothing was sent to that recipient, or not by that day."""


def sent_entry(
    workspace: Workspace,
    book: Ledger,
    recipient: str,
    shipment: str | None = None,
    *,
    on: str | None = None,
    month: str | None = None,
) -> Entry:
    """Find the shipment that answers a question about somebody.

    Args:
        recipient: name, as it is now or was on the day, or the start of the id.
        shipment: id of one of theirs; None takes the newest.
        on: the newest that was shipped on or before this day.
        month: the newest that was shipped in this month, "yyyy-mm".

    Raises:
        UsageError: nobody or several of that name, or no such shipment to them.
    """
    sent = ledger.standing(workspace, book)
    somebody = who(workspace, [record for record, _entry in sent], recipient)
    theirs = [(record, entry) for record, entry in sent if record.recipient.id == somebody.id]
    if shipment is not None:
        found = book.find(shipment)
        if not any(entry.held.digest == found.held.digest for _record, entry in theirs):
            raise NothingSentError(
                f"{ledger.in_words(found.record)} did not go to {shown(somebody.name)}, or was withdrawn",
                hint=_HINT,
            )
        return found
    if not theirs:
        raise NothingSentError(f"nothing was sent to {shown(somebody.name)}", hint=_HINT)
    fitting = theirs
    when = ""
    if on is not None:
        last = parsed_day(on).isoformat()
        fitting, when = [row for row in theirs if row[0].shipped_on <= last], f"on or before {last}"
    elif month is not None:
        wanted = parsed_month(month)
        fitting, when = [row for row in theirs if row[0].shipped_on[:7] == wanted], f"in {wanted}"
    if not fitting:
        days = ", ".join(dict.fromkeys(record.shipped_on for record, _entry in theirs[-5:]))
        raise NothingSentError(
            f"nothing was sent to {shown(somebody.name)} {when}",
            hint=f"Shipments to them{' (the newest)' if len(theirs) > 5 else ''}: {days}.",
        )
    return fitting[-1][1]


def who(workspace: Workspace, sent: list[ShippedRecord], text: str) -> Recipient:
    """Find the recipient by any name that they had on some day or have now.

    Raises:
        UsageError: nobody or several; the candidates are listed.
    """
    named = [
        Recipient(record.recipient.id, record.recipient.name, record.recipient.kind or "") for record in sent
    ]
    now_known = AddressBook(workspace.home.folder).everybody()
    meant = [somebody for somebody in [*now_known, *named] if somebody.matches(text)]
    received = {record.recipient.id for record in sent}
    # Of two who share a name, the one who never received anything cannot be meant.
    likely = [somebody for somebody in meant if somebody.id in received]
    return choose(text, likely or meant or [*now_known, *named], hint=_HINT)
