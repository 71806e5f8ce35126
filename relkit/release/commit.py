"""``commit``: the files as they are now become a revision, wholly or not at all.

Order of writing: chunks, layouts, manifest and signature, commit; all of that
is on the disk before the one reference moves. What fails before that leaves
the release as it was.

Not here: which files (``gathering``, ``taking_in``), reading them (``scanning``), the store.
"""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import relkit
from relkit.errors import DamagedError
from relkit.manifest import MANIFEST_NAMESPACE, FileEntry, RevisionManifest, as_document
from relkit.release import placing
from relkit.release.gathering import Gathered, gather, release_facts
from relkit.release.joining import beside, let_go
from relkit.release.rejections import open_rejections
from relkit.release.remembering import Known, recall, remember
from relkit.release.scanning import Progress, Scanner, Wanted, same_files
from relkit.release.taking_in import TakenIn, take_in
from relkit.release.workspace import VerifiedRevision, Workspace, now
from relkit.sheet import Sheet
from relkit.store.locking import writing
from relkit.store.repository import BESIDE, REVISIONS

if TYPE_CHECKING:
    from relkit.store.content import Intake, Stored


class LostRevisionsError(DamagedError):
    """The store has no revisions, and there were some."""


@dataclass(frozen=True)
class CommitReport:
    """What a commit did.

    Attributes:
        manifest: of the new revision, or of the newest if nothing had changed.
        digest: SHA-256 of that manifest.
        changed: whether there is a new revision.
        taken: files that were handed over.
        fresh: names of files that differ from the revision before, or are new.
        gone: names that the revision before had.
        absent: declared versions without a bounce.
        strangers: files beside the bounces that the sheet does not name.
    """

    manifest: RevisionManifest
    digest: str
    changed: bool
    taken: list[TakenIn] = field(default_factory=list)
    fresh: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    absent: list[str] = field(default_factory=list)
    strangers: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Said:
    """What somebody says about a revision; ``answers`` are digests of rejections."""

    note: str
    session: str | None
    answers: list[str]


def commit(
    workspace: Workspace,
    bounces: Sequence[Path] = (),
    *,
    version: str | None = None,
    note: str = "",
    session: str | None = None,
    without: Collection[str] = (),
    answers: Sequence[int] = (),
    progress: Progress | None = None,
) -> CommitReport:
    """Record the release as it is now.

    Args:
        bounces: files to take in first; each is copied to the place that the sheet names.
        version: what the one file in ``bounces`` is, where its name does not say or says wrongly.
        note: one or more lines for people, kept in the manifest.
        session: the session or mix that it came from.
        without: versions to leave out on purpose.
        answers: numbers of open rejections that this answers; it is then recorded even if no file changed.
        progress: told what is being read.

    Raises:
        RelkitError: see the families; nothing is recorded then.
    """
    with writing(workspace.inside), placing.Staging() as staging:
        newest = workspace.newest()
        if newest is None:
            _require_no_past(workspace)
        said = _Said(note, session, open_rejections(workspace, answers))
        sheet, taken = take_in(workspace, bounces, version, staging)
        previous = newest.manifest if newest else None
        gathered = gather(workspace.folder, sheet, previous, without, staging=staging)
        scanner = Scanner(workspace, previous, progress)
        scanner.look_ahead(gathered.wanted)
        seen = [(wanted, _known(wanted, scanner)) for wanted in gathered.wanted]
        entries = [entry for _wanted, entry in seen if entry is not None]
        facts = release_facts(sheet)
        unchanged = (
            newest is not None
            and len(entries) == len(seen)
            and same_files(entries, newest.manifest.files)
            and facts == newest.manifest.release
        )
        if unchanged and newest is not None and not said.answers and not workspace.repository.refs(BESIDE):
            staging.appear()
            scanner.save()
            return _report(newest.manifest, newest.held.digest, None, gathered, taken, changed=False)
        manifest, digest = _write(workspace, newest, sheet, seen, scanner, staging, said)
        scanner.save()
        return _report(manifest, digest, previous, gathered, taken, changed=True)


def _known(wanted: Wanted, scanner: Scanner) -> FileEntry | None:
    """Return the entry of a known file; if it is new, load what reads it while a thread looks at others."""
    entry = scanner.known(wanted)
    if entry is None:
        import relkit.audio.reading
        import relkit.measure.levels
        import relkit.store.content  # noqa: F401
    return entry


def _require_no_past(workspace: Workspace) -> None:
    """Refuse to begin at revision 1 again where there was one before."""
    from relkit.store import records

    shipped = len(records.references(workspace.repository))
    if shipped or recall(workspace.home, workspace.release_id):
        raise LostRevisionsError(
            "this release was recorded before, and its revisions are gone from the store",
            hint="Run relkit audit to see what is missing, and restore .relkit from a copy.",
        )


def _report(
    manifest: RevisionManifest,
    digest: str,
    previous: RevisionManifest | None,
    gathered: Gathered,
    taken: list[TakenIn],
    *,
    changed: bool,
) -> CommitReport:
    before = {entry.name: entry.sha256 for entry in previous.files} if previous else {}
    now_there = {entry.name: entry.sha256 for entry in manifest.files}
    return CommitReport(
        manifest,
        digest,
        changed,
        taken,
        [name for name, sha256 in now_there.items() if before.get(name) != sha256] if changed else [],
        [name for name in before if name not in now_there],
        gathered.absent,
        gathered.strangers,
    )


def _write(
    workspace: Workspace,
    newest: VerifiedRevision | None,
    sheet: Sheet,
    seen: list[tuple[Wanted, FileEntry | None]],
    scanner: Scanner,
    staging: placing.Staging,
    said: _Said,
) -> tuple[RevisionManifest, str]:
    """Store what is new, sign, and move the reference."""
    from relkit.store import revisions
    from relkit.store.chunk_index import ChunkIndex
    from relkit.store.content import Intake
    from relkit.trust.canonical import canonical_bytes
    from relkit.trust.sshsig import sign

    key = workspace.home.signing_key()
    release_id = workspace.release_id
    content = dict(newest.held.content) if newest else {}
    others = beside(workspace)
    before = [*([newest] if newest else []), *(each.revision for each in others)]
    index = ChunkIndex(workspace.repository, workspace.cache)
    with workspace.repository.writer() as pack, Intake(pack, index) as intake:
        entries, stored = _stored(seen, content, scanner, intake)
        intake.settle()
        content |= {each.sha256: each.tree for each in stored}
        manifest = RevisionManifest(
            format=1,
            release_id=release_id,
            release=release_facts(sheet),
            revision=1 + max((each.manifest.revision for each in before), default=0),
            previous=sorted(each.held.digest for each in before),
            recorded_at=now().isoformat(),
            note=said.note,
            session=said.session,
            answers=said.answers,
            tool=f"relkit {relkit.__version__}",
            files=entries,
        )
        body = canonical_bytes(as_document(manifest))
        made = revisions.write(
            pack,
            manifest=body,
            signature=sign(body, key, MANIFEST_NAMESPACE).encode(),
            content={entry.sha256: content[entry.sha256] for entry in entries},
            features=intake.features | (newest.held.features if newest else set()),
            parents=[each.held.commit for each in before],
            moment=datetime.fromisoformat(manifest.recorded_at),
            message=f"Revision {manifest.revision}\n\n{said.note}",
        )
    digest = revisions.read(workspace.repository, made).digest
    staging.appear()  # only now: whatever failed before this has left the folder as it was
    workspace.repository.set_ref(REVISIONS, made, newest.held.commit if newest else None)
    let_go(workspace, others)
    remember(workspace.home, release_id, [Known(digest, f"revision {manifest.revision}")])
    index.remember(intake.fresh, made)
    with contextlib.suppress(OSError):  # the revision is recorded; room to tidy up may come later
        workspace.repository.tidy()
    return manifest, digest


def _stored(
    seen: list[tuple[Wanted, FileEntry | None]],
    content: dict[str, bytes],
    scanner: Scanner,
    intake: Intake,
) -> tuple[list[FileEntry], list[Stored]]:
    """Return the entry of every file, reading those whose content is not in the store."""
    entries: list[FileEntry] = []
    stored: list[Stored] = []
    for wanted, known in seen:
        if known is not None and known.sha256 in content:
            entries.append(known)
            continue
        entry, made = scanner.read(wanted, intake.file)
        entries.append(entry)
        stored.append(made)
    return entries, stored
