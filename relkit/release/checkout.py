"""``checkout``: a revision or a shipped package again, byte for byte.

Everything is checked before it is written and hashed while it is: signatures
first, then every file under a temporary name. Nothing is replaced that the
release does not have.

Not here: decoding (``relkit.store.restoring``), forms of a package
(``relkit.release.packaging``).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import cast, get_args

from relkit.errors import UsageError
from relkit.filenames import below, shown
from relkit.manifest import PackageManifest, RevisionManifest, ShippedRecord
from relkit.release import ledger, packaging, placing
from relkit.release.ledger import Entry, Ledger
from relkit.release.packaging import Form
from relkit.release.placing import ThereAlreadyError
from relkit.release.recipients import AddressBook, Recipient, choose
from relkit.release.ship import parsed_day
from relkit.release.workspace import Workspace, hash_of
from relkit.store.revisions import NewerStoreError


class NothingSentError(UsageError):
    """Nothing was sent to that recipient, or not by that day."""


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
    """A package that was written out."""

    record: ShippedRecord
    manifest: PackageManifest
    digest: str
    path: Path


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
                content = packaging.tree_of(revision.held.content, entry)
                with staging.coming(places[entry.name]) as out:
                    packaging.restore(workspace, content, entry, out.write)
        staging.appear()
    written = [entry.name for entry in revision.manifest.files if entry.name not in kept]
    return RevisionCheckout(revision.manifest, revision.held.digest, folder, written, sorted(kept))


def checkout_sent(
    workspace: Workspace, recipient: str, folder: Path, *, on: str | None = None, form: Form | None = None
) -> PackageCheckout:
    """Write the package that somebody received.

    Args:
        recipient: name, as it is now or was on the day, or the start of the id.
        on: the last package shipped on or before this day; None takes the newest.
        form: None gives the form in which it went.

    Raises:
        UsageError: nobody or several of that name, or nothing sent by then.
        DamagedError, UntrustedSignerError: the record or package is not what it was.
    """
    book = ledger.read(workspace)
    entry = _sent(workspace, book, recipient, on)
    return _written(workspace, entry, folder, form)


def checkout_shipment(
    workspace: Workspace, shipment: str, folder: Path, *, form: Form | None = None
) -> PackageCheckout:
    """Write the package of one shipment, named by its id."""
    return _written(workspace, ledger.read(workspace).find(shipment), folder, form)


def _sent(workspace: Workspace, book: Ledger, text: str, on: str | None) -> Entry:
    """Find the shipment that answers the question; withdrawn ones were never sent or do not count."""
    last = parsed_day(on).isoformat() if on else None
    sent = ledger.standing(workspace, book)
    somebody = _who(workspace, sent, text)
    theirs = [(record, entry) for record, entry in sent if record.recipient.id == somebody.id]
    if not theirs:
        raise NothingSentError(
            f"nothing was sent to {shown(somebody.name)}", hint="relkit history shows what was sent to whom."
        )
    fitting = [(record, entry) for record, entry in theirs if last is None or record.shipped_on <= last]
    if not fitting:
        raise NothingSentError(
            f"nothing was sent to {shown(somebody.name)} on or before {last}",
            hint=f"The first shipment to them was on {theirs[0][0].shipped_on}.",
        )
    return fitting[-1][1]


def _who(workspace: Workspace, sent: list[tuple[ShippedRecord, Entry]], text: str) -> Recipient:
    """Find the recipient by any name that they had on some day or have now."""
    named = [
        Recipient(record.recipient.id, record.recipient.name, record.recipient.kind or "")
        for record, _entry in sent
    ]
    now_known = AddressBook(workspace.home.folder).everybody()
    meant = [somebody for somebody in [*now_known, *named] if somebody.matches(text)]
    received = {record.recipient.id for record, _entry in sent}
    # Of two who share a name, the one who never received anything cannot be meant.
    likely = [somebody for somebody in meant if somebody.id in received]
    hint = "relkit history shows what was sent to whom."
    return choose(text, likely or meant or [*now_known, *named], hint=hint)


def _written(workspace: Workspace, entry: Entry, folder: Path, form: Form | None) -> PackageCheckout:
    record, package = ledger.verified_shipment(workspace, entry)
    chosen = form or _form_of(record)
    target = packaging.path_of(folder, package.manifest, chosen)
    if not packaging.is_free(target):
        raise ThereAlreadyError(target)
    packaging.place(workspace, package, chosen, target, sealed=lambda: None)
    return PackageCheckout(record, package.manifest, package.held.digest, target)


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
