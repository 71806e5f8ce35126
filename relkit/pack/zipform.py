"""The bytes of the frozen ZIP layout "zip-1", every one of them.

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

Sources
    [APPNOTE]   PKWARE, .ZIP File Format Specification, sections 4.3 to 4.5

Not here: files, contents and their order (``relkit.pack.archive``).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import UTC, datetime

LAYOUT = "zip-1"

LOCAL = struct.Struct("<4s5H3I2H")  # [APPNOTE] 4.3.7
CENTRAL = struct.Struct("<4s6H3I5H2I")  # [APPNOTE] 4.3.12
END64 = struct.Struct("<4sQ2H2I4Q")  # [APPNOTE] 4.3.14
LOCATOR = struct.Struct("<4sIQI")  # [APPNOTE] 4.3.15
END = struct.Struct("<4s4H2IH")  # [APPNOTE] 4.3.16
CRC_AT = 14  # in a local header
_UTF8 = 0x0800
_PLAIN_VERSION, _ZIP64_VERSION = 20, 45  # tenths
_UNIX = 3 << 8
_MODE = 0o100644 << 16
FULL16, FULL32 = 0xFFFF, 0xFFFFFFFF
_ZIP64_FIELD = 0x0001
_FIRST = datetime(1980, 1, 1, tzinfo=UTC)
_LAST = datetime(2107, 12, 31, 23, 59, 58, tzinfo=UTC)


@dataclass(frozen=True)
class Limits:
    """From which value on a field moves to ZIP64. Only a test has others than these."""

    size: int = FULL32
    entries: int = FULL16


LIMITS = Limits()


@dataclass(frozen=True)
class Entry:
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
        size = FULL32 if large else self.size
        header = LOCAL.pack(
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
        size = FULL32 if values else self.size
        values += [self.offset] if far else []
        extra = struct.pack(f"<2H{len(values)}Q", _ZIP64_FIELD, 8 * len(values), *values) if values else b""
        version = self._version(limits)
        header = CENTRAL.pack(
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
            FULL32 if far else self.offset,
        )
        return header + self.name + extra

    @property
    def _flags(self) -> int:
        return 0 if self.name.isascii() else _UTF8

    def _version(self, limits: Limits) -> int:
        return _ZIP64_VERSION if max(self.size, self.offset) >= limits.size else _PLAIN_VERSION


def end(count: int, directory_size: int, directory_offset: int, limits: Limits) -> bytes:
    """Return what stands behind the directory."""
    many = count >= limits.entries
    long, far = directory_size >= limits.size, directory_offset >= limits.size
    before = b""
    if many or long or far:
        version = _ZIP64_VERSION
        before = END64.pack(
            b"PK\6\6",
            END64.size - 12,
            _UNIX | version,
            version,
            0,
            0,
            count,
            count,
            directory_size,
            directory_offset,
        ) + LOCATOR.pack(b"PK\6\7", 0, directory_offset + directory_size, 1)
    short_count = FULL16 if many else count
    return before + END.pack(
        b"PK\5\6",
        0,
        0,
        short_count,
        short_count,
        FULL32 if long else directory_size,
        FULL32 if far else directory_offset,
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


def stamp_of(moment: datetime) -> tuple[int, int]:
    """Return DOS time and date."""
    at = dos_moment(moment)
    return (
        at.hour << 11 | at.minute << 5 | at.second >> 1,
        (at.year - 1980) << 9 | at.month << 5 | at.day,
    )


def moment_of(time: int, date: int) -> datetime:
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


def parse(directory: bytes, count: int) -> list[Entry]:
    """Take the entries out of a directory, trusting nothing; the caller builds it again and compares.

    Raises:
        ValueError: cut short, a name that is not UTF-8, or no such moment.
    """
    entries: list[Entry] = []
    at = 0
    try:
        for _ in range(count):
            (_, _, _, _, _, time, date, crc, _, size, named, more, _, _, _, _, offset) = CENTRAL.unpack_from(
                directory, at
            )
            at += CENTRAL.size
            name, extra = directory[at : at + named], directory[at + named : at + named + more]
            at += named + more
            large = iter([value for (value,) in struct.iter_unpack("<Q", extra[4:])])
            if size == FULL32:
                size, _ = next(large), next(large)  # as contents and as stored: equal
            if offset == FULL32:
                offset = next(large)
            name.decode()
            moment_of(time, date)
            entries.append(Entry(name, size, offset, crc, (time, date)))
    except (struct.error, StopIteration) as error:
        raise ValueError("cut short") from error
    return entries
