"""What people type comes out as text, in any script and whatever it looks like.

Packages are real, from a sheet to files on the disk; exiftool and mediainfo read the tags.
"""

from __future__ import annotations

import io
import json
import subprocess
from collections.abc import Iterator, Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from relkit import Release
from relkit.filenames import fault_of_path
from relkit.pack.names import one_line
from relkit.release.home import Home
from relkit.release.ship import ShipReport
from tests.support.packages import noise, version_lines, wav_of
from tests.support.releases import written
from tests.support.tag_facts import HOSTILE, SCRIPTS
from tests.support.tagged_files import by_exiftool, by_mediainfo

ALL_FORMATS = ["mp3", "wav-radio", "flac", "aiff"]


def toml(text: str) -> str:
    """Return text as a TOML string: JSON's escapes are TOML's, too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def photo() -> bytes:
    """Return a JPEG with everything in it that a camera and an author leave behind."""
    out = io.BytesIO()
    picture = Image.new("RGB", (640, 640), (24, 58, 92))
    exif = picture.getexif()
    exif[0x010F], exif[0x0110], exif[0x013B] = "Camera Maker", "Camera Model", "The Author"
    exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 30.0, 0.0), 3: "E", 4: (13.0, 24.0, 0.0)})
    picture.save(out, "JPEG", exif=exif)
    return out.getvalue()


def sheet(text: str, languages: str = "en") -> str:
    """Return a sheet that says the same everywhere."""
    said = toml(text)
    top = ("artist", "title", "album", "label", "publisher", "genre", "contact", "pronunciation", "remixer")
    lines = [f"{name} = {said}" for name in top]
    lines += [f"{name} = [{said}]" for name in ("composers", "lyricists", "featured")]
    lines += [f"copyright = {toml('2031 ' + text)}", f'language = "{languages}"', f"promo_line = {said}"]
    lines += ["[artwork]", 'cover = "artwork/cover.jpg"', "[credits]", f"{said} = {said}"]
    return "\n".join(lines) + "\n" + version_lines("main", f"last_words = {said}", 'ending = "cold"')


@pytest.fixture(scope="module")
def audio() -> bytes:
    """A bounce."""
    return wav_of(noise(1, 12_000, 2, 44_100), "int16", 44_100)


class Sent:
    """One release that is renamed and shipped again and again."""

    def __init__(self, release: Release) -> None:
        self.release = release
        self.number = 0

    def __call__(self, text: str) -> ShipReport:
        """Ship it under other words."""
        (self.release.folder / "release.toml").write_text(sheet(text), encoding="utf-8")
        self.release.commit()
        self.number += 1
        return self.release.ship(f"R{self.number}", kind="label", formats=ALL_FORMATS)


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory, audio: bytes) -> Iterator[Sent]:
    """A release with one version and a cover that a camera made."""
    folder = tmp_path_factory.mktemp("texts")
    with Release.new(folder / "release", artist="x", title="y", home=Home(folder / "home")) as release:
        written(release.folder / "bounces" / "main.wav", audio)
        written(release.folder / "artwork" / "cover.jpg", photo())
        yield Sent(release)


def audio_files(report: ShipReport) -> list[Path]:
    """Return all audio files of a package."""
    found = [report.path / entry.name for entry in report.package.files if entry.role == "version"]
    assert sorted(path.suffix for path in found) == [".aiff", ".flac", ".mp3", ".wav"]
    return found


def shown_by(read: Sequence[dict[str, Any]], *names: str) -> list[set[str]]:
    """Return what a program shows under any of these names, for each file."""
    return [
        {str(value) for name, value in each.items() if name.rpartition(":")[2] in names and value}
        for each in read
    ]


@pytest.mark.parametrize("script", SCRIPTS)
def test_both_readers_show_every_script(sent: Sent, script: str) -> None:
    """Title and artist, composer and publisher, in MP3, WAV, FLAC and AIFF, as they were typed."""
    text = SCRIPTS[script]
    files = audio_files(sent(text))
    title = f"{one_line(text)} (Main)"
    artist = f"{one_line(text)} feat. {one_line(text)}"
    for read, titles, artists, composers in (
        (by_exiftool(files), ("Title",), ("Artist",), ("Composer",)),
        (by_mediainfo(files), ("Title", "Track"), ("Performer",), ("Composer",)),
    ):
        assert all(title in found for found in shown_by(read, *titles)), shown_by(read, *titles)
        assert all(artist in found for found in shown_by(read, *artists)), shown_by(read, *artists)
        assert all(one_line(text) in found for found in shown_by(read, *composers))


class Elements(HTMLParser):
    """Notes which elements a page has, with which attributes, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, tuple[str, ...]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take an element."""
        self.found.append((tag, tuple(sorted(name for name, _ in attrs))))

    def handle_data(self, data: str) -> None:
        """Take text."""
        self.text += data


def elements(report: ShipReport) -> Elements:
    """Read the page of a package."""
    (name,) = (entry.name for entry in report.package.files if entry.name.endswith(".html"))
    read = Elements()
    read.feed((report.path / name).read_text(encoding="utf-8"))
    return read


@pytest.mark.parametrize("kind", [*HOSTILE, "a heading", "an entity"])
def test_what_looks_like_structure_is_text(sent: Sent, kind: str) -> None:
    """One name is one name, one value one value, one line one line, and the page has no element more."""
    extra = {"a heading": "Song\n\nVersions\n--------\n  Clean", "an entity": "&lt;b&gt; &#60;i&#62; ]]> -->"}
    text = {**HOSTILE, **extra}[kind]
    plain = sent("Plain")
    report = sent(text)
    line = one_line(text)
    for entry in report.package.files:
        assert fault_of_path(entry.name) is None
        assert len(Path(entry.name).name) <= 110
        assert len(entry.name.split("/")) <= 2
    assert {path.name for path in report.path.iterdir()} >= {"MP3", "WAV", "FLAC", "AIFF", "proof"}
    # The page: the same elements in the same order.
    assert elements(report).found == elements(plain).found
    assert " ".join(line.split()) in " ".join(elements(report).text.split())
    # The note: as many headings, and no control or direction mark.
    notes = [_note(each) for each in (plain, report)]
    rulers = [[row for row in note.split("\r\n") if set(row) in ({"-"}, {"="})] for note in notes]
    assert len(rulers[0]) == len(rulers[1])
    assert notes[1].replace("\r\n", "").isprintable() or "\u200d" in text
    # The tags: one title, with nothing cut off.
    files = audio_files(report)
    for found in shown_by(by_exiftool(files), "Title"):
        assert f"{line} (Main)" in found
        assert len(found) == 1
    subprocess.run(["flac", "-t", "-s", *(str(path) for path in files if path.suffix == ".flac")], check=True)


def _note(report: ShipReport) -> str:
    (name,) = (entry.name for entry in report.package.files if entry.name.endswith(".txt"))
    return (report.path / name).read_bytes().decode("utf-8")


def test_the_cover_has_nothing_of_its_camera(sent: Sent) -> None:
    """exiftool finds no place, camera or author, beside the files and inside of them."""
    report = sent("Plain")
    (cover,) = (report.path / entry.name for entry in report.package.files if entry.role == "cover")
    (mp3,) = report.path.rglob("*.mp3")
    inside = mp3.with_name("inside.jpg")
    inside.write_bytes(
        subprocess.run(["exiftool", "-b", "-Picture", str(mp3)], capture_output=True, check=True).stdout
    )
    for picture in (cover, inside):
        (read,) = by_exiftool([picture])
        assert read["File:FileType"] == "JPEG"
        assert "Baseline" in str(read["File:EncodingProcess"]) or read["File:EncodingProcess"] == 0
        told = json.dumps(read)
        assert not any(word in told for word in ("GPS", "Camera", "The Author", "EXIF"))
    with Image.open(inside) as small:
        assert max(small.size) == 600


def test_findings_of_the_sheet_are_told(tmp_path: Path, audio: bytes) -> None:
    """Each with its line; of versions that are not sent nothing is said, and nothing is stopped."""
    with Release.new(tmp_path / "release", artist="x", title="y", home=Home(tmp_path / "home")) as release:
        text = (
            'artist = "Ostrel Vane"\ntitle = "Lanterns"\ncopyright = "Ninefathom Kettle"\n'
            + version_lines("main", 'isrc = "AA-6Q7-20-00047"')
            + version_lines("dj", 'form = "dj-edit"', 'isrc = "AA-6Q7-20-00047"')
            + version_lines("short", 'form = "short"', 'isrc = "AA-6Q7-20-00047"')
        )
        (release.folder / "release.toml").write_text(text, encoding="utf-8")
        for name in ("main", "dj", "short"):
            written(release.folder / "bounces" / f"{name}.wav", audio)
        small = io.BytesIO()
        Image.new("RGB", (800, 600)).save(small, "PNG")
        written(release.folder / "artwork" / "cover.png", small.getvalue())
        release.commit()
        faults = [
            remark.fault
            for remark in release.ship("L", kind="label", only=["main", "dj"], despite="a test").remarks
        ]
    isrcs = [number for number, line in enumerate(text.split("\n"), 1) if line.startswith("isrc")]
    twice = next(fault for fault in faults if "has the ISRC of main" in fault)
    assert twice.startswith(f"release.toml, line {isrcs[1]}: dj has the ISRC of main (line {isrcs[0]})")
    assert "release.toml, line 3: copyright" in " ".join(faults)
    assert any("nobody is named as composer" in fault for fault in faults)
    assert any("there are no credits" in fault for fault in faults)
    assert any("not square" in fault for fault in faults)
    assert any("800 pixels where 3000" in fault for fault in faults)
    assert not any("short" in fault for fault in faults)
