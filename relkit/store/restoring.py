"""Giving a stored file back, byte for byte, or an error.

Two threads decode ahead while the caller's thread hashes and writes; only a
few chunks are in memory. Nothing is believed on the way: the digest of the
whole file decides at the end, so the caller must not use what was written
until ``restore`` has returned.

Not here: temporary names and putting files in their place (``relkit.release``).
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice

import numpy as np

from relkit.errors import DamagedError
from relkit.store import codings
from relkit.store.content import reversed_samples
from relkit.store.layout import ESSENCE_OF, FILL, LAYOUT, Chunk, Layout, LayoutPart
from relkit.store.packing import BLOB
from relkit.store.repository import DamagedObjectError, Repository

_AHEAD = 12  # chunks decoded ahead
_FILL_BYTES = 1 << 20


class DamagedContentError(DamagedError):
    """A stored file does not come back as the bytes that were committed."""


def read_layout(repository: Repository, content: bytes) -> tuple[Layout, dict[str, bytes]]:
    """Return a stored file's layout and the objects of its tree.

    Raises:
        DamagedError: it cannot be read.
    """
    blobs = repository.tree(content)
    if LAYOUT not in blobs:
        raise DamagedObjectError(content, "has no layout")
    return Layout.from_bytes(repository.read(blobs[LAYOUT], BLOB)), blobs


def rows_of(
    repository: Repository, layout: Layout, blobs: dict[str, bytes]
) -> Iterator[tuple[LayoutPart, Chunk, bytes | None]]:
    """Yield every chunk in file order with its part and its blob, None for a fill; also another file's.

    Raises:
        DamagedError: a chunk is missing, or the other file does not have this essence.
    """
    for part, chunk, name in layout.rows():
        if name is not None and name not in blobs:
            raise DamagedContentError(f"chunk {name} of {layout.sha256[:12]} is missing", hint=_HINT)
        oid = None if name is None else blobs[name]
        if chunk.coding != ESSENCE_OF or oid is None:
            yield part, chunk, oid
            continue
        other, theirs = read_layout(repository, oid)
        essence = _essence(other)
        if essence is None or essence.chunks[:1] == [] or essence.chunks[0].coding == ESSENCE_OF:
            raise DamagedContentError(f"the audio of {layout.sha256[:12]} is in no file", hint=_HINT)
        if (essence.size_bytes, essence.sha256) != (chunk.size_bytes, chunk.sha256):
            raise DamagedContentError(f"the audio of {layout.sha256[:12]} is another file's", hint=_HINT)
        yield from (row for row in rows_of(repository, other, theirs) if row[0] is essence)


def holder_of(repository: Repository, content: bytes) -> bytes:
    """Return the tree that has the chunks of a file's essence: its own, or that of another file.

    Raises:
        DamagedError: the layout cannot be read.
    """
    layout, blobs = read_layout(repository, content)
    held = (blobs.get(name or "") for _part, chunk, name in layout.rows() if chunk.coding == ESSENCE_OF)
    return next(held, None) or content


def _essence(layout: Layout) -> LayoutPart | None:
    return next((part for part in layout.parts if part.kind == "essence"), None)


def restore(
    repository: Repository,
    content: bytes,
    write: Callable[[bytes | memoryview], object],
    sha256: str,
    *,
    size_bytes: int | None = None,
) -> int:
    """Write a stored file.

    Args:
        content: the file's tree.
        write: takes the bytes in order.
        sha256: what they must add up to.
        size_bytes: how many they must be, where the caller knows. Without it, a
            forged layout can make this write until the disk is full.

    Returns:
        The number of bytes written.

    Raises:
        DamagedError: anything is missing, broken, or not what ``sha256`` says.
    """
    layout, blobs = read_layout(repository, content)
    if layout.sha256 != sha256 or size_bytes not in {None, layout.size_bytes}:
        raise DamagedContentError(f"stored file {sha256[:12]} has the layout of another", hint=_HINT)
    digest = hashlib.sha256()
    with ThreadPoolExecutor(2, "relkit-decode") as pool:
        for piece in _pieces(repository, layout, blobs, pool):
            digest.update(piece)
            write(piece)
    if digest.hexdigest() != sha256:
        raise DamagedContentError(
            f"stored file {sha256[:12]} comes back as {digest.hexdigest()[:12]}", hint=_HINT
        )
    return layout.size_bytes


def essence_of(repository: Repository, content: bytes) -> LayoutPart | None:
    """Return how the audio of a stored file lies in it; None for a file without.

    Raises:
        DamagedError: the layout cannot be read.
    """
    layout, _blobs = read_layout(repository, content)
    return _essence(layout)


def codings_of(repository: Repository, content: bytes) -> set[str]:
    """Return the codings that a stored file uses, so that a commit can say what reading it needs.

    Raises:
        DamagedError: the layout cannot be read.
    """
    layout, blobs = read_layout(repository, content)
    own = {chunk.coding for part in layout.parts for chunk in part.chunks}
    return own | {chunk.coding for _part, chunk, _oid in rows_of(repository, layout, blobs)}


def restore_essence(
    repository: Repository,
    content: bytes,
    write: Callable[[memoryview], object],
    sha256: str,
    *,
    size_bytes: int | None = None,
) -> None:
    """Write only the audio of a stored file, as it lies in it; the whole file is checked all the same.

    Args, Raises: as ``restore``.
    """
    layout, _blobs = read_layout(repository, content)
    start = end = at = 0
    for part in layout.parts:
        if part.kind == "essence":
            start, end = at, at + part.size_bytes
        at += part.size_bytes
    at = 0

    def only_audio(piece: bytes | memoryview) -> None:
        nonlocal at
        inside = memoryview(piece)[max(start - at, 0) : max(end - at, 0)]
        at += len(piece)
        if len(inside):
            write(inside)

    restore(repository, content, only_audio, sha256, size_bytes=size_bytes)


_HINT = "Nothing was written. Run relkit audit, then restore .relkit from a copy."


def _pieces(
    repository: Repository, layout: Layout, blobs: dict[str, bytes], pool: ThreadPoolExecutor
) -> Iterator[bytes]:
    """Decode all chunks in file order, a few at a time."""
    rows = rows_of(repository, layout, blobs)
    waiting: deque[Future[Iterable[bytes]]] = deque()

    def start(row: tuple[LayoutPart, Chunk, bytes | None]) -> None:
        part, chunk, oid = row
        blob = b"" if oid is None else repository.read(oid, BLOB)
        waiting.append(pool.submit(_decoded, part, chunk, blob))

    for row in islice(rows, _AHEAD):
        start(row)
    while waiting:
        pieces = waiting.popleft().result()
        following = next(rows, None)
        if following is not None:
            start(following)
        yield from pieces


def _decoded(part: LayoutPart, chunk: Chunk, blob: bytes) -> Iterable[bytes]:
    if chunk.coding == FILL:
        return _filled(bytes.fromhex(chunk.sha256), chunk.size_bytes)
    raw = codings.decode(chunk.coding, blob, chunk.size_bytes, part.channels, part.sample_bytes)
    if part.big_endian:
        raw = reversed_samples(np.frombuffer(raw, np.uint8), part.sample_bytes).tobytes()
    return [raw]


def _filled(byte: bytes, size: int) -> Iterator[bytes]:
    """Repeat a byte; all pieces are one block, so that no length takes memory."""
    block = byte * min(size, _FILL_BYTES)
    for done in range(0, size, _FILL_BYTES):
        yield block[: size - done]
