"""``checkout``: a revision or a shipped package again, byte for byte.

Everything is checked before it is written and hashed while it is: signatures
first, then every file under a temporary name. Nothing is replaced that the
release does not have.

Not here: decoding (``relkit.store.restoring``), forms of a package
(``relkit.release.package_files``).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import cast, get_args

from relkit.filenames import below, shown
from relkit.manifest import PackageManifest, RevisionManifest, ShippedRecord, WithdrawnRecord
from relkit.release import ledger, package_files, placing
from relkit.release.ledger import Entry, Ledger
from relkit.release.package_files import Form
from relkit.release.placing import ThereAlreadyError
from relkit.release.sent import sent_entry
from relkit.release.workspace import Workspace, hash_of
from relkit.store.revisions import NewerStoreError


@dataclass(frozen=True)
class RevisionCheckout:
    """A revision that was written out."""

    manifest: RevisionManifest
    digest: str
    folder: Path
    written: list[str]
    kept: list[str]  # there already, with the right bytes


@dataclass(frozen=True)
class PackageCheckout:
    """A package that was written out.

    Attributes:
        withdrawn: the withdrawal, if shipment or package were taken back.
    """

    record: ShippedRecord
    manifest: PackageManifest
    digest: str
    path: Path
    withdrawn: WithdrawnRecord | None = None


def checkout_revision(workspace: Workspace, which: str, folder: Path) -> RevisionCheckout:
    """Write a revision's files below a folder.

    Raises:
        InTheWayError: a file stands there whose bytes the release does not have.
        DamagedError, UntrustedSignerError: see ``Workspace.revision``; no file appears.
    """
    revision = workspace.revision(which)
    places = {entry.name: below(folder, entry.name) for entry in revision.manifest.files}
    kept = {
        entry.name
        for entry in revision.manifest.files
        if places[entry.name].is_file() and hash_of(places[entry.name]) == entry.sha256
    }
    placing.require_free([place for name, place in places.items() if name not in kept], workspace.has_bytes)
    with placing.Staging() as staging:  # all files appear, or none
        for entry in revision.manifest.files:
            if entry.name not in kept:
                content = package_files.tree_of(revision.held.content, entry)
                with staging.coming(places[entry.name]) as out:
                    package_files.restore(workspace, content, entry, out.write)
        staging.appear()
    written = [entry.name for entry in revision.manifest.files if entry.name not in kept]
    return RevisionCheckout(revision.manifest, revision.held.digest, folder, written, sorted(kept))


def checkout_sent(
    workspace: Workspace,
    recipient: str,
    folder: Path,
    *,
    on: str | None = None,
    month: str | None = None,
    form: Form | None = None,
) -> PackageCheckout:
    """Write the package that somebody received.

    Args:
        recipient: name, as it is now or was on the day, or the start of the id.
        on: the last package shipped on or before this day.
        month: the last package shipped in this month, "yyyy-mm"; without either, the newest of all.
        form: None gives the form in which it went.

    Raises:
        UsageError: nobody or several of that name, or nothing sent by then.
        DamagedError, UntrustedSignerError: the record or package is not what it was.
    """
    book = ledger.read(workspace)
    entry = sent_entry(workspace, book, recipient, on=on, month=month)
    return _written(workspace, book, entry, folder, form)


def checkout_shipment(
    workspace: Workspace, shipment: str, folder: Path, *, form: Form | None = None
) -> PackageCheckout:
    """Write the package of one shipment, named by its id; also of one that was withdrawn."""
    book = ledger.read(workspace)
    return _written(workspace, book, book.find(shipment), folder, form)


def _written(
    workspace: Workspace, book: Ledger, entry: Entry, folder: Path, form: Form | None
) -> PackageCheckout:
    record, package = ledger.verified_shipment(workspace, entry)
    chosen = form or _form_of(record)
    target = package_files.path_of(folder, package.manifest, chosen)
    if not package_files.is_free(target):
        raise ThereAlreadyError(target)
    package_files.place(workspace, package, chosen, target, sealed=lambda: None)
    back = book.taken_back(entry)
    return PackageCheckout(record, package.manifest, package.held.digest, target, back)


def _form_of(record: ShippedRecord) -> Form:
    """Return the form in which a package went.

    Raises:
        NewerStoreError: a later relkit knows it.
    """
    for known in get_args(Form):
        if record.form == known:
            return cast(Form, known)
    raise NewerStoreError(
        f"the package went out in a form that only a newer relkit knows ({shown(record.form)})",
        hint="Update relkit, or take it in another form with --folder or --zip.",
    )
