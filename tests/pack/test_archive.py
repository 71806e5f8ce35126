"""The frozen ZIP layout: one form only, read by stock tools, hostile archives refused."""

from __future__ import annotations

import hashlib
import io
import struct
import subprocess
import zipfile
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.pack.archive import (
    BadArchiveError,
    Body,
    Sink,
    WrongBodyError,
    check_zip,
    read_member,
    read_zip,
    write_zip,
)
from relkit.pack.zipform import Limits, dos_moment

MOMENT = datetime(2024, 2, 29, 13, 45, 31, tzinfo=UTC)
TOP = "Example Artist - Song (122 BPM)"
FILES = {
    "WAV/b.wav": b"RIFF" * 9,
    "WAV/caf\u00e9.wav": b"",
    "Cover.jpg": bytes(range(256)),
    "proof/SHA256SUMS": b"x\n",
}
SMALL = Limits(size=200, entries=3)  # lets a small archive use every ZIP64 record


def body(data: bytes) -> Body:
    """Make a body that hands its bytes over in blocks of different kinds."""

    def write(sink: Sink) -> None:
        sink(data[:3])
        sink(memoryview(data)[3:])

    return write


def packed(
    files: Mapping[str, bytes], top: str = TOP, moment: datetime = MOMENT, limits: Limits | None = None
) -> bytes:
    """Write an archive into memory."""
    out = io.BytesIO()
    write_zip(
        out,
        top,
        moment,
        [(path, len(data), body(data)) for path, data in files.items()],
        limits=limits or Limits(),
    )
    return out.getvalue()


def by_zipfile(files: Mapping[str, bytes], moment: datetime = MOMENT) -> bytes:
    """Write the same archive with Python's zipfile, the outside judge of the layout."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(files, key=str.encode):
            info = zipfile.ZipInfo(name, moment.timetuple()[:6])
            info.create_system, info.external_attr = 3, 0o100644 << 16
            archive.writestr(info, files[name])
    return out.getvalue()


def test_the_published_vector_matches_byte_for_byte() -> None:
    """One stored entry, 1980, made on Unix."""
    archive = packed({"a.txt": b"hello\n"}, top="", moment=datetime(1980, 1, 1, tzinfo=UTC))

    # Size and digest: what CPython 3.11's zipfile writes for this entry (mode 0100644), taken down once.
    assert len(archive) == 114
    assert (
        hashlib.sha256(archive).hexdigest()
        == "20978532b86f458ab2e138ecfcea01412d62d8c6f01c0dfaefa518647a450d4c"
    )


def test_a_small_archive_is_what_zipfile_writes() -> None:
    """An independent writer, told the same, gives the same bytes."""
    assert packed(FILES) == by_zipfile({f"{TOP}/{path}": data for path, data in FILES.items()})


NAMES = st.text("abcXYZ \u00e9\u6771\U0001f3b5-", min_size=1, max_size=12).filter(
    lambda name: name == name.strip()
)


@given(st.dictionaries(NAMES.map(str.casefold), st.binary(max_size=300), min_size=1, max_size=6))
def test_any_contents_come_back_and_match_zipfile(files: dict[str, bytes]) -> None:
    """Any names and bytes: equal to zipfile's archive, accepted, and given back."""
    archive = packed(files, top="")
    read = io.BytesIO(archive)

    members = check_zip(read, "", MOMENT)
    contents: dict[str, bytes] = {}
    for member in members:
        blocks: list[bytes] = []
        read_member(read, member, lambda block, into=blocks: into.append(bytes(block)))  # type: ignore[misc]
        contents[member.name] = b"".join(blocks)

    assert archive == by_zipfile(files)
    assert contents == files


def test_the_order_of_the_entries_and_the_zone_do_not_matter() -> None:
    """The same package gives the same bytes however it is handed in."""
    elsewhere = MOMENT.astimezone(timezone(timedelta(hours=-11)))

    assert packed(dict(reversed(FILES.items())), moment=elsewhere) == packed(FILES)


@pytest.mark.parametrize(
    ("moment", "expected"),
    [
        (MOMENT, "AF6D5D58"),  # [APPNOTE] 4.4.6: 13:45:30, the odd second is lost
        (datetime(1980, 1, 1, tzinfo=UTC), "00002100"),  # [APPNOTE] 4.4.6: the first moment that there is
        (datetime(1970, 1, 1, tzinfo=UTC), "00002100"),  # clamped
    ],
)
def test_times_are_dos_times_of_utc(moment: datetime, expected: str) -> None:
    """Worked out by hand from [APPNOTE] 4.4.6: two-second steps, years from 1980."""
    assert packed({"a": b""}, moment=moment)[10:14] == bytes.fromhex(expected)


def test_a_time_after_2107_is_the_last_that_fits() -> None:
    """The range of DOS dates ends there, seven bits from 1980 on."""
    with zipfile.ZipFile(io.BytesIO(packed({"a": b""}, moment=datetime(2200, 5, 5, tzinfo=UTC)))) as archive:
        assert archive.infolist()[0].date_time == (2107, 12, 31, 23, 59, 58)
    with pytest.raises(ValueError, match="zone"):
        dos_moment(datetime(2024, 1, 1))  # noqa: DTZ001 - the fault under test


def test_stock_unzip_and_zipfile_unpack_it(tmp_path: Path) -> None:
    """Info-ZIP and Python give every file back, names in UTF-8 included."""
    file = tmp_path / "package.zip"
    file.write_bytes(packed(FILES))

    tested = subprocess.run(["unzip", "-tq", file], capture_output=True, text=True, check=False)
    subprocess.run(
        ["unzip", "-q", file, "-d", tmp_path / "out"],
        check=True,
        env={"LC_ALL": "C.UTF-8", "PATH": "/usr/bin:/bin"},
    )
    with zipfile.ZipFile(file) as archive:
        assert archive.testzip() is None

    assert (tested.returncode, "No errors detected" in tested.stdout) == (0, True)
    for path, data in FILES.items():
        assert (tmp_path / "out" / TOP / path).read_bytes() == data
    assert (tmp_path / "out" / TOP / "Cover.jpg").stat().st_mode & 0o777 == 0o644


@pytest.mark.parametrize("limits", [Limits(), SMALL], ids=["plain", "zip64"])
def test_every_flipped_bit_is_found(limits: Limits) -> None:
    """Also in times, attributes, versions and flags, which unpack the same."""
    archive = packed(FILES, limits=limits)
    check_zip(io.BytesIO(archive), TOP, MOMENT, limits=limits)

    for at in range(len(archive)):
        for bit in range(8):
            bad = bytearray(archive)
            bad[at] ^= 1 << bit
            with pytest.raises(BadArchiveError):
                check_zip(io.BytesIO(bad), TOP, MOMENT, limits=limits)


@pytest.mark.parametrize("limits", [Limits(), SMALL], ids=["plain", "zip64"])
def test_every_inserted_or_lost_byte_is_found(limits: Limits) -> None:
    """A prefix, a gap, a trailing byte, a truncation."""
    archive = packed(FILES, limits=limits)
    for at in range(len(archive) + 1):
        for bad in (archive[:at] + b"\0" + archive[at:], archive[:at] + archive[at + 1 :], archive[:at]):
            if bad != archive:
                with pytest.raises(BadArchiveError):
                    check_zip(io.BytesIO(bad), TOP, MOMENT, limits=limits)


def _with_zipfile(change: Callable[[zipfile.ZipFile, zipfile.ZipInfo], None]) -> bytes:
    """Write FILES with zipfile, each entry changed a little."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for path in sorted(FILES, key=str.encode):
            info = zipfile.ZipInfo(f"{TOP}/{path}", MOMENT.timetuple()[:6])
            info.create_system, info.external_attr = 3, 0o100644 << 16
            change(archive, info)
            archive.writestr(info, FILES[path])
    return out.getvalue()


def _time(_: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    info.date_time = (2024, 2, 29, 13, 45, 32)


def _one_time(_: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    if info.filename.endswith("jpg"):
        info.date_time = (2024, 2, 29, 13, 45, 32)


def _mode(_: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    info.external_attr = 0o100755 << 16


def _system(_: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    info.create_system = 0


def _extra(_: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    info.extra = struct.pack("<2HI", 0x5455, 4, 1)


def _comment(_: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    info.comment = b"hello"


def _archive_comment(archive: zipfile.ZipFile, _: zipfile.ZipInfo) -> None:
    archive.comment = b"hello"


def _deflated(_: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    info.compress_type = zipfile.ZIP_DEFLATED


def _same(_: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    """Change nothing."""


@pytest.mark.parametrize(
    "change", [_time, _one_time, _mode, _system, _extra, _comment, _archive_comment, _deflated]
)
def test_an_archive_that_unpacks_the_same_is_not_the_same(
    change: Callable[[zipfile.ZipFile, zipfile.ZipInfo], None],
) -> None:
    """Valid archives with equal contents, written by zipfile with one thing different."""
    assert _with_zipfile(_same) == packed(FILES)
    with pytest.raises(BadArchiveError):
        check_zip(io.BytesIO(_with_zipfile(change)), TOP, MOMENT)


@pytest.mark.parametrize(
    "names",
    [
        ["../a"],
        ["/a"],
        ["a/../../b"],
        ["C:/a"],
        ["a\\b"],
        ["con"],
        ["a", "A"],
        ["caf\u00e9", "cafe\u0301"],
        ["a", "a/b"],
        ["a/"],
        ["/".join("x" * 17)],
        ["/".join(["x" * 250] * 9)],
        [],
    ],
)
def test_names_that_climb_or_collide_are_refused_on_both_sides(names: list[str]) -> None:
    """Whatever program wrote the archive; and the writer never makes one."""
    files = dict.fromkeys(names, b"data")
    with pytest.raises(BadArchiveError):
        check_zip(io.BytesIO(by_zipfile(files)), "", MOMENT)
    with pytest.raises(ValueError):  # noqa: PT011 - each case has its own words
        packed(files, top="")


def test_entries_in_another_order_are_refused() -> None:
    """Sorted by bytes, capitals first."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name in ["a", "B"]:
            info = zipfile.ZipInfo(name, MOMENT.timetuple()[:6])
            info.create_system, info.external_attr = 3, 0o100644 << 16
            archive.writestr(info, b"")
    with pytest.raises(BadArchiveError, match="order"):
        read_zip(out)


def test_another_top_folder_or_moment_is_refused() -> None:
    """The manifest says both."""
    archive = io.BytesIO(packed(FILES))
    with pytest.raises(BadArchiveError, match="does not lie in"):
        check_zip(archive, "Other", MOMENT)
    with pytest.raises(BadArchiveError, match="times"):
        check_zip(archive, TOP, MOMENT + timedelta(seconds=2))


@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    """No other error than the declared one."""
    with pytest.raises(BadArchiveError):
        read_zip(io.BytesIO(data))
    with pytest.raises(BadArchiveError):
        read_zip(io.BytesIO(data + packed(FILES)[-22:]))


@given(st.data())
def test_a_rewritten_directory_is_read_or_refused(data: st.DataObject) -> None:
    """Several bytes of an archive replaced at once, sizes and counts among them."""
    bad = bytearray(packed(FILES, limits=SMALL))
    for at in data.draw(st.lists(st.integers(0, len(bad) - 1), min_size=1, max_size=12)):
        bad[at] = data.draw(st.sampled_from([0, 1, 0x7F, 0xFE, 0xFF]))
    if bytes(bad) != packed(FILES, limits=SMALL):
        with pytest.raises(BadArchiveError):
            check_zip(io.BytesIO(bad), TOP, MOMENT, limits=SMALL)


def test_a_directory_that_claims_the_whole_disk_is_refused_unread() -> None:
    """Count and sizes are bounded by the file before anything is read or allocated."""
    end64 = struct.pack("<4sQ2H2I4Q", b"PK\6\6", 44, 0x32D, 45, 0, 0, 2**60, 2**60, 2**62, 0)
    locator = struct.pack("<4sIQI", b"PK\6\7", 0, 2**62, 1)
    end = struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, 0xFFFF, 0xFFFF, 0xFFFFFFFF, 0, 0)
    with pytest.raises(BadArchiveError, match="length"):
        read_zip(io.BytesIO(end64 + locator + end))


@pytest.mark.parametrize(("size", "found"), [(4, "more"), (6, "5")])
def test_a_body_of_another_size_is_refused(size: int, found: str) -> None:
    """The writer notices before the archive is finished."""
    with pytest.raises(WrongBodyError, match=f"has {found}"):
        write_zip(io.BytesIO(), TOP, MOMENT, [("a", size, body(b"hello"))])


def test_an_archive_starts_at_the_start() -> None:
    """A prefix would not be found again."""
    out = io.BytesIO()
    out.write(b"prefix")
    with pytest.raises(ValueError, match="than one folder"):
        write_zip(io.BytesIO(), "a/b", MOMENT, [("a", 0, body(b""))])
    with pytest.raises(ValueError, match="start"):
        write_zip(out, TOP, MOMENT, [("a", 0, body(b""))])


def test_zip64_records_are_read_by_zipfile() -> None:
    """Every ZIP64 field in one small archive: sizes, offsets, count, directory."""
    archive = packed(FILES, limits=SMALL)

    with zipfile.ZipFile(io.BytesIO(archive)) as read:
        assert {info.filename: read.read(info) for info in read.infolist()} == {
            f"{TOP}/{path}": data for path, data in FILES.items()
        }
        assert [info.extract_version for info in read.infolist()] == [45, 45, 45, 45]
    assert archive.count(b"PK\6\6") == archive.count(b"PK\6\7") == 1
    # The two forms are not interchangeable: each has its place by size alone.
    with pytest.raises(BadArchiveError):
        check_zip(io.BytesIO(archive), TOP, MOMENT)


class Sparse:
    """A file that seeks over blocks of zeros instead of writing them."""

    def __init__(self, file: io.BufferedRandom) -> None:
        self.file = file
        self.tell, self.seek = file.tell, file.seek

    def write(self, block: bytes | memoryview) -> int:
        """Write, or leave a hole for a large block, which is always zeros here."""
        if len(block) < 2**20:
            return self.file.write(block)
        self.file.seek(len(block), 1)
        return len(block)


def test_more_than_four_gib_is_read_by_zipfile_and_by_unzip(tmp_path: Path) -> None:
    """A real archive over the limit, in a sparse file: large size, far offset, far directory."""
    size = 2**32
    zeros = memoryview(bytes(2**26))

    def large(sink: Sink) -> None:
        for _ in range(size // len(zeros)):
            sink(zeros)

    with (tmp_path / "large.zip").open("w+b") as file:
        write_zip(Sparse(file), "t", MOMENT, [("b", 5, body(b"hello")), ("a", size, large)])  # type: ignore[arg-type]
        archive = read_zip(file)
        with zipfile.ZipFile(file) as read:
            infos = read.infolist()
            assert read.read("t/b") == b"hello"

    assert [(info.filename, info.file_size, info.header_offset) for info in infos] == [
        ("t/a", size, 0),
        ("t/b", 5, archive.members[1].offset - 30 - 3),
    ]
    assert archive.members[0].crc32 == infos[0].CRC
    unzipped = subprocess.run(
        ["unzip", "-p", tmp_path / "large.zip", "t/b"], capture_output=True, check=False
    )
    assert (unzipped.returncode, unzipped.stdout) == (0, b"hello")


def test_sixty_five_thousand_entries_are_read_by_zipfile() -> None:
    """The count at which ZIP64 begins."""
    out = io.BytesIO()
    write_zip(out, "", MOMENT, [(f"{n:05}", 0, body(b"")) for n in range(0xFFFF)])

    with zipfile.ZipFile(out) as read:
        assert len(read.infolist()) == 0xFFFF
    assert len(read_zip(out).members) == 0xFFFF
    assert out.getvalue()[-22:-18] == b"PK\5\6"
    assert out.getvalue()[-42:-38] == b"PK\6\7"
