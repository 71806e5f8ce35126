"""Which chunks are stored already: from a chunk's digest to its blob.

The index lives in the cache and is rebuilt from the layouts when it is gone or
belongs to another state of the store. It is followed up to the newest revision
that it knows; what came after is read in. An entry counts only if the blob is
really there.

Not here: deciding what a chunk is (``relkit.store.chunking``).
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator

from relkit.errors import DamagedError
from relkit.store.ancestry import ancestors, parents_of
from relkit.store.cache import Cache
from relkit.store.layout import ESSENCE_OF, LAYOUT, Layout, LayoutPart
from relkit.store.packing import BLOB
from relkit.store.repository import REVISIONS, Repository

_KIND = "chunk"
_MARK = "chunks-up-to"
Entry = tuple[bytes, str]  # object, coding


def chunk_key(part: LayoutPart, sha256: bytes) -> bytes:
    """Return what makes two chunks one: their bytes, and what the bytes are samples of.

    The sample rate is left out on purpose: blobs do not depend on it.
    """
    return sha256 + f"{part.sample_format}/{part.channels}".encode()


class ChunkIndex:
    """The index of one store. Built for the holder of the lock; ``find`` may be called by any thread."""

    def __init__(self, repository: Repository, cache: Cache) -> None:
        self._repository = repository
        self._cache = cache
        self._one_at_a_time = threading.Lock()
        self._catch_up()
        self._is_packed = repository.packed_now()

    def find(self, key: bytes) -> Entry | None:
        """Return the blob of a chunk and its coding, if it is stored."""
        with self._one_at_a_time:
            value = self._cache.get(_KIND, key)
            # Loose objects are another program's doing, so the dearer look comes second.
            if value is None or not (self._is_packed(value[:20]) or self._repository.has(value[:20])):
                return None
        return value[:20], value[20:].decode()

    def remember(self, entries: dict[bytes, Entry], newest: bytes) -> None:
        """Take in what a revision added; ``newest`` is that revision's commit."""
        self._cache.put(_KIND, ((key, oid + coding.encode()) for key, (oid, coding) in entries.items()))
        self._cache.put(_MARK, [(b"", newest)])

    def _catch_up(self) -> None:
        newest = self._repository.ref(REVISIONS)
        known = self._cache.get(_MARK, b"")
        if newest == known:
            return
        fresh = self._since(newest, known)
        if fresh is None:
            self._cache.forget(_KIND)  # the known revision is not behind this one: another store's memory
            fresh = list(ancestors(self._repository, newest))
        done: set[bytes] = set()
        for commit in reversed(fresh):  # oldest first, so that the mark is true even if this is cut short
            self.remember(dict(_entries(self._repository, commit, done)), commit)
        self._cache.put(_MARK, [(b"", newest or b"")])

    def _since(self, newest: bytes | None, known: bytes | None) -> list[bytes] | None:
        """Return what is behind ``newest`` and not behind ``known``; None where known is not behind it."""
        fresh: list[bytes] = []
        ahead: set[bytes] = set()  # parents of what is fresh, still to come
        old: set[bytes] | None = None  # parents of what is known
        for commit in ancestors(self._repository, newest):
            ahead.discard(commit)
            parents = parents_of(self._repository, commit)[1]
            if commit == known or (old is not None and commit in old):
                old = (old or set()) | set(parents)
            else:
                fresh.append(commit)
                ahead.update(parents)
            if old is not None and ahead <= old:
                break
        return None if old is None else fresh


def _entries(repository: Repository, commit: bytes, done: set[bytes]) -> Iterator[tuple[bytes, Entry]]:
    """Yield a commit's chunks. What is damaged is passed over: only sharing is lost, and audit reports it."""
    contents: dict[str, bytes] = {}
    with contextlib.suppress(DamagedError):
        tree = repository.tree(parents_of(repository, commit)[0])
        contents = repository.tree(tree["content"]) if "content" in tree else {}
    for content in contents.values():
        if content in done:
            continue
        done.add(content)
        with contextlib.suppress(DamagedError):
            blobs = repository.tree(content)
            layout = Layout.from_bytes(repository.read(blobs.get(LAYOUT, b""), BLOB))
            for part, chunk, name in layout.rows():
                if chunk.coding == ESSENCE_OF:  # its chunks are those of the other file
                    continue
                if name is not None and part.sample_format is not None and name in blobs:
                    yield chunk_key(part, bytes.fromhex(chunk.sha256)), (blobs[name], chunk.coding)
