"""Writing Git packs: one object after the other, in bounded memory.

A pack's header counts its objects, which nobody knows before the last one. So
the count is filled in at the end and the pack is read once more for its
checksum; everything else streams. Objects are never deltified: audio gains
nothing from it, and a pack without deltas can be joined to another by copying.

Write order: pack and index are complete and on disk (fsync) under temporary
names before either gets its real name, the pack first, because Git looks at a
pack only through its index.

Sources
    [PACK]     Git, "gitformat-pack": header, entries, version 2 index
    [ZLIB]     RFC 1950
    [DEFLATE]  RFC 1951

Not here: reading (dulwich does), references, and when to join packs
(``relkit.store.repository``).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import struct
import tempfile
import zlib
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import BinaryIO, Self

from relkit.errors import DamagedError

COMMIT, TREE, BLOB, TAG = 1, 2, 3, 4  # object types of [PACK]
_NAMES = {COMMIT: b"commit", TREE: b"tree", BLOB: b"blob", TAG: b"tag"}
_BLOCK = 1 << 20
STORED, SQUEEZED = 0, 6  # zlib levels: what is compressed already, and everything else
_STORED_BYTES = 0xFFFF  # of one stored block
_LARGE_BYTES, _SAMPLE_BYTES, _DENSE_SHARE = 1 << 18, 1 << 14, 0.97


class DamagedPackError(DamagedError):
    """A pack does not hold what its index says."""


def object_id(kind: int, data: bytes | memoryview) -> bytes:
    """Return Git's 20-byte name of an object."""
    digest = hashlib.sha1(b"%s %d\0" % (_NAMES[kind], len(data)), usedforsecurity=False)
    digest.update(data)
    return digest.digest()


def prepared(kind: int, data: bytes, level: int) -> tuple[bytes, bytes]:
    """Return an object's id and its entry in a pack; needs no pack, so any thread can do it."""
    header = _entry_header(kind, len(data))
    if level == STORED or _is_dense(data):
        return object_id(kind, data), _stored(header, data)
    return object_id(kind, data), header + zlib.compress(data, level)


def _is_dense(data: bytes) -> bool:
    """Say whether a large object is compressed already, as a picture is: going by a piece of its middle."""
    middle = len(data) // 2
    sample = data[middle - _SAMPLE_BYTES // 2 : middle + _SAMPLE_BYTES // 2]
    return len(data) >= _LARGE_BYTES and len(zlib.compress(sample, 1)) > _DENSE_SHARE * len(sample)


def _stored(header: bytes, data: bytes) -> bytes:
    """Return what zlib's level 0 gives, three times as fast: it would copy everything twice."""
    view = memoryview(data)
    pieces: list[bytes | memoryview] = [header, b"\x78\x01"]  # [ZLIB] section 2.2: 32 KiB, fastest
    for start in range(0, max(1, len(view)), _STORED_BYTES):
        piece = view[start : start + _STORED_BYTES]
        is_last = start + len(piece) == len(view)
        pieces += [struct.pack("<BHH", is_last, len(piece), len(piece) ^ 0xFFFF), piece]  # [DEFLATE] 3.2.4
    pieces.append(struct.pack(">I", zlib.adler32(view)))
    return b"".join(pieces)


def sync_folder(folder: Path) -> None:
    """Make new names in a folder survive a power cut, where the system can."""
    if os.name == "nt":
        return  # a folder cannot be opened there; NTFS journals names itself
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


class PackWriter:
    """One new pack in a folder. Use as a context: an exception leaves nothing behind.

    Args:
        folder: ``objects/pack`` of the repository.
        known: says whether the repository has an object already.
    """

    def __init__(self, folder: Path, known: Callable[[bytes], bool]) -> None:
        self._folder = folder
        self._known = known
        self._file: BinaryIO | None = None
        self._entries: dict[bytes, tuple[int, int]] = {}  # id -> offset, CRC-32
        self._offset = 12
        self.done = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, *rest: object) -> None:
        if not self.done:
            self._drop()

    def __contains__(self, oid: bytes) -> bool:
        return oid in self._entries

    def add(self, kind: int, data: bytes, *, level: int = SQUEEZED) -> bytes:
        """Add an object unless it is there already, and return its id."""
        oid = object_id(kind, data)
        if oid not in self._entries and not self._known(oid):
            self._append(oid, prepared(kind, data, level)[1])
        return oid

    def take(self, oid: bytes, entry: bytes, *, fresh: bool = True) -> None:
        """Add an entry that is made already; it must not be a delta.

        Args:
            fresh: the caller knows, or does not mind, that the repository may have it:
                looking for what is not there costs more than many a small object.
        """
        if oid not in self._entries and (fresh or not self._known(oid)):
            self._append(oid, entry)

    def _append(self, oid: bytes, entry: bytes) -> None:
        if self._file is None:
            handle, name = tempfile.mkstemp(prefix="tmp_pack_", dir=self._folder)
            self._name = Path(name)
            # A small buffer: chunks are larger, and go past it without being copied.
            self._file = os.fdopen(handle, "w+b", buffering=1 << 16)
            self._file.write(_header(0))
        self._file.write(entry)
        self._entries[oid] = self._offset, zlib.crc32(entry)
        self._offset += len(entry)

    def finish(self) -> Path | None:
        """Complete the pack and give it its name; None if nothing was added."""
        self.done = True
        file = self._file
        if file is None:
            return None
        try:
            checksum = self._seal(file)
            file.close()
            base = self._folder / f"pack-{checksum.hex()}"
            index = self._write_index(checksum)
        except BaseException:
            self._drop()
            raise
        self._name.chmod(0o444)
        index.chmod(0o444)
        self._name.replace(base.with_suffix(".pack"))
        index.replace(base.with_suffix(".idx"))
        sync_folder(self._folder)
        return base.with_suffix(".pack")

    def _seal(self, file: BinaryIO) -> bytes:
        """Fill in the count, append the checksum, and bring it all to the disk."""
        file.seek(8)
        file.write(struct.pack(">I", len(self._entries)))
        file.seek(0)
        digest = hashlib.sha1(usedforsecurity=False)
        buffer = bytearray(_BLOCK)
        with ThreadPoolExecutor(1, "relkit-sync") as beside:  # most goes to the disk while it is read again
            syncing = beside.submit(os.fsync, file.fileno())
            while size := file.readinto(buffer):  # type: ignore[attr-defined]
                digest.update(memoryview(buffer)[:size])
            syncing.result()
        file.seek(0, os.SEEK_END)
        file.write(digest.digest())
        file.flush()
        os.fsync(file.fileno())
        return digest.digest()

    def _write_index(self, checksum: bytes) -> Path:
        from dulwich.pack import write_pack_index_v2

        handle, name = tempfile.mkstemp(prefix="tmp_idx_", dir=self._folder)
        try:
            with os.fdopen(handle, "wb") as out:
                rows = sorted((oid, offset, crc) for oid, (offset, crc) in self._entries.items())
                write_pack_index_v2(out, rows, checksum)
                out.flush()
                os.fsync(out.fileno())
        except BaseException:
            Path(name).unlink()
            raise
        return Path(name)

    def _drop(self) -> None:
        self.done = True
        if self._file is not None:
            with contextlib.suppress(OSError):  # what is still buffered may find no room either
                self._file.close()
            self._name.unlink(missing_ok=True)


def _header(count: int) -> bytes:
    return b"PACK" + struct.pack(">II", 2, count)


def _entry_header(kind: int, size: int) -> bytes:
    """Return the type and size of a pack entry, seven bits a byte after the first four. [PACK]"""
    first, size = (kind << 4) | (size & 15), size >> 4
    out = bytearray()
    while size:
        out.append(first | 0x80)
        first, size = size & 0x7F, size >> 7
    out.append(first)
    return bytes(out)


def copy_pack(pack: Path, rows: Iterable[tuple[bytes, int, int]], into: PackWriter) -> None:
    """Copy every entry of a pack into another.

    Args:
        pack: the ``.pack`` file; it holds no deltas.
        rows: id, offset and CRC-32 of every entry, from its index.

    Raises:
        DamagedPackError: an entry is not what the index says; nothing may be deleted then.
    """
    ordered = sorted(rows, key=lambda row: row[1])
    end = pack.stat().st_size - 20
    with pack.open("rb") as file:
        for (oid, offset, crc), following in zip(
            ordered, [*(row[1] for row in ordered[1:]), end], strict=True
        ):
            file.seek(offset)
            entry = file.read(max(0, following - offset))
            if not entry or len(entry) != following - offset or zlib.crc32(entry) != crc or _is_delta(entry):
                raise _disagreeing(pack)
            into.take(oid, entry)


def index_rows(pack: Path) -> list[tuple[bytes, int, int]]:
    """Return id, offset and CRC-32 of every entry of a pack, from its index.

    Raises:
        DamagedPackError: the index is broken, or another pack's.
    """
    from dulwich.object_format import SHA1
    from dulwich.pack import load_pack_index

    try:
        with contextlib.closing(load_pack_index(pack.with_suffix(".idx"), SHA1)) as index:
            index.check()
            bound = index.get_pack_checksum()
            rows: list[tuple[bytes, int, int]] = [
                (oid, offset, crc or 0) for oid, offset, crc in index.iterentries()
            ]
        with pack.open("rb") as file:
            header = file.read(12)
            file.seek(-20, os.SEEK_END)
            if header != _header(len(rows)) or file.read() != bound:
                raise ValueError("another pack's index")
    except Exception as error:  # a damaged index trips dulwich in many ways; all of them mean this
        raise _disagreeing(pack) from error
    return rows


def write_missing_index(pack: Path) -> None:
    """Make the index of a whole pack anew.

    Raises:
        DamagedPackError: the pack is not whole.
    """
    from dulwich.object_format import SHA1
    from dulwich.pack import PackData, write_pack_index_v2

    temporary = pack.parent / f"tmp_idx_{pack.stem}"
    try:
        with contextlib.closing(PackData(str(pack), object_format=SHA1)) as data:
            data.check()
            rows = data.sorted_entries()
            checksum = data.get_stored_checksum()
    except Exception as error:  # as above
        raise _disagreeing(pack) from error
    with temporary.open("wb") as out:
        write_pack_index_v2(out, rows, checksum)
        out.flush()
        os.fsync(out.fileno())
    temporary.replace(pack.with_suffix(".idx"))
    sync_folder(pack.parent)


def _disagreeing(pack: Path) -> DamagedPackError:
    return DamagedPackError(
        f"pack {pack.name} does not agree with its index", hint="Run relkit audit to see what is affected."
    )


def _is_delta(entry: bytes) -> bool:
    return (entry[0] >> 4) & 7 in {6, 7}
