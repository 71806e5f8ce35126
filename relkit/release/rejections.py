"""Rejections: which wait for an answer, and what a shipment must not carry because of one.

A rejection has a number and stays open until a revision says that it answers
it. What somebody says and what their file holds are two things, so at shipping
the audio is compared: a passage that is as it was rejected stops the shipment
where it goes to whoever rejected it, and where a revision claims to have
answered it. Where it goes to others of that kind while the rejection is open,
that is worth a remark.

Not here: recording one (``replies``), comparing the audio (``unchanged``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from relkit.errors import DamagedError, UsageError
from relkit.filenames import shown
from relkit.manifest import ReplyRecord, ShippedRecord
from relkit.release import ledger
from relkit.release.ledger import Entry, Ledger
from relkit.release.recipients import Recipient
from relkit.release.workspace import VerifiedRevision, Workspace

if TYPE_CHECKING:
    from relkit.release.remarks import Remark


class NothingToAnswerError(UsageError):
    """No open rejection has that number."""


@dataclass(frozen=True)
class Rejection:
    """A rejection, and the revision that answers it, if one does.

    Attributes:
        digest: of its record.
        shipment: digest of the shipment that was rejected.
        answered_by: revision numbers, oldest first; empty while it is open.
    """

    record: ReplyRecord
    digest: str
    shipment: str
    answered_by: tuple[int, ...] = ()

    @property
    def number(self) -> int:
        """What people call it by."""
        return self.record.number or 0

    @property
    def is_open(self) -> bool:
        """Whether it still waits for an answer."""
        return not self.answered_by


@dataclass
class Heard:
    """What the audio of a shipment says about rejections.

    Attributes:
        findings: what stops it.
        remarks: what should be known before it goes out.
    """

    findings: list[str] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)


def all_rejections(workspace: Workspace, book: Ledger, *, withdrawn: bool = False) -> list[Rejection]:
    """Return the rejections, by number.

    Args:
        withdrawn: whether those that were taken back, or whose shipment was, are among them.
    """
    replies: Sequence[tuple[ReplyRecord, Entry]] = book.replies
    if withdrawn:
        replies = [(entry.record, entry) for entry in book.entries if isinstance(entry.record, ReplyRecord)]
    found = [(record, entry) for record, entry in replies if record.answer == "rejected"]
    if not found:
        return []
    answers: dict[str, list[int]] = {}
    for manifest, held in workspace.walk():
        for digest in manifest.answers if held.digest not in book.withdrawn else ():
            answers.setdefault(digest, []).append(manifest.revision)
    rejections = [
        Rejection(record, entry.held.digest, record.of, tuple(sorted(answers.get(entry.held.digest, ()))))
        for record, entry in found
    ]
    return sorted(rejections, key=lambda each: (each.number, each.digest))


def open_rejections(workspace: Workspace, numbers: Sequence[int]) -> list[str]:
    """Return the digests of the open rejections that a revision means to answer.

    Raises:
        NothingToAnswerError: one of the numbers is of no open rejection.
    """
    if not numbers:
        return []
    rejections = all_rejections(workspace, ledger.read(workspace))
    waiting = [each for each in rejections if each.is_open]
    for number in numbers:
        if not any(each.number == number for each in waiting):
            answered = next((each for each in rejections if each.number == number), None)
            raise NothingToAnswerError(
                f"rejection {number} is answered by revision {answered.answered_by[-1]}"
                if answered
                else f"there is no rejection {number}",
                hint="Open: " + ", ".join(str(each.number) for each in waiting) + "."
                if waiting
                else "No rejection is open.",
            )
    return sorted(each.digest for each in waiting if each.number in numbers)


def heard(
    workspace: Workspace,
    book: Ledger,
    source: VerifiedRevision,
    somebody: Recipient,
    versions: Sequence[str],
) -> Heard:
    """Listen to what would go out, at every place that was rejected.

    Args:
        source: the revision that would go.
        versions: ids of those that would.

    Raises:
        DamagedError: the store does not give the audio back.
    """
    from relkit.release.remarks import Remark

    found = Heard()
    rejected: dict[str, VerifiedRevision] = {}
    for rejection in all_rejections(workspace, book):
        record = rejection.record
        answered = any(number <= source.manifest.revision for number in rejection.answered_by)
        is_theirs = record.recipient.id == somebody.id
        if not (answered or is_theirs or record.recipient.kind == somebody.kind):
            continue
        for what in _unchanged(workspace, book, source, rejection, set(versions), rejected):
            by = f"rejection {rejection.number} by {shown(record.recipient.name)} ({shown(record.text)})"
            if answered:
                found.findings.append(f"{what}: {by}, which this revision is said to answer")
            elif is_theirs:
                found.findings.append(f"{what}: {by}")
            else:
                found.remarks.append(
                    Remark(
                        f"{what}: {by} is not answered yet",
                        "Wait for the answer if they would hear the same.",
                    )
                )
    return found


def _unchanged(
    workspace: Workspace,
    book: Ledger,
    source: VerifiedRevision,
    rejection: Rejection,
    going: set[str],
    known: dict[str, VerifiedRevision],
) -> Iterator[str]:
    """Yield what of a shipment is as it was rejected.

    Args:
        known: revisions by their digests, as far as they were needed; added to.
    """
    from relkit.release.unchanged import Passages

    record = rejection.record
    shipped = next((each for each in book.shipments if each[1].held.digest == rejection.shipment), None)
    if shipped is None:
        return
    sent, entry = shipped
    digest = _revision_of(workspace, sent, entry)
    if digest not in known:
        known[digest] = workspace.revision(digest)
    compared = Passages(workspace, known[digest], source)
    if record.version is None or not record.places:
        asked = going.intersection(sent.versions if record.version is None else [record.version])
        same = [version for version in sent.versions if version in asked and compared.same_sound(version)]
        if same and len(same) == len(asked):
            yield f"{', '.join(same)} {'sounds' if len(same) == 1 else 'sound'} as it was rejected"
        return
    for place in record.places:
        for still in compared.still(record.version, place, going):
            yield f"{still.version} sounds the same at {place_text(still.start_ms, still.end_ms)}"


def _revision_of(workspace: Workspace, sent: ShippedRecord, entry: Entry) -> str:
    """Return the digest of the revision that a shipped package was built from."""
    package = workspace.package_manifest(entry.held.target)
    if (package.release_id, package.revision) != (sent.release_id, sent.revision):
        raise DamagedError(
            f"shipment {sent.id[:8]} points to another package than it says",
            hint="Run relkit audit; restore .relkit from a copy.",
        )
    return package.of_revision


def place_text(start_ms: int, end_ms: int) -> str:
    """Write a place as a person would: "1:23.400", or "1:23.400-1:25.000"."""
    return clock(start_ms) if start_ms == end_ms else f"{clock(start_ms)}-{clock(end_ms)}"


def clock(milliseconds: int) -> str:
    """Write a time in a file: "1:23.400"."""
    minutes, rest = divmod(milliseconds, 60_000)
    return f"{minutes}:{rest / 1000:06.3f}"
