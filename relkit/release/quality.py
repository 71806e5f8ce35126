"""``qc``: a revision against the trade's rules; accepting what is to stay; what stops a shipment.

Audio comes from the store, so that any revision can be checked, whatever the folder holds now. What
was measured is kept in the release's cache by the identity of the sounds: the second time, and in
``ship`` after ``qc``, nothing is decoded.

An accepted finding is a signed record. It holds for every revision in which the same version of the
rule finds the same thing at the same place, no graver and no worse; then the finding is still shown,
as accepted, and stops nothing. What rules find about explicit material can be accepted too, but that
never lets it reach somebody who excludes explicit material.

Not here: rules and measures (``relkit.qc``), other gates (``gates``).
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import AcceptedRecord, FileEntry, Place, VersionFacts
from relkit.qc.findings import SEVERITIES, Finding
from relkit.release import ledger, package_files
from relkit.release.declared import tempo_of
from relkit.release.derived import StoredFile
from relkit.release.ledger import Ledger
from relkit.release.recipients import Recipient
from relkit.release.stored_audio import pcm_of, read_samples
from relkit.release.wants import excludes_explicit
from relkit.release.workspace import STORE, VerifiedRevision, Workspace, now
from relkit.store.locking import writing
from relkit.store.repository import Repository

if TYPE_CHECKING:
    from relkit.qc.ear import Sink
    from relkit.qc.pack import Bounce, Odder
    from relkit.sheet import Sheet

SAME_PLACE_MS = 100  # edges of a place may move by so much from one revision to the next
NO_WORSE = 0.01  # of the badness: what rounding and another dither do


class NoSuchFindingError(UsageError):
    """The revision has no such finding."""


@dataclass(frozen=True)
class QualityReport:
    """What was found in one revision.

    Attributes:
        revision, digest: of the revision.
        findings: the gravest first.
        accepted: the record that accepts a finding, by the finding's id.
        files: name of each version's file, by the version's id.
        not_heard: names of bounces whose audio cannot be read here or is too short to tell anything: no
            rule listened to them.
    """

    revision: int
    digest: str
    findings: list[Finding]
    accepted: dict[str, AcceptedRecord] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    not_heard: list[str] = field(default_factory=list)

    def open(self, severity: str) -> list[Finding]:
        """Return the findings of a severity that nobody accepted."""
        return [one for one in self.findings if one.severity == severity and one.id not in self.accepted]

    def sarif(self) -> dict[str, Any]:
        """Return the findings as a SARIF 2.1.0 log; see ``relkit.qc.sarif``."""
        import relkit
        from relkit.qc.sarif import sarif

        reasons = {finding: record.reason for finding, record in self.accepted.items()}
        return sarif(
            self.findings, self.files, reasons, tool_version=relkit.__version__, revision=self.digest
        )

    def document(self) -> dict[str, Any]:
        """Return everything, ready for JSON."""
        from dataclasses import asdict

        from relkit.qc.check import VERSION

        return {
            "revision": self.revision,
            "digest": self.digest,
            "rules": VERSION,
            "counts": {severity: len(self.open(severity)) for severity in SEVERITIES},
            "findings": [
                {
                    "id": one.id,
                    **asdict(one),
                    "accepted": None
                    if one.id not in self.accepted
                    else {
                        "record": self.accepted[one.id].id,
                        "reason": self.accepted[one.id].reason,
                        "revision": self.accepted[one.id].revision,
                    },
                }
                for one in self.findings
            ],
            "not_heard": self.not_heard,
        }


def quality(workspace: Workspace, which: str = "newest") -> QualityReport:
    """Check a revision.

    Raises:
        NoSuchRevisionError: there is none of that name.
        DamagedError: the store does not give back what the manifest says.
    """
    return check(workspace, workspace.revision(which), ledger.read(workspace))


def check(workspace: Workspace, revision: VerifiedRevision, book: Ledger) -> QualityReport:
    """Check a revision that was read already; ``book`` holds what was accepted."""
    from relkit.qc.check import check as check_pack
    from relkit.qc.ear import Ear
    from relkit.qc.heard import Hint
    from relkit.qc.pack import Pack

    sheet = _sheet(workspace, revision)
    bounces, unheard = _bounces(revision)
    order = {version_id: place for place, version_id in enumerate(sheet.versions)}
    bounces.sort(key=lambda one: order.get(one.id, len(order)))
    covers = [entry for entry in revision.manifest.files if entry.role == "cover"]
    odd = tuple(_odd_covers(workspace, revision, sheet, covers))
    versions = tuple(entry.version for entry in unheard if entry.version is not None)
    pack = Pack(tuple(bounces), sheet, bool(covers), odd, versions)
    entries = {entry.sha256: entry for entry in revision.manifest.files}

    def opened(bounce: Bounce, sink: Sink) -> None:
        entry = entries[bounce.key]
        stored = StoredFile(entry, package_files.tree_of(revision.held.content, entry))
        # Two are read side by side, and a repository is for one thread.
        with closing(Repository(workspace.folder / STORE)) as repository:
            read_samples(repository, stored, sink)

    lead = pack.lead
    with Ear(
        opened, workspace.cache, Hint(*tempo_of(sheet.bars)), lead.sound.identity if lead else None
    ) as ear:
        findings = check_pack(pack, ear)
    return QualityReport(
        revision=revision.manifest.revision,
        digest=revision.held.digest,
        findings=findings,
        accepted=_accepted(workspace, book, findings),
        files={one.id: one.name for one in bounces},
        not_heard=[entry.name for entry in unheard],
    )


def _sheet(workspace: Workspace, revision: VerifiedRevision) -> Sheet:
    from relkit.release.packaging import sheet_of

    return sheet_of(workspace, revision)


def _bounces(revision: VerifiedRevision) -> tuple[list[Bounce], list[FileEntry]]:
    """Return the bounces that can be listened to, and the others."""
    from relkit.qc.pack import SHORTEST_S, Bounce

    found, others = [], []
    for entry in revision.manifest.files:
        if entry.version is None or entry.role != "version":
            continue
        if entry.sound is None or pcm_of(entry) is None or entry.sound.duration_s < SHORTEST_S:
            others.append(entry)
        else:
            found.append(Bounce(entry.version, entry.name, entry.sound, entry.sha256))
    return found, others


def _odd_covers(
    workspace: Workspace, revision: VerifiedRevision, sheet: Sheet, covers: Sequence[FileEntry]
) -> Iterator[Odder]:
    """Yield what is odd about the pictures."""
    from relkit.pack.artwork import BadArtworkError, check_cover
    from relkit.qc.pack import Odder

    for entry in covers:
        source = bytearray()
        tree = package_files.tree_of(revision.held.content, entry)
        package_files.restore(workspace, tree, entry, source.extend)
        try:
            for found in check_cover(bytes(source), longest_px=sheet.cover_size_px):
                yield Odder("artwork", found.name, found.severity, found.fault, found.hint)
        except BadArtworkError as error:
            yield Odder("artwork", "cover-unreadable", "fail", str(error), error.hint)


# --- accepting


def accept(workspace: Workspace, finding: str, *, reason: str, which: str = "newest") -> AcceptedRecord:
    """Record that a finding was looked at and is to stay.

    Args:
        finding: its id, as ``quality`` gives it.
        which: the revision that it was found in.

    Raises:
        NoSuchFindingError: the revision has none of that id.
        UsageError: no reason, or it was accepted before.
    """
    if not reason.strip():
        raise UsageError("why may it stay?", hint="Say it with --reason; it is signed and kept.")
    with writing(workspace.inside):
        revision, book = workspace.revision(which), ledger.read(workspace)
        report = check(workspace, revision, book)
        found = next((one for one in report.findings if one.id == finding.strip().lower()), None)
        if found is None:
            raise NoSuchFindingError(
                f"revision {report.revision} has no finding {shown(finding)}",
                hint="relkit qc lists them; the eight characters before each are its id.",
            )
        if found.id in report.accepted:
            earlier = report.accepted[found.id]
            raise UsageError(
                f"{found.id} is accepted already: {shown(earlier.reason)}",
                hint=f"To take that back: relkit withdraw {earlier.id[:8]} --reason ...",
            )
        record = AcceptedRecord(
            format=1,
            id=secrets.token_hex(16),
            release_id=workspace.release_id,
            recorded_at=now().isoformat(),
            of=revision.held.digest,
            after=ledger.after(workspace, book),
            revision=revision.manifest.revision,
            rule=found.rule,
            rule_version=found.rule_version,
            severity=found.severity,
            versions=list(found.versions),
            places=[Place(start_ms=one.start_ms, end_ms=one.end_ms) for one in found.places],
            fault=found.fault,
            measured=found.measured,
            badness=round(found.badness, 3),
            reason=reason.strip(),
        )
        ledger.write(workspace, record, revision.held.commit)
    return record


def _accepted(workspace: Workspace, book: Ledger, findings: Sequence[Finding]) -> dict[str, AcceptedRecord]:
    """Return which findings are accepted, by which record; signatures are checked."""
    standing = []
    for entry in book.entries:
        if isinstance(entry.record, AcceptedRecord) and book.taken_back(entry) is None:
            ledger.check(workspace, entry)
            standing.append(entry.record)
    found = {}
    for one in findings:
        record = next((record for record in reversed(standing) if covers(record, one)), None)
        if record is not None:
            found[one.id] = record
    return found


def covers(record: AcceptedRecord, finding: Finding) -> bool:
    """Whether an acceptance holds for a finding: same rule, versions and places, no graver and no worse."""
    if (record.rule, record.rule_version) != (finding.rule, finding.rule_version):
        return False
    if record.versions != list(finding.versions) or len(record.places) != len(finding.places):
        return False
    if record.severity not in SEVERITIES:
        return False
    if SEVERITIES.index(finding.severity) < SEVERITIES.index(record.severity):
        return False
    near = all(
        abs(old.start_ms - new.start_ms) <= SAME_PLACE_MS and abs(old.end_ms - new.end_ms) <= SAME_PLACE_MS
        for old, new in zip(record.places, finding.places, strict=True)
    )
    same_words = bool(record.places) or bool(finding.versions) or record.fault == finding.fault
    return near and same_words and finding.badness <= record.badness + NO_WORSE * abs(record.badness) + 0.001


# --- shipping


def stops(report: QualityReport, recipient: Recipient, versions: Sequence[VersionFacts]) -> list[str]:
    """Return what of a report stops a shipment of some versions, a line each.

    A fail stops it, unless somebody accepted it; what is about explicit material is never accepted for
    somebody who excludes that.
    """
    going = {version.id for version in versions}
    found = []
    for one in report.findings:
        if one.severity != "fail" or (one.versions and one.versions[0] not in going):
            continue
        strict = one.about_explicit and excludes_explicit(recipient)
        if one.id in report.accepted and not strict:
            continue
        found.append(line(one))
    return found


def line(one: Finding) -> str:
    """Return a finding in one line."""
    where = f" at {one.places[0]}" if one.places else ""
    measured = f" ({one.measured})" if one.measured else ""
    return f"{shown(one.fault)}{where}{measured} [{one.id}]"


def by_severity(findings: Sequence[Finding]) -> Mapping[str, list[Finding]]:
    """Return findings by severity, the gravest first."""
    return {severity: [one for one in findings if one.severity == severity] for severity in SEVERITIES}
