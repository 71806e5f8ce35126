"""Cutting a file into parts, and walking the chunks of RIFF and IFF files.

WAV and AIFF are the same list of (id, size, payload, pad) in two byte orders;
this is what they share.

Conventions
    offset, size   [bytes] from the start of the file
    span           (kind, offset, length) before the gaps are filled

Not here: what a chunk means (``relkit.audio.wav``, ``relkit.audio.aiff``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO, Literal

from relkit.audio.formats import Container, ContainerName, Part, PartKind

OPAQUE_OVER_BYTES = 4096  # a larger foreign run is a part of its own
MAX_CHUNKS = 10_000  # no honest file has more; a hostile one is kept whole
# Sizes that a program writes into a pipe, where it cannot come back to fill them in.
PLACEHOLDERS = range(0x7F000000, 0x80000000), range(0xFF000000, 0x100000000), range(2**63, 2**64)
UNFINISHED = "its header was never finished: the program that wrote it did not close the file"
RERENDER = "Export the bounce again, and wait until it has finished."

Span = tuple[PartKind, int, int]


class BrokenAudioError(Exception):
    """Inside this room only: the file claims to be audio and is not; becomes ``Container.fault``."""

    def __init__(self, fault: str, *, hint: str = RERENDER, frames: int | None = None) -> None:
        super().__init__(fault)
        self.hint = hint
        self.frames = frames


@dataclass(frozen=True)
class Chunk:
    """One chunk: ``size`` as far as it is in the file; ``claimed`` as its header (or ds64) says."""

    id: bytes
    offset: int  # of the payload
    size: int
    claimed: int


def read_at(file: BinaryIO, offset: int, length: int) -> bytes:
    """Return up to ``length`` bytes; fewer only at the end of the file. For small reads."""
    file.seek(offset)
    pieces = []
    while length > 0:
        piece = file.read(length)
        if not piece:
            break
        pieces.append(piece)
        length -= len(piece)
    return b"".join(pieces)


def is_chunk_id(text: bytes) -> bool:
    """Whether four bytes can be a chunk's id: printable ASCII."""
    return len(text) == 4 and all(0x20 <= byte < 0x7F for byte in text)


def walk(
    file: BinaryIO,
    size_bytes: int,
    *,
    start: int,
    order: Literal["little", "big"],
    real_size: Callable[[bytes, int], int] = lambda _id, size: size,
) -> Iterator[Chunk]:
    """Yield the chunks from ``start`` until something is no chunk, or the file ends.

    Args:
        file: seekable.
        size_bytes: of the file.
        start: of the first chunk's header.
        order: of the size fields.
        real_size: turns (id, size field) into the size, for containers with a second place for it.

    Raises:
        OverflowError: more than ``MAX_CHUNKS``.
    """
    at = start
    for _ in range(MAX_CHUNKS):
        header = read_at(file, at, 8)
        if len(header) < 8 or not is_chunk_id(header[:4]):
            return
        claimed = real_size(header[:4], int.from_bytes(header[4:], order))
        payload = at + 8
        yield Chunk(header[:4], payload, min(claimed, size_bytes - payload), claimed)
        at = payload + claimed + claimed % 2
        if at >= size_bytes:
            return
    raise OverflowError


def cover(size_bytes: int, spans: Iterable[Span]) -> tuple[Part, ...]:
    """Fill the gaps between spans with meta; spans are in order, apart, and may be empty."""
    parts: list[Part] = []
    at = 0
    for kind, offset, length in spans:
        if length <= 0 or kind == "meta":
            continue
        if offset > at:
            parts.append(Part("meta", at, offset - at))
        parts.append(Part(kind, offset, length))
        at = offset + length
    if at < size_bytes:
        parts.append(Part("meta", at, size_bytes - at))
    return tuple(parts)


def large_run(offset: int, length: int) -> list[Span]:
    """Return a foreign run as a part of its own, if it is large enough for one."""
    return [("opaque", offset, length)] if length > OPAQUE_OVER_BYTES else []


def kept_whole(
    size_bytes: int, name: ContainerName = "other", broken: BrokenAudioError | None = None
) -> Container:
    """Return a container of one opaque part: anything that cannot or need not be cut."""
    parts = (Part("opaque", 0, size_bytes),) if size_bytes else ()
    if broken is None:
        return Container(name, parts)
    return Container(name, parts, frames=broken.frames, fault=str(broken), hint=broken.hint)
