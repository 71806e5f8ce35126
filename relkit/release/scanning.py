"""From files in the folder to entries of a manifest, reading as little as can be.

A file is looked at in three steps, each dearer than the one before:

    1. its size, times and inode are those that were noted: nothing is read
    2. it has the quick hash (xxHash) of the same file before: read, not hashed
    3. otherwise it is read once, and this one reading feeds the store, the
       hashes and, unless this sound was measured before, the meter

Not here: which files belong to a revision (``relkit.release.gathering``), and
writing the revision (``relkit.release.commit``).
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from relkit.manifest import FileEntry, RevisionManifest, SoundFacts, VersionFacts, as_document
from relkit.release import glancing
from relkit.release.metering import LAG, LEVELS, MeterTee, measured
from relkit.release.workspace import Workspace

if TYPE_CHECKING:
    from relkit.audio.formats import Container, Part
    from relkit.audio.reading import SteadyFile
    from relkit.store.content import Stored

_SETTLED_NS = 2_000_000_000  # a file written this recently may change again within its time stamp's grain
Progress = Callable[[str, int, int], None]  # what, bytes done, bytes in all


@dataclass(frozen=True)
class Wanted:
    """A file that belongs to the next revision: where it is and what it is for."""

    role: str
    name: str  # as the manifest will call it
    path: Path
    version: VersionFacts | None = None


class Taking(Protocol):
    """What a file is read into: the store, or only hashes."""

    def feed(self, part: Part, data: memoryview) -> None:
        """Take the next window; it stays as it is for the next two calls."""

    def finish(self) -> Stored:
        """End the file."""


@dataclass
class Scanner:
    """Looks at files one after the other.

    Attributes:
        workspace: whose cache is used.
        previous: the revision to compare with.
        progress: told while a file is read.
    """

    workspace: Workspace
    previous: RevisionManifest | None
    progress: Progress | None = None
    _stats: list[tuple[bytes, bytes]] = field(default_factory=list)
    _heard: set[tuple[int | None, bytes]] = field(default_factory=set)  # length and glimpse of sounds
    _begun: dict[Path, Future[glancing.Glance | None]] = field(default_factory=dict)
    _essences: dict[Path, bytes] = field(default_factory=dict)  # quick keys of sounds, as glances told them

    def look_ahead(self, wanted: Sequence[Wanted]) -> None:
        """Begin to read, beside whatever the caller does next, the files that only step 2 can tell."""
        unsure = [each for each in wanted if self._same_size(each) and not self._by_stat(each)]
        self._begun |= glancing.begin((each.path, each.role == "version") for each in unsure)

    def known(self, wanted: Wanted) -> FileEntry | None:
        """Return the entry of a file without hashing it, if it is surely one that we know."""
        entry = self._by_stat(wanted) or self._by_quick_hash(wanted)
        if entry is None:
            return None
        return entry.model_copy(update={"role": wanted.role, "name": wanted.name, "version": wanted.version})

    def _by_stat(self, wanted: Wanted) -> FileEntry | None:
        noted = self.workspace.cache.get("stat", wanted.name.encode())
        mark = glancing.mark_of(wanted.path)
        if noted is None or mark is None or noted[64:] != mark:
            return None
        return self._facts(noted[:64].decode())

    def _by_quick_hash(self, wanted: Wanted) -> FileEntry | None:
        """Compare with the file that had this name, if it has the same size."""
        before = self._same_size(wanted)
        if before is None:
            return None
        begun = self._begun.pop(wanted.path, None)
        glance = begun.result() if begun else glancing.glance(wanted.path, may_sound=False)
        if glance is None:
            return None
        if glance.essence is not None:
            self._essences[wanted.path] = glance.essence
        if glance.whole != before.xxh3_128:
            return None
        self._note(wanted, before.sha256, glance.mark)
        return before

    def _same_size(self, wanted: Wanted) -> FileEntry | None:
        """Return the file that had this name, if it has the size of the one there now."""
        before = self.previous.entry(wanted.name) if self.previous else None
        try:
            return before if before and wanted.path.stat().st_size == before.size_bytes else None
        except OSError:
            return None

    def _facts(self, sha256: str) -> FileEntry | None:
        """Return what is known of a file with these bytes."""
        for entry in self.previous.files if self.previous else ():
            if entry.sha256 == sha256:
                return entry
        return None

    def _note(self, wanted: Wanted, sha256: str, mark: bytes) -> None:
        """Trust this file's stat from now on, unless it is too fresh to tell a later change."""
        if time.time_ns() - wanted.path.stat().st_mtime_ns > _SETTLED_NS:
            self._stats.append((wanted.name.encode(), sha256.encode() + mark))

    def save(self) -> None:
        """Write what was noted into the cache."""
        self.workspace.cache.put("stat", self._stats)
        self._stats = []

    def read(self, wanted: Wanted, start: Callable[[Container], Taking]) -> tuple[FileEntry, Stored]:
        """Read a file once, feeding whatever ``start`` gives.

        Raises:
            BadInputError: it cannot be read, is no bounce where one is needed,
                holds samples that are no numbers, or changed meanwhile.
        """
        from relkit.audio.container import require_bounce
        from relkit.audio.reading import SteadyFile

        mark = glancing.mark_of(wanted.path)
        with SteadyFile(wanted.path) as file:
            container = file.container
            if wanted.role == "version":
                require_bounce(container, wanted.name)
            meter = self._meter(wanted, file)
            taking = start(container)
            done = 0
            with ExitStack() as stack:
                if meter:
                    stack.enter_context(meter)
                for part, data in file.windows(buffers=LAG + 1):
                    if meter and part.kind == "essence":
                        meter.feed(data)
                    taking.feed(part, data)
                    done += len(data)
                    if self.progress:
                        self.progress(wanted.name, done, file.size_bytes)
            stored = taking.finish()
            sound = self._sound(wanted, container, stored, meter)
        if mark is not None:
            self._note(wanted, stored.sha256, mark)
        entry = FileEntry(
            role=wanted.role,
            name=wanted.name,
            size_bytes=stored.size_bytes,
            sha256=stored.sha256,
            xxh3_128=stored.xxh3_128,
            container=None if container.name == "other" else container.name,
            version=wanted.version,
            sound=sound,
        )
        return entry, stored

    def _meter(self, wanted: Wanted, file: SteadyFile) -> MeterTee | None:
        """Return a meter for this file, unless nothing is to be measured or it was measured before.

        Whether it was is known for sure only after reading. The quick hash of the
        essence tells beforehand; it is asked only where that is likely: a file of the
        previous revision has the same length, or one of this commit looks the same.
        """
        from relkit.audio.formats import PcmFormat

        container = file.container
        if wanted.role != "version" or not container.is_measurable:
            return None
        sound = container.sound
        assert isinstance(sound, PcmFormat)  # noqa: S101 - what is measurable is PCM
        glimpse = container.frames, glancing.essence_key(wanted.path, container, glimpse=True)
        likely = glimpse in self._heard or any(
            entry.sound and entry.sound.frames == container.frames
            for entry in (self.previous.files if self.previous else ())
        )
        self._heard.add(glimpse)
        if likely:
            key = self._essences.get(wanted.path) or glancing.essence_key(wanted.path, container)
            if self.workspace.cache.get("essence", key):
                return None
        return MeterTee(sound)

    def _sound(
        self, wanted: Wanted, container: Container, stored: Stored, meter: MeterTee | None
    ) -> SoundFacts | None:
        """Put together what is known of the sound, measuring only what never was."""
        from relkit.audio.samples import sound_identity

        if container.sound is None or stored.frames_sha256 is None:
            return None
        facts = SoundFacts(
            identity=sound_identity(container.sound, stored.frames_sha256),
            sample_format=container.sound.sample_format,
            sample_rate_hz=container.sound.rate_hz,
            channels=container.sound.channels,
            channel_mask=container.sound.channel_mask,
            frames=container.frames or 0,
        )
        if wanted.role != "version" or not container.is_measurable:
            return facts
        levels = self._levels(facts.identity) if meter is None else None
        if levels is None:
            if meter is None:  # the quick hash was mistaken, or the cache was lost in between
                meter = measured(wanted.path, container)
            levels = meter.levels(wanted.name)
            self.workspace.cache.put("levels", [(facts.identity.encode(), json.dumps(levels).encode())])
            self.workspace.cache.put("essence", [(meter.key, b"1")])
        return SoundFacts.model_validate({**as_document(facts), **levels})

    def _levels(self, identity: str) -> dict[str, Any] | None:
        """Return the numbers of a sound that was measured before by this meter."""
        from relkit.measure.levels import METER_VERSION

        kept = self.workspace.cache.get("levels", identity.encode())
        levels = json.loads(kept) if kept else None
        if levels is None:
            for entry in self.previous.files if self.previous else ():
                if entry.sound and entry.sound.identity == identity and entry.sound.meter:
                    levels = {name: getattr(entry.sound, name) for name in (*LEVELS, "meter")}
        return levels if levels and levels["meter"] == METER_VERSION else None


class Hashing:
    """Takes a file like the store does, but only hashes it."""

    def __init__(self, container: Container) -> None:
        import hashlib

        import xxhash

        self._container = container
        self._whole = hashlib.sha256()
        self._quick = xxhash.xxh3_128()
        self._frames = hashlib.sha256()
        self._size = 0

    def feed(self, part: Part, data: memoryview) -> None:
        """Take the next window."""
        from relkit.audio.formats import PcmFormat
        from relkit.audio.samples import to_little_endian

        self._whole.update(data)
        self._quick.update(data)
        self._size += len(data)
        if part.kind == "essence":
            sound = self._container.sound
            little = to_little_endian(data, sound).data if isinstance(sound, PcmFormat) else data
            self._frames.update(little)

    def finish(self) -> Stored:
        """Return the digests; there is no tree, since nothing was stored."""
        from relkit.store.content import Stored

        has_essence = self._container.essence is not None
        return Stored(
            self._whole.hexdigest(),
            self._quick.hexdigest(),
            self._size,
            self._frames.hexdigest() if has_essence else None,
        )


def same_files(first: Sequence[FileEntry], second: Sequence[FileEntry]) -> bool:
    """Say whether two lists of entries declare and hold the same."""

    def gist(entries: Sequence[FileEntry]) -> list[tuple[Any, ...]]:
        return sorted((entry.role, entry.name, entry.sha256, repr(entry.version)) for entry in entries)

    return gist(first) == gist(second)
