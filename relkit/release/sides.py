"""The two sides of a comparison: a revision, a shipment, the folder, or a loose file.

A side lists files like a manifest does, and can be listened to: a file that was
made from a bounce is heard as that bounce, so that an MP3 in a package is compared
by what went into it.

Not here: comparing (``diff``, ``hearing``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from relkit.audio.formats import PcmFormat
from relkit.audio.samples import Samples, to_float32
from relkit.errors import UsageError
from relkit.filenames import below
from relkit.manifest import FileEntry, SoundFacts
from relkit.release import ledger
from relkit.release.derived import StoredFile
from relkit.release.gathering import gather
from relkit.release.package_files import restore, tree_of
from relkit.release.scanning import Hashing, Progress, Scanner, Wanted
from relkit.release.stored_audio import StoredRecording, pcm_of
from relkit.release.workspace import NoSuchRevisionError, VerifiedRevision, Workspace
from relkit.sheet import Sheet

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording
    from relkit.store.repository import Repository

FOLDER = "folder"


class DiskRecording:
    """A bounce in the folder that can be read anywhere.

    Args:
        path: of a file of which the container was read.
        fmt: of its samples.
        offset, length: of its audio [bytes].
    """

    def __init__(self, path: Path, fmt: PcmFormat, offset: int, length: int) -> None:
        self.format = fmt
        self._path, self._offset = path, offset
        self.frames = length // fmt.frame_bytes
        self.channels = fmt.channels

    def read(self, first: int, end: int) -> Samples:
        """Return the frames from ``first`` up to ``end``: float32, shape (end - first, channels)."""
        width = self.format.frame_bytes
        with self._path.open("rb") as file:
            file.seek(self._offset + first * width)
            return to_float32(file.read((end - first) * width), self.format)


@dataclass
class Side:
    """One side.

    Attributes:
        name: for people.
        files: as a manifest lists them.
        sheet: that goes with it; None for a loose file.
        source: the entry of the bounce that a file was made from, or the entry itself.
    """

    name: str
    files: Sequence[FileEntry]
    sheet: Sheet | None = None
    _bounces: dict[str, FileEntry] = field(default_factory=dict)
    _audio: Callable[[FileEntry], Recording | None] = lambda _entry: None
    _bytes: Callable[[FileEntry], bytes] = lambda _entry: b""

    def source(self, entry: FileEntry) -> FileEntry:
        """Return the bounce that a file was made from; the file itself where it is one."""
        made = entry.derived_from
        return self._bounces.get(made.source_sha256, entry) if made else entry

    def recording(self, entry: FileEntry) -> Recording | None:
        """Return the audio of a bounce; None where its samples cannot be read."""
        return self._audio(entry) if pcm_of(entry) is not None else None

    def heard(self, entry: FileEntry) -> Recording:
        """Return the audio of a bounce of which it is known that it can be read."""
        recording = self.recording(entry)
        assert recording is not None  # noqa: S101 - see above
        return recording

    def content(self, entry: FileEntry) -> bytes:
        """Return a small file: a cover, a sheet."""
        return self._bytes(entry)


def side(workspace: Workspace, which: str, progress: Progress | None = None) -> Side:
    """Return a side by what a person calls it: a revision, a shipment's id, or ``folder``.

    Raises:
        RelkitError: it does not exist, is damaged, or its signer is not trusted.
    """
    if which == FOLDER:
        return _folder(workspace, progress)
    try:
        revision = workspace.revision(which)
        return _stored(workspace, f"revision {revision.manifest.revision}", revision.manifest.files, revision)
    except NoSuchRevisionError as no_revision:
        try:
            entry = ledger.read(workspace).find(which)
        except UsageError:
            raise no_revision from None
    record, package = ledger.verified_shipment(workspace, entry)
    revision = workspace.revision(package.manifest.of_revision)
    name = f"shipment {record.id[:8]} ({record.shipped_on})"
    return _stored(workspace, name, package.manifest.files, revision, package.held.content)


def _stored(
    workspace: Workspace,
    name: str,
    files: Sequence[FileEntry],
    revision: VerifiedRevision,
    content: dict[str, bytes] | None = None,
) -> Side:
    from relkit.release.packaging import sheet_of

    places = {**revision.held.content, **(content or {})}
    repository: Repository = workspace.repository

    def audio(entry: FileEntry) -> Recording:
        return StoredRecording(repository, StoredFile(entry, tree_of(places, entry)))

    def small(entry: FileEntry) -> bytes:
        data = bytearray()
        restore(workspace, tree_of(places, entry), entry, data.extend)
        return bytes(data)

    bounces = {each.sound.identity: each for each in revision.manifest.files if each.sound is not None}
    return Side(name, files, sheet_of(workspace, revision), bounces, audio, small)


def _folder(workspace: Workspace, progress: Progress | None) -> Side:
    """Look at the folder as ``commit`` would, storing nothing."""
    newest = workspace.newest()
    previous = newest.manifest if newest else None
    scanner = Scanner(workspace, previous, progress)
    sheet = workspace.sheet()
    entries: list[FileEntry] = []
    places: dict[str, Wanted] = {}
    for wanted in gather(workspace.folder, sheet, previous, lost_is_fault=False).wanted:
        known = scanner.known(wanted)
        entry = known if known is not None else scanner.read(wanted, Hashing)[0]
        entries.append(entry)
        places[entry.name] = wanted
    scanner.save()
    return Side(
        "the folder",
        entries,
        sheet,
        {},
        lambda entry: on_disk(places[entry.name].path),
        lambda entry: below(workspace.folder, entry.name).read_bytes(),
    )


def loose(path: Path) -> Side:
    """Return one file as a side of its own.

    Raises:
        BadInputError: it cannot be read, or is no audio.
    """
    from relkit.audio.container import require_bounce
    from relkit.audio.reading import SteadyFile
    from relkit.audio.samples import sound_identity

    with SteadyFile(path) as file:
        container = file.container
        require_bounce(container, path.name)
        hashing = Hashing(container)
        for part, data in file.windows():
            hashing.feed(part, data)
    stored = hashing.finish()
    sound = None
    if container.sound is not None and stored.frames_sha256 is not None:
        sound = SoundFacts(
            identity=sound_identity(container.sound, stored.frames_sha256),
            sample_format=container.sound.sample_format,
            sample_rate_hz=container.sound.rate_hz,
            channels=container.sound.channels,
            channel_mask=container.sound.channel_mask,
            frames=container.frames or 0,
        )
    entry = FileEntry(
        role="file",
        name=path.name,
        size_bytes=stored.size_bytes,
        sha256=stored.sha256,
        xxh3_128=stored.xxh3_128,
        container=container.name,
        sound=sound,
    )
    return Side(path.name, [entry], None, {}, lambda _entry: on_disk(path), lambda _entry: path.read_bytes())


def on_disk(path: Path) -> Recording | None:
    """Return the audio of a file; None where its samples cannot be read."""
    from relkit.audio.reading import SteadyFile

    with SteadyFile(path) as file:
        container = file.container
    sound, essence = container.sound, container.essence
    if not isinstance(sound, PcmFormat) or not sound.is_measurable or essence is None:
        return None
    return DiskRecording(path, sound, essence.offset, essence.length)
