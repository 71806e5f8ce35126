"""A package out of the store: as a folder or a ZIP that appears whole, or not at all.

Not here: putting one into the store (``packaging``), the form of an archive
(``relkit.pack.archive``).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, Literal

from relkit.errors import DamagedError
from relkit.filenames import below, shown
from relkit.manifest import MANIFEST_NAMESPACE, FileEntry, PackageManifest
from relkit.pack import layout
from relkit.release import placing
from relkit.release.workspace import VerifiedPackage, Workspace
from relkit.store import restoring

Form = Literal["folder", "zip"]
Sink = Callable[[bytes | memoryview], object]


def tree_of(content: dict[str, bytes], entry: FileEntry) -> bytes:
    """Return where the store has a file of a manifest.

    Raises:
        DamagedError: it does not have it.
    """
    if entry.sha256 not in content:
        raise DamagedError(
            f"{shown(entry.name)} is not in the store",
            hint="Run relkit audit, then restore .relkit from a copy.",
        )
    return content[entry.sha256]


def restore(workspace: Workspace, tree: bytes, entry: FileEntry, write: Sink) -> None:
    """Write a file of a manifest, which says how long it is and what it hashes to.

    Raises:
        DamagedError: the store does not give these bytes back; what was written is no good.
    """
    restoring.restore(workspace.repository, tree, write, entry.sha256, size_bytes=entry.size_bytes)


def place(
    workspace: Workspace, package: VerifiedPackage, form: Form, target: Path, *, sealed: Callable[[], None]
) -> None:
    """Write a package as a folder or ZIP that appears whole, or not at all.

    Args:
        target: the folder or file to appear; nothing may stand there but an empty folder.
        sealed: called when every byte is written and checked, before it appears.

    Raises:
        DamagedError: the store does not give back what the manifest says.
    """
    if form == "zip":
        with placing.appearing(target) as out:
            _zip(workspace, package, out)
            sealed()
        return
    with placing.appearing_folder(target) as part:
        for name, _size, body in _bodies(workspace, package):
            with placing.appearing(below(part, name)) as out:
                body(out.write)
        sealed()


def _zip(workspace: Workspace, package: VerifiedPackage, out: BinaryIO) -> None:
    from relkit.pack.archive import write_zip

    moment = datetime.fromisoformat(package.manifest.recorded_at)
    write_zip(out, package.manifest.name, moment, _bodies(workspace, package))


def _bodies(workspace: Workspace, package: VerifiedPackage) -> list[tuple[str, int, Callable[[Sink], None]]]:
    """Return every file of a package: name, size, and what writes it into a sink."""

    def from_store(entry: FileEntry) -> Callable[[Sink], None]:
        tree = tree_of(package.held.content, entry)
        return lambda sink: restore(workspace, tree, entry, sink)

    def from_memory(data: bytes) -> Callable[[Sink], None]:
        return lambda sink: _ignored(sink(data))

    found = [(entry.name, entry.size_bytes, from_store(entry)) for entry in package.manifest.files]
    proof = proof_files(package)
    return [*found, *((name, len(data), from_memory(data)) for name, data in proof.items())]


def _ignored(_result: object) -> None:
    return None


def proof_files(package: VerifiedPackage) -> dict[str, bytes]:
    """Return the files by which a package can be checked."""
    from relkit.trust.sshsig import verify

    key = verify(package.held.signature, package.held.manifest, MANIFEST_NAMESPACE)
    return {
        layout.MANIFEST: package.held.manifest,
        layout.SIGNATURE: package.held.signature,
        layout.PUBLIC_KEY: public_key_file(key.line),
        layout.SUMS: layout.sha256sums((entry.name, entry.sha256) for entry in package.manifest.files),
    }


def public_key_file(line: str) -> bytes:
    """Return what the signer's public key file holds."""
    return f"{line}\n".encode()


def path_of(folder: Path, package: PackageManifest, form: Form) -> Path:
    """Return where a package appears in a folder."""
    return folder / (f"{package.name}.zip" if form == "zip" else package.name)


def is_free(target: Path) -> bool:
    """Say whether nothing stands at a place but an empty folder."""
    return not os.path.lexists(target) or (target.is_dir() and not any(target.iterdir()))
