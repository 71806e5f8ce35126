"""Taking a file in: its parts are cut, coded and written, each chunk once.

One reading of the file feeds everything. The caller's thread reads and cuts, two
threads hash the file and its parts, two name the chunks and code those that are not known.
The caller's thread writes what they made, in file order, and drops what two of
them coded at once, so that the same files always give the same store. What is on
its way is bounded, so memory does not grow with the file.

Conventions
    a file is fed part by part, window by window, exactly as it lies on disk
    digests are SHA-256 in hex

Not here: reading the file (``relkit.audio.reading``), giving it back
(``relkit.store.restoring``), and what it means.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import xxhash

from relkit.audio.container import Container, Part, PcmFormat
from relkit.store import codings
from relkit.store.chunk_index import ChunkIndex, Entry, chunk_key
from relkit.store.chunking import Cutter
from relkit.store.layout import ESSENCE_OF, FILL, LAYOUT, PLAIN, Chunk, Layout, LayoutPart
from relkit.store.packing import BLOB, SQUEEZED, STORED, TREE, PackWriter, prepared
from relkit.store.repository import tree_bytes

LAG = 2  # windows that may still be being hashed when the next is fed; a reader needs one buffer more
PIECE_BYTES = 1 << 20  # of what is not cut by content
_CODERS = 2
_BATCH = 4  # chunks handed over at once: each hand-over costs as much as hashing 50 kB
_WAITING = 8  # batches between cutting and writing: a few MB


@dataclass
class _Row:
    """A chunk on its way: its row in a layout, and its blob as soon as that is known."""

    chunk: Chunk
    oid: bytes = b""  # stays empty for a fill
    is_file: bool = False  # whether it is another file's tree


@dataclass(frozen=True)
class _Job:
    """A chunk that was cut: what it belongs to, its bytes, and how to write it if it is new."""

    part: LayoutPart
    data: bytes
    row: _Row
    coding: str
    level: int

    @property
    def is_audio(self) -> bool:
        """Whether the index knows chunks like this."""
        return self.part.sample_format is not None


@dataclass(frozen=True)
class _Coded:
    """A new chunk as it goes into the pack."""

    coding: str
    oid: bytes
    entry: bytes


@dataclass
class Stored:
    """What became of one file."""

    sha256: str
    xxh3_128: str
    size_bytes: int
    frames_sha256: str | None  # of the essence as little-endian frames, or as MPEG frames
    tree: bytes = b""  # its content, once the intake is settled


class Intake:
    """Takes any number of files into one pack. ``settle`` completes them.

    Args:
        pack: where new objects go.
        index: what is stored already.
    """

    def __init__(self, pack: PackWriter, index: ChunkIndex) -> None:
        self._pack = pack
        self._index = index
        self._coders = ThreadPoolExecutor(_CODERS, "relkit-code")
        # One thread each: windows must be hashed in their order.
        self.hashing_files = ThreadPoolExecutor(1, "relkit-hash-file")
        self.hashing_parts = ThreadPoolExecutor(1, "relkit-hash-part")
        self._batch: list[_Job] = []
        self._waiting: deque[tuple[Future[list[tuple[bytes, Entry | _Coded]]], list[_Job]]] = deque()
        self._seen: dict[bytes, Entry] = {}  # chunks of this intake, by key
        self._fresh: set[bytes] = set()
        self._files: list[tuple[Stored, Layout, list[_Row]]] = []
        self.features: set[str] = set()  # codings that what was settled so far uses

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._coders.shutdown(cancel_futures=True)
        self.hashing_files.shutdown(cancel_futures=True)
        self.hashing_parts.shutdown(cancel_futures=True)

    @property
    def fresh(self) -> dict[bytes, Entry]:
        """Chunks that were not stored before, for the index, once settled."""
        return {key: self._seen[key] for key in self._fresh}

    def file(self, container: Container, essence_of: bytes | None = None) -> FileIntake:
        """Begin a file.

        Args:
            essence_of: tree of a stored file that has the same essence, byte for byte, in chunks of its own.
        """
        return FileIntake(self, container, essence_of)

    def whole(self, container: Container, data: bytes) -> Stored:
        """Take in a small file that is in memory already."""
        taking = self.file(container)
        for part in container.parts:
            taking.feed(part, memoryview(data)[part.offset : part.offset + part.length])
        return taking.finish()

    def chunk(self, part: LayoutPart, data: bytes, row: _Row, coding: str, level: int) -> None:
        """Name one chunk, and code it unless it is known; the row is filled in a little later."""
        self._batch.append(_Job(part, data, row, coding, level))
        if len(self._batch) >= _BATCH:
            self._hand_over()

    def _hand_over(self) -> None:
        while len(self._waiting) >= _WAITING:
            self._write_batch()
        batch, self._batch = self._batch, []
        self._waiting.append((self._coders.submit(lambda: [self._code(job) for job in batch]), batch))

    def done(self, stored: Stored, layout: Layout, rows: list[_Row]) -> None:
        """Note a file that has been fed; its tree is written when all is settled."""
        self._files.append((stored, layout, rows))

    def settle(self) -> None:
        """Write what is waiting, and the layouts and trees of all files."""
        self._hand_over()
        while self._waiting:
            self._write_batch()
        for stored, layout, rows in self._files:
            self.features |= {row.chunk.coding for row in rows}
            entries = {LAYOUT: (self._pack.add(BLOB, layout.to_bytes()), False)}
            for number, row in enumerate(row for row in rows if row.oid):
                entries[f"{number:08x}"] = row.oid, row.is_file
            stored.tree = self._pack.add(TREE, tree_bytes(entries))
        self._files.clear()

    def _code(self, job: _Job) -> tuple[bytes, Entry | _Coded]:
        """Return a chunk's key, and where it is or what to write; runs beside the cutting."""
        part = job.part
        sha256 = hashlib.sha256(job.data).digest()
        key = chunk_key(part, sha256) if job.is_audio else sha256 + b"/"
        found = self._seen.get(key)
        if found is None and job.is_audio:
            found = self._index.find(key)
        if found is not None:
            return key, found
        used, blob = codings.encode(job.coding, job.data, part.channels, part.sample_bytes)
        return key, _Coded(used, *prepared(BLOB, blob, job.level))

    def _write_batch(self) -> None:
        """Settle the chunks that were cut first of those on their way."""
        waiting, batch = self._waiting.popleft()
        for job, (key, made) in zip(batch, waiting.result(), strict=True):
            if key not in self._seen:
                self._seen[key] = self._written(made, key, job) if isinstance(made, _Coded) else made
            job.row.oid, job.row.chunk.coding = self._seen[key]
            job.row.chunk.sha256 = key[:32].hex()

    def _written(self, made: _Coded, key: bytes, job: _Job) -> Entry:
        # Audio that is stored already was found by the index; anything else is looked for now.
        self._pack.take(made.oid, made.entry, fresh=job.is_audio)
        if job.is_audio:
            self._fresh.add(key)
        return made.oid, made.coding


class FileIntake:
    """One file on its way in.

    Hashing lags behind: a window must stay as it is until ``LAG`` further ones were fed.
    """

    def __init__(self, intake: Intake, container: Container, essence_of: bytes | None = None) -> None:
        self._intake = intake
        self._container = container
        self._essence_of = essence_of
        self._file_hash = hashlib.sha256()
        self._quick_hash = xxhash.xxh3_128()
        self._frames_sha256: str | None = None
        self._size = 0
        self._parts: list[LayoutPart] = []
        self._rows: list[_Row] = []
        self._current: Part | None = None
        self._sink: _Sink | None = None
        self._hashing: deque[tuple[Future[None], Future[None]]] = deque()

    def feed(self, part: Part, data: memoryview) -> None:
        """Take the next window of the file, which belongs to ``part``."""
        if part is not self._current:
            self._close_part()
            self._open_part(part)
        self._settle_hashes(LAG - 1)
        sink = self._sink
        assert sink is not None  # noqa: S101 - opened above
        self._hashing.append(
            (
                self._intake.hashing_files.submit(self._hash_file, data),
                self._intake.hashing_parts.submit(sink.hash.update, data),
            )
        )
        for size, piece in sink.pieces(data):
            self._row(sink, size, piece)
        self._size += len(data)

    def finish(self) -> Stored:
        """End the file. Its tree is known only after the intake is settled."""
        self._close_part()
        stored = Stored(
            self._file_hash.hexdigest(), self._quick_hash.hexdigest(), self._size, self._frames_sha256
        )
        self._intake.done(stored, Layout(self._size, stored.sha256, self._parts), self._rows)
        return stored

    def _settle_hashes(self, left: int) -> None:
        """Wait until only so many windows are still being hashed."""
        while len(self._hashing) > left:
            for job in self._hashing.popleft():
                job.result()

    def _hash_file(self, data: memoryview) -> None:
        self._file_hash.update(data)
        self._quick_hash.update(data)

    def _open_part(self, part: Part) -> None:
        self._current = part
        sound = self._container.sound if part.kind == "essence" else None
        row = LayoutPart(part.kind, part.length)
        coding = PLAIN
        if isinstance(sound, PcmFormat):
            coding = codings.coding_for(sound.sample_format, sound.channels)
        if isinstance(sound, PcmFormat) and coding != PLAIN:
            row.sample_format, row.sample_bytes = sound.sample_format, sound.sample_bytes
            row.channels, row.big_endian = sound.channels, sound.big_endian
        if part.kind == "essence" and self._essence_of:
            self._sink = _SharedSink(row, coding)
        elif row.sample_format is not None:
            self._sink = _AudioSink(row, coding)
        else:
            self._sink = _Sink(row, coding, STORED if part.kind == "essence" else SQUEEZED)
        self._parts.append(row)

    def _close_part(self) -> None:
        sink, part = self._sink, self._current
        if sink is None or part is None:
            return
        self._settle_hashes(0)
        for size, piece in sink.rest():
            self._row(sink, size, piece)
        sink.part.sha256 = sink.hash.hexdigest()
        if part.kind == "essence":
            self._frames_sha256 = sink.frames_sha256()
        if isinstance(sink, _SharedSink):
            chunk = Chunk(part.length, ESSENCE_OF, sink.part.sha256)
            sink.part.chunks.append(chunk)
            self._rows.append(_Row(chunk, self._essence_of or b"", is_file=True))
        self._sink = self._current = None

    def _row(self, sink: _Sink, size: int, piece: bytes | None) -> None:
        row = _Row(Chunk(size, FILL, "00"))
        sink.part.chunks.append(row.chunk)
        self._rows.append(row)
        if piece is not None:
            self._intake.chunk(sink.part, piece, row, sink.coding, sink.level)


class _Sink:
    """Cuts a part that is not audio into pieces of one size."""

    def __init__(self, part: LayoutPart, coding: str, level: int) -> None:
        self.part = part
        self.coding = coding
        self.level = level
        self.hash = hashlib.sha256()
        self._held = bytearray()

    def pieces(self, data: memoryview) -> Iterator[tuple[int, bytes | None]]:
        """Yield what is complete: size, and bytes or None for digital silence."""
        self._held += data
        while len(self._held) >= PIECE_BYTES:
            piece = bytes(self._held[:PIECE_BYTES])
            del self._held[:PIECE_BYTES]
            yield len(piece), piece

    def rest(self) -> Iterator[tuple[int, bytes | None]]:
        """Yield what is left at the end of the part."""
        if self._held:
            yield len(self._held), bytes(self._held)

    def frames_sha256(self) -> str:
        """Return the digest of the part as little-endian frames."""
        return self.hash.hexdigest()


class _SharedSink(_Sink):
    """Cuts nothing: another file has it. Its frames are hashed all the same."""

    def __init__(self, part: LayoutPart, coding: str) -> None:
        super().__init__(part, coding, STORED)
        self._frames_hash = hashlib.sha256()

    def pieces(self, data: memoryview) -> Iterator[tuple[int, bytes | None]]:
        if self.part.big_endian:
            self._frames_hash.update(reversed_samples(np.frombuffer(data, np.uint8), self.part.sample_bytes))
        return iter(())

    def frames_sha256(self) -> str:
        return (self._frames_hash if self.part.big_endian else self.hash).hexdigest()


class _AudioSink(_Sink):
    """Cuts essence by content, as little-endian frames."""

    def __init__(self, part: LayoutPart, coding: str) -> None:
        super().__init__(part, coding, STORED)
        self._frame_bytes = part.sample_bytes * part.channels
        self._cutter = Cutter(self._frame_bytes)
        self._turn: Callable[[Any], Any] = _same
        if part.big_endian:
            self._turn = self._turned
            self._frames_hash = hashlib.sha256()

    def pieces(self, data: memoryview) -> Iterator[tuple[int, bytes | None]]:
        frames = self._turn(np.frombuffer(data, np.uint8)).reshape(-1, self._frame_bytes)
        for cut in self._cutter.feed(frames):
            yield cut.frames * self._frame_bytes, cut.data

    def rest(self) -> Iterator[tuple[int, bytes | None]]:
        for cut in self._cutter.finish():
            yield cut.frames * self._frame_bytes, cut.data

    def frames_sha256(self) -> str:
        return (self._frames_hash if self.part.big_endian else self.hash).hexdigest()

    def _turned(self, data: Any) -> Any:
        little = reversed_samples(data, self.part.sample_bytes)
        self._frames_hash.update(little)
        return little


def _same(data: Any) -> Any:
    return data


def reversed_samples(data: Any, sample_bytes: int) -> Any:
    """Reverse the bytes of every sample: big-endian to little-endian and back."""
    return np.ascontiguousarray(data.reshape(-1, sample_bytes)[:, ::-1]).reshape(-1)
