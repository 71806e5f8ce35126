"""``diff``: what changed between two revisions, packages, or the folder, file by file.

Compared by sound identity first: the same sound under new tags is a retag, not
new audio. Numbers are those of the manifests; of files in the folder that no
revision has, they are measured now.

Not here: what a listener would hear, and where.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from relkit.errors import UsageError
from relkit.manifest import FileEntry
from relkit.release import ledger
from relkit.release.gathering import gather
from relkit.release.ledger import verified_shipment
from relkit.release.scanning import Hashing, Progress, Scanner
from relkit.release.workspace import NoSuchRevisionError, Workspace

FOLDER = "folder"
Change = Literal["same", "retagged", "new audio", "changed", "added", "removed"]


@dataclass(frozen=True)
class Row:
    """One file on both sides.

    Attributes:
        what: the version id, or the role of a file that is no version.
        redeclared: the bytes are the same, and the sheet says something else about them.
    """

    what: str
    change: Change
    old: FileEntry | None
    new: FileEntry | None
    redeclared: bool = False


@dataclass(frozen=True)
class DiffReport:
    """Two sides, named for people, and every file."""

    old_name: str
    new_name: str
    rows: list[Row]

    @property
    def differs(self) -> bool:
        """Whether anything is not the same."""
        return any(row.change != "same" or row.redeclared for row in self.rows)


@dataclass(frozen=True)
class _Side:
    name: str
    files: Sequence[FileEntry]


def diff(
    workspace: Workspace, old: str | None = None, new: str | None = None, progress: Progress | None = None
) -> DiffReport:
    """Compare two sides.

    Args:
        old: a revision, a shipment's id, or ``folder``; None takes the newest revision.
        new: likewise; None takes the folder.

    Raises:
        RelkitError: a side that does not exist, is damaged, or whose signer is not trusted.
    """
    before = _side(workspace, old or "newest", progress)
    after = _side(workspace, new or FOLDER, progress)
    return DiffReport(before.name, after.name, _rows(before.files, after.files))


def _side(workspace: Workspace, which: str, progress: Progress | None) -> _Side:
    if which == FOLDER:
        return _Side("the folder", _folder(workspace, progress))
    try:
        revision = workspace.revision(which)
        return _Side(f"revision {revision.manifest.revision}", revision.manifest.files)
    except NoSuchRevisionError as no_revision:
        try:
            entry = ledger.read(workspace).find(which)
        except UsageError:
            raise no_revision from None
    record, package = verified_shipment(workspace, entry)
    return _Side(f"shipment {record.id[:8]} ({record.shipped_on})", package.manifest.files)


def _folder(workspace: Workspace, progress: Progress | None) -> list[FileEntry]:
    """Look at the folder as ``commit`` would, storing nothing."""
    newest = workspace.newest()
    previous = newest.manifest if newest else None
    scanner = Scanner(workspace, previous, progress)
    entries = []
    for wanted in gather(workspace.folder, workspace.sheet(), previous, lost_is_fault=False).wanted:
        known = scanner.known(wanted)
        entries.append(known if known is not None else scanner.read(wanted, Hashing)[0])
    scanner.save()
    return entries


def _rows(old: Sequence[FileEntry], new: Sequence[FileEntry]) -> list[Row]:
    before, after = _keyed(old), _keyed(new)
    order = [*after, *(key for key in before if key not in after)]
    return [_row(key, before.get(key), after.get(key)) for key in order]


def _keyed(files: Sequence[FileEntry]) -> dict[str, FileEntry]:
    """Name every file by what it is for; several of one kind keep their place in the name."""
    found: dict[str, FileEntry] = {}
    for entry in files:
        what = entry.version.id if entry.version else entry.role
        if what in found:
            what = f"{what}: {entry.name.rsplit('/', 1)[-1]}"
        found[what] = entry
    return found


def _row(what: str, old: FileEntry | None, new: FileEntry | None) -> Row:
    if old is None:
        return Row(what, "added", None, new)
    if new is None:
        return Row(what, "removed", old, None)
    if old.sha256 == new.sha256:
        return Row(what, "same", old, new, redeclared=old.version != new.version)
    if old.sound is None or new.sound is None:
        return Row(what, "changed", old, new)
    same_sound = old.sound.identity == new.sound.identity
    return Row(what, "retagged" if same_sound else "new audio", old, new)
