"""Are the references what they should be, and is everything behind them there?

Reads the files themselves, not through a library that forgives: a changed byte
in a reference must show. Which references may be there is part of the storage
format (``docs/reference/storage.md``).

Not here: the bytes of the objects (``relkit.store.integrity``).
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

from relkit.errors import DamagedError
from relkit.filenames import shown
from relkit.store import records
from relkit.store.ancestry import parents_of
from relkit.store.packing import BLOB, COMMIT, TAG, TREE
from relkit.store.repository import BESIDE, REVISIONS, Repository

_LOOSE = re.compile(rb"[0-9a-f]{40}\n")
_PACKED = re.compile(rb"([0-9a-f]{40}) (refs/[!-~]+)")
_PEELED = re.compile(rb"\^([0-9a-f]{40})")
_HEADING = re.compile(rb"# pack-refs with:(?: (?:peeled|fully-peeled|sorted))* ?")
_FOREIGN = ("refs/remotes/", "refs/notes/")  # what stock Git leaves in a clone; relkit never looks there


def check_references(repository: Repository, present: Collection[bytes]) -> tuple[list[str], set[bytes]]:
    """Check HEAD, every reference, and that nothing behind one is missing.

    Args:
        present: every object that is somewhere in the store.

    Returns:
        Faults, one line each; and the objects that are missing.
    """
    checking = _Checking(repository, present)
    checking.run()
    return checking.faults, checking.missing


def readable_references(repository: Repository) -> dict[str, bytes]:
    """Return every reference that can be read, whatever is wrong with the others; for audit."""
    reading = _Checking(repository, ())
    return {**dict(reading.packed()), **dict(reading.loose())}


@dataclass
class _Checking:
    """One look at all references."""

    repository: Repository
    present: Collection[bytes]
    faults: list[str] = field(default_factory=list)
    missing: set[bytes] = field(default_factory=set)
    seen: set[bytes] = field(default_factory=set)  # objects behind the references so far
    peeled: dict[tuple[str, bytes], bytes] = field(default_factory=dict)  # what packed-refs says of tags

    def run(self) -> None:
        if _content(self.repository.path / "HEAD") != f"ref: {REVISIONS}\n".encode():
            self.faults.append("HEAD does not name the revisions")
        places = [*self.loose(), *self.packed()]
        if places and REVISIONS not in {name for name, _oid in places}:
            self.faults.append(f"{REVISIONS} is missing")
        for name, oid in places:
            if name.startswith(_FOREIGN):
                continue
            if name == REVISIONS or name.startswith(BESIDE):
                self.behind(name, oid)
            elif name.startswith(records.PREFIX):
                self.record(name, oid)
            else:
                self.faults.append(f"{shown(name)} is no reference of this store")

    def loose(self) -> list[tuple[str, bytes]]:
        """Return the references that are a file each."""
        store = self.repository.path
        found = []
        for path in sorted((store / "refs").rglob("*")):
            name = path.relative_to(store).as_posix()
            if not path.is_file() or name.endswith(".lock") or name.startswith(_FOREIGN):
                continue
            content = _content(path) or b""
            if _LOOSE.fullmatch(content):
                found.append((name, bytes.fromhex(content[:40].decode())))
            else:
                self.faults.append(f"{shown(name)} is damaged: it holds no object name")
        return found

    def packed(self) -> list[tuple[str, bytes]]:
        """Return the references that stock Git has gathered in one file."""
        *lines, end = (_content(self.repository.path / "packed-refs") or b"").split(b"\n")
        if end:
            self.faults.append("packed-refs is damaged: its last line has no end")
        found: list[tuple[str, bytes]] = []
        follows = False  # whether the line before was a reference
        for number, line in enumerate(lines, 1):
            match, peel = _PACKED.fullmatch(line), _PEELED.fullmatch(line)
            if match:
                found.append((match[2].decode(), bytes.fromhex(match[1].decode())))
            elif peel and follows:
                self.peeled[found[-1]] = bytes.fromhex(peel[1].decode())
            elif number > 1 or not _HEADING.fullmatch(line):
                self.faults.append(f"packed-refs line {number} is damaged")
            follows = match is not None
        return found

    def record(self, name: str, oid: bytes) -> None:
        """Check that a record's reference and its tag agree, and what the tag points to."""
        if oid not in self.present:
            self.missing.add(oid)
            self.faults.append(f"{shown(name)} points to object {oid.hex()}, which is missing")
            return
        try:
            record = records.read(self.repository, name.removeprefix(records.PREFIX), oid)
        except DamagedError as error:
            self.faults.append(f"{shown(name)}: {error}")
            return
        if record.name != record.ref:
            self.faults.append(f"{shown(name)} holds the record {shown(record.name)}")
        if self.peeled.get((name, oid), record.target) != record.target:
            self.faults.append(f"packed-refs has another target for {shown(name)} than its tag")
        self.behind(name, record.target)

    def behind(self, name: str, newest: bytes) -> None:
        """Look for everything behind a commit; what another reference led to is passed over."""
        waiting = [(newest, COMMIT)]
        while waiting:
            oid, kind = waiting.pop()
            if oid in self.seen:
                continue
            self.seen.add(oid)
            if oid not in self.present:
                self.missing.add(oid)
                self.faults.append(f"object {oid.hex()} is missing; {shown(name)} needs it")
            else:
                try:
                    waiting += named_by(self.repository, oid, kind)
                except DamagedError as error:
                    self.faults.append(f"{shown(name)}: {error}")


def named_by(repository: Repository, oid: bytes, kind: int) -> list[tuple[bytes, int]]:
    """Return what an object names, with its kind: a tag its commit, a commit its tree and parents.

    Raises:
        DamagedError: it is missing, or of another kind.
    """
    if kind == BLOB:
        return []
    if kind == TAG:
        return [(records.read(repository, "", oid).target, COMMIT)]
    if kind == COMMIT:
        tree, parents = parents_of(repository, oid)
        return [(tree, TREE), *((parent, COMMIT) for parent in parents)]
    return [(entry, TREE if is_folder else BLOB) for entry, is_folder in repository.entries(oid)]


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None
