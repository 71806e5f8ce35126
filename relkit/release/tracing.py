"""What is this, and who got it? A package or a loose file that came back from somewhere.

A package is known by its manifest; one that lost it, or was packed again by
another program, by its files. A loose file is known by its bytes; one that was
given other tags, by the sound inside it. Everything is held against what the
records of this release say was sent.

Not here: whether a package is what was signed (``verify``).
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import IO, Literal

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import FileEntry, PackageManifest, RevisionManifest
from relkit.pack import layout
from relkit.release import ledger
from relkit.release.replacing import sources
from relkit.release.workspace import Workspace

KnownBy = Literal["manifest", "files", "bytes", "sound"]
_BLOCK = 1 << 20


class UnknownHereError(UsageError):
    """Nothing of this release."""


@dataclass(frozen=True)
class Carried:
    """A shipment that carried it.

    Attributes:
        withdrawn: why it was taken back, if it was.
    """

    shipment: str
    recipient: str
    kind: str | None
    shipped_on: str
    revision: int
    package: str
    withdrawn: str | None = None


@dataclass(frozen=True)
class Trace:
    """What something is.

    Attributes:
        known_by: how it was recognised.
        names: what it is called in this release, a package or its files.
        revisions: numbers of those that have it.
        shipments: that carried it, oldest first.
        newest: number of the newest revision.
        outdated: ids of versions that sound different in the newest, or are gone from it.
        altered, missing, foreign: names of files, for a package that is known by its files.
    """

    known_by: KnownBy
    names: list[str]
    revisions: list[int]
    shipments: list[Carried]
    newest: int
    outdated: list[str] = field(default_factory=list)
    altered: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    foreign: list[str] = field(default_factory=list)


def trace(workspace: Workspace, path: Path) -> Trace:
    """Say what a folder, ZIP or file is.

    Signatures are not checked; ``verify`` and ``audit`` do.

    Raises:
        UnknownHereError: nothing of this release.
        DamagedError: records or manifests cannot be read.
        OSError: it cannot be read.
    """
    known = _Known(workspace)
    is_package = path.is_dir() or zipfile.is_zipfile(path)
    found = _package(known, path) if is_package else _file(known, path)
    if found is None:
        raise UnknownHereError(
            f"{shown(path.name)} is nothing that this release has sent or holds",
            hint="Look in the release of the song that it is of; relkit history shows what was sent here.",
        )
    return found


class _Known:
    """What was sent, and what the revisions hold."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._book = ledger.read(workspace)
        self.revisions: list[tuple[RevisionManifest, str]] = [
            (manifest, held.digest) for manifest, held in workspace.walk()
        ]

    @cached_property
    def packages(self) -> dict[str, PackageManifest]:
        """Every package that was shipped, by its digest."""
        found: dict[str, PackageManifest] = {}
        for record, entry in self._book.shipments:
            if record.of not in found:
                found[record.of] = self._workspace.package_manifest(entry.held.target)
        return found

    def carried(self, packages: Iterable[str]) -> list[Carried]:
        """Return the shipments of packages."""
        wanted = set(packages)
        found = []
        for record, entry in self._book.shipments:
            if record.of in wanted:
                back = self._book.taken_back(entry)
                reason = (
                    None if back is None else f"never sent: {back.reason}" if back.never_sent else back.reason
                )
                found.append(
                    Carried(
                        record.id,
                        record.recipient.name,
                        record.recipient.kind,
                        record.shipped_on,
                        record.revision,
                        record.of,
                        reason,
                    )
                )
        return found

    @property
    def newest(self) -> int:
        """Number of the newest revision; 0 before the first."""
        return self.revisions[0][0].revision if self.revisions else 0

    def outdated(self, files: Iterable[FileEntry]) -> list[str]:
        """Return the versions of these files that the newest revision has in another sound, or not at all."""
        now, held = _by_version(self.revisions[0][0].files if self.revisions else ()), _by_version(files)
        return [one for one in held if one not in now or sources(held[one]) - sources(now[one])]


def _by_version(files: Iterable[FileEntry]) -> dict[str, list[FileEntry]]:
    found: dict[str, list[FileEntry]] = {}
    for entry in files:
        if entry.version is not None:
            found.setdefault(entry.version.id, []).append(entry)
    return found


# --- packages

_Open = Callable[[], IO[bytes]]


def _package(known: _Known, path: Path) -> Trace | None:
    """Find the package that most of these files are of."""
    with _members(path) as members:
        sizes = {entry.size_bytes for package in known.packages.values() for entry in package.files}
        digests: dict[str, str] = {}
        for name, (size, reading) in members.items():
            if size in sizes or name.endswith(layout.MANIFEST):  # anything else is not of ours
                digests[name] = _sha256_of(reading)
        foreign = set(members)
    by_manifest = [digest for digest in digests.values() if digest in known.packages]
    have = set(digests.values())
    counts = {
        digest: sum(entry.sha256 in have for entry in package.files)
        for digest, package in known.packages.items()
    }
    best = by_manifest[0] if by_manifest else max(counts, key=lambda each: counts[each], default=None)
    if best is None or not (by_manifest or counts[best]):
        return None
    package = known.packages[best]
    names = {entry.sha256: entry.name for entry in package.files}
    missing = [entry.name for entry in package.files if entry.sha256 not in have]
    foreign = {name for name in foreign if digests.get(name) not in names and not _is_proof(name)}
    altered = [each for each in missing if any(_ends_with(name, each) for name in foreign)]
    same = [
        digest
        for digest, each in known.packages.items()
        if counts[digest] == counts[best] and not by_manifest
    ]
    return Trace(
        known_by="manifest" if by_manifest else "files",
        names=[package.name],
        revisions=sorted({known.packages[each].revision for each in (same or [best])}),
        shipments=known.carried(same or [best]),
        newest=known.newest,
        outdated=known.outdated(package.files),
        altered=altered,
        missing=[name for name in missing if name not in altered],
        foreign=sorted(
            name
            for name in foreign
            if not any(_ends_with(name, each) for each in altered) and not layout.is_system_litter(name)
        ),
    )


@contextmanager
def _members(path: Path) -> Iterator[dict[str, tuple[int, _Open]]]:
    """Yield the files of a folder, or of a ZIP by any program: size, and how to open each."""
    if path.is_dir():
        files = [each for each in sorted(path.rglob("*")) if each.is_file() and not each.is_symlink()]
        yield {each.relative_to(path).as_posix(): (each.stat().st_size, _opening(each)) for each in files}
        return
    try:
        with zipfile.ZipFile(path) as archive:
            yield {
                each.filename: (each.file_size, _inflating(archive, each))
                for each in archive.infolist()
                if not each.is_dir()
            }
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:  # damaged, or with a password
        raise UnknownHereError(
            f"{shown(path.name)} cannot be unpacked: {error}", hint="Unpack it, and give the folder."
        ) from error


def _opening(path: Path) -> _Open:
    return lambda: path.open("rb")


def _inflating(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> _Open:
    return lambda: archive.open(member)


def _sha256_of(reading: _Open) -> str:
    digest = hashlib.sha256()
    with reading() as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _is_proof(name: str) -> bool:
    return any(_ends_with(name, proof) for proof in layout.PROOF_FILES)


def _ends_with(name: str, inside: str) -> bool:
    """Say whether a path is that of a package's file, below whatever folder."""
    return name == inside or name.endswith(f"/{inside}")


# --- loose files


def _file(known: _Known, path: Path) -> Trace | None:
    """Find a file by its bytes, or else by its sound."""
    from relkit.audio.reading import SteadyFile
    from relkit.audio.samples import sound_identity
    from relkit.release.scanning import Hashing

    with SteadyFile(path) as file:
        hashing = Hashing(file.container)
        for part, data in file.windows():
            hashing.feed(part, data)
        stored, sound = hashing.finish(), file.container.sound
    found = _holding(known, "bytes", lambda entry: entry.sha256 == stored.sha256)
    if found is not None or sound is None or stored.frames_sha256 is None:
        return found
    identity = sound_identity(sound, stored.frames_sha256)
    return _holding(
        known, "sound", lambda entry: entry.sound is not None and entry.sound.identity == identity
    )


def _holding(known: _Known, known_by: KnownBy, fits: Callable[[FileEntry], bool]) -> Trace | None:
    """Look for a file in everything that was sent, and in every revision."""
    packages = {
        digest: [entry for entry in package.files if fits(entry)]
        for digest, package in known.packages.items()
    }
    packages = {digest: entries for digest, entries in packages.items() if entries}
    bounces = {
        manifest.revision: [entry for entry in manifest.files if fits(entry)]
        for manifest, _digest in known.revisions
    }
    bounces = {number: entries for number, entries in bounces.items() if entries}
    entries = [entry for found in (*packages.values(), *bounces.values()) for entry in found]
    if not entries:
        return None
    numbers = {known.packages[digest].revision for digest in packages} | set(bounces)
    return Trace(
        known_by=known_by,
        names=sorted({entry.name for entry in entries}),
        revisions=sorted(numbers),
        shipments=known.carried(packages),
        newest=known.newest,
        outdated=known.outdated(entries),
    )
