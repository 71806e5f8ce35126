"""``audit``: is everything that was ever recorded still there, whole, and signed?

Four looks, each at what the one before cannot see:

    1. every byte of the store's files (``relkit.store.integrity``)
    2. every revision: signature, the chain of ``previous``, every file restored and hashed
    3. every record: signature, place, target, and its package's files
    4. what is spoken of and not there: in the chain of ``after``, and in this user's folder

What is damaged is said in terms of files and of people who received them. No
fault ends the look early.

Not here: mending anything; what can still be said of what is gone (``relkit.release.missing``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from relkit.errors import DamagedError, UntrustedSignerError
from relkit.filenames import shown
from relkit.manifest import FileEntry, RevisionManifest, ShippedRecord
from relkit.release import ledger
from relkit.release.home import Home
from relkit.release.ledger import Entry
from relkit.release.missing import Missing
from relkit.release.package_files import restore
from relkit.release.workspace import VerifiedPackage, Workspace
from relkit.store import integrity, records, revisions
from relkit.store.ancestry import parents_of
from relkit.store.integrity import Integrity
from relkit.store.references import readable_references
from relkit.store.repository import BESIDE, REVISIONS
from relkit.store.revisions import Held, NewerStoreError
from relkit.trust.public_key import PublicKey
from relkit.trust.signers import TrustedSigners

Progress = Callable[[str, int, int], None]


class StoreDamagedError(DamagedError):
    """Audit found damage.

    Attributes:
        report: all of it.
    """

    report: AuditReport


class StoreUntrustedError(UntrustedSignerError):
    """Everything is whole, but something was signed by a key that is not trusted here.

    Attributes:
        report: what was looked at.
    """

    report: AuditReport


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong.

    Attributes:
        concerns: recipients with the day, and files.
        hint: what to do about it, where it is more than restoring a copy.
    """

    where: str
    what: str
    concerns: list[str] = field(default_factory=list)
    hint: str = ""


@dataclass
class AuditReport:
    """What audit looked at and what it found.

    Attributes:
        untrusted: things whose signature is valid and whose signer is not trusted.
    """

    objects: int = 0
    revisions: int = 0
    records: int = 0
    files: int = 0
    findings: list[Finding] = field(default_factory=list)
    untrusted: list[Finding] = field(default_factory=list)


def audit(workspace: Workspace, progress: Progress | None = None) -> AuditReport:
    """Check the whole release.

    Raises:
        StoreDamagedError: anything is damaged, missing, moved or not signed; everything is listed.
        StoreUntrustedError: otherwise, if a signer is not trusted.
    """
    report = _Auditor(workspace, progress).run()
    if report.findings:
        first = report.findings[0]
        more = f" (and {len(report.findings) - 1} more)" if len(report.findings) > 1 else ""
        error = StoreDamagedError(
            f"{first.where}: {first.what}{more}",
            hint="Keep this folder as it is, and restore .relkit from a copy.",
        )
        error.report = report
        raise error
    if report.untrusted:
        first = report.untrusted[0]
        doubt = StoreUntrustedError(f"{first.where}: {first.what}", hint=first.hint)
        doubt.report = report
        raise doubt
    return report


class _NotingSigners(TrustedSigners):
    """Trusted signers that note whom they do not trust, so that the look goes on behind it."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.doubts: list[UntrustedSignerError] = []

    def principal_of(self, key: PublicKey, namespace: str, at: datetime | None = None) -> str:
        """Return the name of a key, trusted or not."""
        try:
            return super().principal_of(key, namespace, at)
        except UntrustedSignerError as error:
            self.doubts.append(error)
            return key.fingerprint


class _Auditor:
    def __init__(self, workspace: Workspace, progress: Progress | None) -> None:
        home = Home(workspace.home.folder)
        self._signers = _NotingSigners.read(home.signers_file)
        home.trusted = self._signers
        self._workspace = Workspace(workspace.folder, home)
        self._progress = progress
        self._report = AuditReport()
        self._store = Integrity()
        self._missing = Missing()
        self._numbers: dict[bytes, int] = {}  # commit of a revision to its number, as the next one tells it
        self._manifests: dict[bytes, tuple[RevisionManifest, Held]] = {}
        self._received: dict[bytes, list[str]] = {}  # commit of a revision to who got packages of it
        self._holders: dict[str, list[str]] = {}  # file, or sound that one was made from, to who received it
        self._restored: dict[tuple[bytes, str], str | None] = {}  # content tree and SHA-256 to fault
        self._sounds: dict[str, str] = {}  # SHA-256 of a bad file to the identity of its sound
        self._bad_files: dict[str, tuple[str, list[str]]] = {}  # SHA-256 to fault and where the file is
        self._bad_revisions: list[tuple[bytes, str]] = []  # commit and what is wrong

    def run(self) -> AuditReport:
        """Look at everything, go on after each fault."""
        try:
            self._look()
        finally:
            self._workspace.close()
        return self._report

    def _look(self) -> None:
        repository = self._workspace.repository
        self._store = integrity.check(repository, lambda done, total: self._tell("objects", done, total))
        self._report.objects = self._store.objects
        repository.close()
        references = readable_references(repository)
        tops = [oid for name, oid in references.items() if name == REVISIONS or name.startswith(BESIDE)]
        self._revisions(tops)
        tags = {
            name.removeprefix(records.PREFIX): tag
            for name, tag in references.items()
            if name.startswith(records.PREFIX)
        }
        self._records(tags)
        self._order()
        for number, (manifest, held) in enumerate(self._manifests.values(), 1):
            self._files(f"revision {manifest.revision}", manifest.files, held)
            self._tell("files", number, len(self._manifests))
        self._conclude(set(tags.values()))

    def _conclude(self, referenced: set[bytes]) -> None:
        """Say what was found, now that it is known whom it concerns."""
        for commit, what in self._bad_revisions:
            self._find(self._revision_name(commit), what, self._received.get(commit, []))
        for sha256, (what, places) in self._bad_files.items():
            sound = self._sounds.get(sha256, "")
            whom = [*self._holders.get(sha256, []), *self._holders.get(sound, [])]
            self._find("; ".join(places), what, whom)
        with self._looking("the store"):
            self._missing.look_for_lost_records(self._workspace, self._store.tags - referenced)
            for where, what, concerns in self._missing.told(self._workspace):
                self._find(where, what, concerns)
            noted, said = self._workspace.repository.release_id, self._workspace.release_id
            if noted not in {None, said}:
                self._find("the store", f"was made for release {str(noted)[:12]} and holds {said[:12]}")
        for fault in self._store.faults:
            self._find("the store", fault)
        if not self._report.findings and not self._report.untrusted:
            self._missing.remember_present(self._workspace)

    def _find(self, where: str, what: str, concerns: list[str] | None = None) -> None:
        self._report.findings.append(Finding(where, what, sorted(set(concerns or []))))

    @contextmanager
    def _looking(self, where: str, concerns: list[str] | None = None) -> Iterator[None]:
        """Take down whatever is wrong inside, and go on."""
        try:
            yield
        except NewerStoreError as error:
            if not self._store.faults:
                raise
            self._find(where, str(error), concerns)  # a damaged format note
        except DamagedError as error:
            self._find(where, str(error), concerns)
        self._doubt(where)

    def _doubt(self, where: str) -> None:
        for error in self._signers.doubts:
            self._report.untrusted.append(Finding(where, str(error), hint=error.hint))
        self._signers.doubts.clear()

    def _tell(self, what: str, done: int, total: int) -> None:
        if self._progress:
            self._progress(what, done, total)

    # --- revisions

    def _revisions(self, waiting: list[bytes]) -> None:
        """Look at each revision, and behind it even where it is damaged itself."""
        seen: set[bytes] = set()
        while waiting:
            commit = waiting.pop(0)
            if commit in seen:
                continue
            seen.add(commit)
            self._report.revisions += 1
            try:
                waiting += parents_of(self._workspace.repository, commit)[1]
                self._revision(revisions.read(self._workspace.repository, commit))
            except NewerStoreError as error:
                if not self._store.faults:
                    raise
                self._bad_revisions.append((commit, str(error)))
            except DamagedError as error:
                self._bad_revisions.append((commit, str(error)))
            self._doubt(self._revision_name(commit))

    def _revision(self, held: Held) -> None:
        self._missing.present(held.digest)
        manifest = self._workspace.verified_revision(held).manifest
        self._missing.present(held.digest, f"revision {manifest.revision}")
        self._numbers[held.commit] = manifest.revision
        self._numbers |= {
            parent: manifest.revision - 1 for parent in held.parents if parent not in self._numbers
        }
        self._manifests[held.commit] = manifest, held
        extra = set(held.content) - {entry.sha256 for entry in manifest.files}
        if extra:
            self._bad_revisions.append(
                (held.commit, f"holds {len(extra)} files that its manifest does not list")
            )

    def _revision_name(self, commit: bytes) -> str:
        number = self._numbers.get(commit)
        return f"revision {number}" if number else f"the revision in commit {commit.hex()[:12]}"

    def _order(self) -> None:
        """Hold what each revision says it follows against what it does follow."""
        for commit, (manifest, held) in self._manifests.items():
            before = [self._manifests[parent] for parent in held.parents if parent in self._manifests]
            if len(before) < len(held.parents):
                continue  # what is damaged before it was noted
            if sorted(each.digest for _manifest, each in before) != sorted(manifest.previous):
                self._bad_revisions.append((commit, "does not follow the revision that it names"))
            if not before and manifest.revision != 1:
                self._bad_revisions.append((commit, "has no revision before it"))

    def _files(self, where: str, files: list[FileEntry], held: Held) -> None:
        """Restore every file once and hash it."""
        for entry in files:
            content = held.content.get(entry.sha256)
            fault = "is not in the store" if content is None else self._restore(content, entry)
            if fault is not None:
                places = self._bad_files.setdefault(entry.sha256, (fault, []))[1]
                places.append(f"{shown(entry.name)} of {where}")
                if entry.sound is not None:
                    self._sounds[entry.sha256] = entry.sound.identity

    def _restore(self, content: bytes, entry: FileEntry) -> str | None:
        key = content, entry.sha256
        if key not in self._restored:
            self._report.files += 1
            self._restored[key] = None
            try:
                restore(self._workspace, content, entry, len)
            except DamagedError as error:
                self._restored[key] = str(error)
        return self._restored[key]

    # --- records

    def _records(self, tags: dict[str, bytes]) -> None:
        for ref, tag in tags.items():
            self._report.records += 1
            with self._looking(f"the record {shown(ref)}", self._missing.remembered(self._workspace, ref)):
                self._record(ledger.entry_of(records.read(self._workspace.repository, ref, tag)))

    def _record(self, entry: Entry) -> None:
        """Check one record and, for a shipment, its package."""
        record, words = entry.record, ledger.in_words(entry.record)
        self._missing.present(entry.held.digest, words)
        with self._looking(words, ledger.concerned(record)):
            if isinstance(record, ShippedRecord):
                _record, package = ledger.verified_shipment(self._workspace, entry)
                self._package(words, record, package)
            else:
                ledger.check(self._workspace, entry)
                self._missing.mention(record.of, words)
            if not self._signers.doubts:  # a stranger may say anything
                for digest in record.after:
                    self._missing.mention(digest, words)

    def _package(self, words: str, record: ShippedRecord, package: VerifiedPackage) -> None:
        manifest, whom = package.manifest, ledger.concerned(record)
        self._missing.present(package.held.digest)
        for file in manifest.files:
            for known_by in {file.sha256, *([file.derived_from.source_sha256] if file.derived_from else [])}:
                self._holders.setdefault(known_by, []).extend(whom)
        self._files(words, manifest.files, package.held)
        for parent in package.held.parents:
            self._received.setdefault(parent, []).extend(whom)
            self._numbers.setdefault(parent, manifest.revision)
            self._missing.candidate(self._workspace, parent, whom)
        self._missing.mention(manifest.of_revision, words)
