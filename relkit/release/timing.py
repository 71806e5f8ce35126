"""When the first word comes, when a song falls away, how loud it gets: asked of the bounces, once per sound.

Only what a package needs is listened to; what was found is remembered by sound
identity, and found again, the same, should the memory be lost.

Not here: finding it (``relkit.measure``, ``relkit.pack.timers``).
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from relkit.manifest import FileEntry, VersionFacts
from relkit.pack.facts import Timers
from relkit.release.derived import StoredFile
from relkit.release.package_files import tree_of
from relkit.release.stored_audio import pcm_of, read_samples
from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.sheet import Sheet

if TYPE_CHECKING:
    from relkit.audio.samples import Samples
    from relkit.measure.audible import Envelope
    from relkit.measure.loudness import LoudnessMeter

_KIND = "timers-2"  # another number whenever the same audio may give another answer


@dataclass(frozen=True)
class Heard:
    """What was heard in a bounce; the loudness [LUFS] only where the whole was asked for."""

    timers: Timers
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None


@dataclass(frozen=True)
class _Listened:
    """What one pass over a bounce gives."""

    envelope: Envelope
    loudness: LoudnessMeter


class Timing:
    """The times of a revision's bounces."""

    def __init__(self, workspace: Workspace, revision: VerifiedRevision, sheet: Sheet) -> None:
        self._workspace = workspace
        self._revision = revision
        self._sheet = sheet
        self._listened: dict[str, _Listened] = {}

    def of(self, entry: FileEntry, *, whole: bool) -> Heard:
        """Return what is to be known of a bounce.

        Args:
            entry: of the revision.
            whole: whether more is asked than when the first word comes.
        """
        version = entry.version
        if version is None or pcm_of(entry) is None:
            return Heard(Timers())
        declared = self._sheet.versions.get(version.id)
        talk_up = float(declared.talk_up_s) if declared and declared.talk_up_s is not None else None
        ending = declared.ending if declared else None
        vocal = self._vocal(version) if talk_up is None else None
        asked = [_identity(entry) if whole else "", _identity(vocal) if vocal else "", talk_up, ending]
        key = json.dumps(asked).encode()
        kept = self._workspace.cache.get(_KIND, key)
        if kept is not None:
            document = json.loads(kept)
            return Heard(Timers(**document.pop("timers")), **document)
        found = self._heard(entry if whole else None, vocal, talk_up, ending)
        self._workspace.cache.put(_KIND, [(key, json.dumps(asdict(found)).encode())])
        return found

    def _vocal(self, version: VersionFacts) -> FileEntry | None:
        """Return the acapella in which the first word of a version can be found."""
        from relkit.pack.timers import vocal_of

        bounces = {each.version.id: each for each in self._revision.manifest.files if each.version}
        with_words = vocal_of(version, [each.version for each in bounces.values() if each.version])
        vocal = bounces[with_words.id] if with_words else None
        return vocal if vocal and pcm_of(vocal) else None

    def _heard(
        self, entry: FileEntry | None, vocal: FileEntry | None, talk_up_s: float | None, ending: str | None
    ) -> Heard:
        from relkit.pack.timers import timers

        own = self._listen(entry) if entry else None
        found = timers(
            own.envelope if own else None,
            vocal=self._listen(vocal).envelope if vocal else None,
            vocal_from_s=talk_up_s,
            ending=ending,
        )
        if own is None:
            return Heard(found)
        loudness = own.loudness.result()
        return Heard(found, _finite(loudness.max_momentary_lufs), _finite(loudness.max_short_term_lufs))

    def _listen(self, entry: FileEntry) -> _Listened:
        from relkit.measure.audible import Envelope
        from relkit.measure.loudness import LoudnessMeter

        identity = _identity(entry)
        if identity not in self._listened:
            fmt = pcm_of(entry)
            assert fmt is not None  # noqa: S101 - asked before
            both = _Listened(
                Envelope(fmt.rate_hz, fmt.channels),
                LoudnessMeter(fmt.rate_hz, fmt.channels, fmt.channel_mask),
            )

            def feed(samples: Samples) -> None:
                both.envelope.feed(samples)
                both.loudness.feed(samples)

            stored = StoredFile(entry, tree_of(self._revision.held.content, entry))
            read_samples(self._workspace.repository, stored, feed)
            self._listened[identity] = both
        return self._listened[identity]


def _finite(figure: float | None) -> float | None:
    """Return a figure; None for silence, which has none."""
    return figure if figure is not None and math.isfinite(figure) else None


def _identity(entry: FileEntry) -> str:
    return entry.sound.identity if entry.sound else entry.sha256
