"""``shipments``: who holds what, whether it is still current, and what is owed.

Somebody holds of every version the file that reached them last; what was taken
back is with them all the same, unless it was never sent. It is compared with the
newest revision by the bounce that it was made from, so that only what sounds
different counts as changed audio; what else a recipient would read differently
counts as changed tags.

Not here: sending what is owed (``ship``), many releases at once (``label``).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import (
    FileEntry,
    PackageManifest,
    ReplyRecord,
    RevisionManifest,
    ShippedRecord,
)
from relkit.release import ledger
from relkit.release.days import parsed_day
from relkit.release.ledger import Entry, Ledger
from relkit.release.rejections import all_rejections
from relkit.release.replacing import sources
from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.store.revisions import Held

State = Literal["current", "superseded", "tags superseded", "rejected", "withdrawn"]
STATES: tuple[State, ...] = ("current", "superseded", "tags superseded", "rejected", "withdrawn")


@dataclass(frozen=True)
class Holding:
    """What one recipient holds.

    Attributes:
        recipient: name and kind as of the newest shipment.
        shipped_on, shipment, revision, package: of the newest shipment.
        versions: ids of all that they hold, from any shipment.
        formats: in which they hold it; of two that lie in one folder, the newer.
        form: of the newest shipment.
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
    form: str = "folder"
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
        for day in (self.since, self.until):
            if day is not None:
                parsed_day(day)

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
    report, book, _newest = shipments_with(workspace)
    somebody = None
    if wanted.recipient is not None:
        from relkit.release.sent import who

        somebody = who(workspace, [record for record, _entry in book.shipments], wanted.recipient).id
    found = [holding for holding in report.holdings if wanted.keeps(holding, somebody)]
    return ShipmentsReport(report.newest, found)


def shipments_with(workspace: Workspace) -> tuple[ShipmentsReport, Ledger, RevisionManifest | None]:
    """Return who holds what, all of it, with the records and the newest revision that say so.

    Raises:
        DamagedError: a record or manifest cannot be read.
    """
    book = ledger.read(workspace)
    overview = _Overview(workspace, book)
    newest = overview.newest.manifest if overview.newest else None
    return ShipmentsReport(newest.revision if newest else 0, overview.holdings()), book, newest


def names_of(book: Ledger) -> list[tuple[str, str, str | None]]:
    """Return every name that a recipient ever had, with their id and kind."""
    facts = (record.recipient for record, _entry in book.shipments)
    return list(dict.fromkeys((each.id, each.name, each.kind) for each in facts))


class _Overview:
    """All holdings of a release."""

    def __init__(self, workspace: Workspace, book: Ledger) -> None:
        self._workspace = workspace
        self._book = book
        self.newest: VerifiedRevision | None = workspace.newest()

    def holdings(self) -> list[Holding]:
        """Return one holding for each recipient, the newest first."""
        sent: dict[str, list[tuple[ShippedRecord, Entry]]] = {}
        for record, entry in self._book.shipments:
            back = self._book.taken_back(entry)
            if back is None or not back.never_sent:
                sent.setdefault(record.recipient.id, []).append((record, entry))
        # The book is in order of day and time, so whoever got something last comes last in it.
        last = {entry.held.digest: place for place, (_record, entry) in enumerate(self._book.shipments)}
        newest_first = sorted(sent.values(), key=lambda theirs: last[theirs[-1][1].held.digest], reverse=True)
        return [self._holding(theirs) for theirs in newest_first]

    def _holding(self, theirs: list[tuple[ShippedRecord, Entry]]) -> Holding:
        """Put together what one recipient holds, from all that they were sent, oldest first."""
        record, entry = theirs[-1]
        withdrawn = self._book.taken_back(entry)
        held: dict[str, tuple[PackageManifest, list[FileEntry]]] = {}
        for _record, each in theirs:
            package = self._workspace.package_manifest(each.held.target)
            for version, files in _by_version(package.files).items():
                held[version] = (package, files)
        changed, retagged, gone = self._compared(held)
        rejections = self._open.get(record.recipient.id, [])
        last = self._last_reply.get(record.recipient.id)
        return Holding(
            recipient_id=record.recipient.id,
            recipient=record.recipient.name,
            kind=record.recipient.kind,
            shipped_on=record.shipped_on,
            shipment=record.id,
            revision=record.revision,
            package=record.of,
            versions=list(held) or record.versions,
            formats=_formats([each for each, _entry in theirs], held, self._packages_of(theirs)),
            form=record.form,
            state=_state(bool(withdrawn), bool(rejections), bool(changed or gone), bool(retagged)),
            changed=changed,
            retagged=retagged,
            gone=gone,
            rejections=rejections,
            reply=last.answer if last else None,
            replied_on=last.replied_on if last else None,
            reason=withdrawn.reason if withdrawn else None,
        )

    def _packages_of(self, theirs: list[tuple[ShippedRecord, Entry]]) -> list[PackageManifest]:
        return [self._workspace.package_manifest(entry.held.target) for _record, entry in theirs]

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
        key = ("said", bytes.fromhex(revision))
        if key not in self._workspace.kept:
            from relkit.pack.facts import song_facts
            from relkit.release.packaging import sheet_of

            sheet = sheet_of(self._workspace, self._workspace.verified_revision(self._revisions[revision]))
            song = song_facts(sheet, clean=False)
            self._workspace.kept[key] = {
                one: (song, sheet.package_pattern, sheet.clean_title, entry)
                for one, entry in sheet.versions.items()
            }
        return self._workspace.kept[key].get(version)

    @cached_property
    def _revisions(self) -> dict[str, Held]:
        """All revisions by their digests."""
        return {held.digest: held for _manifest, held in self._workspace.walk()}

    @cached_property
    def _open(self) -> dict[str, list[int]]:
        """Numbers of the open rejections of every recipient."""
        found: dict[str, list[int]] = {}
        for each in all_rejections(self._workspace, self._book):
            if each.is_open:
                found.setdefault(each.record.recipient.id, []).append(each.number)
        return found

    @cached_property
    def _last_reply(self) -> dict[str, ReplyRecord]:
        """What everybody said last; the book is in order of day and time."""
        return {record.recipient.id: record for record, _entry in self._book.replies}


def _by_version(files: Iterable[FileEntry]) -> dict[str, list[FileEntry]]:
    found: dict[str, list[FileEntry]] = {}
    for entry in files:
        if entry.version is not None:
            found.setdefault(entry.version.id, []).append(entry)
    return found


def _formats(
    sent: Sequence[ShippedRecord],
    held: dict[str, tuple[PackageManifest, list[FileEntry]]],
    packages: Sequence[PackageManifest],
) -> list[str]:
    """Return the formats of the shipments that somebody still holds a version of, the newest first."""
    if all(record.formats == sent[-1].formats for record in sent):
        return sent[-1].formats
    from relkit.pack.renditions import FORMATS  # brings the converter with it

    counts = {id(package) for package, _files in held.values()}
    found: dict[str, str] = {}  # folder to format
    for record, package in zip(reversed(sent), reversed(packages), strict=True):
        for each in record.formats if id(package) in counts else ():
            found.setdefault(FORMATS.get(each, each), each)
    return list(found.values())


def _state(withdrawn: bool, rejected: bool, changed: bool, retagged: bool) -> State:
    """Return the one word for what asks for action first."""
    order: Sequence[tuple[bool, State]] = (
        (withdrawn, "withdrawn"),
        (rejected, "rejected"),
        (changed, "superseded"),
        (retagged, "tags superseded"),
    )
    return next((state for fits, state in order if fits), "current")
