"""Which chunks are stored already: from a chunk's digest to its blob.

The index lives in the cache and is rebuilt from the layouts when it is gone or
belongs to another state of the store. It is followed up to the newest revision
that it knows; what came after is read in. An entry counts only if the blob is
really there.

Not here: deciding what a chunk is (``relkit.store.chunking``).
"""

from __future__ import annotations

from collections.abc import Iterator

from relkit.errors import DamagedError
from relkit.store.cache import Cache
from relkit.store.layout import LAYOUT, Layout, LayoutPart
from relkit.store.packing import BLOB, COMMIT
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
    """The index of one store. Built for the holder of the lock."""

    def __init__(self, repository: Repository, cache: Cache) -> None:
        self._repository = repository
        self._cache = cache
        self._catch_up()

    def find(self, key: bytes) -> Entry | None:
        """Return the blob of a chunk and its coding, if it is stored."""
        value = self._cache.get(_KIND, key)
        if value is None or not self._repository.has(value[:20]):
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
        fresh: list[bytes] = []
        for commit in _ancestors(self._repository, newest):
            if commit == known:
                break
            fresh.append(commit)
        else:
            self._cache.forget(_KIND)  # the known revision is not behind this one: another store's memory
        done: set[bytes] = set()
        for commit in fresh:
            try:
                self.remember(dict(_entries(self._repository, commit, done)), commit)
            except DamagedError:
                continue  # only sharing is lost; audit reports the damage
        self._cache.put(_MARK, [(b"", newest or b"")])


def parents_of(repository: Repository, commit: bytes) -> tuple[bytes, list[bytes]]:
    """Return a commit's tree and its parents."""
    tree, parents = b"", []
    for line in repository.read(commit, COMMIT).split(b"\n"):
        name, _, value = line.partition(b" ")
        if name == b"tree":
            tree = bytes.fromhex(value.decode())
        elif name == b"parent":
            parents.append(bytes.fromhex(value.decode()))
        else:
            break
    return tree, parents


def _ancestors(repository: Repository, newest: bytes | None) -> Iterator[bytes]:
    """Yield a commit and everything before it, newest first, each once."""
    waiting = [newest] if newest else []
    seen = set(waiting)
    while waiting:
        commit = waiting.pop(0)
        yield commit
        for parent in parents_of(repository, commit)[1]:
            if parent not in seen:
                seen.add(parent)
                waiting.append(parent)


def _entries(repository: Repository, commit: bytes, done: set[bytes]) -> Iterator[tuple[bytes, Entry]]:
    tree = repository.tree(parents_of(repository, commit)[0])
    for content in repository.tree(tree["content"]).values() if "content" in tree else ():
        if content in done:
            continue
        done.add(content)
        blobs = repository.tree(content)
        layout = Layout.from_bytes(repository.read(blobs[LAYOUT], BLOB))
        for part, chunk, name in layout.rows():
            if name is not None and part.sample_format is not None and name in blobs:
                yield chunk_key(part, bytes.fromhex(chunk.sha256)), (blobs[name], chunk.coding)
