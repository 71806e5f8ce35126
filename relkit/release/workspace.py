"""One release folder, open: where things lie, and reading what is signed.

Everything that the verbs share and nothing that one of them does alone. What
comes out of ``verified_revision`` and ``verified_package`` is checked: its
signature is valid and its signer trusted, it is of this release, and it is
what the store says it is. Nothing else makes those two types.

Not here: the verbs, and records (``relkit.release.ledger``).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from relkit.errors import DamagedError, UsageError
from relkit.filenames import shown
from relkit.manifest import (
    MANIFEST_NAMESPACE,
    PackageManifest,
    RevisionManifest,
    read_package,
    read_revision,
)
from relkit.release.home import Home
from relkit.store import revisions
from relkit.store.cache import Cache
from relkit.store.repository import REVISIONS, Repository
from relkit.store.revisions import Held

if TYPE_CHECKING:
    from relkit.sheet import Sheet

INSIDE = ".relkit"
STORE = f"{INSIDE}/store.git"
SHEET = "release.toml"


class NoReleaseError(UsageError):
    """There is no release here."""


class NoSuchRevisionError(UsageError):
    """The release has no such revision."""


class WrongReleaseError(DamagedError):
    """Something signed belongs to another release."""


@dataclass(frozen=True)
class VerifiedRevision:
    """A revision whose signature was checked."""

    manifest: RevisionManifest
    held: Held
    signer: str


@dataclass(frozen=True)
class VerifiedPackage:
    """A package in the store whose signature was checked."""

    manifest: PackageManifest
    held: Held
    signer: str


class Workspace:
    """A release folder with its store. Close it, or use it as a context."""

    def __init__(self, folder: Path, home: Home) -> None:
        if not (folder / INSIDE).is_dir():
            raise NoReleaseError(
                f"{shown(folder)} is not a release",
                hint="Go into a release folder, name one with --release, or start one with relkit new.",
            )
        self.folder = folder
        self.home = home
        # What was read and cannot change, since its name is made from its content; while this is open.
        self._packages: dict[bytes, PackageManifest] = {}
        self.kept: dict[tuple[str, bytes], Any] = {}

    @classmethod
    def find(cls, start: Path, home: Home) -> Workspace:
        """Open the release that a folder is in: itself or the nearest above it."""
        start = start.absolute()
        for folder in (start, *start.parents):
            if (folder / INSIDE).is_dir():
                return cls(folder, home)
        raise NoReleaseError(
            f"{shown(start)} is not in a release",
            hint="Go into a release folder, name one with --release, or start one with relkit new.",
        )

    @property
    def inside(self) -> Path:
        """The folder that relkit keeps for itself."""
        return self.folder / INSIDE

    @cached_property
    def repository(self) -> Repository:
        """The store."""
        return Repository(self.folder / STORE)

    @cached_property
    def cache(self) -> Cache:
        """What makes things faster."""
        return Cache(self.inside / "cache.sqlite")

    def close(self) -> None:
        """Let go of files."""
        for name in ("repository", "cache"):
            if name in self.__dict__:
                self.__dict__.pop(name).close()

    @cached_property
    def release_id(self) -> str:
        """The release's id: what its newest revision says, or else the store's own note."""
        noted = self.repository.release_id
        try:
            newest = self.newest_held()
            if newest is not None:
                return read_held(newest).release_id
        except DamagedError:
            if noted is None:
                raise
        if noted is None:
            raise DamagedError(
                "the store does not say which release it belongs to",
                hint="Restore .relkit from a copy.",
            )
        return noted

    def sheet(self) -> Sheet:
        """Read the release sheet.

        Raises:
            BadInputError: it is missing or has faults; each names its line.
        """
        from relkit.sheet import Sheet

        return Sheet.read(self.folder / SHEET)

    def has_bytes(self, path: Path) -> bool:
        """Say whether the store has a file's bytes, in any revision."""
        sha256 = hash_of(path)
        commit = self.repository.ref(REVISIONS)
        return any(sha256 in held.content for held in revisions.walk(self.repository, commit))

    # --- revisions

    def newest_held(self) -> Held | None:
        """Return the newest revision, unchecked."""
        commit = self.repository.ref(REVISIONS)
        return revisions.read(self.repository, commit) if commit else None

    def newest(self) -> VerifiedRevision | None:
        """Return the newest revision, or None before the first."""
        held = self.newest_held()
        return self.verified_revision(held) if held else None

    def walk(self) -> Iterator[tuple[RevisionManifest, Held]]:
        """Yield all revisions, newest first. Signatures are not checked: for lists only."""
        for held in revisions.walk(self.repository, self.repository.ref(REVISIONS)):
            yield read_held(held), held

    def revision(self, which: str) -> VerifiedRevision:
        """Return a revision by its number, ``newest``, or the start of its digest (8 digits or more).

        Raises:
            NoSuchRevisionError: there is none, or the digest's start fits several.
        """
        wanted = which.strip().lower()
        by_digest = re.fullmatch(r"[0-9a-f]{8,64}", wanted) is not None
        found: list[Held] = []
        newest = 0
        for manifest, held in self.walk():
            newest = max(newest, manifest.revision)
            if wanted in {"newest", str(manifest.revision)} or (by_digest and held.digest.startswith(wanted)):
                found.append(held)
                if wanted == "newest":
                    break
        if len(found) == 1:
            return self.verified_revision(found[0])
        if found:
            raise NoSuchRevisionError(
                f"{len(found)} revisions are called {shown(which)}",
                hint=f"Say which by digest: {', '.join(held.digest[:12] for held in found)}.",
            )
        raise NoSuchRevisionError(
            f"there is no revision {shown(which)}",
            hint=f"The newest is {newest}; relkit history lists them."
            if newest
            else "Nothing is committed yet.",
        )

    def verified_revision(self, held: Held) -> VerifiedRevision:
        """Check a revision's signature, signer, form and release.

        Raises:
            DamagedError: a changed manifest or signature, or another release's.
            UntrustedSignerError: signed by a key that is not trusted here.
        """
        manifest = read_held(held)
        what = f"the manifest of revision {manifest.revision}"
        return VerifiedRevision(manifest, held, self._signer(held, manifest, what))

    def verified_package(self, commit: bytes) -> VerifiedPackage:
        """Read a package from the store and check it like a revision.

        Raises:
            DamagedError, UntrustedSignerError: as ``verified_revision``.
        """
        held = revisions.read(self.repository, commit)
        manifest = read_held_package(held)
        what = f"the manifest of package {held.digest[:12]}"
        return VerifiedPackage(manifest, held, self._signer(held, manifest, what))

    def package_manifest(self, commit: bytes) -> PackageManifest:
        """Read what a package in the store lists. Signatures are not checked: for lists only.

        Raises:
            DamagedError: it cannot be read, or is no package.
        """
        if commit not in self._packages:
            self._packages[commit] = read_held_package(revisions.read(self.repository, commit))
        return self._packages[commit]

    def _signer(self, held: Held, manifest: RevisionManifest | PackageManifest, what: str) -> str:
        """Return who signed a manifest; what is damaged or somebody else's comes before who is trusted."""
        from relkit.trust.sshsig import verify

        key = verify(held.signature, held.manifest, MANIFEST_NAMESPACE, what=f"the signature of {what}")
        if manifest.release_id != self.release_id:
            raise WrongReleaseError(
                f"{what} belongs to another release ({manifest.release_id[:12]})",
                hint="Run relkit audit; restore .relkit from a copy.",
            )
        moment = datetime.fromisoformat(manifest.recorded_at)
        return self.home.trusted.principal_of(key, MANIFEST_NAMESPACE, moment)


def read_held(held: Held) -> RevisionManifest:
    """Read a revision's manifest, unchecked.

    Raises:
        DamagedError: it is not canonical JSON, or no revision's manifest.
    """
    return _manifest_in(held.manifest, held.commit)


@lru_cache(maxsize=1024)  # many verbs walk the revisions more than once
def _manifest_in(body: bytes, commit: bytes) -> RevisionManifest:
    from relkit.trust.canonical import parse_canonical

    what = f"the manifest in commit {commit.hex()[:12]}"
    return read_revision(parse_canonical(body, what=what), what=what)


def read_held_package(held: Held) -> PackageManifest:
    """Read a package's manifest, unchecked.

    Raises:
        DamagedError: it is not canonical JSON, or no package's manifest.
    """
    from relkit.trust.canonical import parse_canonical

    what = f"the manifest of package {held.digest[:12]}"
    return read_package(parse_canonical(held.manifest, what=what), what=what)


def hash_of(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def now() -> datetime:
    """Return the present in UTC, whole seconds, as everything signed says it."""
    return datetime.now(UTC).replace(microsecond=0)
