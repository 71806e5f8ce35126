"""``reply`` and ``approve``: what came back, and who agreed.

A rejection gets a number, the next in the release; a number is never given
twice, also where the rejection was taken back.

Not here: what becomes of a rejection (``rejections``), reading a place
(``places``), where it lies in other versions (``passages``).
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import ANSWERS, ApprovedRecord, Place, ReplyRecord, ShippedRecord
from relkit.release import ledger
from relkit.release.days import BadDayError, parsed_day
from relkit.release.places import places_in
from relkit.release.rejections import all_rejections
from relkit.release.sent import sent_entry
from relkit.release.workspace import Workspace, now
from relkit.store.locking import writing

if TYPE_CHECKING:
    from relkit.release.passages import Passage
    from relkit.release.workspace import VerifiedRevision

ROLES = ("artist", "label", "mastering")


@dataclass(frozen=True)
class ReplyReport:
    """What came back.

    Attributes:
        passages: where the places lie in every version that shares the time of the one they are told of.
    """

    record: ReplyRecord
    passages: list[Passage] = field(default_factory=list)


def reply(
    workspace: Workspace,
    recipient: str,
    answer: str,
    *,
    shipment: str | None = None,
    version: str | None = None,
    at: Sequence[str] = (),
    text: str = "",
    replied_on: str | None = None,
) -> ReplyReport:
    """Record what came back from a recipient.

    Args:
        recipient: name, or the start of the id.
        answer: one of ``ANSWERS``.
        shipment: id of the shipment that it is about; None takes the newest that they hold.
        version: id of the version that it is about.
        at: places in that version: "1:23.4", "1:23.4-1:25", "bar 33", "bars 33-34".
        text: the reason of a rejection, or what was asked for.
        replied_on: civil day "yyyy-mm-dd"; None is today.

    Raises:
        UsageError: nobody of that name, nothing was sent to them, a version that they
            never got, a place or day that cannot be, or a rejection without a reason.
    """
    if answer not in ANSWERS:
        raise UsageError(f"{shown(answer)} is not an answer", hint=f"Use {', '.join(ANSWERS)}.")
    if answer in {"rejected", "asked"} and not text.strip():
        what = "a rejection needs a reason" if answer == "rejected" else "what did they ask for?"
        raise UsageError(what, hint='Say it with --reason, for example --reason "a word is still heard".')
    with writing(workspace.inside):
        book = ledger.read(workspace)
        entry = sent_entry(workspace, book, recipient, shipment)
        sent, package = ledger.verified_shipment(workspace, entry)
        if version is not None and version not in sent.versions:
            raise UsageError(
                f"{shown(sent.recipient.name)} did not get {shown(version)} in shipment {sent.id[:8]}",
                hint=f"They got {', '.join(sent.versions)}.",
            )
        if at and version is None:
            raise UsageError("a place needs its version", hint="Say which with --version.")
        day = _day(replied_on, sent)
        source = workspace.revision(package.manifest.of_revision)
        places = places_in(workspace, source, version, at)
        passages = _passages(workspace, source, version, places) if version and places else []
        rejections = all_rejections(workspace, book, withdrawn=True)
        record = ReplyRecord(
            format=1,
            id=secrets.token_hex(16),
            release_id=workspace.release_id,
            recorded_at=now().isoformat(),
            of=entry.held.digest,
            after=ledger.after(workspace, book),
            recipient=sent.recipient,
            replied_on=day.isoformat(),
            answer=answer,
            version=version,
            places=places,
            text=text.strip(),
            number=1 + max((each.number for each in rejections), default=0) if answer == "rejected" else None,
        )
        ledger.write(workspace, record, entry.held.target)
    return ReplyReport(record, passages)


def _passages(
    workspace: Workspace, source: VerifiedRevision, version: str, places: list[Place]
) -> list[Passage]:
    from relkit.release.packaging import sheet_of
    from relkit.release.passages import Timeline  # brings what reads audio

    return Timeline.of(workspace, source, sheet_of(workspace, source).bars).passages(version, places)


def approve(workspace: Workspace, which: str, *, by: str, role: str, note: str = "") -> ApprovedRecord:
    """Record that somebody agreed to a revision.

    Raises:
        UsageError: no such revision, no name, or another role than ``ROLES``.
    """
    if role not in ROLES:
        raise UsageError(f"{shown(role)} is not a role", hint=f"Use {', '.join(ROLES)}.")
    if not by.strip():
        raise UsageError("who agreed?", hint="Say the name with --by.")
    with writing(workspace.inside):
        revision = workspace.revision(which)
        record = ApprovedRecord(
            format=1,
            id=secrets.token_hex(16),
            release_id=workspace.release_id,
            recorded_at=now().isoformat(),
            of=revision.held.digest,
            after=ledger.after(workspace, ledger.read(workspace)),
            by=by.strip(),
            role=role,
            revision=revision.manifest.revision,
            note=note,
        )
        ledger.write(workspace, record, revision.held.commit)
    return record


def _day(text: str | None, sent: ShippedRecord) -> date:
    """Return the day of a reply: not in the future, and not before the shipment."""
    today = date.today()  # noqa: DTZ011 - a civil day, where the user is
    day = parsed_day(text) if text else today
    if day > today:
        raise BadDayError(
            f"{day.isoformat()} has not come yet", hint="Give the day on which they replied, or leave it out."
        )
    if day.isoformat() < sent.shipped_on:
        raise BadDayError(
            f"{day.isoformat()} is before the shipment, which went out on {sent.shipped_on}",
            hint="Give the day on which they replied, or name another shipment with --shipment.",
        )
    return day
