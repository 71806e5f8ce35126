"""What a package would hold, and about how large it would be; nothing is encoded.

Names are those that it would have. Sizes are what length, rate and depth give,
without tags; a FLAC file is taken as two thirds of its samples.

Not here: building it (``packaging``), deciding who gets what (``ship``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath

from relkit.audio.formats import PcmFormat
from relkit.manifest import FileEntry, VersionFacts
from relkit.pack import layout
from relkit.pack.facts import SongFacts, song_facts
from relkit.pack.pattern import DEFAULT_PATTERN
from relkit.pack.renditions import Rendition, rendition
from relkit.release.stored_audio import pcm_of
from relkit.release.wants import Wants
from relkit.release.workspace import VerifiedRevision
from relkit.sheet import Sheet

_MP3_BYTES_A_SECOND = 320_000 / 8
_FLAC_SHARE = 2 / 3  # of what the samples take; mastered music, measured on the example song


@dataclass(frozen=True)
class ExpectedFile:
    """A file that a package would hold."""

    name: str
    about_bytes: int


def expected_files(sheet: Sheet, revision: VerifiedRevision, wants: Wants) -> list[ExpectedFile]:
    """Return the audio files of a package, in the order of the sheet.

    Cover, info sheet and proof go with every package and are not among them.
    """
    song = song_facts(sheet, clean=wants.clean)
    found: dict[str, ExpectedFile] = {}
    for entry, version, made in _renditions(revision, wants):
        name = _name(sheet, song, entry, version, made)
        found.setdefault(name, ExpectedFile(name, _about_bytes(entry, made)))
    return list(found.values())


def _renditions(
    revision: VerifiedRevision, wants: Wants
) -> Iterator[tuple[FileEntry, VersionFacts, Rendition]]:
    """Yield what every bounce becomes; a stem is always sent as it was bounced."""
    wanted = {version.id for version in wants.versions}
    for entry in revision.manifest.files:
        version = entry.version
        if version is None or version.id not in wanted:
            continue
        for asked in ("wav-native",) if version.parts == "stems" else wants.formats:
            made = rendition(entry.container, pcm_of(entry), asked)
            if made is not None:
                yield entry, version, made


def _name(sheet: Sheet, song: SongFacts, entry: FileEntry, version: VersionFacts, made: Rendition) -> str:
    path, pattern = PurePosixPath(entry.name), sheet.package_pattern or DEFAULT_PATTERN
    container, declared = made.container or entry.container, sheet.versions.get(version.id)
    if declared is None or not declared.is_folder:
        return layout.version_path(song, version, container, suffix=path.suffix, pattern=pattern)
    inside = (
        path.relative_to(declared.path) if path.is_relative_to(declared.path) else PurePosixPath(path.name)
    )
    return layout.stem_path(song, version, inside.as_posix(), container, suffix=path.suffix, pattern=pattern)


def _about_bytes(entry: FileEntry, made: Rendition) -> int:
    target, sound = made.target, entry.sound
    if not isinstance(target, PcmFormat) or sound is None:
        return entry.size_bytes
    if made.folder == "MP3":
        return round(sound.duration_s * _MP3_BYTES_A_SECOND)
    samples = sound.duration_s * target.rate_hz * target.frame_bytes
    return round(samples * (_FLAC_SHARE if made.folder == "FLAC" else 1))
