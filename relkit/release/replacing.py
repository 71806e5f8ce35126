"""What a new package tells about the one that it takes the place of.

Files are compared by the bounce that they were made from, so that new tags, or
an MP3 where there was a WAV, are no change to a listener.

Not here: which package a recipient holds (``ship``), comparing two bounces
(``compared``), the words (``relkit.pack.replacement``).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from relkit.manifest import FileEntry, PackageManifest
from relkit.pack.replacement import Place, Replacement
from relkit.release.compared import Compared, compare
from relkit.release.derived import StoredFile
from relkit.release.package_files import tree_of
from relkit.release.workspace import VerifiedRevision, Workspace

if TYPE_CHECKING:
    from relkit.bars import BarMap


@dataclass(frozen=True)
class Earlier:
    """The package that a recipient holds and that the new one takes the place of."""

    manifest: PackageManifest
    digest: str


def replacement(
    workspace: Workspace,
    earlier: Earlier,
    audio: Sequence[FileEntry],
    revision: VerifiedRevision,
    bars: BarMap,
) -> Replacement:
    """Compare by sound, so that new tags alone are no change to a listener.

    What only this package leaves out was not removed: the recipient may go on using it.

    Args:
        audio: the files of the new package.
        bars: of the song.
    """
    existing = _by_version(revision.manifest.files)
    before = _by_version(earlier.manifest.files)
    after = _by_version(audio)
    shared = [version for version in after if version in before]
    changed = [version for version in shared if sources(before[version]) != sources(after[version])]
    former = workspace.revision(earlier.manifest.of_revision)
    found = {version: _compared(workspace, version, former, revision) for version in changed}
    return Replacement(
        revision=earlier.manifest.revision,
        recorded_on=earlier.manifest.recorded_at[:10],
        changed=[_label(after[version]) for version in changed],
        unchanged=[_label(after[version]) for version in shared if version not in changed],
        added=[_label(after[version]) for version in after if version not in before],
        removed=[_label(before[version]) for version in before if version not in existing],
        same_length=_all(each.same_length for each in found.values()),
        same_start=_all(each.same_start for each in found.values()),
        places={
            _label(after[version]): _places(existing[version][0], found[version], bars) for version in changed
        },
    )


def _compared(
    workspace: Workspace, version: str, former: VerifiedRevision, newer: VerifiedRevision
) -> Compared:
    """Compare the bounces of a version; a version of several files, such as stems, is not compared."""
    stored = []
    for revision in (former, newer):
        entries = _by_version(revision.manifest.files).get(version, [])
        stored += [StoredFile(entry, tree_of(revision.held.content, entry)) for entry in entries]
        if len(entries) != 1:
            return Compared()
    return compare(workspace, *stored)


def _all(answers: Iterable[bool | None]) -> bool | None:
    """Say whether something holds for all; one "no" decides, and else one "not known"."""
    given = set(answers)
    return False if False in given else None if None in given else True


def _places(entry: FileEntry, found: Compared, bars: BarMap) -> list[Place]:
    """Return where a version changed; bars are those of the song, so a DJ edit has times only."""
    rate_hz = entry.sound.sample_rate_hz if entry.sound else 0
    in_song = entry.version is not None and entry.version.form == "song"
    return [
        Place(
            first / rate_hz,
            end / rate_hz,
            _bars(bars, Fraction(first, rate_hz), Fraction(end - 1, rate_hz)) if in_song else "",
        )
        for first, end in found.places
    ]


def _bars(bars: BarMap, first_s: Fraction, last_s: Fraction) -> str:
    """Return the bars from one moment to another, "bar 7", "bars 7 to 8"; empty without a grid."""
    first, last = bars.bar_at(first_s), bars.bar_at(last_s)
    if first is None or last is None:
        return ""
    # What lies within a hundredth of the next beat belongs to it, as ``Position`` shows it.
    one, other = (
        each.bar + math.floor((each.beat + Fraction(1, 100) - 1) / each.beats_per_bar)
        for each in (first, last)
    )
    return f"bar {one}" if one == other else f"bars {one} to {other}"


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


def _label(entries: list[FileEntry]) -> str:
    version = entries[0].version
    return version.label if version else entries[0].name
