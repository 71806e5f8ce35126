"""A package folder that is not, to the byte, what was signed.

No expected value comes from relkit: a copy is damaged in a known place, and the
report must name exactly that place.
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from relkit.errors import DamagedError
from relkit.pack.layout import MANIFEST, PROOF_FILES, PUBLIC_KEY, SIGNATURE, SUMS
from relkit.release.verify import NoPackageError, PackageFaultsError, VerifiedCopy, verify
from tests.support.tiny_release import Tiny


@pytest.fixture
def package(tiny: Tiny) -> Path:
    """A package as a folder: the DJ's first one."""
    return tiny.package(1)


@pytest.fixture
def check(tiny: Tiny) -> Callable[[Path], VerifiedCopy]:
    """``verify`` with the user's own list of trusted signers."""
    home = tiny.home
    return lambda path: verify(path, home)


Check = Callable[[Path], VerifiedCopy]


def faults(check: Check, package: Path) -> PackageFaultsError:
    """Return what verify finds; it must find something, and exit with 4."""
    with pytest.raises(PackageFaultsError) as caught:
        check(package)
    assert caught.value.exit_code == 4
    return caught.value


def names(package: Path) -> list[str]:
    """Return every file of a package."""
    return sorted(path.relative_to(package).as_posix() for path in package.rglob("*") if path.is_file())


def flipped(path: Path, at: int, bits: int) -> None:
    """Change one byte of a file."""
    with path.open("r+b") as file:
        file.seek(at)
        byte = file.read(1)[0]
        file.seek(at)
        file.write(bytes([byte ^ bits]))


def test_the_package_is_good_before_anything_is_done_to_it(package: Path, check: Check) -> None:
    """Otherwise nothing below would mean anything."""
    copy = check(package)
    assert copy.litter == []
    assert set(names(package)) > PROOF_FILES


@pytest.mark.parametrize("name", sorted(PROOF_FILES))
def test_every_byte_of_the_proof_counts(package: Path, check: Check, name: str) -> None:
    """Each byte is changed in turn, by one bit or by several, and changed back."""
    rng = random.Random(name)
    path = package / name
    for at in range(path.stat().st_size):
        bits = rng.choice([1 << rng.randrange(8), rng.randrange(1, 256), 0x20])
        flipped(path, at, bits)
        try:
            found = faults(check, package)
        finally:
            flipped(path, at, bits)
        # A changed manifest may still be read, and then names files that are not there, too.
        assert any(name in each or each.startswith(MANIFEST) for each in found.bad), (at, bits, found.bad)
    check(package)


def test_any_byte_of_the_content_counts(package: Path, check: Check) -> None:
    """A sample of every file, its first and last byte included; only that file is named."""
    rng = random.Random(4)
    for name in set(names(package)) - PROOF_FILES:
        path = package / name
        size = path.stat().st_size
        for at in {0, size - 1, *(rng.randrange(size) for _ in range(12))}:
            flipped(path, at, 0x40)
            found = faults(check, package)
            flipped(path, at, 0x40)
            assert (set(found.bad), found.missing, found.extra) == ({name}, [], [])


@pytest.mark.parametrize("name", [MANIFEST, SIGNATURE, PUBLIC_KEY, SUMS, "audio"])
@pytest.mark.parametrize("change", ["removed", "emptied", "cut", "longer"])
def test_files_that_are_gone_or_of_another_length(
    package: Path, check: Check, name: str, change: str
) -> None:
    """A file that is gone is missing, any other change is bad."""
    wanted = next(each for each in names(package) if each.endswith(".wav")) if name == "audio" else name
    path = package / wanted
    data = path.read_bytes()
    if change == "removed":
        path.unlink()
    else:
        path.write_bytes({"emptied": b"", "cut": data[:-1], "longer": data + b"\n"}[change])
    found = faults(check, package)
    if change == "removed":
        assert wanted in found.missing
    else:
        assert any(wanted in each or MANIFEST in each for each in found.bad)
    assert not found.extra


def test_everything_that_is_wrong_is_listed_at_once(package: Path, check: Check) -> None:
    """One changed, one renamed, one gone with the signature, one foreign: nothing hides anything."""
    wavs = [package / each for each in names(package) if each.endswith(".wav")]
    flipped(wavs[0], 50, 1)
    wavs[1].rename(wavs[1].with_name("other.wav"))
    (package / SIGNATURE).unlink()
    (package / "readme.exe").write_bytes(b"MZ")
    found = faults(check, package)
    inside = [path.relative_to(package).as_posix() for path in wavs]
    assert set(found.bad) == {inside[0]}
    assert found.missing == sorted([inside[1], SIGNATURE])
    assert found.extra == ["WAV/other.wav", "readme.exe"]


@pytest.mark.parametrize("gone", [[MANIFEST], [MANIFEST, SIGNATURE], sorted(PROOF_FILES - {PUBLIC_KEY})])
def test_a_package_without_its_proof_is_damaged_and_not_nothing(
    package: Path, check: Check, gone: list[str]
) -> None:
    """As long as one proof file is there, it was a package."""
    for name in gone:
        (package / name).unlink()
    assert faults(check, package).missing == sorted(gone)


def test_a_folder_without_any_proof_is_no_package(package: Path, check: Check, tmp_path: Path) -> None:
    """Wrong usage, exit 2."""
    shutil.rmtree(package / "proof")
    for path in (package, tmp_path / "nothing"):
        with pytest.raises(NoPackageError):
            check(path)


def test_a_case_twin_is_foreign(package: Path, check: Check) -> None:
    """On a file system that tells case apart there are two files, and one is not of the package."""
    wav = next(package / each for each in names(package) if each.endswith(".wav"))
    twin = wav.with_name(wav.name.swapcase())
    shutil.copy(wav, twin)
    assert faults(check, package).extra == [twin.relative_to(package).as_posix()]


@pytest.mark.parametrize("name", [MANIFEST, PUBLIC_KEY, "audio"])
@pytest.mark.parametrize("what", ["link to the same bytes", "folder", "pipe"])
def test_what_stands_where_a_file_should_be(package: Path, check: Check, name: str, what: str) -> None:
    """A link may point anywhere tomorrow; a pipe would never end."""
    wanted = next(each for each in names(package) if each.endswith(".wav")) if name == "audio" else name
    path = package / wanted
    if what == "folder":
        path.unlink()
        path.mkdir()
        (path / "inside.txt").write_text("x")
    elif what == "pipe":
        path.unlink()
        os.mkfifo(path)
    else:
        path.rename(package.parent / "aside")
        path.symlink_to(package.parent / "aside")
    found = faults(check, package)
    assert wanted in {*found.bad, *found.missing}


def test_links_in_a_package_are_foreign(package: Path, check: Check) -> None:
    """Also links to folders, to nothing, and in a circle."""
    (package / "elsewhere").symlink_to(package.parent)
    (package / "nowhere").symlink_to("not there")
    (package / "circle").symlink_to(".")
    assert set(faults(check, package).bad) == {"elsewhere", "nowhere", "circle"}


def test_an_audio_folder_that_is_a_link(package: Path, check: Check) -> None:
    """The files behind it are not in the package."""
    (package / "WAV").rename(package.parent / "aside")
    (package / "WAV").symlink_to(package.parent / "aside")
    found = faults(check, package)
    assert "WAV" in found.bad
    assert all(each.startswith("WAV/") for each in found.missing)
    assert found.missing


def test_what_operating_systems_leave_behind_is_only_a_note(package: Path, check: Check) -> None:
    """Names that macOS and Windows write on sticks."""
    litter = [".DS_Store", "WAV/._x.wav", "Thumbs.db", "WAV/desktop.ini", "proof/.DS_Store", "._proof"]
    for name in litter:
        (package / name).write_bytes(b"\0\1")
    assert check(package).litter == sorted(litter)
    (package / "WAV" / "x.wav").write_bytes(b"\0\1")
    assert faults(check, package).extra == ["WAV/x.wav"]


def test_names_that_are_no_text_are_foreign_and_can_be_shown(package: Path, check: Check) -> None:
    """A name that is no UTF-8, one with a line end, one with a bidi mark."""
    for raw in (b"\xff.wav", b"a\nb", "x\u202egpj.exe".encode()):
        Path(os.fsdecode(os.fsencode(package) + b"/" + raw)).write_bytes(b"")
    assert len(faults(check, package).extra) == 3


def test_a_folder_that_cannot_be_read_is_not_passed_over(
    package: Path, check: Check, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may hold anything."""
    real = os.scandir

    def refusing(path: str | os.PathLike[str]) -> object:
        if os.fspath(path).endswith("locked"):
            raise PermissionError(13, "Permission denied", os.fspath(path))
        return real(path)

    (package / "locked").mkdir()
    monkeypatch.setattr(os, "scandir", refusing)
    with pytest.raises(PermissionError):
        check(package)


def test_a_renamed_package_folder_is_still_the_package(package: Path, check: Check) -> None:
    """Whoever unpacks a ZIP twice gets another folder name; the report gives the signed one."""
    renamed = package.rename(package.with_name("untitled folder"))
    assert check(renamed).manifest.name == package.name


def test_a_damaged_error_is_what_a_caller_needs_to_catch(package: Path, check: Check) -> None:
    """The family is enough."""
    (package / SIGNATURE).write_bytes(b"")
    with pytest.raises(DamagedError):
        check(package)
