"""``commit``: the files as they are now become a revision, wholly or not at all.

Order of writing: chunks, layouts, manifest and signature, commit; all of that
is on the disk before the one reference moves. What fails before that leaves
the release as it was.

Not here: which files (``gathering``), reading them (``scanning``), the store.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import relkit
from relkit.errors import UsageError
from relkit.filenames import below, shown
from relkit.manifest import MANIFEST_NAMESPACE, FileEntry, RevisionManifest, as_document
from relkit.release import placing
from relkit.release.gathering import Gathered, gather, release_facts
from relkit.release.remembering import Known, remember
from relkit.release.scanning import Progress, Scanner, Wanted, same_files
from relkit.release.workspace import SHEET, VerifiedRevision, Workspace, now
from relkit.sheet import Sheet
from relkit.store.locking import writing
from relkit.store.repository import REVISIONS

if TYPE_CHECKING:
    from relkit.store.content import Intake, Stored
    from relkit.vocabulary import Version


class UnclearNameError(UsageError):
    """A file name does not say which version it is.

    Attributes:
        candidates: versions that it may be; empty if it says nothing.
    """

    candidates: tuple[str, ...] = ()


@dataclass(frozen=True)
class TakenIn:
    """A file that was handed over: what it was recognised as, and why."""

    source: Path
    version_id: str
    because: str
    name: str  # where it is now, inside the release


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


def commit(
    workspace: Workspace,
    bounces: Sequence[Path] = (),
    *,
    version: str | None = None,
    note: str = "",
    session: str | None = None,
    without: Collection[str] = (),
    progress: Progress | None = None,
) -> CommitReport:
    """Record the release as it is now.

    Args:
        bounces: files to take in first; each is copied to the place that the sheet names.
        version: what the one file in ``bounces`` is, where its name does not say or says wrongly.
        note: one or more lines for people, kept in the manifest.
        session: the session or mix that it came from.
        without: versions to leave out on purpose.
        progress: told what is being read.

    Raises:
        RelkitError: see the families; nothing is recorded then.
    """
    with writing(workspace.inside):
        newest = workspace.newest()
        taken = _take_in(workspace, bounces, version)
        sheet = workspace.sheet()
        previous = newest.manifest if newest else None
        gathered = gather(workspace.folder, sheet, previous, without)
        scanner = Scanner(workspace, previous, progress)
        seen = [(wanted, scanner.known(wanted)) for wanted in gathered.wanted]
        entries = [entry for _wanted, entry in seen if entry is not None]
        facts = release_facts(sheet)
        unchanged = (
            newest is not None
            and len(entries) == len(seen)
            and same_files(entries, newest.manifest.files)
            and facts == newest.manifest.release
        )
        if unchanged and newest is not None:
            scanner.save()
            return _report(newest.manifest, newest.held.digest, None, gathered, taken, changed=False)
        manifest, digest = _write(workspace, newest, sheet, seen, scanner, note, session)
        scanner.save()
        return _report(manifest, digest, previous, gathered, taken, changed=True)


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
    note: str,
    session: str | None,
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
    index = ChunkIndex(workspace.repository, workspace.cache)
    with workspace.repository.writer() as pack, Intake(pack, index) as intake:
        entries, stored = _stored(seen, content, scanner, intake)
        intake.settle()
        content |= {each.sha256: each.tree for each in stored}
        manifest = RevisionManifest(
            format=1,
            release_id=release_id,
            release=release_facts(sheet),
            revision=newest.manifest.revision + 1 if newest else 1,
            previous=[newest.held.digest] if newest else [],
            recorded_at=now().isoformat(),
            note=note,
            session=session,
            tool=f"relkit {relkit.__version__}",
            files=entries,
        )
        body = canonical_bytes(as_document(manifest))
        made = revisions.write(
            pack,
            manifest=body,
            signature=sign(body, key, MANIFEST_NAMESPACE).encode(),
            content={entry.sha256: content[entry.sha256] for entry in entries},
            parents=[newest.held.commit] if newest else [],
            moment=datetime.fromisoformat(manifest.recorded_at),
            message=f"Revision {manifest.revision}\n\n{note}",
        )
    digest = revisions.read(workspace.repository, made).digest
    workspace.repository.set_ref(REVISIONS, made, newest.held.commit if newest else None)
    remember(workspace.home, release_id, [Known(digest, f"revision {manifest.revision}")])
    index.remember(intake.fresh, made)
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


# --- files that are handed over


def _take_in(workspace: Workspace, bounces: Sequence[Path], version: str | None) -> list[TakenIn]:
    """Find out what every file is, check that it can be one, then copy all of them."""
    if version is not None and len(bounces) != 1:
        raise UsageError(
            "--as says what one file is", hint="Name exactly one file with it, or leave --as out."
        )
    if not bounces:
        return []
    from relkit.audio.container import require_bounce
    from relkit.audio.reading import SteadyFile

    sheet_file = workspace.folder / SHEET
    text = workspace.sheet().text
    plan: list[TakenIn] = []
    for source in bounces:
        with SteadyFile(source) as file:
            require_bounce(file.container, source.name)
        text, taken = _recognised(text, source, version, workspace)
        double = next((each for each in plan if each.name == taken.name), None)
        if double is not None:
            raise UsageError(
                f"{shown(double.source.name)} and {shown(source.name)} are both {taken.version_id}",
                hint="Commit the right one of them, or say with --as what the other is.",
            )
        plan.append(taken)
    targets = [(each.source, below(workspace.folder, each.name)) for each in plan]
    moving = [(source, target) for source, target in targets if not _same_place(source, target)]
    placing.require_free([target for _source, target in moving], workspace.has_bytes)
    for source, target in moving:
        placing.copy_in(source, target)
    if text != workspace.sheet().text:
        with placing.appearing(sheet_file) as out:
            out.write(text.encode())
    return plan


def _same_place(source: Path, target: Path) -> bool:
    return target.exists() and source.exists() and source.samefile(target)


def _recognised(text: str, source: Path, version: str | None, workspace: Workspace) -> tuple[str, TakenIn]:
    """Return the sheet's text, changed where the file asks for it, and what the file is."""
    from relkit.sheet import add_version, remember_answer, set_version_file
    from relkit.vocabulary import Ambiguous, Recognised, recognise

    sheet = Sheet.parse(text)
    inside = _name_inside(source, workspace.folder)
    at_home = sheet.version_at(inside) if inside else None
    said = recognise(
        source.name, known=sheet.names, artist=sheet.artist, title=sheet.title, versions=sheet.declared
    )
    if version is not None:
        version_id, because = version, "--as"
        if isinstance(said, Ambiguous):
            text = remember_answer(text, said.phrase, version_id)
    elif at_home is not None and inside is not None:
        return text, TakenIn(source, at_home.version.id, "its place in the sheet", inside)
    elif isinstance(said, Recognised):
        version_id, because = said.version_id, said.because
    else:
        raise _unclear(source, said)
    if version_id not in sheet.versions:
        text = add_version(
            text, _fresh_version(version_id), path=f"bounces/{version_id}{source.suffix.lower()}"
        )
        sheet = Sheet.parse(text)
    entry = sheet.versions[version_id]
    name = entry.path
    if entry.is_folder:
        name = f"{entry.path}/{source.name}"
    elif Path(name).suffix.lower() != source.suffix.lower() and source.suffix:
        name = f"{name.removesuffix(Path(name).suffix)}{source.suffix.lower()}"
        text = set_version_file(text, version_id, name)
    return text, TakenIn(source, version_id, because, name)


def _fresh_version(version_id: str) -> Version:
    """Return a version that the sheet does not have yet, its axes read from its id."""
    from relkit.vocabulary import Recognised, Version, is_slug, recognise

    if not is_slug(version_id):
        raise UsageError(
            f"{shown(version_id)} cannot be a version's id",
            hint='Use lower-case words joined by "-", for example short-clean.',
        )
    said = recognise(version_id, known={}, artist=None, title=None)
    if isinstance(said, Recognised):
        return Version(version_id, parts=said.parts, form=said.form, language=said.language)
    return Version(version_id, parts="other", form="other")


def _name_inside(source: Path, folder: Path) -> str | None:
    """Return a path as the sheet would write it, if it lies in the release folder."""
    try:
        return source.resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        return None


def _unclear(source: Path, said: object) -> UnclearNameError:
    from relkit.vocabulary import Ambiguous

    if isinstance(said, Ambiguous):
        error = UnclearNameError(
            f"{shown(source.name)}: {said.question}",
            hint=f"Say it once with --as {' or --as '.join(said.candidates) or 'VERSION'}; "
            "it is remembered for this release.",
        )
        error.candidates = said.candidates
        return error
    return UnclearNameError(
        f"{shown(source.name)} does not say which version it is",
        hint="Say it with --as, for example: --as clean.",
    )
