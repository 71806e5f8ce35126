"""From a revision to a package in the store: sounds, words and pictures put together and signed.

A package is the same for every recipient with the same wants: its manifest has
no recipient, no clock and no tool in it.

Not here: who gets it (``ship``) and what they take (``wants``), making sounds
(``rendering``) and files (``filing``), names, tags and words (``relkit.pack``),
writing a folder or ZIP (``package_files``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from relkit.errors import UsageError
from relkit.manifest import (
    MANIFEST_NAMESPACE,
    FileEntry,
    PackageManifest,
    VersionFacts,
    as_document,
)
from relkit.pack import layout, names
from relkit.pack.facts import SongFacts, VersionFile, song_facts
from relkit.pack.note import note_text
from relkit.pack.page import note_page, picture_span
from relkit.pack.pattern import DEFAULT_PATTERN
from relkit.pack.renditions import Rendition, rendition
from relkit.pack.statements import Note
from relkit.pack.wrapping import BROADCAST, wrapped
from relkit.release import package_files, remarks
from relkit.release.covers import Cover
from relkit.release.derived import Derivatives, StoredFile
from relkit.release.filing import Filing
from relkit.release.package_files import tree_of
from relkit.release.remarks import Remark
from relkit.release.rendering import Job, Renderer
from relkit.release.replacing import Earlier, replacement
from relkit.release.stored_audio import pcm_of
from relkit.release.timing import Timing
from relkit.release.wants import Wants
from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.sheet import Sheet
from relkit.store import revisions

if TYPE_CHECKING:
    from relkit.release.scanning import Progress


class NothingToSendError(UsageError):
    """No file of the chosen versions can be had in the formats that were asked for."""

    def __init__(self, formats: Sequence[str], remarks: Sequence[Remark]) -> None:
        why = f": {remarks[0].fault}" if remarks else ""
        super().__init__(
            f"nothing can be sent as {' or '.join(formats)}{why}",
            hint="Ask for another format with --format, for example wav-native.",
        )


@dataclass(frozen=True)
class Built:
    """A package in the store, and what was noticed on the way."""

    commit: bytes
    remarks: list[Remark] = field(default_factory=list)


@dataclass
class _Parcel:
    """What a package is made from."""

    workspace: Workspace
    revision: VerifiedRevision
    wants: Wants
    sheet: Sheet
    song: SongFacts
    remarks: list[Remark] = field(default_factory=list)

    @property
    def pattern(self) -> str:
        """What names are made by."""
        return self.sheet.package_pattern or DEFAULT_PATTERN


def build(
    workspace: Workspace,
    revision: VerifiedRevision,
    wants: Wants,
    earlier: Earlier | None,
    progress: Progress | None = None,
) -> Built:
    """Put a package into the store; the same one again is found, not made.

    Raises:
        DamagedError: content of the revision is missing.
        UsageError: two files would have one name, a label is too long, or nothing can be had in the formats.
        BadInputError: the cover cannot be turned into a JPEG, or a bounce into another format.
    """
    from relkit.store.chunk_index import ChunkIndex
    from relkit.store.content import Intake
    from relkit.trust.canonical import canonical_bytes
    from relkit.trust.sshsig import sign

    sheet = sheet_of(workspace, revision)
    parcel = _Parcel(workspace, revision, wants, sheet, song_facts(sheet, clean=wants.clean))
    derivatives = Derivatives(workspace)
    with (
        workspace.repository.writer() as pack,
        Intake(pack, ChunkIndex(workspace.repository, workspace.cache)) as intake,
        Renderer(workspace, derivatives, progress) as renderer,
    ):
        filing = Filing(workspace, revision, intake, derivatives)
        manifest = _manifest(parcel, filing, renderer, earlier)
        body = canonical_bytes(as_document(manifest))
        commit = revisions.write(
            pack,
            manifest=body,
            signature=sign(body, workspace.home.signing_key(), MANIFEST_NAMESPACE).encode(),
            content=filing.content,
            features=filing.features | intake.features,
            parents=[revision.held.commit],
            moment=datetime.fromisoformat(manifest.recorded_at),
            message=f"Package of revision {manifest.revision}",
        )
    derivatives.keep(
        [StoredFile(entry, filing.content[entry.sha256]) for entry in filing.entries if entry.derived_from]
    )
    return Built(commit, parcel.remarks)


def sheet_of(workspace: Workspace, revision: VerifiedRevision) -> Sheet:
    """Return the sheet as it was committed.

    Raises:
        DamagedError: the revision has none, or the store does not give it back.
    """
    from relkit.errors import DamagedError

    entry = next((each for each in revision.manifest.files if each.role == "sheet"), None)
    if entry is None:
        raise DamagedError("the revision has no release sheet", hint="Run relkit audit.")
    text = bytearray()
    package_files.restore(workspace, tree_of(revision.held.content, entry), entry, text.extend)
    return Sheet.parse(text.decode())


def _manifest(
    parcel: _Parcel, filing: Filing, renderer: Renderer, earlier: Earlier | None
) -> PackageManifest:
    """Add all files, and return what lists them."""
    revision, song, pattern = parcel.revision.manifest, parcel.song, parcel.pattern
    planned = list(_plan(parcel))
    if not planned:
        raise NothingToSendError(parcel.wants.formats, parcel.remarks)
    renderer.begin([each.job for each in planned if each.rendition.format])
    parcel.remarks += remarks.on_sheet(parcel.sheet, [version.id for version in parcel.wants.versions])
    cover = Cover.of(parcel.workspace, parcel.revision, parcel.sheet, clean=parcel.wants.clean)
    small = cover.add(filing, layout.cover_path(song, pattern=pattern)) if cover else None
    parcel.remarks += cover.remarks() if cover else []
    files = _audio(parcel, filing, renderer, planned, small)
    note = Note(
        song=song,
        files=files,
        revision=revision.revision,
        recorded_on=revision.recorded_at[:10],
        fingerprint=parcel.workspace.home.signing_key().public.fingerprint,
        replaces=replacement(parcel.workspace, earlier, filing.entries, parcel.revision, parcel.sheet.bars)
        if earlier
        else None,
    )
    filing.small("note", layout.info_path(song, pattern=pattern), note_text(note))
    page = note_page(note, small)
    filing.small(
        "note",
        layout.page_path(song, pattern=pattern),
        page,
        cover.derivation if cover else None,
        apart=picture_span(page),
    )
    names.distinct([*(entry.name for entry in filing.entries), *layout.PROOF_FILES])
    return PackageManifest(
        format=1,
        release_id=revision.release_id,
        release=revision.release.model_copy(update={"title": song.title}),
        revision=revision.revision,
        recorded_at=revision.recorded_at,
        name=layout.folder(song),
        of_revision=parcel.revision.held.digest,
        replaces=earlier.digest if earlier else None,
        files=sorted(filing.entries, key=lambda entry: entry.name),
    )


# --- audio


@dataclass(frozen=True)
class _Planned:
    """A file that a bounce becomes, and what it will be called."""

    version: VersionFacts
    name: str
    job: Job

    @property
    def entry(self) -> FileEntry:
        """The bounce."""
        return self.job.source

    @property
    def rendition(self) -> Rendition:
        """What it becomes."""
        return self.job.rendition


def _audio(
    parcel: _Parcel,
    filing: Filing,
    renderer: Renderer,
    planned: Sequence[_Planned],
    cover_jpeg: bytes | None,
) -> list[VersionFile]:
    """Add the files of all versions; return what the note says of them."""
    timing = Timing(parcel.workspace, parcel.revision, parcel.sheet)
    told: dict[str, tuple[VersionFile, list[Remark]]] = {}
    # In the order in which sounds come; the order of the package is the sheet's all the same.
    for each in sorted(planned, key=lambda each: renderer.turn(each.job)):
        told[each.name] = _one_file(parcel, filing, renderer, timing, each, cover_jpeg)
    order = {each.name: place for place, each in enumerate(planned)}
    filing.entries.sort(key=lambda entry: order.get(entry.name, -1))
    for each in planned:
        parcel.remarks += told[each.name][1]
    return [told[each.name][0] for each in planned]


def _one_file(
    parcel: _Parcel,
    filing: Filing,
    renderer: Renderer,
    timing: Timing,
    each: _Planned,
    cover_jpeg: bytes | None,
) -> tuple[VersionFile, list[Remark]]:
    """Add one file; return what the note says of it, and what a person should hear first."""
    declared = parcel.sheet.versions.get(each.version.id)
    found = timing.of(each.entry, whole=each.rendition.format in BROADCAST)
    file = VersionFile(
        name=each.name,
        version=each.version,
        sound=each.entry.sound,
        isrc=declared.isrc if declared else None,
        ending=declared.ending if declared else None,
        last_words=declared.last_words if declared else None,
        timers=found.timers,
    )
    if each.rendition.format is None:
        filing.as_it_is(each.entry, each.name)
        return file, []
    sound = renderer.sound(each.job)
    file = replace(file, sound=sound.facts, made_by=_made_by(each))
    assert each.entry.sound is not None  # noqa: S101 - it was rendered
    if each.entry.sound.sample_rate_hz == sound.facts.sample_rate_hz:  # resampling may move a hundredth
        file = replace(
            file,
            max_momentary_lufs=found.max_momentary_lufs,
            max_short_term_lufs=found.max_short_term_lufs,
        )
    wrapping = wrapped(
        each.rendition,
        parcel.song,
        file,
        frames=sound.facts.frames,
        cover_jpeg=cover_jpeg,
        recorded_at=datetime.fromisoformat(parcel.revision.manifest.recorded_at),
        bounce=each.entry.sound,
    )
    filing.wrapped(each.name, each.version, each.job, sound, wrapping)
    return file, list(remarks.on_sound(file, sound))


def _plan(parcel: _Parcel) -> Iterator[_Planned]:
    """Yield the files of the package, in the order of the sheet."""
    wanted = {version.id for version in parcel.wants.versions}
    content = parcel.revision.held.content
    for entry in parcel.revision.manifest.files:
        version = entry.version
        if version is None or version.id not in wanted:
            continue
        is_stem = version.parts == "stems"
        places: set[str] = set()
        for asked in ("wav-native",) if is_stem else parcel.wants.formats:
            made = rendition(entry.container, pcm_of(entry), asked)
            if made is None:
                parcel.remarks.append(
                    Remark(
                        f"{version.label} is not in the package as {asked}: it has "
                        f"{entry.sound.channels if entry.sound else 0} channels",
                        "Bounce it in stereo if they need it.",
                    )
                )
                continue
            name = _name(parcel, entry, version, made)
            if name not in places:  # a bounce that goes out as it is goes out once
                places.add(name)
                yield _Planned(version, name, Job(entry, tree_of(content, entry), made))


def _name(parcel: _Parcel, entry: FileEntry, version: VersionFacts, made: Rendition) -> str:
    """Return where a file lies in the package."""
    path = PurePosixPath(entry.name)
    container = made.container or entry.container
    suffix, pattern = path.suffix, parcel.pattern
    declared = parcel.sheet.versions.get(version.id)
    if declared is not None and declared.is_folder:
        inside = (
            path.relative_to(declared.path).as_posix() if path.is_relative_to(declared.path) else path.name
        )
        return layout.stem_path(parcel.song, version, inside, container, suffix=suffix, pattern=pattern)
    return layout.version_path(parcel.song, version, container, suffix=suffix, pattern=pattern)


def _made_by(each: _Planned) -> str:
    """Say what was done to the samples of a bounce, for people."""
    from relkit.audio.conversion import describe

    source, target = pcm_of(each.entry), each.rendition.target
    if source is None or target is None:
        return ""
    if each.rendition.folder == "MP3":  # the encoder takes any depth; only another rate is worth a word
        source, target = (replace(each, sample_format="float32") for each in (source, target))
    return describe(source, target)
