"""When the first word comes, and when a song falls away: asked of the bounces, once per sound.

Only what a package needs is listened to; what was found is remembered by sound
identity, and found again, the same, should the memory be lost.

Not here: finding it (``relkit.measure.audible``, ``relkit.pack.timers``).
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

from relkit.manifest import FileEntry
from relkit.pack.facts import Timers
from relkit.release.derived import StoredFile
from relkit.release.package_files import tree_of
from relkit.release.stored_audio import pcm_of, read_samples
from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.sheet import Sheet

if TYPE_CHECKING:
    from relkit.measure.audible import Envelope

_KIND = "timers-1"  # another number whenever the same audio may give other times


class Timing:
    """The times of a revision's bounces."""

    def __init__(self, workspace: Workspace, revision: VerifiedRevision, sheet: Sheet) -> None:
        self._workspace = workspace
        self._revision = revision
        self._sheet = sheet
        self._envelopes: dict[str, Envelope] = {}

    def of(self, entry: FileEntry, *, whole: bool) -> Timers:
        """Return the times of a bounce.

        Args:
            entry: of the revision.
            whole: whether more is asked than when the first word comes.
        """
        from relkit.pack.timers import timers, vocal_of

        version = entry.version
        if version is None or pcm_of(entry) is None:
            return Timers()
        declared = self._sheet.versions.get(version.id)
        talk_up = float(declared.talk_up_s) if declared and declared.talk_up_s is not None else None
        ending = declared.ending if declared else None
        bounces = {each.version.id: each for each in self._revision.manifest.files if each.version}
        with_words = vocal_of(version, [each.version for each in bounces.values() if each.version])
        vocal = bounces[with_words.id] if with_words and talk_up is None else None
        if vocal is not None and pcm_of(vocal) is None:
            vocal = None
        asked = [_identity(entry) if whole else "", _identity(vocal) if vocal else "", talk_up, ending]
        key = json.dumps(asked).encode()
        kept = self._workspace.cache.get(_KIND, key)
        if kept is not None:
            return Timers(**json.loads(kept))
        found = timers(
            self._envelope(entry) if whole else None,
            vocal=self._envelope(vocal) if vocal else None,
            vocal_from_s=talk_up,
            ending=ending,
        )
        self._workspace.cache.put(_KIND, [(key, json.dumps(asdict(found)).encode())])
        return found

    def _envelope(self, entry: FileEntry) -> Envelope:
        from relkit.measure.audible import Envelope

        identity = _identity(entry)
        if identity in self._envelopes:
            return self._envelopes[identity]
        fmt = pcm_of(entry)
        assert fmt is not None  # noqa: S101 - asked before
        envelope = Envelope(fmt.rate_hz, fmt.channels)
        stored = StoredFile(entry, tree_of(self._revision.held.content, entry))
        read_samples(self._workspace.repository, stored, envelope.feed)
        self._envelopes[identity] = envelope
        return envelope


def _identity(entry: FileEntry) -> str:
    return entry.sound.identity if entry.sound else entry.sha256
