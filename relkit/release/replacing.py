"""What a new package tells about the one that it takes the place of.

Files are compared by the bounce that they were made from, so that new tags, or
an MP3 where there was a WAV, are no change to a listener.

Not here: which package a recipient holds (``ship``), the words (``relkit.pack.note``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from relkit.manifest import FileEntry, PackageManifest
from relkit.pack.note import Replacement
from relkit.release.workspace import VerifiedRevision


@dataclass(frozen=True)
class Earlier:
    """The package that a recipient holds and that the new one takes the place of."""

    manifest: PackageManifest
    digest: str


def replacement(earlier: Earlier, audio: Sequence[FileEntry], revision: VerifiedRevision) -> Replacement:
    """Compare by sound, so that new tags alone are no change to a listener.

    What only this package leaves out was not removed: the recipient may go on using it.
    """
    existing = _by_version(revision.manifest.files)
    before = _by_version(earlier.manifest.files)
    after = _by_version(audio)
    shared = [version for version in after if version in before]
    changed = [version for version in shared if sources(before[version]) != sources(after[version])]
    return Replacement(
        revision=earlier.manifest.revision,
        recorded_on=earlier.manifest.recorded_at[:10],
        changed=[_label(after[version]) for version in changed],
        unchanged=[_label(after[version]) for version in shared if version not in changed],
        added=[_label(after[version]) for version in after if version not in before],
        removed=[_label(before[version]) for version in before if version not in existing],
        same_length=all(_same_lengths(before[version], after[version]) for version in shared),
    )


def _by_version(files: Sequence[FileEntry]) -> dict[str, list[FileEntry]]:
    found: dict[str, list[FileEntry]] = {}
    for entry in files:
        if entry.version is not None:
            found.setdefault(entry.version.id, []).append(entry)
    return found


def sources(entries: Sequence[FileEntry]) -> set[str]:
    """Return which bounces these files were made from; what was not derived is its own source."""
    return {
        entry.derived_from.source_sha256
        if entry.derived_from
        else entry.sound.identity
        if entry.sound
        else entry.sha256
        for entry in entries
    }


def _same_lengths(before: list[FileEntry], after: list[FileEntry]) -> bool:
    """Say whether files of one format and rate last equally long; lengths at two rates are rounded apart."""
    lengths = [
        {
            form: sorted(entry.sound.frames for entry in entries if entry.sound and _form(entry) == form)
            for form in {_form(entry) for entry in entries if entry.sound}
        }
        for entries in (before, after)
    ]
    shared = lengths[0].keys() & lengths[1].keys()
    return bool(shared) and all(lengths[0][form] == lengths[1][form] for form in shared)


def _form(entry: FileEntry) -> tuple[str | None, int]:
    return entry.container, entry.sound.sample_rate_hz if entry.sound else 0


def _label(entries: list[FileEntry]) -> str:
    version = entries[0].version
    return version.label if version else entries[0].name
