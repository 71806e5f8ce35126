"""``ship``: build a package for somebody, write it out, and record that they got it.

The record is written when the package lies complete on the disk, in the moment
before it gets its name: so there is no package without a record. Should the
machine stop exactly between the two, ``checkout`` gives the recorded package.

Not here: who somebody is (``recipients``), what they take (``wants``), what
stands in the way (``gates``), several at once (``shipping``).
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from relkit.errors import RelkitError, UsageError
from relkit.filenames import shown
from relkit.manifest import Gate, PackageManifest, RecipientFacts, ShippedRecord, VersionFacts
from relkit.pack.names import plain
from relkit.release import gates, ledger, package_files, packaging, quality, rejections, wants
from relkit.release.days import BadDayError, parsed_day
from relkit.release.gathering import gather
from relkit.release.ledger import Ledger
from relkit.release.package_files import Form
from relkit.release.placing import ThereAlreadyError
from relkit.release.recipients import AddressBook, Recipient, UnknownRecipientError, choose
from relkit.release.remarks import Remark
from relkit.release.replacing import Earlier
from relkit.release.scanning import Scanner
from relkit.release.workspace import SHEET, NoSuchRevisionError, VerifiedRevision, Workspace, now
from relkit.store.locking import writing

if TYPE_CHECKING:
    from relkit.release.scanning import Progress

PACKAGES = "packages"


@dataclass(frozen=True)
class ShipReport:
    """What was shipped.

    Attributes:
        record: the signed record.
        digest: of the package's manifest.
        path: where the package lies now.
        uncommitted: files of the folder that differ from the newest revision, and so are not in it.
        remarks: what should be known before the package goes out.
    """

    record: ShippedRecord
    package: PackageManifest
    digest: str
    path: Path
    uncommitted: list[str] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)


@dataclass(frozen=True)
class Order:
    """What is asked for at shipping; what is None or empty is as the recipient or their kind has it.

    Attributes:
        revision: what ``Workspace.revision`` takes.
        only: version ids, instead of what they take.
        formats: keys of ``relkit.pack.renditions.FORMATS``, instead of what they take.
        folder: where the package appears; None takes ``packages`` in the release.
        apart: whether it lies there in a folder of its own, named by day and recipient; always
            in ``packages``.
        shipped_on: civil day "yyyy-mm-dd" of something that went out earlier; None is today, local time.
        channel: how it went: link, mail, stick ...
        by: who sent it.
        despite: why it goes out although something stands in the way; recorded with what that was.
    """

    revision: str = "newest"
    only: Sequence[str] = ()
    formats: Sequence[str] = ()
    form: Form | None = None
    folder: Path | None = None
    apart: bool = False
    shipped_on: str | None = None
    channel: str | None = None
    by: str | None = None
    note: str = ""
    despite: str | None = None


def ship(
    workspace: Workspace,
    recipient: str,
    order: Order = Order(),
    *,
    kind: str | None = None,
    another: bool = False,
    progress: Progress | None = None,
) -> ShipReport:
    """Build, sign, write and record a package.

    Args:
        recipient: name or start of the id. A new name is added if ``kind`` says what they are.
        another: add somebody although the name is taken.

    Raises:
        ClosedGateError: something stands in the way, and no reason was given.
        RelkitError: see the families; nothing is recorded then.
    """
    with writing(workspace.inside):
        ready = prepare(workspace, recipient, order, kind=kind, another=another)
        somebody, source, reason = ready.recipient, ready.source, ready.reason
        closed = ready.closed
        if closed and not reason:
            raise gates.ClosedGateError(closed)
        earlier = _earlier(workspace, ready.book, somebody, source, ready.day)
        built = packaging.build(workspace, source, ready.wants, earlier, progress)
        package = workspace.verified_package(built.commit)
        closed = [*closed, *gates.taken_back(package.held.digest, ready.book)]
        if closed and not reason:
            raise gates.ClosedGateError(closed)
        record_id = secrets.token_hex(16)
        where = order.folder or workspace.folder / PACKAGES
        if order.apart or order.folder is None:
            where /= _shelf(ready.day, somebody, record_id)
        target = package_files.path_of(where, package.manifest, ready.form)
        if not package_files.is_free(target):
            raise ThereAlreadyError(target)
        record = ShippedRecord(
            format=1,
            id=record_id,
            release_id=workspace.release_id,
            recorded_at=now().isoformat(),
            of=package.held.digest,
            after=ledger.after(workspace, ready.book),
            recipient=RecipientFacts(id=somebody.id, name=somebody.name, kind=somebody.kind),
            shipped_on=ready.day.isoformat(),
            form=ready.form,
            revision=source.manifest.revision,
            versions=[version.id for version in ready.wants.versions],
            formats=list(ready.wants.formats),
            channel=order.channel,
            by=order.by,
            note=order.note,
            despite=reason if closed else None,
            gates=closed,
        )

        def seal() -> None:
            if not ready.is_known:
                AddressBook(workspace.home.folder).add(somebody)
            ledger.write(workspace, record, built.commit)

        package_files.place(workspace, package, ready.form, target, sealed=seal)
        uncommitted = _uncommitted(workspace)
    remarks = [*ready.remarks, *built.remarks]
    return ShipReport(record, package.manifest, package.held.digest, target, uncommitted, remarks)


@dataclass(frozen=True)
class Ready:
    """All that is decided before anything is built.

    Attributes:
        is_known: whether the recipient is in the address book.
        source: the revision that goes out.
        book: all records, as they were then.
        reason: why it goes out although something stands in the way; may be empty.
        closed: what stands in the way.
        remarks: what does not, and should be known.
    """

    recipient: Recipient
    is_known: bool
    source: VerifiedRevision
    book: Ledger
    wants: wants.Wants
    form: Form
    day: date
    reason: str
    closed: list[Gate]
    remarks: list[Remark]


def prepare(
    workspace: Workspace, recipient: str, order: Order, *, kind: str | None = None, another: bool = False
) -> Ready:
    """Decide who gets what, and ask every gate. Nothing is written.

    Raises:
        UsageError: nobody or several of that name, or nothing that could go to them.
        DamagedError, UntrustedSignerError: revision or records are not what they were.
    """
    day = _day(order.shipped_on)
    if workspace.newest_held() is None:
        raise NoSuchRevisionError("there is nothing to ship", hint="Commit bounces first.")
    source = workspace.revision(order.revision)
    book = ledger.read(workspace)
    somebody, known = _recipient(workspace, recipient, kind, another=another)
    reason = (order.despite or "").strip()
    chosen = wants.choose(_versions(source), somebody, order.only)
    heard = rejections.heard(workspace, book, source, somebody, [version.id for version in chosen])
    sheet = packaging.sheet_of(workspace, source)
    checked = quality.stops(quality.check(workspace, source, book), somebody, chosen)
    closed = gates.closed(somebody, chosen, sheet, source, book, day, now(), heard.findings, checked)
    return Ready(
        recipient=somebody,
        is_known=known,
        source=source,
        book=book,
        wants=wants.Wants(
            tuple(chosen), wants.formats_for(somebody, order.formats), wants.excludes_explicit(somebody)
        ),
        form=order.form or ("zip" if somebody.form == "zip" else "folder"),
        day=day,
        reason=reason,
        closed=closed,
        remarks=heard.remarks,
    )


def _day(text: str | None) -> date:
    """Return the civil day of a shipment: today where nothing is said, and never one to come."""
    today = date.today()  # noqa: DTZ011 - a civil day, where the user is
    day = parsed_day(text) if text else today
    if day > today:
        raise BadDayError(
            f"{day.isoformat()} has not come yet", hint="Give the day on which it went out, or leave it out."
        )
    return day


def _uncommitted(workspace: Workspace) -> list[str]:
    """Return what a commit would take in now: the likeliest thing to forget before sending.

    A sheet or folder that could not be committed counts as changed; it is no reason not to ship
    what was recorded.
    """
    newest = workspace.newest()
    if newest is None:
        return []
    before = {entry.name: entry for entry in newest.manifest.files}
    try:
        gathered = gather(workspace.folder, workspace.sheet(), newest.manifest, lost_is_fault=False)
    except RelkitError:
        return [SHEET]
    scanner = Scanner(workspace, newest.manifest)
    known = {wanted.name: scanner.known(wanted) for wanted in gathered.wanted}
    scanner.save()
    changed = [
        name
        for name, entry in known.items()
        if entry is None or name not in before or entry.sha256 != before[name].sha256
    ]
    return [*changed, *(name for name in before if name not in known)]


def _versions(source: VerifiedRevision) -> list[VersionFacts]:
    """Return the versions of a revision, each once."""
    found = {entry.version.id: entry.version for entry in source.manifest.files if entry.version is not None}
    return list(found.values())


def _recipient(workspace: Workspace, text: str, kind: str | None, *, another: bool) -> tuple[Recipient, bool]:
    """Return who is meant, and whether they are in the address book already."""
    everybody = AddressBook(workspace.home.folder).everybody()
    if another:
        return Recipient.new(text, kind), False
    try:
        found = choose(
            text, everybody, hint="To send to somebody new, add --kind, for example: --kind club-dj."
        )
    except UnknownRecipientError:
        if kind is None:
            raise
        return Recipient.new(text, kind), False
    if kind is not None and kind != found.kind:
        raise UsageError(
            f"{shown(found.name)} is known as {found.kind}, not {shown(kind)}",
            hint="Leave --kind out, or add --another for somebody else of that name.",
        )
    return found, True


def _earlier(
    workspace: Workspace, book: Ledger, somebody: Recipient, source: VerifiedRevision, day: date
) -> Earlier | None:
    """Return what this recipient held on that day from another revision, if it still counts."""
    held = [
        (record, entry)
        for record, entry in ledger.standing(workspace, book)
        if record.recipient.id == somebody.id
        and record.revision != source.manifest.revision
        and record.shipped_on <= day.isoformat()
    ]
    if not held:
        return None
    _record, package = ledger.verified_shipment(workspace, held[-1][1])
    return Earlier(package.manifest, package.held.digest)


def _shelf(day: date, somebody: Recipient, record_id: str) -> str:
    """Name the folder of one shipment: for people, and different for every one."""
    return f"{day.isoformat()} {plain(somebody.name, otherwise='recipient')[:40].strip(' .')} {record_id[:8]}"
