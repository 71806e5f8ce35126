"""``verify``: is this package, folder or ZIP, what its signer made, to the byte?

Needs no release: the package brings its manifest and signature along. A valid
signature says that one key signed these files; whose key that is, the list of
trusted signers says.

Not here: the form of archives (``relkit.pack.archive``), the store.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from relkit.errors import DamagedError, UsageError
from relkit.filenames import shown
from relkit.manifest import MANIFEST_NAMESPACE, BadManifestError, PackageManifest, read_package
from relkit.pack import layout, zipform
from relkit.pack.archive import BadArchiveError, Member, read_member, read_zip
from relkit.pack.zipform import dos_moment
from relkit.release.home import Home
from relkit.release.package_files import public_key_file

if TYPE_CHECKING:
    from relkit.trust.public_key import PublicKey

_PROOF_LIMIT_BYTES = 1 << 24
_BLOCK = 1 << 20
_HINT = "Do not use it. Ask the sender for the package again, and compare the fingerprint with them."


class NoPackageError(UsageError):
    """There is no package at that place."""


class PackageFaultsError(DamagedError):
    """A package is not what was signed.

    Attributes:
        bad: files whose bytes differ, and why.
        missing: files that the manifest lists and the package lacks.
        extra: files that nobody signed.
    """

    def __init__(self, bad: dict[str, str], missing: list[str], extra: list[str]) -> None:
        counts = [(len(bad), "changed"), (len(missing), "missing"), (len(extra), "not of the package")]
        what = ", ".join(f"{number} {kind}" for number, kind in counts if number)
        super().__init__(f"the package is not what was signed: {what}", hint=_HINT)
        self.bad, self.missing, self.extra = bad, missing, extra


@dataclass(frozen=True)
class VerifiedCopy:
    """A package on a disk that is, to the byte, what a trusted signer made.

    Attributes:
        litter: files that operating systems leave behind; harmless.
    """

    manifest: PackageManifest
    digest: str
    signer: str
    fingerprint: str
    litter: list[str] = field(default_factory=list)


@dataclass
class _Found:
    """What differs, as far as was looked."""

    bad: dict[str, str] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    extra: list[str] = field(default_factory=list)
    litter: list[str] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.bad or self.missing or self.extra)

    def as_error(self) -> PackageFaultsError:
        """Return all of it as what ``verify`` raises."""
        return PackageFaultsError(self.bad, sorted(self.missing), sorted(self.extra))


@dataclass
class _Files:
    """The files of a package, wherever they are: how to read each, in blocks."""

    readers: Mapping[str, Callable[[Callable[[bytes], object]], None]]
    sizes: Mapping[str, int]
    odd: dict[str, str]  # entries that are no files, and why
    has_litter: bool  # whether an operating system may have left files here; nobody does in an archive

    def small(self, name: str, found: _Found) -> bytes | None:
        """Return one of the proof files; where there is none to be had, note why."""
        if name in self.odd:
            return None
        if name not in self.readers:
            found.missing.append(name)
            return None
        if self.sizes[name] > _PROOF_LIMIT_BYTES:
            found.bad[name] = "is far too large"
            return None
        data = bytearray()
        try:
            self.readers[name](data.extend)
        except BadArchiveError as error:
            found.bad[name] = str(error)
            return None
        return bytes(data)


def verify(path: Path, home: Home) -> VerifiedCopy:
    """Check a package folder or ZIP.

    Raises:
        NoPackageError: there is none.
        PackageFaultsError: with every changed, missing and foreign file.
        DamagedError: the archive, manifest or signature is not what was written.
        UntrustedSignerError: everything fits, but the signer is not trusted here.
    """
    with _opened(path) as (files, archive):
        found = _Found(dict(files.odd))
        proof = {name: files.small(name, found) for name in sorted(layout.PROOF_FILES)}
        body, signature = proof[layout.MANIFEST], proof[layout.SIGNATURE]
        manifest = _manifest(body, found) if body is not None else None
        if body is None or manifest is None:
            raise found.as_error()
        _compare(files, manifest, found)
        key = _signer(manifest, body, signature, proof, found) if signature is not None else None
        if archive is not None and archive != _Wrapping.of(manifest):
            found.bad["(archive)"] = "has another top folder or other times than it was written with"
    if key is None or found:
        raise found.as_error()
    moment = datetime.fromisoformat(manifest.recorded_at)
    signer = home.trusted.principal_of(key, MANIFEST_NAMESPACE, moment)
    digest = hashlib.sha256(body).hexdigest()
    return VerifiedCopy(manifest, digest, signer, key.fingerprint, found.litter)


@dataclass(frozen=True)
class _Wrapping:
    """What an archive says beside its files."""

    top: str
    moment: datetime

    @classmethod
    def of(cls, manifest: PackageManifest) -> _Wrapping:
        """Return what it must say."""
        return cls(manifest.name, dos_moment(datetime.fromisoformat(manifest.recorded_at)))


def _manifest(body: bytes, found: _Found) -> PackageManifest | None:
    from relkit.trust.canonical import BadJsonError, parse_canonical

    try:
        what = "the manifest"
        return read_package(parse_canonical(body, what=what), what=what)
    except (BadJsonError, BadManifestError) as error:
        found.bad[layout.MANIFEST] = str(error)
        return None


def _compare(files: _Files, manifest: PackageManifest, found: _Found) -> None:
    """Hash every file that the manifest lists, and note every other."""
    listed = {entry.name for entry in manifest.files}
    here = set(files.readers) - layout.PROOF_FILES
    strange = sorted(here - listed)
    found.litter = [name for name in strange if files.has_litter and layout.is_system_litter(name)]
    found.extra += [name for name in strange if name not in found.litter]
    found.missing += [name for name in listed if name not in here and name not in files.odd]
    for entry in manifest.files:
        if entry.name not in here:
            continue
        if files.sizes[entry.name] != entry.size_bytes:
            found.bad[entry.name] = f"has {files.sizes[entry.name]} bytes instead of {entry.size_bytes}"
            continue
        digest = hashlib.sha256()
        try:
            files.readers[entry.name](digest.update)
        except (BadArchiveError, OSError) as error:
            found.bad[entry.name] = str(error)
            continue
        if digest.hexdigest() != entry.sha256:
            found.bad[entry.name] = "has other bytes than were signed"


def _signer(
    manifest: PackageManifest, body: bytes, signature: bytes, proof: Mapping[str, bytes | None], found: _Found
) -> PublicKey | None:
    """Return whose signature it is, and compare what follows from manifest and key."""
    from relkit.trust.sshsig import BadSignatureError
    from relkit.trust.sshsig import verify as signed_by

    try:
        key = signed_by(signature, body, MANIFEST_NAMESPACE, what="the signature")
    except BadSignatureError as error:
        found.bad[f"{layout.MANIFEST} or its signature"] = str(error)
        return None
    sums = layout.sha256sums((entry.name, entry.sha256) for entry in manifest.files)
    for name, expected in ((layout.PUBLIC_KEY, public_key_file(key.line)), (layout.SUMS, sums)):
        if proof[name] not in {None, expected}:
            found.bad[name] = "is not what the manifest and its signature say"
    return key


# --- where the files are


@contextmanager
def _opened(path: Path) -> Iterator[tuple[_Files, _Wrapping | None]]:
    if path.is_dir():
        yield _in_folder(path), None
    elif path.is_file():
        with path.open("rb") as file:
            yield _in_zip(file, path.name)
    else:
        raise NoPackageError(f"{shown(path)} is not there", hint="Give the package's folder or its ZIP.")


def _in_folder(top: Path) -> _Files:
    readers: dict[str, Callable[[Callable[[bytes], object]], None]] = {}
    sizes: dict[str, int] = {}
    odd: dict[str, str] = {}
    for folder, folders, names in os.walk(top, onerror=_raised):  # an unread folder may hold anything
        for name in [*names, *(each for each in folders if (Path(folder) / each).is_symlink())]:
            place = Path(folder) / name
            inside = place.relative_to(top).as_posix()
            if place.is_symlink() or not place.is_file():
                odd[inside] = "is a link or no file"
                continue
            readers[inside] = _folder_reader(place)
            sizes[inside] = place.stat().st_size
    if not layout.PROOF_FILES & (readers.keys() | odd.keys()):
        raise NoPackageError(
            f"{shown(top)} is not a package: it has no {layout.MANIFEST}",
            hint="Give the folder that has the info sheet and the folder proof in it.",
        )
    return _Files(readers, sizes, odd, has_litter=True)


def _raised(error: OSError) -> None:
    raise error


def _folder_reader(place: Path) -> Callable[[Callable[[bytes], object]], None]:
    def read(sink: Callable[[bytes], object]) -> None:
        with place.open("rb") as file:
            while block := file.read(_BLOCK):
                sink(block)

    return read


def _in_zip(file: BinaryIO, name: str) -> tuple[_Files, _Wrapping]:
    if not _looks_like_zip(file, name):
        raise NoPackageError(
            f"{shown(name)} is not a ZIP of a package", hint="Give the package's folder or its ZIP."
        )
    archive = read_zip(file)
    tops = {member.name.partition("/")[0] for member in archive.members}
    if len(tops) != 1 or any("/" not in member.name for member in archive.members):
        raise BadArchiveError("its files do not lie in one folder")
    inside = {member.name.partition("/")[2]: member for member in archive.members}
    if not layout.PROOF_FILES & inside.keys():
        raise NoPackageError(
            f"{shown(name)} is not a package: it has no {layout.MANIFEST}", hint="Give a package's ZIP."
        )

    def reader(member: Member) -> Callable[[Callable[[bytes], object]], None]:
        return lambda sink: read_member(file, member, lambda block: sink(bytes(block)))

    readers = {path: reader(member) for path, member in inside.items()}
    sizes = {path: member.size_bytes for path, member in inside.items()}
    return _Files(readers, sizes, {}, has_litter=False), _Wrapping(tops.pop(), archive.moment)


def _looks_like_zip(file: BinaryIO, name: str) -> bool:
    """Say whether this was meant to be an archive; a damaged one still is."""
    begins = file.read(2) == b"PK"
    file.seek(max(0, file.seek(0, os.SEEK_END) - zipform.END.size))
    return begins or file.read(2) == b"PK" or name.casefold().endswith(".zip")
