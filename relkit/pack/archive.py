"""How does a package become one file? The frozen ZIP layout "zip-1", written and checked.

A ZIP is never stored. It is written again from content, years later perhaps,
and must then have the same bytes. No library promises that for its own ZIP
writer, so this small one exists. **Nothing here may change**: another layout
is "zip-2", beside this one.

The layout
    entries      stored (method 0), sorted by the bytes of their names, each right after the one before
    names        <top>/<path> in UTF-8; flag bit 11 only where a name is not ASCII
    times        one moment for all: the manifest's ``recorded_at`` in UTC, even seconds, 1980 to 2107
    attributes   made on Unix (3), mode 0100644; internal attributes 0
    left out     folders, extra fields, comments, data descriptors, encryption, anything before or after
    ZIP64        only where a size or offset is 2**32 - 1 or more or there are 65535 entries or more, and
                 then only the fields that need it (a local header always has both sizes)
    versions     made by 2.0 and needed 2.0; 4.5 for an entry or an end that uses ZIP64

Reading asks one question: are these the bytes that this writer would have
written for these names, sizes and contents? Everything but the contents is
built again and compared, so a second form of the same archive has no place
to be.

Sources
    [APPNOTE]   PKWARE, .ZIP File Format Specification, sections 4.3 to 4.5

Not here: what lies in a package (``relkit.pack.layout``), SHA-256 and
signatures. CRC-32 finds accidents, not attackers: a caller still compares
every digest with the signed manifest.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import BinaryIO, NamedTuple, TypeAlias

from relkit.errors import DamagedError
from relkit.filenames import fault_of_path, shown, twins

LAYOUT = "zip-1"

Sink: TypeAlias = Callable[[bytes | memoryview], object]
Body: TypeAlias = Callable[[Sink], None]

_LOCAL = struct.Struct("<4s5H3I2H")  # [APPNOTE] 4.3.7
_CENTRAL = struct.Struct("<4s6H3I5H2I")  # [APPNOTE] 4.3.12
_END64 = struct.Struct("<4sQ2H2I4Q")  # [APPNOTE] 4.3.14
_LOCATOR = struct.Struct("<4sIQI")  # [APPNOTE] 4.3.15
_END = struct.Struct("<4s4H2IH")  # [APPNOTE] 4.3.16
_CRC_AT = 14  # in a local header
_UTF8 = 0x0800
_PLAIN_VERSION, _ZIP64_VERSION = 20, 45  # tenths
_UNIX = 3 << 8
_MODE = 0o100644 << 16
_FULL16, _FULL32 = 0xFFFF, 0xFFFFFFFF
_ZIP64_FIELD = 0x0001
_FIRST = datetime(1980, 1, 1, tzinfo=UTC)
_LAST = datetime(2107, 12, 31, 23, 59, 58, tzinfo=UTC)

# Bounds for hostile archives; a package has some dozens of entries, three levels deep.
MAX_DIRECTORY_BYTES = 16 * 2**20
MAX_PATH_BYTES = 2048
MAX_DEPTH = 16
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


@dataclass(frozen=True)
class Limits:
    """From which value on a field moves to ZIP64. Only a test has others than these."""

    size: int = _FULL32
    entries: int = _FULL16


LIMITS = Limits()


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


@dataclass(frozen=True)
class _Entry:
    """All that the layout needs to know of one file."""

    name: bytes
    size: int
    offset: int  # of the local header
    crc: int
    stamp: tuple[int, int]  # DOS time and date

    def local(self, limits: Limits) -> bytes:
        """Return the local header."""
        large = self.size >= limits.size
        extra = struct.pack("<2H2Q", _ZIP64_FIELD, 16, self.size, self.size) if large else b""
        size = _FULL32 if large else self.size
        header = _LOCAL.pack(
            b"PK\3\4",
            self._version(limits),
            self._flags,
            0,
            *self.stamp,
            self.crc,
            size,
            size,
            len(self.name),
            len(extra),
        )
        return header + self.name + extra

    def central(self, limits: Limits) -> bytes:
        """Return the entry of the directory at the end."""
        values = [self.size, self.size] if self.size >= limits.size else []
        far = self.offset >= limits.size
        size = _FULL32 if values else self.size
        values += [self.offset] if far else []
        extra = struct.pack(f"<2H{len(values)}Q", _ZIP64_FIELD, 8 * len(values), *values) if values else b""
        version = self._version(limits)
        header = _CENTRAL.pack(
            b"PK\1\2",
            _UNIX | version,
            version,
            self._flags,
            0,
            *self.stamp,
            self.crc,
            size,
            size,
            len(self.name),
            len(extra),
            0,
            0,
            0,
            _MODE,
            _FULL32 if far else self.offset,
        )
        return header + self.name + extra

    @property
    def _flags(self) -> int:
        return 0 if self.name.isascii() else _UTF8

    def _version(self, limits: Limits) -> int:
        return _ZIP64_VERSION if max(self.size, self.offset) >= limits.size else _PLAIN_VERSION


def _end(count: int, directory_size: int, directory_offset: int, limits: Limits) -> bytes:
    """Return what stands behind the directory."""
    many = count >= limits.entries
    long, far = directory_size >= limits.size, directory_offset >= limits.size
    before = b""
    if many or long or far:
        version = _ZIP64_VERSION
        before = _END64.pack(
            b"PK\6\6",
            _END64.size - 12,
            _UNIX | version,
            version,
            0,
            0,
            count,
            count,
            directory_size,
            directory_offset,
        ) + _LOCATOR.pack(b"PK\6\7", 0, directory_offset + directory_size, 1)
    short_count = _FULL16 if many else count
    return before + _END.pack(
        b"PK\5\6",
        0,
        0,
        short_count,
        short_count,
        _FULL32 if long else directory_size,
        _FULL32 if far else directory_offset,
        0,
    )


def dos_moment(moment: datetime) -> datetime:
    """Return a moment as the layout can hold it: UTC, even seconds, 1980 to 2107.

    Raises:
        ValueError: a moment without a zone.
    """
    if moment.tzinfo is None:
        raise ValueError("a moment needs its zone")
    utc = min(max(moment.astimezone(UTC), _FIRST), _LAST)
    return utc.replace(second=utc.second & ~1, microsecond=0)


def _stamp(moment: datetime) -> tuple[int, int]:
    """Return DOS time and date."""
    at = dos_moment(moment)
    return (
        at.hour << 11 | at.minute << 5 | at.second >> 1,
        (at.year - 1980) << 9 | at.month << 5 | at.day,
    )


def _moment(time: int, date: int) -> datetime:
    """Read DOS time and date; ValueError where there is no such moment."""
    return datetime(
        (date >> 9) + 1980,
        date >> 5 & 15,
        date & 31,
        time >> 11,
        time >> 5 & 63,
        (time & 31) * 2,
        tzinfo=UTC,
    )


def _faults(names: list[str]) -> Iterator[str]:
    """Say what is wrong with names, each in a few words."""
    if not names:
        yield "it is empty"
    for name in names:
        fault = fault_of_path(name)
        if fault is not None:
            yield f"the name {shown(name)!r} {fault}"
        elif len(name.encode()) > MAX_PATH_BYTES or name.count("/") >= MAX_DEPTH:
            yield f"the name {shown(name[:80])!r}... is too long"
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
    stamp = _stamp(moment)
    prefix = f"{top}/" if top else ""
    wanted = [(prefix + path, size, body) for path, size, body in entries]
    fault = next(_faults([name for name, _, _ in wanted]), None)
    if fault is not None:
        raise ValueError(fault)
    wanted.sort(key=lambda item: item[0].encode())
    offset = 0
    directory: list[bytes] = []
    for name, size, body in wanted:
        blank = _Entry(name.encode(), size, offset, 0, stamp)
        header = blank.local(limits)
        out.write(header)
        crc = _write_body(out, name, size, body)
        out.seek(offset + _CRC_AT)
        out.write(struct.pack("<I", crc))
        directory.append(_Entry(blank.name, size, offset, crc, stamp).central(limits))
        offset += len(header) + size
        out.seek(offset)
    written = b"".join(directory)
    out.write(written + _end(len(directory), len(written), offset, limits))


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
    entries = _parse(directory, count)
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
    end = _end(count, len(directory), directory_offset, limits)
    if directory_offset != expected or _read_at(file, expected + len(directory), len(end) + 1) != end:
        raise BadArchiveError("there are bytes too many or too few")
    return Archive(_moment(*entries[0].stamp), members)


def _read_directory(file: BinaryIO) -> tuple[bytes, int, int]:
    """Find the directory from the end; return it, the count of entries, and its offset."""
    file_size = file.seek(0, 2)
    if file_size < _END.size:
        raise BadArchiveError("it is cut short, or no ZIP")
    tail = file_size - _END.size
    magic, _, _, _, count, size, offset, _ = _END.unpack(_read_at(file, tail, _END.size))
    if magic != b"PK\5\6":
        raise BadArchiveError("its end is missing or something follows it")
    if count == _FULL16 or _FULL32 in {size, offset}:
        tail -= _LOCATOR.size + _END64.size
        if tail < 0:
            raise BadArchiveError("it is cut short")
        *_, count, size, offset = _END64.unpack(_read_at(file, tail, _END64.size))
    if size > MAX_DIRECTORY_BYTES or offset + size != tail or count * _CENTRAL.size > size:
        raise BadArchiveError("its end does not fit its length")
    return _read_at(file, offset, size), count, offset


def _parse(directory: bytes, count: int) -> list[_Entry]:
    """Take the entries out of a directory, trusting nothing; the caller builds it again and compares."""
    entries: list[_Entry] = []
    at = 0
    try:
        for _ in range(count):
            (_, _, _, _, _, time, date, crc, _, size, named, more, _, _, _, _, offset) = _CENTRAL.unpack_from(
                directory, at
            )
            at += _CENTRAL.size
            name, extra = directory[at : at + named], directory[at + named : at + named + more]
            at += named + more
            large = iter([value for (value,) in struct.iter_unpack("<Q", extra[4:])])
            if size == _FULL32:
                size, _ = next(large), next(large)  # as contents and as stored: equal
            if offset == _FULL32:
                offset = next(large)
            name.decode()
            _moment(time, date)
            entries.append(_Entry(name, size, offset, crc, (time, date)))
    except (struct.error, StopIteration, ValueError) as error:
        raise BadArchiveError("its list of files cannot be read") from error
    if len({entry.stamp for entry in entries}) > 1:
        raise BadArchiveError("its files have different times")
    return entries


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
