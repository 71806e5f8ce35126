"""What a stored file is made of: the ``layout`` blob beside its chunks.

    {"format": 1, "size_bytes": ..., "sha256": "...", "parts": [
        {"kind": "meta", "size_bytes": 44, "sha256": "...", "chunks": [[44, "plain", "..."]]},
        {"kind": "essence", "size_bytes": ..., "sha256": "...",
         "sample_format": "int24", "sample_bytes": 3, "channels": 2, "big_endian": false,
         "chunks": [[147456, "flac", "..."], [49152, "fill", "00"], ...]}]}

The parts in order are the file. A chunk is a row: its size in bytes, its
coding, and the SHA-256 of its bytes, or for a fill the byte that it repeats.
Chunks that are not fills have a blob each in the same tree, named 00000000,
00000001 ... in the order of the rows. Where ``big_endian`` is true, the bytes
of every sample are reversed after decoding, chunk by chunk; a chunk's digest is
of its little-endian form, so that AIFF and WAV share their chunks.

The essence of a file that differs from another in what stands around it only is
one row, ``essence-of``: its entry in the tree is the other file's tree, and its
digest that of the essence as it lies in both. So a retag costs no rows.

Not here: writing and reading content (``relkit.store.content``).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from relkit.audio.formats import SAMPLE_BYTES
from relkit.errors import DamagedError

LAYOUT = "layout"
# What may be done with a chunk; relkit.store.codings says how. Names are here, so that reading a layout
# needs no numpy.
PLAIN, FLAC, INT32, FLOAT32, FILL = "plain", "flac", "int32-flac24", "float32-flac24", "fill"
ESSENCE_OF = "essence-of"
CODINGS = (PLAIN, FLAC, INT32, FLOAT32, FILL, ESSENCE_OF)
FORMAT = 1
MAX_CHUNK_BYTES = 1 << 26  # far above what the writer makes; bounds memory on a hostile store
_BYTE = re.compile("[0-9a-f]{2}")


class DamagedLayoutError(DamagedError):
    """A layout does not describe a file."""

    def __init__(self, why: str) -> None:
        super().__init__(
            f"a stored file's layout is damaged: {why}",
            hint="Run relkit audit to see what is affected, then restore .relkit from a copy.",
        )


@dataclass
class Chunk:
    """One row of a part. ``sha256`` is, for a fill, the repeated byte in hex."""

    size_bytes: int
    coding: str
    sha256: str


@dataclass
class LayoutPart:
    """One part of a file: headers, something opaque, or the essence."""

    kind: str
    size_bytes: int
    sha256: str = ""
    sample_format: str | None = None
    sample_bytes: int = 1
    channels: int = 1
    big_endian: bool = False
    chunks: list[Chunk] = field(default_factory=list)


@dataclass
class Layout:
    """A whole file."""

    size_bytes: int
    sha256: str
    parts: list[LayoutPart]

    def rows(self) -> Iterator[tuple[LayoutPart, Chunk, str | None]]:
        """Yield every chunk in file order with its part and the name of its blob."""
        number = 0
        for part in self.parts:
            for chunk in part.chunks:
                if chunk.coding == FILL:
                    yield part, chunk, None
                else:
                    yield part, chunk, f"{number:08x}"
                    number += 1

    def to_bytes(self) -> bytes:
        """Write the blob: compact JSON with sorted names."""
        document = {
            "format": FORMAT,
            "parts": [_part_document(part) for part in self.parts],
            "sha256": self.sha256,
            "size_bytes": self.size_bytes,
        }
        return json.dumps(document, sort_keys=True, separators=(",", ":")).encode()

    @classmethod
    def from_bytes(cls, data: bytes) -> Layout:
        """Read the blob, trusting nothing in it.

        Raises:
            DamagedLayoutError: it is not a layout, or its sizes do not add up.
        """
        try:
            document = json.loads(data)
            if document["format"] != FORMAT:
                raise DamagedLayoutError(f"format {document['format']!r} is not known")
            layout = cls(
                _count(document["size_bytes"]),
                _digest(document["sha256"]),
                [_read_part(part) for part in document["parts"]],
            )
        except (KeyError, TypeError, ValueError, RecursionError) as error:
            raise DamagedLayoutError(f"{type(error).__name__}: {error}") from error
        if sum(part.size_bytes for part in layout.parts) != layout.size_bytes:
            raise DamagedLayoutError("its parts do not add up to the file")
        return layout


def _part_document(part: LayoutPart) -> dict[str, Any]:
    document: dict[str, Any] = {
        "kind": part.kind,
        "size_bytes": part.size_bytes,
        "sha256": part.sha256,
        "chunks": [[chunk.size_bytes, chunk.coding, chunk.sha256] for chunk in part.chunks],
    }
    if part.sample_format is not None:
        document |= {
            "sample_format": part.sample_format,
            "sample_bytes": part.sample_bytes,
            "channels": part.channels,
            "big_endian": part.big_endian,
        }
    return document


def _read_part(document: dict[str, Any]) -> LayoutPart:
    part = LayoutPart(
        kind=str(document["kind"]),
        size_bytes=_count(document["size_bytes"]),
        sha256=_digest(document["sha256"]),
    )
    if "sample_format" in document:
        part.sample_format = str(document["sample_format"])
        part.sample_bytes = _count(document["sample_bytes"])
        part.channels = _count(document["channels"])
        part.big_endian = document["big_endian"] is True
        if SAMPLE_BYTES.get(part.sample_format) != part.sample_bytes:
            raise ValueError("a sample format of another width")
    if not 1 <= part.sample_bytes <= 8 or not 1 <= part.channels <= 1 << 16:
        raise ValueError("a frame of no possible size")
    for size, coding, sha256 in document["chunks"]:
        if coding not in CODINGS:
            raise ValueError(f"unknown coding {coding!r}")
        if coding == FILL and not _BYTE.fullmatch(sha256):
            raise ValueError("a fill of no single byte")
        if coding not in {FILL, ESSENCE_OF} and _count(size) > MAX_CHUNK_BYTES:
            raise ValueError("a chunk of no possible size")
        if coding == ESSENCE_OF and (part.kind != "essence" or len(document["chunks"]) != 1):
            raise ValueError("another file's essence as a piece of something else")
        part.chunks.append(Chunk(_count(size), coding, sha256 if coding == FILL else _digest(sha256)))
    if sum(chunk.size_bytes for chunk in part.chunks) != part.size_bytes:
        raise ValueError("chunks do not add up to their part")
    return part


def _count(value: Any) -> int:
    if type(value) is not int or not 0 <= value < 1 << 53:
        raise ValueError(f"{value!r} is no size")
    return value


def _digest(value: Any) -> str:
    if not isinstance(value, str) or len(value) != 64 or not set(value) <= set("0123456789abcdef"):
        raise ValueError("not a SHA-256")
    return value
