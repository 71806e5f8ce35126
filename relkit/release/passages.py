"""Where a passage of one version lies in the others, and in a later revision.

Versions of one length group share their time. A DJ edit holds the song's body
later in its own time; how much later is measured, once for a pair of sounds,
and remembered. Other forms (short, intro only ...) have a time of their own:
nothing is said about them.

Conventions
    places    [ms] in the file of the version that they are told of
    shift     [s] to be added to a time in one version for the same place in another

Not here: reading a place that a person wrote (``places``), whether it still
sounds as it did (``unchanged``).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from relkit.bars import BarMap
from relkit.manifest import FileEntry, Place
from relkit.release.derived import StoredFile
from relkit.release.package_files import tree_of
from relkit.release.stored_audio import StoredRecording, pcm_of
from relkit.release.workspace import VerifiedRevision, Workspace

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording

_KIND = "offset-1"  # another number whenever the same two sounds may give another offset


@dataclass(frozen=True)
class Passage:
    """A stretch of one version [ms], or a moment where start and end are equal.

    Attributes:
        bars: where it begins, "bar 33 beat 2"; None where nothing says where bars are.
    """

    version: str
    start_ms: int
    end_ms: int
    bars: str | None = None


class Timeline:
    """How the versions of one pack lie to each other in time.

    Args:
        files: of the pack, as its manifest lists them.
        recording: returns the audio of one of them.
        bars: of its sheet, where passages are to be told in bars, too.
    """

    def __init__(
        self,
        workspace: Workspace,
        files: Sequence[FileEntry],
        recording: Callable[[FileEntry], Recording],
        bars: BarMap | None = None,
    ) -> None:
        self._workspace = workspace
        self._map = bars
        self.recording = recording
        self.entries: dict[str, FileEntry] = {}
        for entry in files:
            if entry.version is not None and entry.sound is not None and entry.version.parts != "stems":
                self.entries.setdefault(entry.version.id, entry)

    @classmethod
    def of(cls, workspace: Workspace, revision: VerifiedRevision, bars: BarMap | None = None) -> Timeline:
        """Return that of a revision."""

        def recording(entry: FileEntry) -> Recording:
            tree = tree_of(revision.held.content, entry)
            return StoredRecording(workspace.repository, StoredFile(entry, tree))

        return cls(workspace, revision.manifest.files, recording, bars)

    def passages(self, version: str, places: Sequence[Place]) -> list[Passage]:
        """Return where places of a version lie in every version that shares its time, itself first."""
        found = []
        for other in sorted(self.entries, key=lambda each: each != version):
            shift = self.shift(version, other)
            if shift is not None:
                found += [
                    Passage(other, *moved, self._bars(other, moved[0], shift))
                    for place in places
                    if (moved := self._moved(place, shift, other)) is not None
                ]
        return found

    def _bars(self, version: str, start_ms: int, shift: Fraction) -> str | None:
        """Return the bar of a time; a DJ edit keeps the song's numbers, later in its own time."""
        entry = self.entries[version]
        if self._map is None or entry.version is None or entry.version.form not in {"song", "dj-edit"}:
            return None
        if entry.version.form == "dj-edit" and not shift:
            return None  # told of the edit itself: nothing says where its song begins
        later = shift if entry.version.form == "dj-edit" else Fraction(0)
        position = self._map.bar_at(Fraction(start_ms, 1000) - later)
        return None if position is None else str(position)

    def shift(self, source: str, target: str) -> Fraction | None:
        """Return the shift [s] from one version to another, or None where they do not share their time."""
        if source not in self.entries or target not in self.entries:
            return None
        one, other = self.entries[source], self.entries[target]
        assert one.version is not None and other.version is not None  # noqa: S101, PT018 - see __init__
        if one.version.length_group == other.version.length_group:
            return Fraction(0)
        forms = one.version.form, other.version.form
        if forms == ("song", "dj-edit"):
            return self._body(other, one)
        if forms == ("dj-edit", "song"):
            body = self._body(one, other)
            return None if body is None else -body
        return None

    def bars_at(self, version: str, at_s: float) -> str | None:
        """Return the bar in which a time [s] of a version lies, "bar 33.2"; None where nothing says."""
        entry = self.entries[version]
        if self._map is None or entry.version is None or entry.version.form != "song":
            return None
        position = self._map.bar_at(Fraction(at_s))
        return None if position is None else str(position)

    def _body(self, edit: FileEntry, song: FileEntry) -> Fraction | None:
        """Return when in a DJ edit the song begins, asked of the song that is most like the edit."""

        def unlike(each: FileEntry) -> tuple[bool, bool, bool]:
            assert each.version is not None and edit.version is not None  # noqa: S101, PT018
            return (
                each.version.parts != edit.version.parts,
                each.version.rating != edit.version.rating,
                each is not song,
            )

        group = song.version.length_group if song.version else ""
        songs = [
            each
            for each in self.entries.values()
            if each.version is not None and each.version.form == "song" and each.version.length_group == group
        ]
        best = min(songs, key=unlike)
        return offset_s(
            self._workspace, (edit, lambda: self.recording(edit)), (best, lambda: self.recording(best))
        )

    def _moved(self, place: Place, shift: Fraction, version: str) -> tuple[int, int] | None:
        """Return a place that much later, as far as the version reaches; None where it does not."""
        sound = self.entries[version].sound
        longest_ms = round(1000 * sound.duration_s) if sound else 0
        start_ms, end_ms = place.start_ms + round(1000 * shift), place.end_ms + round(1000 * shift)
        if end_ms < 0 or start_ms >= longest_ms:
            return None
        return max(start_ms, 0), min(end_ms, longest_ms)


Audio = tuple[FileEntry, Callable[[], "Recording"]]


def offset_s(workspace: Workspace, inside: Audio, searched: Audio) -> Fraction | None:
    """Return when in one recording another begins [s]; None where it is not in there or cannot be told."""
    (outer, read_outer), (inner, read_inner) = inside, searched
    formats = pcm_of(outer), pcm_of(inner)
    if formats[0] is None or formats[1] is None or formats[0].rate_hz != formats[1].rate_hz:
        return None
    assert outer.sound is not None and inner.sound is not None  # noqa: S101, PT018 - they have formats
    rate_hz = formats[0].rate_hz
    key = json.dumps([outer.sound.identity, inner.sound.identity]).encode()
    kept = workspace.cache.get(_KIND, key)
    if kept is None:
        from relkit.measure.align import body_in

        frames = body_in(read_outer(), read_inner(), rate_hz)
        kept = json.dumps(frames).encode()
        workspace.cache.put(_KIND, [(key, kept)])
    frames = json.loads(kept)
    return None if frames is None else Fraction(frames, rate_hz)
