"""The bare Git repository that everything is kept in, through dulwich.

Object names are 20 raw bytes here and nowhere mean more than "where to find
it": what is the same, and what is trusted, is decided by SHA-256 elsewhere.

Write order, the one that a crash may cut anywhere: objects and their folder
first, on the disk (fsync), then the reference. What a cut leaves behind is at
worst an unreferenced pack or a temporary file, which no reader looks at.

Number of packs: every revision, package and record adds one; nothing is written
loose, because a pack's checksum notices any changed bit and zlib's does not. So that
the number stays small, packs are
joined whenever they are too many, in such a way that each one left is at least
twice as large as all smaller ones together; an object is copied about
log2(size of the store) times in its life.

Not here: writing a pack (``relkit.store.packing``), and what objects mean.
"""

from __future__ import annotations

import contextlib
import os
import re
import traceback
import weakref
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from relkit.errors import DamagedError, UsageError
from relkit.filenames import shown
from relkit.store.packing import (
    BLOB,
    COMMIT,
    TAG,
    TREE,
    DamagedPackError,
    PackWriter,
    copy_pack,
    index_rows,
    sync_folder,
    write_missing_index,
)

if TYPE_CHECKING:
    from dulwich.object_store import DiskObjectStore
    from dulwich.refs import DiskRefsContainer

MAX_PACKS = 12  # two file descriptors each while open
REVISIONS = "refs/heads/revisions"
BESIDE = "refs/heads/beside/"  # newest revisions of other machines, until a revision joins them
_FILE, _FOLDER = 0o100644, 0o40000
_PLAIN_NAME = re.compile(r"refs/[0-9A-Za-z/_-]+")  # as all of ours are; others have to be looked at
_REFERENCE_BYTES = 41  # of a file with an object's name and a line's end
_KINDS = {COMMIT: "commit", TREE: "tree", BLOB: "blob", TAG: "tag"}
_CONFIG = """[core]
\trepositoryformatversion = 0
\tfilemode = false
\tbare = true
\tcompression = 0
\tbigFileThreshold = 16384
[pack]
\tcompression = 0
[gc]
\tauto = 0
[relkit]
\treleaseId = {release_id}
"""
_HINT = "Run relkit audit to see what is affected, then restore .relkit from a copy."


class DamagedObjectError(DamagedError):
    """An object of the store is missing or cannot be read.

    Attributes:
        oid: its Git name, 40 hex digits.
    """

    def __init__(self, oid: bytes, why: str) -> None:
        super().__init__(f"the store is damaged: object {oid.hex()} {why}", hint=_HINT)
        self.oid = oid.hex()


class NoStoreError(UsageError):
    """There is no store where one was expected."""


class Repository:
    """One store, open for reading; ``writer`` and ``set_ref`` are for the holder of the lock."""

    def __init__(self, path: Path) -> None:
        if not (path / "HEAD").is_file() and any(path.glob("objects/pack/*.pack")):
            raise DamagedError(f"the store {shown(path)} has lost its HEAD", hint=_HINT)
        if not (path / "HEAD").is_file() or not (path / "objects").is_dir():
            raise NoStoreError(
                f"{path.parent.parent.name or path} has no store",
                hint="Start a release with: relkit new FOLDER --artist ARTIST --title TITLE",
            )
        self.path = path
        self._objects: DiskObjectStore | None = None

    @classmethod
    def create(cls, path: Path, release_id: str) -> Repository:
        """Make an empty store. HEAD is written last: without it there is no store."""
        for part in ("objects/pack", "objects/info", "refs/heads", "refs/tags"):
            (path / part).mkdir(parents=True, exist_ok=True)
        for name, text in (
            ("config", _CONFIG.format(release_id=release_id)),
            ("HEAD", f"ref: {REVISIONS}\n"),
        ):
            with (path / name).open("w", encoding="utf-8", newline="\n") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
        sync_folder(path)
        return cls(path)

    @property
    def release_id(self) -> str | None:
        """The id that the store was made for; a plain clone does not carry it."""
        for line in (self.path / "config").read_text(encoding="utf-8", errors="replace").splitlines():
            name, _, value = line.partition("=")
            if name.strip() == "releaseId":
                return value.strip()
        return None

    @property
    def objects(self) -> DiskObjectStore:
        """dulwich's view of the objects."""
        if self._objects is None:
            from dulwich.object_store import DiskObjectStore

            self._objects = DiskObjectStore(self.path / "objects")
            # Whoever forgets to close must not hear from dulwich while Python shuts down.
            weakref.finalize(self, self._objects.close)
        return self._objects

    def close(self) -> None:
        """Let go of all packs."""
        if self._objects is not None:
            self._objects.close()
            self._objects = None

    # --- reading

    def has(self, oid: bytes) -> bool:
        """Say whether an object is there, without reading it.

        Raises:
            DamagedObjectError: an index is broken, so that nobody can say.
        """
        from dulwich.objects import ObjectID

        try:
            return ObjectID(oid.hex().encode()) in self.objects
        except Exception as error:  # as in read()
            let_go(error)
            raise DamagedObjectError(oid, f"cannot be looked for ({type(error).__name__})") from error

    def packed_now(self) -> Callable[[bytes], bool]:
        """Return a test for the objects that are in packs at this moment; much quicker than ``has``.

        Raises:
            DamagedObjectError: an index is broken, so that nobody can say.
        """
        from dulwich.objects import RawObjectID

        try:
            indexes = [pack.index for pack in self.objects.packs]
        except Exception as error:  # as in read()
            let_go(error)
            raise DamagedObjectError(b"", f"cannot be looked for ({type(error).__name__})") from error

        def is_packed(oid: bytes) -> bool:
            for index in indexes:
                try:
                    index.object_offset(RawObjectID(oid))
                except KeyError:
                    continue
                except Exception as error:  # as in read()
                    raise DamagedObjectError(oid, f"cannot be looked for ({type(error).__name__})") from error
                return True
            return False

        return is_packed

    def read(self, oid: bytes, kind: int) -> bytes:
        """Return an object's bytes.

        Raises:
            DamagedObjectError: missing, unreadable, or of another kind.
        """
        from dulwich.objects import RawObjectID

        try:
            found, data = self.objects.get_raw(RawObjectID(oid))
        except KeyError as error:
            raise DamagedObjectError(oid, "is missing") from error
        # Damage to a pack, an index or a loose object shows as whatever dulwich trips over first:
        # zlib.error, AssertionError, struct.error, IndexError ... all of it means the same here.
        except Exception as error:
            let_go(error)
            raise DamagedObjectError(oid, f"cannot be read ({type(error).__name__})") from error
        if found != kind:
            raise DamagedObjectError(oid, f"is not a {_KINDS[kind]}")
        return data

    def tree(self, oid: bytes) -> dict[str, bytes]:
        """Return a tree's entries in Git's order: name to object.

        Raises:
            DamagedObjectError: missing or no tree.
        """
        return {name: entry for name, entry, _is_folder in self._entries(oid)}

    def entries(self, oid: bytes) -> list[tuple[bytes, bool]]:
        """Return what a tree names, in Git's order: each object, and whether it is a tree itself.

        Raises:
            DamagedObjectError: missing or no tree.
        """
        return [(entry, is_folder) for _name, entry, is_folder in self._entries(oid)]

    def _entries(self, oid: bytes) -> list[tuple[str, bytes, bool]]:
        from dulwich.objects import parse_tree

        data = self.read(oid, TREE)
        try:
            return [
                (name.decode(), bytes.fromhex(hexsha.decode()), mode == _FOLDER)
                for name, mode, hexsha in parse_tree(data, sha_len=20)
            ]
        except Exception as error:  # as in read(): a broken tree trips dulwich in many ways
            raise DamagedObjectError(oid, "is no tree") from error

    # --- writing, under the lock

    @contextlib.contextmanager
    def writer(self) -> Iterator[PackWriter]:
        """Add objects in one pack; it is complete and on disk when the context ends well."""
        with PackWriter(self.path / "objects" / "pack", self.has) as pack:
            yield pack
            pack.finish()

    def ref(self, name: str) -> bytes | None:
        """Return what a reference points to, or None.

        Raises:
            DamagedError: it cannot be read.
        """
        with _readable(name):
            value = self._refs().read_ref(_ref(name))
        return _oid(name, value) if value else None

    def refs(self, prefix: str = "refs/") -> dict[str, bytes]:
        """Return all references below a prefix, by full name.

        Raises:
            DamagedError: one of them cannot be read.
        """
        from dulwich.refs import check_ref_format

        container = self._refs()
        with _readable(f"below {prefix}"):
            packed = {name.decode(errors="surrogateescape") for name in container.get_packed_refs()}
        found = {}
        for name in sorted({*packed, *self._loose_names()}):
            if not name.startswith(prefix):
                continue
            raw = name.encode(errors="surrogateescape")
            if not _PLAIN_NAME.fullmatch(name) and not check_ref_format(raw):  # type: ignore[arg-type]
                continue
            value = self._loose_value(name)
            if value is None:  # packed, symbolic, or damaged
                with _readable(name):
                    value = container.read_ref(raw)  # type: ignore[arg-type]
            found[name] = _oid(name, value or b"")
        return found

    def _loose_names(self) -> Iterator[str]:
        """Yield the names of all files below refs/, references or not."""
        top = len(os.fspath(self.path)) + 1
        for folder, _folders, files in os.walk(self.path / "refs"):
            inside = folder[top:].replace(os.sep, "/")
            yield from (f"{inside}/{name}" for name in files)

    def _loose_value(self, name: str) -> bytes | None:
        """Return what a reference's own file says, if that is nothing but an object's name.

        Thousands of records are listed by every command; dulwich takes ten times as long for each.
        """
        try:
            with open(f"{self.path}/{name}", "rb") as file:  # noqa: PTH123 - Path objects take longer than this
                text = file.read(_REFERENCE_BYTES + 1)
        except OSError:
            return None
        return text[:-1] if len(text) == _REFERENCE_BYTES and text.endswith(b"\n") else None

    def set_ref(self, name: str, new: bytes, old: bytes | None) -> None:
        """Point a reference to an object; ``old`` is what it must point to now.

        Raises:
            DamagedObjectError: it points elsewhere: somebody wrote without the lock.
        """
        from dulwich.objects import ObjectID
        from dulwich.protocol import ZERO_SHA

        container = self._refs()
        file = self.path / name
        lock = file.with_name(file.name + ".lock")
        # Under the release's lock nobody else writes: a lock file here is what a killed process left.
        lock.unlink(missing_ok=True)
        before = ObjectID(old.hex().encode()) if old else ZERO_SHA
        try:
            with _readable(name):
                moved = container.set_if_equals(_ref(name), before, ObjectID(new.hex().encode()))
        except OSError:
            lock.unlink(missing_ok=True)  # where the disk is full, dulwich leaves it
            raise
        if not moved:
            raise DamagedObjectError(new, f"cannot be recorded: {name} was moved by another program")
        for folder in (file.parent, file.parent.parent):
            sync_folder(folder)

    def drop_ref(self, name: str, old: bytes) -> None:
        """Remove a reference that another one makes needless.

        Raises:
            DamagedObjectError: it points elsewhere than to ``old``.
        """
        container = self._refs()
        with _readable(name):
            dropped = container.remove_if_equals(_ref(name), old.hex().encode())  # type: ignore[arg-type]
        if not dropped:
            raise DamagedObjectError(old, f"cannot be let go: {name} was moved by another program")
        folder = (self.path / name).parent  # dulwich takes away one that is empty now
        sync_folder(folder if folder.is_dir() else folder.parent)

    def _refs(self) -> DiskRefsContainer:
        from dulwich.refs import DiskRefsContainer

        return DiskRefsContainer(self.path)

    # --- housekeeping, under the lock

    def tidy(self) -> None:
        """Join packs when they have become many. Never loses anything."""
        folder = self.path / "objects" / "pack"
        for left in folder.glob("tmp_*"):  # of a killed process; the lock is ours
            left.unlink()
        for pack in folder.glob("pack-*.pack"):
            if not pack.with_suffix(".idx").exists():  # the same process, between two names
                with contextlib.suppress(DamagedPackError):
                    write_missing_index(pack)
        self._join_packs(folder)

    def _join_packs(self, folder: Path) -> None:
        left_alone: set[Path] = set()  # damaged, or with deltas that another program made
        while True:
            packs = sorted(
                (pack for pack in folder.glob("pack-*.pack") if _is_ours(pack)),
                key=lambda pack: (pack.stat().st_size, pack.name),
            )
            packs = [pack for pack in packs if pack not in left_alone]
            if len(packs) <= MAX_PACKS:
                return
            joined = packs[: _how_many([pack.stat().st_size for pack in packs])]
            with PackWriter(folder, lambda _oid: False) as into:
                try:
                    for pack in joined:
                        copy_pack(pack, index_rows(pack), into)
                except DamagedPackError:
                    left_alone.add(pack)
                    continue
                made = into.finish()
            break
        self.close()
        for about_packs in folder.glob("multi-pack-index*"):  # stock Git's, and about to be untrue
            about_packs.unlink()
        for pack in joined:
            if pack != made:
                pack.with_suffix(".idx").unlink()  # first: without it, Git does not see the pack
                for suffix in (".pack", ".rev", ".bitmap"):
                    pack.with_suffix(suffix).unlink(missing_ok=True)


def let_go(error: BaseException | None) -> None:
    """Drop what the frames behind an error hold: a pack that is looked at cannot be closed."""
    while error is not None:
        traceback.clear_frames(error.__traceback__)
        error = error.__context__


def _is_ours(pack: Path) -> bool:
    """Say whether a pack may be joined: it has an index, and no mark by which stock Git treats it apart."""
    return pack.with_suffix(".idx").exists() and not any(
        pack.with_suffix(suffix).exists() for suffix in (".keep", ".mtimes", ".promisor")
    )


def _how_many(sizes: list[int]) -> int:
    """Return how many of the smallest to join, so that each left is twice all smaller ones."""
    split = len(sizes)
    while split > 2 and sizes[split - 1] >= 2 * sum(sizes[: split - 1]):
        split -= 1
    return split


@contextlib.contextmanager
def _readable(name: str) -> Iterator[None]:
    """Turn what dulwich says about a broken reference into what a person can act on."""
    from dulwich.errors import FileFormatException
    from dulwich.refs import SymrefLoop

    try:
        yield
    except (FileFormatException, SymrefLoop, ValueError) as error:
        raise DamagedError(f"the reference {name} is damaged: {shown(error)}", hint=_HINT) from error


def _ref(name: str) -> Any:
    return name.encode()


def _oid(name: str, value: bytes) -> bytes:
    try:
        oid = bytes.fromhex(value.decode("ascii"))
    except ValueError:
        oid = b""
    if len(oid) != 20:
        raise DamagedError(f"the reference {name} is damaged", hint=_HINT)
    return oid


def tree_bytes(entries: dict[str, tuple[bytes, bool]]) -> bytes:
    """Return the bytes of a tree object: name to (object, whether it is a folder)."""
    from dulwich.objects import ObjectID, serialize_tree

    def git_order(row: tuple[bytes, bytes, bool]) -> bytes:
        """A folder sorts as if its name ended in a slash."""
        return row[0] + (b"/" if row[2] else b"")

    rows = sorted(((name.encode(), oid, folder) for name, (oid, folder) in entries.items()), key=git_order)
    return b"".join(
        serialize_tree(
            (name, _FOLDER if folder else _FILE, ObjectID(oid.hex().encode())) for name, oid, folder in rows
        )
    )
