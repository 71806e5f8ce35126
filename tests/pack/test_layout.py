"""Where things lie in a package, and the checksum list that stock tools read."""

from __future__ import annotations

import hashlib
import subprocess
from pathlib import Path
from typing import get_args

import pytest

from relkit.audio.formats import ContainerName
from relkit.filenames import fault_of_path
from relkit.manifest import PROOF, VersionFacts
from relkit.pack import layout
from relkit.pack.facts import SongFacts
from relkit.pack.names import LongLabelError, distinct
from relkit.vocabulary import Key

PLAIN = SongFacts(artist="Example Artist", title="Song: One")
SONG = SongFacts(artist="A", title="Song", featured=("B",), tempo_text="122 BPM", key=Key.parse("F# minor"))


def version(label: str, parts: str = "full") -> VersionFacts:
    """Return a version of that label."""
    return VersionFacts(id="any", label=label, parts=parts, form="song", length_group="song")


def test_every_file_says_artist_title_and_what_it_is() -> None:
    """Bounces lie in a folder of their container; cover and sheet lie on top."""
    assert (
        layout.version_path(PLAIN, version("Clean"), "wav") == "WAV/Example Artist - Song - One (Clean).wav"
    )
    assert (
        layout.version_path(PLAIN, version("Clean"), "rf64") == "WAV/Example Artist - Song - One (Clean).wav"
    )
    assert (
        layout.version_path(PLAIN, version("Clean"), "aiff")
        == "AIFF/Example Artist - Song - One (Clean).aiff"
    )
    assert (
        layout.version_path(PLAIN, version("Clean"), "mp3") == "MP3/Example Artist - Song - One (Clean).mp3"
    )
    assert (
        layout.version_path(PLAIN, version("Clean"), None, suffix=".OGG")
        == "Other/Example Artist - Song - One (Clean).ogg"
    )
    assert layout.cover_path(PLAIN) == "Example Artist - Song - One (Cover).jpg"
    assert layout.info_path(PLAIN) == "Example Artist - Song - One (Info).txt"


def test_a_package_has_one_flat_folder_for_each_format() -> None:
    """Two formats of one version differ in folder and suffix only."""
    paths = [
        layout.version_path(SONG, version("Clean"), container) for container in ("mp3", "wav", "flac", "aiff")
    ]
    assert paths == [
        f"{folder}/A feat. B - Song (Clean){suffix}"
        for folder, suffix in (("MP3", ".mp3"), ("WAV", ".wav"), ("FLAC", ".flac"), ("AIFF", ".aiff"))
    ]
    assert layout.cover_path(SONG) == "A feat. B - Song (Cover).jpg"
    assert layout.info_path(SONG) == "A feat. B - Song (Info).txt"
    assert layout.page_path(SONG) == "A feat. B - Song (Info).html"
    assert layout.folder(SONG) == "A - Song (122 BPM, F# minor)"


def test_the_pattern_of_the_sheet_names_every_file() -> None:
    """Cover and note follow it, too."""
    pattern = "{title} [{version}]"
    assert layout.version_path(SONG, version("Clean"), "wav", pattern=pattern) == "WAV/Song [Clean].wav"
    assert layout.cover_path(SONG, pattern=pattern) == "Song [Cover].jpg"
    assert layout.info_path(SONG, pattern=pattern) == "Song [Info].txt"
    assert layout.page_path(SONG, pattern=pattern) == "Song [Info].html"


def test_stems_lie_in_their_folder_under_their_own_names() -> None:
    """A second set of stems does not mix with the first."""
    stems, clean = version("Stems", "stems"), version("Clean Stems.", "stems")
    paths = [
        layout.stem_path(SONG, stems, "kick.wav", "wav"),
        layout.stem_path(SONG, stems, "01. drums/kick L.wav", "wav"),
        layout.stem_path(SONG, stems, "vox.flac", "flac"),
        layout.stem_path(SONG, clean, "kick.wav", "wav"),
        layout.stem_path(SONG, clean, "notes.ogg", None, suffix=".OGG"),
    ]
    assert paths == [
        "Stems/A feat. B - Song (kick).wav",
        "Stems/A feat. B - Song (01. drums - kick L).wav",
        "Stems/A feat. B - Song (vox).flac",
        "Stems/Clean Stems/A feat. B - Song (kick).wav",
        "Stems/Clean Stems/A feat. B - Song (notes).ogg",
    ]
    assert distinct(paths) == paths


def test_a_stem_of_too_long_a_name_is_refused() -> None:
    """Its end may be all that tells it from the next one."""
    with pytest.raises(LongLabelError) as caught:
        layout.stem_path(SONG, version("Stems", "stems"), f"{'x' * 65}.wav", "wav")
    assert "Rename the stem" in caught.value.hint


@pytest.mark.parametrize("container", sorted(set(get_args(ContainerName)) - {"other"}))
def test_every_container_has_a_place(container: str) -> None:
    """Whatever the audio room recognises lies in a folder that says what it is."""
    assert not layout.version_path(PLAIN, version("Clean"), container).startswith("Other/")


def test_an_opaque_file_keeps_its_suffix_or_has_no_place() -> None:
    """Without one nobody could open it."""
    assert layout.version_path(PLAIN, version("Clean"), "other", suffix=".ogg").endswith("(Clean).ogg")
    with pytest.raises(ValueError, match="suffix"):
        layout.version_path(PLAIN, version("Clean"), "other")


def test_the_paths_of_the_proof_are_safe_and_in_one_folder() -> None:
    """Nothing of it mixes with the music."""
    assert {path.split("/")[0] for path in layout.PROOF_FILES} == {PROOF}
    assert all(fault_of_path(path) is None for path in layout.PROOF_FILES)


def test_stock_sha256sum_accepts_the_list_and_finds_a_changed_byte(tmp_path: Path) -> None:
    """Run in the package's top folder, as the info sheet says."""
    paths = ["WAV/b c.wav", "WAV/caf\u00e9.wav", "-odd name.txt", " lead.txt", "Cover #1.jpg"]
    entries: list[tuple[str, str]] = []
    for path in paths:
        file = tmp_path / path
        file.parent.mkdir(exist_ok=True)
        file.write_bytes(path.encode())
        entries.append((path, hashlib.sha256(path.encode()).hexdigest()))
    sums = tmp_path / layout.SUMS
    sums.parent.mkdir()
    sums.write_bytes(layout.sha256sums(entries))

    good = subprocess.run(
        ["sha256sum", "--strict", "-c", layout.SUMS], cwd=tmp_path, capture_output=True, check=False
    )
    (tmp_path / paths[0]).write_bytes(b"changed")
    bad = subprocess.run(
        ["sha256sum", "--strict", "-c", layout.SUMS], cwd=tmp_path, capture_output=True, check=False
    )

    assert good.returncode == 0, good.stderr
    assert good.stdout.count(b": OK") == len(paths)
    assert bad.returncode == 1


def test_the_list_is_what_sha256sum_itself_writes(tmp_path: Path) -> None:
    """Same bytes as the stock tool's own output, in byte order."""
    for name in ["b.wav", "a.wav", "B.wav", "\u00e9.wav"]:
        (tmp_path / name).write_bytes(name.encode())
    names = sorted((entry.name for entry in tmp_path.iterdir()), key=str.encode)
    stock = subprocess.run(["sha256sum", *names], cwd=tmp_path, capture_output=True, check=True).stdout

    ours = layout.sha256sums((name, hashlib.sha256(name.encode()).hexdigest()) for name in reversed(names))

    assert ours == stock


@pytest.mark.parametrize(
    ("path", "digest"),
    [("../a", "0" * 64), ("a\nb", "0" * 64), ("a\\b", "0" * 64), ("a", "0" * 63), ("a", "A" * 64)],
)
def test_what_would_need_escaping_never_enters_the_list(path: str, digest: str) -> None:
    """The manifest forbids such names; here it is the caller's mistake."""
    with pytest.raises(ValueError, match=r"contains|climbs|no SHA-256"):
        layout.sha256sums([(path, digest)])


@pytest.mark.parametrize(
    "path",
    [
        ".DS_Store",
        "WAV/.DS_Store",
        "._Example.wav",
        "WAV/Thumbs.db",
        "desktop.ini",
        "Desktop.ini",
        ".Trashes/501/x.wav",
        ".fseventsd/0001",
        ".Spotlight-V100/Store-V2/a",
        "System Volume Information/IndexerVolumeGuid",
        "$RECYCLE.BIN/S-1/desktop.ini",
        "__MACOSX/._a.wav",
    ],
)
def test_what_systems_leave_behind_is_litter(path: str) -> None:
    """Common knowledge of the three systems, no published source."""
    assert layout.is_system_litter(path)


@pytest.mark.parametrize(
    "path", ["a.wav", "WAV/DS_Store", "Thumbs.db/a.wav", "thumbs.db.wav", "_.wav", "proof/x", ""]
)
def test_a_real_stray_file_is_no_litter(path: str) -> None:
    """A name that only looks a little like it is reported as extra."""
    assert not layout.is_system_litter(path)
