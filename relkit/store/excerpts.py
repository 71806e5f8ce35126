"""A stretch of a stored file's audio, without decoding the rest of it.

Only the chunks that the stretch touches are read, and each is held against its
digest, so that what comes back is what was committed, or an error.

Conventions
    first, end    bytes from the start of the essence
    bytes         samples are little-endian, whatever the file has

Not here: whole files (``relkit.store.restoring``), samples (``relkit.release.stored_audio``).
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict

from relkit.store import codings
from relkit.store.layout import FILL, Chunk, LayoutPart
from relkit.store.packing import BLOB
from relkit.store.repository import Repository
from relkit.store.restoring import DamagedContentError, read_layout, rows_of

_KEPT = 4  # decoded chunks that are likely to be asked for again
_HINT = "Run relkit audit, then restore .relkit from a copy."


class Essence:
    """The audio of one stored file, to be read anywhere.

    Attributes:
        part: how it lies in the file; None for a file without audio.

    Raises:
        DamagedError: the layout cannot be read.
    """

    def __init__(self, repository: Repository, content: bytes) -> None:
        layout, blobs = read_layout(repository, content)
        self._repository = repository
        self._what = layout.sha256[:12]
        self.part: LayoutPart | None = None
        self._rows: list[tuple[int, Chunk, bytes | None]] = []  # where each chunk begins
        at = 0
        for part, chunk, oid in rows_of(repository, layout, blobs):
            if part.kind == "essence":
                self.part = part
                self._rows.append((at, chunk, oid))
                at += chunk.size_bytes
        self.size_bytes = at
        self._kept: OrderedDict[int, bytes] = OrderedDict()

    def read(self, first: int, end: int) -> bytes:
        """Return the bytes from ``first`` up to ``end``, which lie inside.

        Raises:
            DamagedError: a chunk is missing, broken, or not what its digest says.
        """
        found = bytearray()
        for start, chunk, oid in self._rows:
            if start >= end:
                break
            if start + chunk.size_bytes > first:
                inside = slice(max(first - start, 0), min(end - start, chunk.size_bytes))
                if chunk.coding == FILL:
                    found += bytes.fromhex(chunk.sha256) * (inside.stop - inside.start)
                else:
                    found += self._chunk(start, chunk, oid)[inside]
        return bytes(found)

    def _chunk(self, start: int, chunk: Chunk, oid: bytes | None) -> bytes:
        if start in self._kept:
            self._kept.move_to_end(start)
            return self._kept[start]
        assert self.part is not None  # noqa: S101 - it has rows
        if oid is None:
            raise DamagedContentError(f"a chunk of stored file {self._what} is missing", hint=_HINT)
        part = self.part
        blob = self._repository.read(oid, BLOB)
        raw = codings.decode(chunk.coding, blob, chunk.size_bytes, part.channels, part.sample_bytes)
        if hashlib.sha256(raw).hexdigest() != chunk.sha256:
            raise DamagedContentError(f"a chunk of stored file {self._what} is damaged", hint=_HINT)
        self._kept[start] = raw
        if len(self._kept) > _KEPT:
            self._kept.popitem(last=False)
        return raw
