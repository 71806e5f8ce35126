"""``audit``: is everything that was ever recorded still there, whole, and signed?

Four looks, each at what the one before cannot see:

    1. every byte of the store's files (``relkit.store.integrity``)
    2. every revision: signature, the chain of ``previous``, every file restored and hashed
    3. every record: signature, place, target, and its package's files
    4. the chain of ``after``, and what this user's folder remembers of a tail

What is damaged is said in terms of files and of people who received them.

Not here: mending anything.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from relkit.errors import DamagedError, UntrustedSignerError
from relkit.filenames import shown
from relkit.manifest import FileEntry, RevisionManifest
from relkit.release import ledger
from relkit.release.checkout import verified_shipment
from relkit.release.ledger import Entry
from relkit.release.remembering import recall
from relkit.release.workspace import Workspace
from relkit.store import integrity, records, restoring, revisions
from relkit.store.repository import REVISIONS
from relkit.store.revisions import Held

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
    """One thing that is wrong: where, what, and whom it concerns."""

    where: str
    what: str
    concerns: list[str] = field(default_factory=list)


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
    auditor = _Auditor(workspace, progress)
    report = auditor.run()
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
        doubt = StoreUntrustedError(
            f"{first.where}: {first.what}", hint=first.concerns[0] if first.concerns else "relkit signer list"
        )
        doubt.report = report
        raise doubt
    return report


class _Auditor:
    def __init__(self, workspace: Workspace, progress: Progress | None) -> None:
        self._workspace = workspace
        self._progress = progress
        self._report = AuditReport()
        self._present: set[str] = set()  # digests of revisions and records that are there
        self._restored: dict[bytes, str | None] = {}  # content tree to fault
        self._holders: dict[str, list[str]] = {}  # SHA-256 of a file to who received it
        self._manifests: dict[bytes, RevisionManifest] = {}
        self._content_faults: dict[str, tuple[str, str]] = {}  # SHA-256 to where and what

    def run(self) -> AuditReport:
        """Look at everything, go on after each fault."""
        store = integrity.check(
            self._workspace.repository,
            lambda done, total: self._tell("objects", done, total),
        )
        self._report.objects = store.objects
        self._workspace.repository.close()
        self._revisions()
        self._records()
        self._files_of_revisions()
        self._memory()
        for sha256, (where, what) in self._content_faults.items():
            self._find(where, what, sorted(set(self._holders.get(sha256, []))))
        for fault in store.faults:
            self._find("the store", fault)
        return self._report

    def _find(self, where: str, what: str, concerns: list[str] | None = None) -> None:
        self._report.findings.append(Finding(where, what, concerns or []))

    def _tell(self, what: str, done: int, total: int) -> None:
        if self._progress:
            self._progress(what, done, total)

    # --- revisions

    def _revisions(self) -> None:
        """Walk back from the newest revision, checking each against the one before."""
        try:
            newest = self._workspace.repository.ref(REVISIONS)
            for held in revisions.walk(self._workspace.repository, newest):
                self._revision(held)
        except DamagedError as error:
            self._find("revisions", f"the chain ends early: {error}")
        for commit, manifest in self._manifests.items():
            self._chain(commit, manifest)

    def _revision(self, held: Held) -> None:
        self._report.revisions += 1
        self._present.add(held.digest)
        try:
            checked = self._workspace.verified_revision(held)
        except UntrustedSignerError as error:
            self._report.untrusted.append(
                Finding(f"revision in {held.commit.hex()[:12]}", str(error), [error.hint])
            )
            return
        except DamagedError as error:
            self._find(f"revision in commit {held.commit.hex()[:12]}", str(error))
            return
        self._manifests[held.commit] = checked.manifest

    def _chain(self, commit: bytes, manifest: RevisionManifest) -> None:
        held = revisions.read(self._workspace.repository, commit)
        parents = [revisions.read(self._workspace.repository, parent).digest for parent in held.parents]
        where = f"revision {manifest.revision}"
        if sorted(parents) != sorted(manifest.previous):
            self._find(where, "does not follow the revision that it names")
        if not parents and manifest.revision != 1:
            self._find(where, "has no revision before it")

    def _files_of_revisions(self) -> None:
        total = len(self._manifests)
        for number, (commit, manifest) in enumerate(self._manifests.items()):
            held = revisions.read(self._workspace.repository, commit)
            self._files(f"revision {manifest.revision}", manifest.files, held)
            self._tell("files", number + 1, total)

    def _files(self, where: str, files: list[FileEntry], held: Held) -> None:
        """Restore every file once and hash it."""
        for entry in files:
            content = held.content.get(entry.sha256)
            fault = "is not in the store" if content is None else self._restore(content, entry.sha256)
            if fault is not None:
                self._content_faults.setdefault(entry.sha256, (f"{shown(entry.name)} of {where}", fault))
        extra = set(held.content) - {entry.sha256 for entry in files}
        if extra:
            self._find(where, f"holds {len(extra)} files that its manifest does not list")

    def _restore(self, content: bytes, sha256: str) -> str | None:
        if content not in self._restored:
            self._report.files += 1
            try:
                restoring.restore(self._workspace.repository, content, len, sha256)
                self._restored[content] = None
            except DamagedError as error:
                self._restored[content] = str(error)
        return self._restored[content]

    # --- records

    def _records(self) -> None:
        entries = [entry for entry in self._readable() if self._record(entry)]
        for entry in entries:
            missing = [digest for digest in entry.record.after if digest not in self._present]
            if missing:
                self._find(
                    ledger.in_words(entry.record),
                    f"comes after {len(missing)} records or revisions that are not there: "
                    + ", ".join(digest[:12] for digest in missing),
                )

    def _readable(self) -> list[Entry]:
        found = []
        try:
            references = records.references(self._workspace.repository)
        except DamagedError as error:
            self._find("records", str(error))
            return []
        for ref, tag in references.items():
            self._report.records += 1
            try:
                found.append(ledger.entry_of(records.read(self._workspace.repository, ref, tag)))
            except DamagedError as error:
                self._find(f"the record {shown(ref)}", str(error))
        self._present |= {entry.held.digest for entry in found}
        return found

    def _record(self, entry: Entry) -> bool:
        """Check one record and, for a shipment, its package."""
        what = ledger.in_words(entry.record)
        try:
            ledger.check(self._workspace, entry)
            if entry.held.ref.startswith("shipped/"):
                record, package = verified_shipment(self._workspace, entry)
                for file in package.manifest.files:
                    self._holders.setdefault(file.sha256, []).append(
                        f"{shown(record.recipient.name)} ({record.shipped_on})"
                    )
                self._files(what, package.manifest.files, package.held)
        except UntrustedSignerError as error:
            self._report.untrusted.append(Finding(what, str(error), [error.hint]))
        except DamagedError as error:
            self._find(what, str(error))
            return False
        return True

    # --- what the user's folder remembers

    def _memory(self) -> None:
        for known in recall(self._workspace.home, self._workspace.release_id):
            if known.digest not in self._present:
                self._find(known.what, "was recorded here once and is not there any more")
