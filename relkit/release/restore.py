"""``restore``: a whole release from a mirror, on a machine that has nothing of it.

Everything is fetched into a folder with a temporary name and audited there;
only when all of it is whole and signed by somebody trusted does the release
appear, with the newest revision's files in their places.

Not here: the connection (``relkit.store.remote``), taking in what is new
(``mirror``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.release.audit import AuditReport, audit
from relkit.release.checkout import checkout_revision
from relkit.release.home import Home
from relkit.release.placing import ThereAlreadyError, appearing_folder
from relkit.release.workspace import INSIDE, STORE, Workspace, read_held
from relkit.store import records, revisions
from relkit.store.remote import Remote
from relkit.store.repository import BESIDE, REVISIONS, Repository

Progress = Callable[[str, int, int], None]


class EmptyMirrorError(UsageError):
    """There is no release at that place."""


@dataclass(frozen=True)
class RestoreReport:
    """What was restored: everything that ``audit`` looked at, and where it lies now."""

    url: str
    folder: Path
    revision: int
    looked_at: AuditReport


def restore(url: str, folder: Path, home: Home, progress: Progress | None = None) -> RestoreReport:
    """Build a complete release from a mirror.

    Args:
        folder: must not exist, or be empty.

    Raises:
        EmptyMirrorError: there is no release there.
        ThereAlreadyError: something stands in the folder.
        DamagedError, UntrustedSignerError: something there is not what a trusted signer wrote.
        RemoteError: it cannot be reached.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise ThereAlreadyError(folder)
    remote = Remote(url)
    there = {
        name: oid
        for name, oid in remote.references().items()
        if name == REVISIONS or name.startswith((records.PREFIX, BESIDE))
    }
    if REVISIONS not in there:
        raise EmptyMirrorError(
            f"there is no release at {shown(url)}", hint="Check the address; relkit mirror fills one."
        )
    with appearing_folder(folder.absolute()) as part:
        for name in ("bounces", "artwork", INSIDE):
            (part / name).mkdir()
        _fetched(remote, part / STORE, there)
        workspace = Workspace(part, home)
        try:
            report = audit(workspace, progress)
            number = checkout_revision(workspace, "newest", part).manifest.revision
        finally:
            workspace.close()
    return RestoreReport(url, folder, number, report)


def _fetched(remote: Remote, store: Path, there: dict[str, bytes]) -> None:
    """Fill a new store; its own note of the release's id comes from its newest revision."""
    blank = Repository.create(store, "0" * 32)
    remote.fetch(blank, list(there.values()))
    release_id = read_held(revisions.read(blank, there[REVISIONS])).release_id
    blank.close()
    made = Repository.create(store, release_id)
    for name, oid in there.items():
        made.set_ref(name, oid, None)
    made.close()
