"""What may stand in the way of a shipment, and can be passed only with a recorded reason.

    explicit    something explicit would reach somebody who excludes it: audio, title or cover
    embargo     it would go out before the sheet allows
    approval    somebody whose approval the sheet asks for has not given it

Every gate is asked every time, so that one reason covers all that was seen, and
the record says what that was.

Not here: choosing what somebody gets (``wants``), building it (``packaging``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, time

from relkit.errors import FoundError
from relkit.filenames import shown
from relkit.manifest import ApprovedRecord, Gate, VersionFacts
from relkit.release.ledger import Ledger
from relkit.release.recipients import Recipient
from relkit.release.wants import excludes_explicit, forbidden
from relkit.release.workspace import VerifiedRevision
from relkit.sheet import Sheet
from relkit.sheet.checks import title_is_explicit


class ClosedGateError(FoundError):
    """Something stands in the way of a shipment.

    Attributes:
        gates: all of it.
    """

    def __init__(self, gates: Sequence[Gate]) -> None:
        findings = [finding for gate in gates for finding in gate.findings]
        more = f" (and {len(findings) - 1} more)" if len(findings) > 1 else ""
        super().__init__(
            f"not shipped: {findings[0]}{more}",
            hint=f"{_HINTS[gates[0].gate]} Or give the reason with --despite, which is recorded.",
        )
        self.gates = list(gates)


_HINTS = {
    "explicit": "Leave it out, or declare in the sheet what is clean.",
    "embargo": "Wait for the day, or correct embargo in the sheet.",
    "approval": "Record it with relkit approve.",
    "rejection": "Commit a bounce that answers it with --answers.",
}


def closed(
    recipient: Recipient,
    versions: Sequence[VersionFacts],
    sheet: Sheet,
    source: VerifiedRevision,
    book: Ledger,
    day: date,
    now: datetime,
) -> list[Gate]:
    """Return the gates that are closed to this shipment.

    Args:
        versions: that would go.
        sheet: of the revision.
        book: all records; withdrawn ones do not count.
        day: on which it goes or went.
        now: the present, with a zone.
    """
    found = {
        "explicit": list(_explicit(recipient, versions, sheet)),
        "embargo": list(_embargo(sheet, day, now)),
        "approval": list(_approval(sheet, source, book)),
    }
    return [Gate(gate=gate, findings=findings) for gate, findings in found.items() if findings]


def _explicit(recipient: Recipient, versions: Sequence[VersionFacts], sheet: Sheet) -> Iterator[str]:
    yield from forbidden(versions, recipient)
    if not excludes_explicit(recipient):
        return
    if title_is_explicit(sheet) and sheet.clean_title is None:
        yield f"the title {shown(sheet.title)} is explicit, and the sheet has no clean_title"
    if sheet.cover_rating == "explicit" and sheet.clean_cover is None:
        yield "the cover is explicit, and the sheet has no clean_cover"


def _embargo(sheet: Sheet, day: date, now: datetime) -> Iterator[str]:
    """What goes today goes now; what went on another day went by its end."""
    local = now.astimezone()
    sent = now if day == local.date() else datetime.combine(day, time.max, local.tzinfo)
    if sheet.embargo is not None and sent < sheet.embargo:
        yield f"the embargo lasts until {sheet.embargo.isoformat(sep=' ', timespec='minutes')}"


def _approval(sheet: Sheet, source: VerifiedRevision, book: Ledger) -> Iterator[str]:
    given = {
        entry.record.role
        for entry in book.entries
        if isinstance(entry.record, ApprovedRecord)
        and entry.record.of == source.held.digest
        and book.taken_back(entry) is None
    }
    for role in sheet.approvals:
        if role not in given:
            yield f"revision {source.manifest.revision} lacks the approval of {role}"
