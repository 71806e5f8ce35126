"""A package's ZIP that was changed, unpacked and packed again, or wrapped in something.

Other programs' archives are made by the standard library's zipfile.
"""

from __future__ import annotations

import io
import random
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typing_extensions import Buffer

from relkit.errors import DamagedError
from relkit.pack.archive import Body, Sink, write_zip
from relkit.pack.layout import PROOF_FILES
from relkit.release.verify import NoPackageError, PackageFaultsError, verify
from tests.support.tiny_release import Tiny, start, tiny_wav


@pytest.fixture
def package(tiny: Tiny) -> Path:
    """A package as a ZIP: the DJ's second one."""
    return tiny.package(3)


def refused(tiny: Tiny, package: Path) -> DamagedError:
    """Return what verify says; it must exit with 4."""
    with pytest.raises(DamagedError) as caught:
        verify(package, tiny.home)
    assert caught.value.exit_code == 4
    return caught.value


def test_every_byte_of_a_zip_counts(tmp_path: Path) -> None:
    """Exhaustive on the smallest package: one version of 20 frames. Each byte is changed and changed back."""
    tiny = start(tmp_path / "smallest")
    (tiny.folder / "artwork" / "cover.png").unlink()
    tiny.commit("only", instrumental=tiny_wav(1, 20))
    tiny.ship("DJ", kind="club-dj", form="zip")
    path, home = tiny.package(1), tiny.home
    verify(path, home)
    rng = random.Random(5)
    whole = path.read_bytes()
    with path.open("r+b", buffering=0) as file:
        for at, byte in enumerate(whole):
            file.seek(at)
            file.write(bytes([byte ^ rng.choice([1 << rng.randrange(8), rng.randrange(1, 256)])]))
            with pytest.raises(DamagedError) as caught:
                verify(path, home)
            assert caught.value.exit_code == 4, at
            file.seek(at)
            file.write(bytes([byte]))
    verify(path, home)


def test_every_cut_through_a_zip_is_noticed(tiny: Tiny, package: Path) -> None:
    """A download that stopped, anywhere; also at nothing at all."""
    whole = package.read_bytes()
    rng = random.Random(6)
    for length in {
        0,
        1,
        3,
        4,
        len(whole) - 1,
        len(whole) - 22,
        *(rng.randrange(len(whole)) for _ in range(40)),
    }:
        package.write_bytes(whole[:length])
        refused(tiny, package)


def test_a_changed_content_is_named(tiny: Tiny, package: Path) -> None:
    """Where the frame around it is whole, the file inside is named, and only that."""
    with zipfile.ZipFile(package) as archive:
        member = next(each for each in archive.infolist() if each.filename.endswith(".wav"))
    whole = bytearray(package.read_bytes())
    whole[member.header_offset + 30 + len(member.filename.encode()) + 100] ^= 1
    package.write_bytes(whole)
    error = refused(tiny, package)
    assert isinstance(error, PackageFaultsError)
    assert set(error.bad) == {member.filename.partition("/")[2]}


def entries(package: Path) -> list[tuple[zipfile.ZipInfo, bytes]]:
    """Return what an archive holds, in order."""
    with zipfile.ZipFile(package) as archive:
        return [(each, archive.read(each)) for each in archive.infolist()]


def rezipped(
    package: Path,
    change: Callable[[zipfile.ZipInfo], None] = lambda _: None,
    *,
    order: Callable[[str], object] = lambda _: 0,
    comment: bytes = b"",
    folders: bool = False,
) -> bytes:
    """Pack the same files again with zipfile."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        if folders:
            archive.mkdir(entries(package)[0][0].filename.partition("/")[0])
        for info, data in sorted(entries(package), key=lambda row: str(order(row[0].filename))):
            change(info)
            archive.writestr(info, data)
        archive.comment = comment
    return out.getvalue()


def stamped(info: zipfile.ZipInfo) -> None:
    """Give another time."""
    info.date_time = (2030, 1, 1, 0, 0, 0)


def deflated(info: zipfile.ZipInfo) -> None:
    """Compress."""
    info.compress_type = zipfile.ZIP_DEFLATED


def commented(info: zipfile.ZipInfo) -> None:
    """Give one entry a comment."""
    info.comment = b"hello"


def extended(info: zipfile.ZipInfo) -> None:
    """Give an extra field, as Info-ZIP writes one for times."""
    info.extra = b"UT\x05\x00\x01\x00\x00\x00\x00"


def moded(info: zipfile.ZipInfo) -> None:
    """Make it executable."""
    info.external_attr = 0o100755 << 16


def made_by_dos(info: zipfile.ZipInfo) -> None:
    """Say that another system made it."""
    info.create_system = 0


CHANGES: dict[str, Callable[[Path], bytes]] = {
    "other times": lambda package: rezipped(package, stamped),
    "compressed": lambda package: rezipped(package, deflated),
    "entry comments": lambda package: rezipped(package, commented),
    "extra fields": lambda package: rezipped(package, extended),
    "other modes": lambda package: rezipped(package, moded),
    "another system": lambda package: rezipped(package, made_by_dos),
    "another order": lambda package: rezipped(package, order=lambda name: name[::-1]),
    "archive comment": lambda package: rezipped(package, comment=b"bought at the corner"),
    "a folder's own entry": lambda package: rezipped(package, folders=True),
    "bytes after the end": lambda package: package.read_bytes() + b"\0",
    "bytes before the start": lambda package: b"#!/bin/sh\n" + package.read_bytes(),
    "twice in a row": lambda package: package.read_bytes() * 2,
}


@pytest.mark.parametrize("change", CHANGES)
def test_an_archive_that_unpacks_the_same_is_another_archive(tiny: Tiny, package: Path, change: str) -> None:
    """All of these give the same files to any unpacker; none is what was sent."""
    before = {info.filename: data for info, data in entries(package)}
    package.write_bytes(CHANGES[change](package))
    after = {info.filename.rstrip("/"): data for info, data in entries(package) if not info.is_dir()}
    assert after == before, "the change is to the wrapping alone"
    refused(tiny, package)


def test_a_data_descriptor_is_another_form(tiny: Tiny, package: Path) -> None:
    """What zipfile writes when it cannot seek."""

    class Pipe(io.RawIOBase):
        """Takes bytes and cannot go back."""

        def __init__(self) -> None:
            self.taken = bytearray()

        def writable(self) -> bool:
            """Say yes."""
            return True

        def write(self, data: Buffer) -> int:
            """Keep the bytes."""
            block = bytes(data)
            self.taken += block
            return len(block)

    pipe = Pipe()
    with zipfile.ZipFile(pipe, "w") as archive:
        for info, data in entries(package):
            archive.writestr(info, data)
    package.write_bytes(pipe.taken)
    refused(tiny, package)


def written(path: Path, top: str, moment: datetime, files: dict[str, bytes]) -> None:
    """Write any files in the very layout: what only relkit's writer can do."""

    def body(data: bytes) -> Body:
        def write(sink: Sink) -> None:
            sink(data)

        return write

    with path.open("wb") as out:
        write_zip(out, top, moment, [(name, len(data), body(data)) for name, data in files.items()])


def inside(package: Path) -> dict[str, bytes]:
    """Return the files of an archive by their names below the top folder."""
    return {info.filename.partition("/")[2]: data for info, data in entries(package)}


def moment_of(tiny: Tiny, package: Path) -> datetime:
    """Return the time that a package's archive must have."""
    return datetime.fromisoformat(verify(package, tiny.home).manifest.recorded_at)


@pytest.mark.parametrize("name", [".DS_Store", "desktop.ini", "__MACOSX/._x", "x.exe", "proof/more"])
def test_a_file_more_in_the_very_layout(tiny: Tiny, package: Path, name: str) -> None:
    """In an archive nobody leaves litter by accident: every file more is foreign."""
    moment, files = moment_of(tiny, package), inside(package)
    written(package, package.stem, moment, files)
    verify(package, tiny.home)
    written(package, package.stem, moment, {**files, name: b"more"})
    error = refused(tiny, package)
    assert isinstance(error, PackageFaultsError)
    assert error.extra == [name]


@pytest.mark.parametrize("gone", [*sorted(PROOF_FILES), "audio"])
def test_a_file_less_in_the_very_layout(tiny: Tiny, package: Path, gone: str) -> None:
    """The missing one is named."""
    wanted = gone
    if gone == "audio":
        wanted = next(i.filename.partition("/")[2] for i, _ in entries(package) if "Clean" in i.filename)
    moment, files = moment_of(tiny, package), inside(package)
    written(package, package.stem, moment, {name: data for name, data in files.items() if name != wanted})
    error = refused(tiny, package)
    assert isinstance(error, PackageFaultsError)
    assert error.missing == [wanted]


def test_a_renamed_zip_is_the_same_package(tiny: Tiny, package: Path) -> None:
    """A browser that adds "(1)" changes no byte."""
    other = package.rename(package.with_name("download (1)"))
    assert verify(other, tiny.home).manifest.name == package.stem


def test_another_top_folder_is_noticed(tiny: Tiny, package: Path) -> None:
    """The name of the folder inside is signed."""
    written(package, "Another Song", moment_of(tiny, package), inside(package))
    error = refused(tiny, package)
    assert isinstance(error, PackageFaultsError)
    assert list(error.bad) == ["(archive)"]


def test_what_is_no_archive_and_what_holds_no_package(tiny: Tiny, tmp_path: Path) -> None:
    """Wrong usage, exit 2, unless it was meant to be one."""
    song = tmp_path / "song.wav"
    song.write_bytes(tiny_wav(1))
    other = tmp_path / "photos.zip"
    written(other, "photos", datetime(2031, 1, 1, tzinfo=UTC), {"a.jpg": b"x"})
    for path in (song, other):
        with pytest.raises(NoPackageError):
            verify(path, tiny.home)
    empty = tmp_path / "empty.zip"
    empty.write_bytes(b"")
    refused(tiny, empty)
