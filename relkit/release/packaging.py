"""From a revision to a package in the store, and from the store to a folder or ZIP.

A package is the same for every recipient with the same wants: its manifest has
no recipient, no clock and no tool in it. Bounces are content that the revision
has already; only the info sheet and, the first time, the cover are added.

Not here: who gets it (``relkit.release.ship``), names and looks (``relkit.pack``).
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, BinaryIO, Literal

from relkit.errors import DamagedError
from relkit.filenames import below, shown
from relkit.manifest import (
    MANIFEST_NAMESPACE,
    Derivation,
    FileEntry,
    PackageManifest,
    VersionFacts,
    as_document,
)
from relkit.pack import layout, names
from relkit.pack.note import Replacement, info_sheet
from relkit.release import placing
from relkit.release.workspace import VerifiedPackage, VerifiedRevision, Workspace
from relkit.store import restoring, revisions

if TYPE_CHECKING:
    from relkit.store.content import Intake, Stored

Form = Literal["folder", "zip"]
Sink = Callable[[bytes | memoryview], object]


@dataclass(frozen=True)
class Earlier:
    """The package that a recipient holds and that the new one takes the place of."""

    manifest: PackageManifest
    digest: str


def build(
    workspace: Workspace,
    revision: VerifiedRevision,
    versions: Sequence[VersionFacts],
    earlier: Earlier | None,
) -> bytes:
    """Put a package into the store; the same one again is found, not made.

    Returns:
        The package's commit.

    Raises:
        DamagedError: content of the revision is missing.
        UsageError: two files would have one name, or a label is too long.
        BadInputError: the cover cannot be turned into a JPEG.
    """
    from relkit.store.chunk_index import ChunkIndex
    from relkit.store.content import Intake
    from relkit.trust.canonical import canonical_bytes
    from relkit.trust.sshsig import sign

    key = workspace.home.signing_key()
    content = dict(revision.held.content)
    facts = revision.manifest.release
    audio = _audio(revision, versions)
    with (
        workspace.repository.writer() as pack,
        Intake(pack, ChunkIndex(workspace.repository, workspace.cache)) as intake,
    ):
        cover = _cover(workspace, revision, intake, content)
        note = info_sheet(
            facts,
            audio,
            revision=revision.manifest.revision,
            recorded_on=revision.manifest.recorded_at[:10],
            fingerprint=key.public.fingerprint,
            replaces=_replacement(earlier, audio, revision) if earlier else None,
        )
        files = [*audio, *cover, _small("note", layout.info_path(facts), note, intake, content)]
        intake.settle()
        names.distinct([*(entry.name for entry in files), *layout.PROOF_FILES])
        manifest = PackageManifest(
            format=1,
            release_id=revision.manifest.release_id,
            release=facts,
            revision=revision.manifest.revision,
            recorded_at=revision.manifest.recorded_at,
            name=names.folder_name(facts.artist, facts.title, facts.tempo, facts.key),
            of_revision=revision.held.digest,
            replaces=earlier.digest if earlier else None,
            files=sorted(files, key=lambda entry: entry.name),
        )
        body = canonical_bytes(as_document(manifest))
        return revisions.write(
            pack,
            manifest=body,
            signature=sign(body, key, MANIFEST_NAMESPACE).encode(),
            content={entry.sha256: tree_of(content, entry) for entry in files},
            features=revision.held.features | intake.features,
            parents=[revision.held.commit],
            moment=datetime.fromisoformat(manifest.recorded_at),
            message=f"Package of revision {manifest.revision}",
        )


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


def _audio(revision: VerifiedRevision, versions: Sequence[VersionFacts]) -> list[FileEntry]:
    """Return the bounces of the chosen versions under their names in the package."""
    chosen = {version.id for version in versions}
    entries = [
        entry for entry in revision.manifest.files if entry.version is not None and entry.version.id in chosen
    ]
    found = []
    for entry in entries:
        version = entry.version
        assert version is not None  # noqa: S101 - chosen above
        several = sum(other.version is not None and other.version.id == version.id for other in entries) > 1
        path = PurePosixPath(entry.name)
        label = f"{version.label} - {path.stem}" if several else version.label
        place = layout.bounce_path(revision.manifest.release, label, entry.container, suffix=path.suffix)
        found.append(entry.model_copy(update={"name": place}))
    return found


def _small(
    role: str,
    name: str,
    data: bytes,
    intake: Intake,
    content: dict[str, bytes],
    made: Derivation | None = None,
) -> FileEntry:
    """Take in a file that is made here, and return its entry."""
    from relkit.audio.formats import Container, Part

    parts = (Part("opaque", 0, len(data)),) if data else ()
    stored: Stored = intake.whole(Container("other", parts), data)
    intake.settle()
    content[stored.sha256] = stored.tree
    return FileEntry(
        role=role,
        name=name,
        size_bytes=stored.size_bytes,
        sha256=stored.sha256,
        xxh3_128=stored.xxh3_128,
        derived_from=made,
    )


# --- derived files: made once, found for ever


def _cover(
    workspace: Workspace, revision: VerifiedRevision, intake: Intake, content: dict[str, bytes]
) -> list[FileEntry]:
    """Return the cover as recipients get it, if the revision has one."""
    from relkit.pack import artwork

    source = next((entry for entry in revision.manifest.files if entry.role == "cover"), None)
    if source is None:
        return []
    place = layout.cover_path(revision.manifest.release)
    known = find_derived(workspace, source.sha256, artwork.RECIPE)
    if known is not None:
        entry, tree = known
        content[entry.sha256] = tree
        return [entry.model_copy(update={"name": place})]
    picture = bytearray()
    restore(workspace, tree_of(content, source), source, picture.extend)
    made = Derivation(source_sha256=source.sha256, recipe=artwork.RECIPE, made_with=artwork.made_with())
    return [_small("cover", place, artwork.cover_jpeg(bytes(picture)), intake, content, made)]


def find_derived(workspace: Workspace, source_sha256: str, recipe: str) -> tuple[FileEntry, bytes] | None:
    """Return a file that was made from this source by this recipe before, and its content.

    A stored derivative always wins over making it again: another encoder, or a
    newer one, would give other bytes.
    """
    from relkit.store import records

    key = f"{source_sha256} {recipe}".encode()
    kept = workspace.cache.get("derived", key)
    if kept is not None:
        row = json.loads(kept)
        tree = bytes.fromhex(row["tree"])
        if workspace.repository.has(tree):
            return FileEntry.model_validate(row["entry"]), tree
    targets = {
        records.read(workspace.repository, ref, tag).target
        for ref, tag in records.references(workspace.repository).items()
        if ref.startswith("shipped/")
    }
    for target in sorted(targets):
        package = workspace.verified_package(target)
        for entry in package.manifest.files:
            made = entry.derived_from
            if made is not None and (made.source_sha256, made.recipe) == (source_sha256, recipe):
                tree = package.held.content[entry.sha256]
                row = {"entry": as_document(entry), "tree": tree.hex()}
                workspace.cache.put("derived", [(key, json.dumps(row).encode())])
                return entry, tree
    return None


# --- what changed against an earlier package


def _replacement(earlier: Earlier, audio: Sequence[FileEntry], revision: VerifiedRevision) -> Replacement:
    """Compare by sound, so that new tags alone are no change to a listener.

    What only this package leaves out was not removed: the recipient may go on using it.
    """
    existing = _by_version(revision.manifest.files)
    before = _by_version(earlier.manifest.files)
    after = _by_version(audio)
    shared = [version for version in after if version in before]
    changed = [version for version in shared if _sounds(before[version]) != _sounds(after[version])]
    return Replacement(
        revision=earlier.manifest.revision,
        recorded_on=earlier.manifest.recorded_at[:10],
        changed=[_label(after[version]) for version in changed],
        unchanged=[_label(after[version]) for version in shared if version not in changed],
        added=[_label(after[version]) for version in after if version not in before],
        removed=[_label(before[version]) for version in before if version not in existing],
        same_length=all(_lengths(before[version]) == _lengths(after[version]) for version in shared),
    )


def _by_version(files: Sequence[FileEntry]) -> dict[str, list[FileEntry]]:
    found: dict[str, list[FileEntry]] = {}
    for entry in files:
        if entry.version is not None:
            found.setdefault(entry.version.id, []).append(entry)
    return found


def _sounds(entries: list[FileEntry]) -> list[str]:
    return sorted(entry.sound.identity if entry.sound else entry.sha256 for entry in entries)


def _lengths(entries: list[FileEntry]) -> list[Fraction]:
    """Return lengths in seconds, exactly; of what has no sound, the number of bytes."""
    return sorted(
        Fraction(entry.sound.frames, max(entry.sound.sample_rate_hz, 1))
        if entry.sound
        else Fraction(entry.size_bytes)
        for entry in entries
    )


def _label(entries: list[FileEntry]) -> str:
    version = entries[0].version
    return version.label if version else entries[0].name


# --- out of the store


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
