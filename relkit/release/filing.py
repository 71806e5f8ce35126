"""The files of one package on their way into the store: wrapped sounds, small files, bounces as they are.

Whatever an earlier package has is taken from there, byte for byte.

Not here: which files there are and what they are called (``packaging``).
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, BinaryIO

from relkit.audio.formats import Container, Part, PcmFormat
from relkit.manifest import Derivation, FileEntry, SoundFacts, VersionFacts, as_document
from relkit.pack.wrapping import Wrapping
from relkit.release.derived import Derivatives, StoredFile
from relkit.release.package_files import tree_of
from relkit.release.rendering import Job, Sound
from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.store import restoring

if TYPE_CHECKING:
    from relkit.store.content import Intake, Stored

_WINDOW_BYTES = 1 << 21


@dataclass
class Filing:
    """Collects the files of a package.

    Attributes:
        entries: what the manifest lists.
        content: where the store has it, by SHA-256.
        features: what reading it needs, beside what the intake adds.
    """

    workspace: Workspace
    revision: VerifiedRevision
    intake: Intake
    derivatives: Derivatives
    entries: list[FileEntry] = field(default_factory=list)
    content: dict[str, bytes] = field(default_factory=dict)
    features: set[str] = field(default_factory=set)

    def as_it_is(self, entry: FileEntry, name: str) -> FileEntry:
        """Add a file of the revision under a name of the package."""
        self.features |= self.revision.held.features
        return self._add(entry.model_copy(update={"name": name}), tree_of(self.revision.held.content, entry))

    def small(
        self,
        role: str,
        name: str,
        data: bytes,
        made: Derivation | None = None,
        *,
        apart: tuple[int, int] | None = None,
    ) -> FileEntry:
        """Add a file that is in memory.

        Args:
            apart: offset and length of a run that is likely to stay when the rest changes.
        """
        start, length = apart or (0, len(data))
        cuts = [0, start, start + length, len(data)]
        parts = tuple(Part("opaque", first, last - first) for first, last in pairwise(cuts) if last > first)
        stored = self.intake.whole(Container("other", parts), data)
        self.intake.settle()
        entry = FileEntry(
            role=role,
            name=name,
            size_bytes=stored.size_bytes,
            sha256=stored.sha256,
            xxh3_128=stored.xxh3_128,
            derived_from=made,
        )
        return self._add(entry, stored.tree)

    def again(self, role: str, name: str, source: str, recipe: str, wrapping: str = "") -> FileEntry | None:
        """Add a file that an earlier package has, made from the same in the same way; None if none has."""
        found = self.derivatives.file(source, recipe, wrapping)
        if found is None:
            return None
        self.features |= restoring.codings_of(self.workspace.repository, found.tree)
        return self._add(found.entry.model_copy(update={"role": role, "name": name}), found.tree)

    def wrapped(
        self, name: str, version: VersionFacts, job: Job, sound: Sound, wrapping: Wrapping
    ) -> FileEntry:
        """Add a sound with what stands around it."""
        key = hashlib.sha256(wrapping.head + b"\0" + wrapping.tail).hexdigest()
        known = self.again("version", name, job.source_id, job.recipe, key)
        if known is not None:
            entry = known.model_copy(update={"version": version})
            self.entries[-1] = entry
            return entry
        with tempfile.TemporaryFile(dir=self.workspace.inside) as file:
            file.write(sound.prefix + wrapping.head)
            sound.write(lambda block: file.write(wrapping.turned(block)))
            file.write(wrapping.tail)
            stored, container = self._taken_in(file, sound.origin)
        self.intake.settle()
        made = Derivation(
            source_sha256=job.source_id, recipe=job.recipe, made_with=sound.made_with, wrapping=key
        )
        entry = FileEntry(
            role="version",
            name=name,
            size_bytes=stored.size_bytes,
            sha256=stored.sha256,
            xxh3_128=stored.xxh3_128,
            container=wrapping.container,
            version=version,
            sound=_facts(container, stored, sound),
            derived_from=made,
        )
        return self._add(entry, stored.tree)

    def _add(self, entry: FileEntry, tree: bytes) -> FileEntry:
        self.entries.append(entry)
        self.content[entry.sha256] = tree
        return entry

    def _taken_in(self, file: BinaryIO, origin: StoredFile | None) -> tuple[Stored, Container]:
        """Read a finished file back into the store, cut like any other; its audio only if it is new there."""
        from relkit.audio.container import read_container

        container = read_container(file, file.seek(0, 2))
        holder = self._holder(container, origin) if origin else None
        taking = self.intake.file(container, holder)
        if holder:
            self.features |= restoring.codings_of(self.workspace.repository, holder)
        file.seek(0)
        for part, window in _windows(file, container):
            taking.feed(part, window)
        return taking.finish(), container

    def _holder(self, container: Container, origin: StoredFile) -> bytes | None:
        """Return the stored file that has the audio of a new one, byte for byte; None if none has."""
        repository = self.workspace.repository
        held = restoring.essence_of(repository, origin.tree)
        essence = container.essence
        big_endian = isinstance(container.sound, PcmFormat) and container.sound.big_endian
        if held is None or essence is None or held.size_bytes != essence.length:
            return None
        return restoring.holder_of(repository, origin.tree) if held.big_endian == big_endian else None


def _windows(file: BinaryIO, container: Container) -> Iterator[tuple[Part, memoryview]]:
    """Yield the file in blocks, of PCM whole frames; each has memory of its own."""
    for part in container.parts:
        step = _WINDOW_BYTES
        if part.kind == "essence" and isinstance(container.sound, PcmFormat):
            step -= step % container.sound.frame_bytes
        for start in range(0, part.length, step):
            yield part, memoryview(file.read(min(step, part.length - start)))


def _facts(container: Container, stored: Stored, sound: Sound) -> SoundFacts:
    """Return what is known of the sound, under the identity that it has in this file."""
    from relkit.audio.samples import sound_identity

    if container.sound is None or stored.frames_sha256 is None:
        return sound.facts
    identity = sound_identity(container.sound, stored.frames_sha256)
    facts = {
        **as_document(sound.facts),
        "identity": identity,
        "channel_mask": container.sound.channel_mask,
    }
    return SoundFacts.model_validate(facts)
