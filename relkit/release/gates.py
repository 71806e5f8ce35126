"""What may stand in the way of a shipment, and can be passed only with a recorded reason.

    explicit    something explicit would reach somebody who excludes it: audio, cover, or any
                text that stands in names, tags and note
    embargo     it would go out before the sheet allows
    approval    somebody whose approval the sheet asks for has not given it
    rejection   a passage still sounds as it did when it was rejected
    quality     QC found what would be sent back, and nobody accepted it
    withdrawn   this very package was taken back

Every gate is asked every time, so that one reason covers all that was seen, and
the record says what that was.

Not here: choosing what somebody gets (``wants``), building it (``packaging``).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time
from pathlib import PurePosixPath

from relkit.errors import FoundError
from relkit.filenames import shown
from relkit.manifest import ApprovedRecord, Gate, VersionFacts
from relkit.release.ledger import Ledger
from relkit.release.recipients import Recipient
from relkit.release.wants import excludes_explicit, forbidden
from relkit.release.workspace import VerifiedRevision
from relkit.sheet import Sheet
from relkit.sheet.checks import reads_explicit, title_is_explicit


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
    "quality": "See relkit qc; mend it, or take it as it is with relkit qc --accept.",
    "rejection": "Commit a bounce that answers it, with --answers and its number.",
    "withdrawn": "Commit a revision without what it was taken back for.",
}


def closed(
    recipient: Recipient,
    versions: Sequence[VersionFacts],
    sheet: Sheet,
    source: VerifiedRevision,
    book: Ledger,
    day: date,
    now: datetime,
    rejected: Sequence[str] = (),
    quality: Sequence[str] = (),
) -> list[Gate]:
    """Return the gates that are closed to this shipment.

    Args:
        versions: that would go.
        sheet: of the revision.
        book: all records; withdrawn ones do not count.
        day: on which it goes or went.
        now: the present, with a zone.
        rejected: what ``rejections.heard`` found in the audio.
        quality: what ``quality.stops`` says of the findings of QC.
    """
    found = {
        "explicit": list(_explicit(recipient, versions, sheet, source)),
        "embargo": list(_embargo(sheet, day, now)),
        "approval": list(_approval(sheet, source, book)),
        "rejection": list(rejected),
        "quality": list(quality),
    }
    return [Gate(gate=gate, findings=findings) for gate, findings in found.items() if findings]


def taken_back(package: str, book: Ledger) -> list[Gate]:
    """Return the gate that is closed if this very package, by its digest, was withdrawn."""
    back = book.withdrawn.get(package)
    if back is None:
        return []
    finding = f"this package was taken back on {back.recorded_at[:10]}: {shown(back.reason)}"
    return [Gate(gate="withdrawn", findings=[finding])]


def _explicit(
    recipient: Recipient, versions: Sequence[VersionFacts], sheet: Sheet, source: VerifiedRevision
) -> Iterator[str]:
    yield from forbidden(versions, recipient)
    if not excludes_explicit(recipient):
        return
    if title_is_explicit(sheet) and sheet.clean_title is None:
        yield f"the title {shown(sheet.title)} is explicit, and the sheet has no clean_title"
    if sheet.cover_rating == "explicit" and sheet.clean_cover is None:
        yield "the cover is explicit, and the sheet has no clean_cover"
    secret = _words(sheet.title) if title_is_explicit(sheet) and sheet.clean_title else ""
    for name, text in _texts(versions, sheet, source):
        if secret and secret in _words(text):
            yield f"{name} {shown(text)} has the explicit title in it"
        elif text != sheet.clean_title and reads_explicit(text):
            yield f"{name} {shown(text)} is marked explicit"
    if sheet.clean_title and reads_explicit(sheet.clean_title.replace("*", "")):
        yield f"clean_title {shown(sheet.clean_title)} is marked explicit"


def _texts(
    versions: Sequence[VersionFacts], sheet: Sheet, source: VerifiedRevision
) -> Iterator[tuple[str, str]]:
    """Yield what a recipient may read beside the title: in names, tags or note."""
    facts = (
        ("clean_title", sheet.clean_title),
        ("artist", sheet.artist),
        ("remixer", sheet.remixer),
        ("album", sheet.album),
        ("label", sheet.label),
        ("publisher", sheet.publisher),
        ("genre", sheet.genre),
        ("copyright", sheet.copyright),
        ("pronunciation", sheet.pronunciation),
        ("promo_line", sheet.promo_line),
        ("contact", sheet.contact),
        ("the pattern", sheet.package_pattern),
        *(("a credit", text) for role, names in sheet.credits for text in (role, *names)),
        *(("featured", name) for name in sheet.featured),
        *(("a composer", name) for name in (*sheet.composers, *sheet.lyricists)),
    )
    yield from ((name, text) for name, text in facts if text)
    for version in versions:
        entry = sheet.versions.get(version.id)
        if not version.may_be_explicit:  # what may be explicit was named by itself
            yield f"the label of {version.id}", f"({version.label})"  # as names have it
        if entry is not None and entry.last_words:
            yield f"last_words of {version.id}", entry.last_words

    for file in source.manifest.files:  # a stem goes by the name of its file
        if file.version is not None and file.version.parts == "stems" and file.version in versions:
            yield "the stem", PurePosixPath(file.name).stem


def _words(text: str) -> str:
    """Return a text as it is compared: words of letters and digits, without case."""
    words = re.findall(r"[^\W_]+", text.casefold())
    return f" {' '.join(words)} "


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
