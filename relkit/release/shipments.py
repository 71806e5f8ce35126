"""``shipments``: who holds what, whether it is still current, and what is owed.

Somebody holds of every version the file that reached them last. It is compared
with the newest revision by the bounce that it was made from, so that only what
sounds different counts as changed audio; what else a recipient would read
differently counts as changed tags.

Not here: sending what is owed (``ship``), many releases at once (``label``).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import FileEntry, PackageManifest, ReplyRecord, ShippedRecord, read_package
from relkit.release import ledger
from relkit.release.ledger import Entry, Ledger
from relkit.release.replacing import sources
from relkit.release.replies import Rejection, all_rejections
from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.store import revisions

State = Literal["current", "superseded", "tags superseded", "rejected", "withdrawn"]
STATES: tuple[State, ...] = ("current", "superseded", "tags superseded", "rejected", "withdrawn")


@dataclass(frozen=True)
class Holding:
    """What one recipient holds.

    Attributes:
        recipient: name and kind as of the newest shipment.
        shipped_on, shipment, revision, package: of the newest shipment.
        versions: ids of all that they hold, from any shipment.
        formats: of the newest shipment.
        state: see ``STATES``; of several that fit, what asks for action first.
        changed: versions whose audio is another in the newest revision.
        retagged: versions that sound the same and would be tagged or named differently.
        gone: versions that the newest revision does not have any more.
        rejections: numbers of their open rejections.
        reply: their last answer, if any; its day.
        reason: of the withdrawal.
    """

    recipient_id: str
    recipient: str
    kind: str | None
    shipped_on: str
    shipment: str
    revision: int
    package: str
    versions: list[str]
    formats: list[str]
    state: State
    changed: list[str] = field(default_factory=list)
    retagged: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    rejections: list[int] = field(default_factory=list)
    reply: str | None = None
    replied_on: str | None = None
    reason: str | None = None

    @property
    def is_owed(self) -> bool:
        """Whether somebody should get something new: what they hold sounds different now, or is gone."""
        return bool(self.changed or self.gone)


@dataclass(frozen=True)
class ShipmentsReport:
    """Every recipient who was sent something, the newest shipment first.

    Attributes:
        newest: number of the newest revision.
    """

    newest: int
    holdings: list[Holding]


@dataclass(frozen=True)
class Filter:
    """Which holdings are asked for; what is None or empty asks for all."""

    recipient: str | None = None
    kind: str | None = None
    version: str | None = None
    since: str | None = None
    until: str | None = None
    state: str | None = None
    outdated: bool = False

    def __post_init__(self) -> None:
        if self.state is not None and self.state not in STATES:
            raise UsageError(f"the state {shown(self.state)} is not known", hint=f"Use {', '.join(STATES)}.")

    def keeps(self, holding: Holding, recipient_id: str | None) -> bool:
        """Say whether a holding is asked for."""
        return (
            (recipient_id is None or holding.recipient_id == recipient_id)
            and (self.kind is None or holding.kind == self.kind)
            and (self.version is None or self.version in holding.versions)
            and (self.since is None or holding.shipped_on >= self.since)
            and (self.until is None or holding.shipped_on <= self.until)
            and (self.state is None or holding.state == self.state)
            and (not self.outdated or holding.is_owed)
        )


def shipments(workspace: Workspace, wanted: Filter = Filter()) -> ShipmentsReport:
    """Return who holds what.

    Signatures are not checked, so that it is quick; ``audit`` does, and ``ship`` of what it sends.

    Raises:
        UsageError: nobody of that name was sent anything.
        DamagedError: a record or manifest cannot be read.
    """
    from relkit.release.sent import who

    book = ledger.read(workspace)
    overview = _Overview(workspace, book)
    somebody = None
    if wanted.recipient is not None:
        somebody = who(workspace, [record for record, _entry in book.shipments], wanted.recipient).id
    found = [holding for holding in overview.holdings() if wanted.keeps(holding, somebody)]
    newest = overview.newest
    return ShipmentsReport(newest.manifest.revision if newest else 0, found)


class _Overview:
    """All holdings of a release."""

    def __init__(self, workspace: Workspace, book: Ledger) -> None:
        self._workspace = workspace
        self._book = book
        self._packages: dict[bytes, PackageManifest] = {}
        self._told: dict[str, dict[str, object]] = {}
        self.newest: VerifiedRevision | None = workspace.newest()

    def holdings(self) -> list[Holding]:
        """Return one holding for each recipient, the newest first."""
        sent: dict[str, list[tuple[ShippedRecord, Entry]]] = {}
        for record, entry in self._book.shipments:
            back = self._book.taken_back(entry)
            if back is None or not back.never_sent:
                sent.setdefault(record.recipient.id, []).append((record, entry))
        found = [self._holding(theirs) for theirs in sent.values()]
        return sorted(found, key=lambda each: (each.shipped_on, each.shipment), reverse=True)

    def _holding(self, theirs: list[tuple[ShippedRecord, Entry]]) -> Holding:
        """Put together what one recipient holds, from all that they were sent, oldest first."""
        standing = [row for row in theirs if self._book.taken_back(row[1]) is None]
        record, _entry = (standing or theirs)[-1]
        withdrawn = self._book.taken_back(theirs[-1][1])
        held: dict[str, tuple[PackageManifest, list[FileEntry]]] = {}
        for _record, each in standing:
            package = self._package(each.held.target)
            for version, files in _by_version(package.files).items():
                held[version] = (package, files)
        changed, retagged, gone = self._compared(held)
        rejections = [
            each.record.number or 0
            for each in self._rejections
            if each.is_open and each.record.recipient.id == record.recipient.id
        ]
        last = self._last_reply(record.recipient.id)
        return Holding(
            recipient_id=record.recipient.id,
            recipient=record.recipient.name,
            kind=record.recipient.kind,
            shipped_on=record.shipped_on,
            shipment=record.id,
            revision=record.revision,
            package=record.of,
            versions=list(held) or record.versions,
            formats=record.formats,
            state=_state(bool(withdrawn), bool(rejections), bool(changed or gone), bool(retagged)),
            changed=changed,
            retagged=retagged,
            gone=gone,
            rejections=rejections,
            reply=last.answer if last else None,
            replied_on=last.replied_on if last else None,
            reason=withdrawn.reason if withdrawn else None,
        )

    def _compared(
        self, held: dict[str, tuple[PackageManifest, list[FileEntry]]]
    ) -> tuple[list[str], list[str], list[str]]:
        """Return which versions have other audio, only other tags, or are gone from the newest revision."""
        if self.newest is None:
            return [], [], []
        now = _by_version(self.newest.manifest.files)
        changed, retagged, gone = [], [], []
        for version, (package, files) in held.items():
            if version not in now:
                gone.append(version)
            elif sources(files) != sources(now[version]):
                changed.append(version)
            elif self._said(package.of_revision, version) != self._said(self.newest.held.digest, version):
                retagged.append(version)
        return changed, retagged, gone

    def _said(self, revision: str, version: str) -> object:
        """Return all that a package of a revision says of a version, beside its audio."""
        if revision not in self._told:
            from relkit.pack.facts import song_facts
            from relkit.release.packaging import sheet_of

            source = self._workspace.revision(revision)
            sheet = sheet_of(self._workspace, source)
            song = song_facts(sheet, clean=False)
            self._told[revision] = {
                one: (song, sheet.package_pattern, sheet.clean_title, entry)
                for one, entry in sheet.versions.items()
            }
        return self._told[revision].get(version)

    def _package(self, commit: bytes) -> PackageManifest:
        if commit not in self._packages:
            from relkit.trust.canonical import parse_canonical

            held = revisions.read(self._workspace.repository, commit)
            what = f"the manifest of package {held.digest[:12]}"
            self._packages[commit] = read_package(parse_canonical(held.manifest, what=what), what=what)
        return self._packages[commit]

    @cached_property
    def _rejections(self) -> list[Rejection]:
        return all_rejections(self._workspace, self._book)

    def _last_reply(self, recipient_id: str) -> ReplyRecord | None:
        """Return what somebody said last; the book is in order of day and time."""
        gone = self._book.withdrawn
        replies = [
            entry.record
            for entry in self._book.entries
            if isinstance(entry.record, ReplyRecord)
            and entry.record.recipient.id == recipient_id
            and entry.held.digest not in gone
        ]
        return max(replies, key=lambda each: (each.replied_on, each.recorded_at), default=None)


def _by_version(files: Iterable[FileEntry]) -> dict[str, list[FileEntry]]:
    found: dict[str, list[FileEntry]] = {}
    for entry in files:
        if entry.version is not None:
            found.setdefault(entry.version.id, []).append(entry)
    return found


def _state(withdrawn: bool, rejected: bool, changed: bool, retagged: bool) -> State:
    """Return the one word for what asks for action first."""
    order: Sequence[tuple[bool, State]] = (
        (withdrawn, "withdrawn"),
        (rejected, "rejected"),
        (changed, "superseded"),
        (retagged, "tags superseded"),
    )
    return next((state for fits, state in order if fits), "current")
