"""What makes things faster and may be lost at any time: one small SQLite file.

Kinds of memory share one table, so that there is one rule for all of them: a
row whose check value does not fit is not there, a file that SQLite cannot use
is made anew, and where none can be made (read-only media) memory lasts as
long as the process. Nothing here is ever the only copy of anything.

Not here: what the kinds mean; whoever remembers something knows.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable
from pathlib import Path

import xxhash

_TABLE = """CREATE TABLE IF NOT EXISTS memory_1 (
    kind TEXT NOT NULL, key BLOB NOT NULL, value BLOB NOT NULL, guard BLOB NOT NULL,
    PRIMARY KEY (kind, key)) WITHOUT ROWID"""


class Cache:
    """A map from (kind, key) to value that survives most of the time."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._base = self._open()

    def _open(self) -> sqlite3.Connection:
        for attempt in range(2):
            try:
                return _connect(str(self._path))
            except sqlite3.Error:
                if attempt == 0:
                    with contextlib.suppress(OSError):
                        self._path.unlink()
        return _connect(":memory:")

    def close(self) -> None:
        """Let go of the file."""
        self._base.close()

    def get(self, kind: str, key: bytes) -> bytes | None:
        """Return what was remembered, or None."""
        try:
            row = self._base.execute(
                "SELECT value, guard FROM memory_1 WHERE kind = ? AND key = ?", (kind, key)
            ).fetchone()
        except sqlite3.Error:
            return None
        if row is None or row[1] != _guard(kind, key, row[0]):
            return None
        return bytes(row[0])

    def put(self, kind: str, rows: Iterable[tuple[bytes, bytes]]) -> None:
        """Remember, replacing what was there. A failure to remember is no fault."""
        with contextlib.suppress(sqlite3.Error), self._base:
            self._base.executemany(
                "INSERT OR REPLACE INTO memory_1 VALUES (?, ?, ?, ?)",
                ((kind, key, value, _guard(kind, key, value)) for key, value in rows),
            )

    def forget(self, kind: str) -> None:
        """Forget everything of a kind."""
        with contextlib.suppress(sqlite3.Error), self._base:
            self._base.execute("DELETE FROM memory_1 WHERE kind = ?", (kind,))


def _connect(name: str) -> sqlite3.Connection:
    # The chunk index is asked by several threads, one at a time, which sqlite3 cannot know.
    base = sqlite3.connect(name, timeout=5, check_same_thread=False)
    try:
        base.execute("PRAGMA synchronous = OFF")  # a lost cache is rebuilt; the guard catches a torn one
        base.execute(_TABLE)
        base.commit()
    except sqlite3.Error:
        base.close()
        raise
    return base


def _guard(kind: str, key: bytes, value: bytes) -> bytes:
    """Tie a row's three parts together, so that rot shows."""
    return xxhash.xxh3_64_digest(kind.encode() + b"\0" + len(key).to_bytes(4, "big") + key + value)
