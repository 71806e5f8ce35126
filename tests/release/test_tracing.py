"""What is this, and who got it? Packages and files that came back, whole, altered, renamed and retagged."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path
from typing import Any

import mutagen.id3
import pytest

from relkit import Release
from relkit.release.home import Home
from relkit.release.ship import ShipReport
from relkit.release.tracing import UnknownHereError, trace
from tests.support.audio_bytes import chunk
from tests.support.releases import music, wav, written


@pytest.fixture
def sent(committed: Release, tmp_path: Path) -> tuple[Release, list[ShipReport]]:
    """Two who got the same of revision 1, one who got revision 2; one shipment never went out."""
    wishes: dict[str, Any] = {"formats": ["wav-native", "mp3"], "only": ["clean", "instrumental"]}
    reports = [
        committed.ship("Radio Tarnquell", kind="radio-programme", shipped_on="2026-10-01", **wishes),
        committed.ship("Hollow Hour", kind="radio-programme", shipped_on="2026-10-02", form="zip", **wishes),
    ]
    committed.commit([written(tmp_path / "Lanterns clean.wav", wav(music(50)))])
    reports.append(committed.ship("Hollow Hour", shipped_on="2026-10-03", **wishes))
    committed.withdraw(reports[1].record.id, reason="the link was dead", never_sent=True)
    return committed, reports


def test_a_package_by_its_manifest(sent: tuple[Release, list[ShipReport]], tmp_path: Path) -> None:
    """Folder or ZIP under any name: the same package, both shipments, and what became of them."""
    release, reports = sent
    folder = shutil.copytree(reports[0].path, tmp_path / "from a mailbox")
    for path in (folder, reports[1].path):
        found = trace(release._workspace, path)
        assert (found.known_by, found.revisions, found.newest) == ("manifest", [1], 2)
        assert [(each.recipient, each.shipped_on, each.withdrawn) for each in found.shipments] == [
            ("Radio Tarnquell", "2026-10-01", None),
            ("Hollow Hour", "2026-10-02", "never sent: the link was dead"),
        ]
        assert found.outdated == ["clean"]
        assert (found.altered, found.missing, found.foreign) == ([], [], [])
    assert trace(release._workspace, reports[2].path).outdated == []


def test_a_package_that_was_altered(sent: tuple[Release, list[ShipReport]], tmp_path: Path) -> None:
    """One file changed, one gone, one added: it is still known, and each is named."""
    release, reports = sent
    folder = Path(shutil.copytree(reports[0].path, tmp_path / "altered"))
    changed, gone = sorted(folder.glob("MP3/*.mp3"))
    changed.write_bytes(changed.read_bytes() + b"x")
    gone.unlink()
    (folder / "MP3" / "bonus.mp3").write_bytes(b"not yours")
    for lost in (False, True):
        if lost:
            shutil.rmtree(folder / "proof")
        found = trace(release._workspace, folder)
        assert found.known_by == ("files" if lost else "manifest")
        assert found.altered == [changed.relative_to(folder).as_posix()]
        assert found.missing == [gone.relative_to(folder).as_posix()]
        assert found.foreign == ["MP3/bonus.mp3"]
        assert found.shipments[0].recipient == "Radio Tarnquell"


def test_packed_again_by_another_program(sent: tuple[Release, list[ShipReport]], tmp_path: Path) -> None:
    """Deflated, in another order, with a folder above and a system's litter in it."""
    release, reports = sent
    path = tmp_path / "again.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted(reports[0].path.rglob("*"), reverse=True):
            if file.is_file() and "proof" not in file.parts:
                archive.write(file, f"Downloads/{file.relative_to(reports[0].path.parent)}")
        archive.writestr("Downloads/.DS_Store", b"litter")
    found = trace(release._workspace, path)
    assert (found.known_by, found.altered, found.missing, found.foreign) == ("files", [], [], [])
    assert found.shipments[0].recipient == "Radio Tarnquell"


def test_a_loose_file_by_its_bytes(sent: tuple[Release, list[ShipReport]], tmp_path: Path) -> None:
    """Under any name: an MP3 that is in the packages of both revisions, and one of the first alone."""
    release, reports = sent
    for part, revisions, outdated in (("Clean", [1], ["clean"]), ("Instrumental", [1, 2], [])):
        (mp3,) = reports[0].path.glob(f"MP3/*({part}).mp3")
        found = trace(release._workspace, Path(shutil.copy(mp3, tmp_path / "track01.mp3")))
        assert (found.known_by, found.revisions, found.outdated) == ("bytes", revisions, outdated)
        assert found.names == [mp3.relative_to(reports[0].path).as_posix()]
        assert len(found.shipments) == len(revisions) + 1


def test_a_retagged_mp3(sent: tuple[Release, list[ShipReport]], tmp_path: Path) -> None:
    """Other tags by another library: no byte of the head is as it was; the sound is."""
    release, reports = sent
    (mp3,) = reports[0].path.glob("MP3/*(Clean).mp3")
    copy = Path(shutil.copy(mp3, tmp_path / "mine.mp3"))
    tags = mutagen.id3.ID3()
    tags.add(mutagen.id3.TIT2(text="My own title" * 40))
    tags.save(copy, v2_version=3)
    assert copy.read_bytes()[:1_000] != mp3.read_bytes()[:1_000]
    found = trace(release._workspace, copy)
    assert (found.known_by, found.revisions) == ("sound", [1])
    assert {each.recipient for each in found.shipments} == {"Radio Tarnquell", "Hollow Hour"}


def test_a_bounce_in_another_wrapping(sent: tuple[Release, list[ShipReport]], tmp_path: Path) -> None:
    """A bounce that was sent to nobody as it is, with a chunk more: known by its sound."""
    release, _reports = sent
    path = written(tmp_path / "x.wav", wav(music(2), chunk(b"note", b"mine")))
    found = trace(release._workspace, path)
    assert found.known_by == "sound"
    assert "bounces/instrumental.wav" in found.names
    nobody = trace(release._workspace, release.folder / "bounces/explicit.wav")
    assert (nobody.known_by, nobody.shipments) == ("bytes", [])


@pytest.mark.parametrize("name", ["other.wav", "empty.bin", "broken.zip", "folder"])
def test_nothing_of_this_release(
    sent: tuple[Release, list[ShipReport]], home: Home, tmp_path: Path, name: str
) -> None:
    """Said in one line; nothing else happens."""
    path = tmp_path / name
    if name == "other.wav":
        written(path, wav(music(77)))
    elif name == "folder":
        written(path / "a.txt", b"a")
    elif name == "broken.zip":
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("a", b"a" * 1000)
    else:
        path.touch()
    with pytest.raises(UnknownHereError, match="nothing that this release has sent") as caught:
        trace(sent[0]._workspace, path)
    assert caught.value.exit_code == 2
    assert home.folder.exists()
