"""Sounds for a package, each made once: encoded or converted, ready to be wrapped in any text.

A sound is what stands between the head and the tail of a file. What was made for
an earlier package is taken from the store; what is missing is made on all cores,
each from the bounce in the store, into a file without a name that goes away with
the process. Meanwhile the caller can wrap and store what is ready.

Not here: which files a bounce becomes (``relkit.pack.renditions``), making one
sound (``making``), what stands around it (``wrapping``).
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, BinaryIO, Self

from relkit.manifest import FileEntry, SoundFacts
from relkit.pack.renditions import Rendition
from relkit.release.derived import Derivatives, StoredFile
from relkit.release.making import Made, make
from relkit.release.stored_audio import Sink, pcm_of, read_audio, size_of
from relkit.release.workspace import STORE, Workspace
from relkit.store import restoring
from relkit.store.repository import Repository

if TYPE_CHECKING:
    from relkit.release.scanning import Progress

_AT_ONCE = os.cpu_count() or 2
_BLOCK = 1 << 20
AS_BOUNCED = "as-bounced"  # the recipe of a file whose sound is the bounce's own


@dataclass(frozen=True)
class Job:
    """A bounce, and one of the files that it becomes."""

    source: FileEntry
    tree: bytes
    rendition: Rendition

    @property
    def source_id(self) -> str:
        """What a derived file calls its source."""
        return self.source.sound.identity if self.source.sound else self.source.sha256

    @property
    def recipe(self) -> str:
        """What a derived file calls what was done."""
        return self.rendition.recipe or AS_BOUNCED

    @property
    def key(self) -> tuple[str, str]:
        """Jobs with the same key have the same sound."""
        return self.source_id, self.recipe


@dataclass(frozen=True)
class Sound:
    """A sound, ready to be wrapped.

    Attributes:
        write: hands it to a sink; PCM as whole little-endian frames.
        size_bytes: of it.
        facts: what was measured of it.
        made_with: what made it; empty for the bounce's own.
        origin: the stored file that it comes from; None where it was made now.
        prefix: what its format wants at the very start of a file, before any text.
        clipped, over_db: samples over full scale that were cut off, and by how much; unknown (0)
            of what was made for an earlier package, which said so then.
    """

    write: Callable[[Sink], object]
    size_bytes: int
    facts: SoundFacts
    made_with: str = ""
    origin: StoredFile | None = None
    prefix: bytes = b""
    clipped: int = 0
    over_db: float = 0.0


class _StoppedError(Exception):
    """Another sound could not be made, so nobody waits for this one."""


@dataclass
class _Tally:
    """How far all sounds together are; asked to stop, it stops whoever reports next.

    Attributes:
        fault: of the sound that could not be made first.
    """

    progress: Progress | None
    total_bytes: int = 0
    fault: BaseException | None = None
    _done: int = 0
    _stopped: bool = False
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def add(self, count: int) -> None:
        """Report bytes that were read."""
        if self._stopped:
            raise _StoppedError
        with self._lock:
            self._done += count
            if self.progress:
                self.progress("making MP3s and other formats", self._done, self.total_bytes)

    def stop(self, fault: BaseException | None = None) -> None:
        """Have everybody stop."""
        with self._lock:
            self.fault = self.fault or fault
            self._stopped = True


class Renderer:
    """Makes sounds. Use as a context: what it made, and whoever still makes something, is gone after it."""

    def __init__(
        self, workspace: Workspace, derivatives: Derivatives, progress: Progress | None = None
    ) -> None:
        self._workspace = workspace
        self._derivatives = derivatives
        self._sounds: dict[tuple[str, str], Sound | Future[Future[Sound]]] = {}
        self._turns: dict[tuple[str, str], int] = {}
        self._tally = _Tally(progress)
        self._pool = ThreadPoolExecutor(_AT_ONCE, "relkit-render")
        self._files = ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._tally.stop()
        self._pool.shutdown(cancel_futures=True)
        self._files.close()

    def begin(self, jobs: Sequence[Job]) -> None:
        """Start to make whatever is not stored."""
        missing: dict[tuple[str, str], Job] = {}
        for job in jobs:
            if job.key in self._sounds or job.key in missing:
                continue
            stored = self._stored(job)
            if stored is None:
                missing[job.key] = job
            else:
                self._sounds[job.key] = self._from_store(job, stored)
        # The longest first: then no core ends long before the others.
        queue = sorted(missing.items(), key=lambda item: -item[1].source.size_bytes)
        self._tally.total_bytes += sum(job.source.size_bytes for _key, job in queue)
        for key, job in queue:
            self._sounds[key] = self._pool.submit(self._made, job, self._file())
            self._turns[key] = len(self._turns) + 1

    def turn(self, job: Job) -> float:
        """Say in which turn a sound is best asked for.

        What need not be made comes before the last that is: all cores but one have nothing to do then.
        """
        return self._turns.get(job.key, len(self._turns) - 0.5)

    def sound(self, job: Job) -> Sound:
        """Return the sound of a job that was begun; waits for it.

        Raises:
            DamagedError: the store does not give a bounce back.
            BadInputError: a bounce that cannot be converted.
            OSError: the disk is full.
        """
        found = self._sounds[job.key]
        if isinstance(found, Sound):
            return found
        try:
            return found.result().result()
        except (_StoppedError, CancelledError):
            if self._tally.fault is None:
                raise
            raise self._tally.fault from None

    def _stored(self, job: Job) -> StoredFile | None:
        """Return a file that has the sound of a job: the bounce itself, or one that was derived before."""
        if job.rendition.recipe is None:
            return StoredFile(job.source, job.tree)
        return self._derivatives.sound(job.source_id, job.recipe)

    def _from_store(self, job: Job, stored: StoredFile) -> Sound:
        repository = self._workspace.repository
        assert stored.entry.sound is not None  # noqa: S101 - only what has sound is rendered
        made_with = stored.entry.derived_from.made_with if stored.entry.derived_from else ""
        if job.rendition.folder == "FLAC":
            return self._flac_from_store(stored, made_with)
        return Sound(
            lambda sink: read_audio(repository, stored, sink),
            size_of(repository, stored),
            stored.entry.sound,
            made_with,
            stored,
        )

    def _flac_from_store(self, stored: StoredFile, made_with: str) -> Sound:
        """Cut the frames out of a FLAC file: to the store it is one opaque thing."""
        from relkit.audio.flac import flac_start

        out, entry = self._file(), stored.entry
        assert entry.sound is not None  # noqa: S101 - only what has sound is rendered
        restoring.restore(
            self._workspace.repository, stored.tree, out.write, entry.sha256, size_bytes=entry.size_bytes
        )
        prefix, start = flac_start(out)
        size_bytes = entry.size_bytes - start
        return Sound(
            lambda sink: _copy(out, start, size_bytes, sink),
            size_bytes,
            entry.sound,
            made_with,
            prefix=prefix,
        )

    def _file(self) -> BinaryIO:
        """Return a file without a name, on the disk that has the release."""
        file = tempfile.TemporaryFile(dir=self._workspace.inside)  # noqa: SIM115 - closed with the renderer
        return self._files.enter_context(file)

    def _made(self, job: Job, out: BinaryIO) -> Future[Sound]:
        """Make one sound, and line up behind all others that are to be made for what can wait."""
        with self._stopping_others():
            rest = self._make(job, out)
            return self._pool.submit(self._completed, rest, out)

    def _completed(self, rest: Callable[[], Made], out: BinaryIO) -> Sound:
        """Do what could wait."""
        with self._stopping_others():
            self._tally.add(0)
            made = rest()
        return Sound(
            lambda sink: _copy(out, made.start, made.size_bytes, sink),
            made.size_bytes,
            made.facts,
            made.made_with,
            prefix=made.prefix,
            clipped=made.clipped,
            over_db=made.over_db,
        )

    @contextmanager
    def _stopping_others(self) -> Iterator[None]:
        """What goes wrong with one sound stops the others, too."""
        try:
            yield
        except BaseException as error:
            if not isinstance(error, _StoppedError):
                self._tally.stop(error)
            raise

    def _make(self, job: Job, out: BinaryIO) -> Callable[[], Made]:
        """Make one sound; runs in a thread of its own, with a store of its own to read from."""
        stored = StoredFile(job.source, job.tree)
        fmt = pcm_of(job.source)
        assert fmt is not None  # noqa: S101 - only what can be read is rendered
        # One seed for every sound of a recipe: where two versions are the same, their dither is, too.
        seed = hashlib.sha256(job.recipe.encode()).digest()
        with closing(Repository(self._workspace.folder / STORE)) as repository:

            def read(sink: Sink) -> None:
                def told(block: bytes | memoryview) -> None:
                    self._tally.add(len(block))
                    sink(block)

                read_audio(repository, stored, told)

            return make(read, fmt, job.rendition, seed, out)


def _copy(out: BinaryIO, first: int, size_bytes: int, sink: Sink) -> None:
    for start in range(0, size_bytes, _BLOCK):
        out.seek(first + start)
        sink(out.read(min(_BLOCK, size_bytes - start)))
