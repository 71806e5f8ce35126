"""How does a package become one file? A ZIP of frozen layout, written and checked.

Reading asks one question: are these the bytes that the writer would have
written for these names, sizes and contents? Everything but the contents is
built again and compared, so a second form of the same archive has no place
to be.

Conventions
    moment    with a zone; stored as UTC in even seconds
    name      <top folder>/<path>, or the path alone where there is no top folder

Not here: the bytes of the layout (``relkit.pack.zipform``), what lies in a
package (``relkit.pack.layout``), SHA-256 and signatures. CRC-32 finds
accidents, not attackers: a caller still compares every digest with the signed
manifest.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import BinaryIO, NamedTuple, TypeAlias

from relkit.errors import DamagedError
from relkit.filenames import fault_of_path, shown, twins
from relkit.pack import zipform
from relkit.pack.zipform import LIMITS, Entry, Limits, dos_moment

Sink: TypeAlias = Callable[[bytes | memoryview], object]
Body: TypeAlias = Callable[[Sink], None]

# Bound for hostile archives; a package has some dozens of entries.
MAX_DIRECTORY_BYTES = 16 * 2**20
_WINDOW_BYTES = 2**20


class BadArchiveError(DamagedError):
    """An archive does not have exactly the bytes that its layout prescribes."""

    def __init__(self, reason: str) -> None:
        super().__init__(
            f"the archive is not as it was written: {reason}",
            hint="Ask the sender for it again. Unpacked and packed anew, it is a different archive.",
        )


class WrongBodyError(DamagedError):
    """A file handed over another number of bytes than its manifest says."""

    def __init__(self, path: str, *, recorded: int, found: str) -> None:
        super().__init__(
            f"{shown(path)} should have {recorded} bytes and has {found}",
            hint="Run `relkit audit`: the store may be damaged. The half-written archive is of no use.",
        )


class Member(NamedTuple):
    """One file inside an archive; ``name`` includes the top folder, ``offset`` is that of its contents."""

    name: str
    offset: int
    size_bytes: int
    crc32: int


@dataclass(frozen=True)
class Archive:
    """What an archive says about itself, its contents not yet read."""

    moment: datetime  # UTC, even seconds
    members: list[Member]


def _faults(names: list[str]) -> Iterator[str]:
    """Say what is wrong with names, each in a few words."""
    if not names:
        yield "it is empty"
    for name in names:
        fault = fault_of_path(name)
        if fault is not None:
            yield f"the name {shown(name[:80])!r} {fault}"
    # Only now: pairing names of any depth would take for ever.
    for first, second in twins(names):
        yield f"{shown(first)!r} and {shown(second)!r} are one file on some systems"


def write_zip(
    out: BinaryIO,
    top: str,
    moment: datetime,
    entries: Iterable[tuple[str, int, Body]],
    *,
    limits: Limits = LIMITS,
) -> None:
    """Write an archive; contents stream, none is held whole.

    Args:
        out: seekable, empty, at its start. What was written of a failed archive stays in it.
        top: name of the one folder that holds everything; "" for none.
        moment: with a zone; see ``dos_moment``.
        entries: path below ``top``, size [bytes], and a body that hands its bytes to a sink; in any order.
        limits: for tests.

    Raises:
        WrongBodyError: a body handed over more or less than its size.
        ValueError: no entries, an unsafe or doubled name, a moment without zone, ``out`` not at its start.
    """
    if out.tell() != 0:
        raise ValueError("an archive starts at the start of its file")
    if "/" in top:
        raise ValueError(f"{top!r} is more than one folder")
    stamp = zipform.stamp_of(moment)
    prefix = f"{top}/" if top else ""
    wanted = [(prefix + path, size, body) for path, size, body in entries]
    fault = next(_faults([name for name, _, _ in wanted]), None)
    if fault is not None:
        raise ValueError(fault)
    wanted.sort(key=lambda item: item[0].encode())
    offset = 0
    directory: list[bytes] = []
    for name, size, body in wanted:
        blank = Entry(name.encode(), size, offset, 0, stamp)
        header = blank.local(limits)
        out.write(header)
        crc = _write_body(out, name, size, body)
        out.seek(offset + zipform.CRC_AT)
        out.write(struct.pack("<I", crc))
        directory.append(Entry(blank.name, size, offset, crc, stamp).central(limits))
        offset += len(header) + size
        out.seek(offset)
    written = b"".join(directory)
    out.write(written + zipform.end(len(directory), len(written), offset, limits))


def _write_body(out: BinaryIO, name: str, size: int, body: Body) -> int:
    """Let one body write; return its CRC-32."""
    crc = seen = 0

    def sink(block: bytes | memoryview) -> None:
        nonlocal crc, seen
        seen += memoryview(block).nbytes
        if seen > size:
            raise WrongBodyError(name, recorded=size, found="more")
        crc = zlib.crc32(block, crc)
        out.write(block)

    body(sink)
    if seen != size:
        raise WrongBodyError(name, recorded=size, found=str(seen))
    return crc


def read_zip(file: BinaryIO, *, limits: Limits = LIMITS) -> Archive:
    """Read what an archive holds; contents are not read yet.

    All bytes but the contents are checked: they are what the layout prescribes
    for these names, sizes and CRCs at one moment.

    Args:
        file: seekable. Memory is bounded by its directory, ``MAX_DIRECTORY_BYTES``.
        limits: for tests.

    Raises:
        BadArchiveError: any byte, name, size or order that the layout does not prescribe.
    """
    directory, count, directory_offset = _read_directory(file)
    try:
        entries = zipform.parse(directory, count)
    except ValueError as error:
        raise BadArchiveError("its list of files cannot be read") from error
    if len({entry.stamp for entry in entries}) > 1:
        raise BadArchiveError("its files have different times")
    if b"".join(entry.central(limits) for entry in entries) != directory:
        raise BadArchiveError("its list of files has another form")
    names = [entry.name for entry in entries]
    if names != sorted(names):
        raise BadArchiveError("its files are in another order")
    fault = next(_faults([name.decode() for name in names]), None)
    if fault is not None:
        raise BadArchiveError(fault)
    members: list[Member] = []
    expected = 0
    for entry in entries:
        header = entry.local(limits)
        if entry.offset != expected or _read_at(file, entry.offset, len(header)) != header:
            raise BadArchiveError(
                f"the entry {shown(entry.name.decode())!r} does not begin where and as it should"
            )
        members.append(Member(entry.name.decode(), expected + len(header), entry.size, entry.crc))
        expected += len(header) + entry.size
    end = zipform.end(count, len(directory), directory_offset, limits)
    if directory_offset != expected or _read_at(file, expected + len(directory), len(end) + 1) != end:
        raise BadArchiveError("there are bytes too many or too few")
    return Archive(zipform.moment_of(*entries[0].stamp), members)


def _read_directory(file: BinaryIO) -> tuple[bytes, int, int]:
    """Find the directory from the end; return it, the count of entries, and its offset."""
    file_size = file.seek(0, 2)
    if file_size < zipform.END.size:
        raise BadArchiveError("it is cut short, or no ZIP")
    tail = file_size - zipform.END.size
    magic, _, _, _, count, size, offset, _ = zipform.END.unpack(_read_at(file, tail, zipform.END.size))
    if magic != b"PK\5\6":
        raise BadArchiveError("its end is missing or something follows it")
    if count == zipform.FULL16 or zipform.FULL32 in {size, offset}:
        tail -= zipform.LOCATOR.size + zipform.END64.size
        if tail < 0:
            raise BadArchiveError("it is cut short")
        *_, count, size, offset = zipform.END64.unpack(_read_at(file, tail, zipform.END64.size))
    if size > MAX_DIRECTORY_BYTES or offset + size != tail or count * zipform.CENTRAL.size > size:
        raise BadArchiveError("its end does not fit its length")
    return _read_at(file, offset, size), count, offset


def _read_at(file: BinaryIO, offset: int, length: int) -> bytes:
    file.seek(offset)
    return file.read(length)


def read_member(file: BinaryIO, member: Member, sink: Sink) -> None:
    """Hand the contents of one member to a sink, in blocks.

    Raises:
        BadArchiveError: they do not have their CRC-32; blocks handed over before are no good.
    """
    file.seek(member.offset)
    crc, left = 0, member.size_bytes
    while left:
        block = file.read(min(left, _WINDOW_BYTES))
        if not block:
            raise BadArchiveError("it is cut short")
        crc = zlib.crc32(block, crc)
        sink(block)
        left -= len(block)
    if crc != member.crc32:
        raise BadArchiveError(f"the contents of {shown(member.name)!r} are damaged")


def check_zip(file: BinaryIO, top: str, moment: datetime, *, limits: Limits = LIMITS) -> list[Member]:
    """Check every byte of an archive against the layout, contents against their CRC-32.

    Args:
        file: seekable.
        top: the folder it must have, "" for none.
        moment: the manifest's ``recorded_at``.
        limits: for tests.

    Returns:
        The members, sorted by the bytes of their names.

    Raises:
        BadArchiveError: any difference.
    """
    archive = read_zip(file, limits=limits)
    if archive.moment != dos_moment(moment):
        raise BadArchiveError("its times are not that of its manifest")
    for member in archive.members:
        if top and not member.name.startswith(f"{top}/"):
            raise BadArchiveError(f"{shown(member.name)!r} does not lie in {shown(top)!r}")
        read_member(file, member, lambda _: None)
    return archive.members
