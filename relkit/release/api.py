"""The public Python API: one release, and what can be done with it.

    from relkit import Release

    with Release.new(folder, artist="...", title="...") as release:
        release.commit([bounce], note="first mix")
        release.ship("Somebody", kind="club-dj")

The command line is thin over this class. Methods return reports, small frozen
dataclasses; faults are ``relkit.errors.RelkitError``.

Not here: anything but handing on; each verb has its own file.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from relkit.release.home import Home
from relkit.release.workspace import Workspace

if TYPE_CHECKING:
    from relkit.manifest import AcceptedRecord, ApprovedRecord
    from relkit.release.audit import AuditReport
    from relkit.release.audit import Progress as AuditProgress
    from relkit.release.checkout import PackageCheckout, RevisionCheckout
    from relkit.release.commit import CommitReport
    from relkit.release.diff import DiffReport
    from relkit.release.history import HistoryReport
    from relkit.release.mirror import MirrorReport
    from relkit.release.package_files import Form
    from relkit.release.quality import QualityReport
    from relkit.release.replies import ReplyReport
    from relkit.release.scanning import Progress
    from relkit.release.ship import ShipReport
    from relkit.release.shipments import ShipmentsReport
    from relkit.release.shipping import Round
    from relkit.release.verify import VerifiedCopy
    from relkit.release.withdraw import WithdrawReport


class Release:
    """One release folder. Use as a context, or call ``close``."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace

    @classmethod
    def new(
        cls,
        folder: Path | str,
        *,
        artist: str,
        title: str,
        tempo: str | None = None,
        key: str | None = None,
        explicit: bool = True,
        home: Home | None = None,
    ) -> Self:
        """Start a release; see ``relkit.release.new``."""
        from relkit.release.new import new

        where = Path(folder)
        return cls(
            new(
                where,
                home or Home.usual(),
                artist=artist,
                title=title,
                tempo=tempo,
                key=key,
                explicit=explicit,
            )
        )

    @classmethod
    def open(cls, folder: Path | str = ".", *, home: Home | None = None) -> Self:
        """Open the release that a folder is in.

        Raises:
            NoReleaseError: the folder is in none.
        """
        return cls(Workspace.find(Path(folder), home or Home.usual()))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the store's files."""
        self._workspace.close()

    @property
    def folder(self) -> Path:
        """The release folder."""
        return self._workspace.folder

    @property
    def release_id(self) -> str:
        """The release's id, 32 hex digits, the same for ever."""
        return self._workspace.release_id

    def commit(
        self,
        bounces: Sequence[Path] = (),
        *,
        version: str | None = None,
        note: str = "",
        session: str | None = None,
        without: Collection[str] = (),
        answers: Sequence[int] = (),
        progress: Progress | None = None,
    ) -> CommitReport:
        """Record the release as it is now; see ``relkit.release.commit``."""
        from relkit.release.commit import commit

        return commit(
            self._workspace,
            bounces,
            version=version,
            note=note,
            session=session,
            without=without,
            answers=answers,
            progress=progress,
        )

    def history(self, limit: int | None = None, *, rejection: int | None = None) -> HistoryReport:
        """Return what happened, newest first; see ``relkit.release.history``."""
        from relkit.release.history import history

        return history(self._workspace, limit, rejection=rejection)

    def diff(
        self,
        old: str | None = None,
        new: str | None = None,
        progress: Progress | None = None,
        *,
        page: Path | None = None,
    ) -> DiffReport:
        """Compare two revisions, shipments, or the folder; see ``relkit.release.diff``.

        Args:
            page: where a page with pictures and clips is written, too; None for none.
        """
        from relkit.release.diff import diff

        return diff(self._workspace, old, new, progress, page=page)

    def ship(
        self,
        recipient: str,
        *,
        kind: str | None = None,
        another: bool = False,
        progress: Progress | None = None,
        **order: Any,
    ) -> ShipReport:
        """Build, write and record a package; ``order`` as ``relkit.release.ship.Order``."""
        from relkit.release.ship import Order, ship

        return ship(self._workspace, recipient, Order(**order), kind=kind, another=another, progress=progress)

    def ship_round(
        self,
        recipients: Sequence[str] = (),
        *,
        to_kind: str | None = None,
        outdated: bool = False,
        dry_run: bool = False,
        kind: str | None = None,
        another: bool = False,
        progress: Progress | None = None,
        **order: Any,
    ) -> Round:
        """Ship to several; a fault for one does not stop the others. See ``relkit.release.shipping``.

        Args:
            recipients: names, or starts of ids.
            to_kind: everybody of a kind; with ``outdated``, only those of it.
            outdated: whoever holds what sounds different now.
            dry_run: only say what would go.
            order: as ``relkit.release.ship.Order``.
        """
        from relkit.release import shipping
        from relkit.release.ship import Order

        wanted = Order(**order)
        if outdated:
            addresses = shipping.owed(self._workspace, wanted, kind=to_kind)
        elif to_kind is not None:
            addresses = shipping.of_kind(self._workspace, to_kind, wanted)
        else:
            addresses = shipping.named(recipients, wanted)
        if dry_run:
            return shipping.preview_round(self._workspace, addresses, kind=kind, another=another)
        return shipping.ship_round(self._workspace, addresses, kind=kind, another=another, progress=progress)

    def shipments(self, **wanted: Any) -> ShipmentsReport:
        """Return who holds what; ``wanted`` as ``relkit.release.shipments.Filter``."""
        from relkit.release.shipments import Filter, shipments

        return shipments(self._workspace, Filter(**wanted))

    def reply(self, recipient: str, answer: str, **said: Any) -> ReplyReport:
        """Record what came back; see ``relkit.release.replies.reply``."""
        from relkit.release.replies import reply

        return reply(self._workspace, recipient, answer, **said)

    def approve(self, revision: str, *, by: str, role: str, note: str = "") -> ApprovedRecord:
        """Record that somebody agreed to a revision; see ``relkit.release.replies.approve``."""
        from relkit.release.replies import approve

        return approve(self._workspace, revision, by=by, role=role, note=note)

    def quality(self, revision: str = "newest") -> QualityReport:
        """Check a revision against the trade's rules; see ``relkit.release.quality``."""
        from relkit.release.quality import quality

        return quality(self._workspace, revision)

    def accept(self, finding: str, *, reason: str, revision: str = "newest") -> AcceptedRecord:
        """Record that a finding may stay; see ``relkit.release.quality.accept``."""
        from relkit.release.quality import accept

        return accept(self._workspace, finding, reason=reason, which=revision)

    def checkout(self, revision: str, folder: Path) -> RevisionCheckout:
        """Write a revision's files below a folder; see ``relkit.release.checkout``."""
        from relkit.release.checkout import checkout_revision

        return checkout_revision(self._workspace, revision, folder)

    def checkout_sent(
        self,
        recipient: str,
        folder: Path,
        *,
        on: str | None = None,
        month: str | None = None,
        form: Form | None = None,
    ) -> PackageCheckout:
        """Write what somebody received, byte for byte; see ``relkit.release.checkout``."""
        from relkit.release.checkout import checkout_sent

        return checkout_sent(self._workspace, recipient, folder, on=on, month=month, form=form)

    def checkout_shipment(self, shipment: str, folder: Path, *, form: Form | None = None) -> PackageCheckout:
        """Write the package of one shipment; see ``relkit.release.checkout``."""
        from relkit.release.checkout import checkout_shipment

        return checkout_shipment(self._workspace, shipment, folder, form=form)

    def withdraw(self, record: str, *, reason: str, never_sent: bool = False) -> WithdrawReport:
        """Take a record back; see ``relkit.release.withdraw``."""
        from relkit.release.withdraw import withdraw

        return withdraw(self._workspace, record, reason=reason, never_sent=never_sent)

    def mirror(
        self, url: str, *, with_records: bool = True, progress: AuditProgress | None = None
    ) -> MirrorReport:
        """Send what a mirror lacks; see ``relkit.release.mirror``."""
        from relkit.release.mirror import mirror

        return mirror(self._workspace, url, with_records=with_records, progress=progress)

    def take_in(self, url: str, progress: AuditProgress | None = None) -> MirrorReport:
        """Take in what a mirror has and this side lacks; see ``relkit.release.mirror``."""
        from relkit.release.mirror import take_in

        return take_in(self._workspace, url, progress)

    def audit(self, progress: AuditProgress | None = None) -> AuditReport:
        """Check everything; see ``relkit.release.audit``."""
        from relkit.release.audit import audit

        return audit(self._workspace, progress)


def verify(path: Path | str, *, home: Home | None = None) -> VerifiedCopy:
    """Check a package folder or ZIP; see ``relkit.release.verify``."""
    from relkit.release.verify import verify as verify_package

    return verify_package(Path(path), home or Home.usual())
