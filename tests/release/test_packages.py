"""What a package costs, and that the same one comes out again: nothing is made or stored twice.

Limits in bytes and counts are those of the issue that asks for packages.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from relkit import Release
from relkit.audio import encoding
from relkit.pack import artwork
from relkit.pack.page import picture_in
from relkit.release.home import Home
from tests.support.packages import SHEET, noise, started, version_lines, wav_of
from tests.support.releases import ROOT, Command, contents, written

RATE_HZ = 44_100
MP3_AND_WAV = ["mp3", "wav"]
SEVEN = ("explicit", "clean", "instrumental", "acapella", "acapella-clean", "dj", "dj-clean")


def picture() -> bytes:
    """Return a cover that compresses badly: the embedded one has as many bytes as one in life."""
    out = io.BytesIO()
    pixels = np.random.default_rng(1).integers(0, 255, (90, 90, 3), dtype=np.uint8)
    Image.fromarray(pixels).resize((900, 900)).save(out, "PNG")
    return out.getvalue()


def bounce(seed: int, seconds: float = 1.5) -> bytes:
    """Return a 24-bit stereo WAV."""
    return wav_of(noise(seed, round(seconds * RATE_HZ), 2, RATE_HZ), "int24", RATE_HZ)


def rating(version: str) -> str:
    """Return how one of the seven is rated."""
    if version == "instrumental":
        return "no-edit-needed"
    return "clean" if "clean" in version else "explicit"


@pytest.fixture
def seven(tmp_path: Path, home: Home) -> Iterator[Release]:
    """All seven versions and a cover, committed."""
    sheet = SHEET + "".join(version_lines(name, f'rating = "{rating(name)}"') for name in SEVEN)
    with Release.new(tmp_path / "seven", artist="x", title="y", home=home) as release:
        (release.folder / "release.toml").write_text(sheet, encoding="utf-8")
        written(release.folder / "artwork" / "cover.png", picture())
        for seed, name in enumerate(SEVEN):
            written(release.folder / "bounces" / f"{name}.wav", bounce(seed))
        release.commit()
        yield release


@pytest.fixture
def encoded(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count MP3s and FLACs that are encoded for packages: one number for each."""
    found: list[int] = []
    begin = encoding._Writer.__init__

    def counted(self: Any, file: Any, fmt: Any, subtype: str) -> None:
        if not isinstance(file, io.BytesIO):  # ``made_with`` asks the encoder for its name with a few frames
            found.append(fmt.rate_hz)
        begin(self, file, fmt, subtype)

    monkeypatch.setattr(encoding._Writer, "__init__", counted)
    return found


def size_of(release: Release) -> int:
    """Return the summed length of all files of the store."""
    return sum(
        path.stat().st_size
        for path in (release.folder / ".relkit" / "store.git").rglob("*")
        if path.is_file()
    )


def forget(release: Release, home: Home) -> Release:
    """Close a release, delete what makes it faster, and open it again."""
    release.close()
    (release.folder / ".relkit" / "cache.sqlite").unlink()
    return Release.open(release.folder, home=home)


# --- nothing twice


def test_nothing_is_encoded_or_stored_twice(seven: Release, encoded: list[int], home: Home) -> None:
    """For a second recipient, without the cache, and where two versions have one sound."""
    first = seven.ship("Somebody", kind="label", formats=MP3_AND_WAV)
    assert len(encoded) == len(SEVEN)
    again = seven.ship("Somebody else", kind="label", formats=MP3_AND_WAV)
    assert again.digest == first.digest
    reopened = forget(seven, home)
    third = reopened.ship("A third", kind="label", formats=MP3_AND_WAV)
    assert third.digest == first.digest
    assert len(encoded) == len(SEVEN)
    assert contents(third.path) == contents(first.path)


def test_a_new_revision_encodes_what_changed(seven: Release, encoded: list[int]) -> None:
    """Three of seven versions have new audio: three are encoded, whatever else is new about the rest."""
    seven.ship("Somebody", kind="label", formats=MP3_AND_WAV)
    encoded.clear()
    for seed, name in enumerate(SEVEN):
        if "clean" in name:
            written(seven.folder / "bounces" / f"{name}.wav", bounce(100 + seed))
    seven.commit()
    seven.ship("Somebody", formats=MP3_AND_WAV)
    assert len(encoded) == 3


def test_versions_of_one_sound_are_encoded_once(tmp_path: Path, home: Home, encoded: list[int]) -> None:
    """The same bounce under two names: one MP3 and one FLAC, in four files."""
    sheet = SHEET + "".join(version_lines(name) for name in ("main", "album"))
    same = bounce(1)
    with started(tmp_path / "same", home, sheet, {"main": same, "album": same}) as release:
        report = release.ship("Somebody", kind="label", formats=["mp3", "flac"])
    assert len(encoded) == 2  # an MP3 and a FLAC
    assert len([entry for entry in report.package.files if entry.role == "version"]) == 4


def test_a_new_text_encodes_nothing_and_costs_little(seven: Release, encoded: list[int]) -> None:
    """Fourteen files with embedded art, under another composer: below 40 KB, and not one encoded."""
    first = seven.ship("Somebody", kind="label", formats=MP3_AND_WAV)
    encoded.clear()
    sheet = seven.folder / "release.toml"
    sheet.write_text(
        sheet.read_text(encoding="utf-8").replace('["Ostrel Vane"]', '["Dorn Lade", "Ada Sluice"]'),
        encoding="utf-8",
    )
    seven.commit()
    before = size_of(seven)
    second = seven.ship("Somebody else", kind="label", formats=MP3_AND_WAV)
    assert encoded == []
    versions = [entry for entry in second.package.files if entry.role == "version"]
    assert len(versions) == 14
    assert all(entry.sha256 not in {one.sha256 for one in first.package.files} for entry in versions)
    assert size_of(seven) - before < 40_000


def test_a_new_text_keeps_the_frames_of_a_flac(seven: Release, encoded: list[int]) -> None:
    """FLAC frames come out of the store, too: another libFLAC would give others."""
    seven.ship("Somebody", kind="label", only=["dj"], formats=["flac"])
    assert len(encoded) == 1
    sheet = seven.folder / "release.toml"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("Weir", "Ferry"), encoding="utf-8")
    seven.commit()
    second = seven.ship("Somebody else", kind="label", only=["dj"], formats=["flac"])
    assert len(encoded) == 1
    (path,) = second.path.rglob("*.flac")
    subprocess.run(["flac", "-t", "-s", str(path)], check=True)
    assert (
        "Ferry"
        in subprocess.run(
            ["metaflac", "--show-tag=TITLE", str(path)], check=True, capture_output=True, text=True
        ).stdout
    )


def test_fifty_recipients_store_the_content_once(seven: Release) -> None:
    """What every further one adds is a record: under 4 KB a shipment, over all of them."""
    seven.ship("Recipient 0", kind="label", formats=MP3_AND_WAV)
    before = size_of(seven)
    digests = set()
    for number in range(1, 50):
        report = seven.ship(f"Recipient {number}", kind="label", formats=MP3_AND_WAV)
        digests.add(report.digest)
        shutil.rmtree(report.path)
    assert len(digests) == 1
    assert (size_of(seven) - before) / 49 < 4_000


# --- the same again


def test_the_picture_inside_is_found_again(
    seven: Release, home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the cache, and under a Pillow that makes other JPEGs: out of the page of an earlier package."""
    first = seven.ship("Somebody", kind="label", formats=MP3_AND_WAV)
    reopened = forget(seven, home)
    monkeypatch.setattr(artwork, "QUALITY", 30)
    monkeypatch.setattr(artwork, "EMBEDDED_QUALITIES", (20,))
    monkeypatch.setattr(artwork, "made_with", lambda: "another library")
    second = reopened.ship("Somebody else", kind="label", formats=MP3_AND_WAV)
    assert second.digest == first.digest
    third = reopened.ship("A third", kind="label", only=["dj", "clean"], formats=["wav-radio"])
    pages = [
        (report.path / entry.name).read_bytes()
        for report in (first, third)
        for entry in report.package.files
        if entry.name.endswith(".html")
    ]
    assert picture_in(pages[0]) == picture_in(pages[1]) is not None


ELSEWHERE = """
import json, os, sys
from pathlib import Path
os.umask(int(sys.argv[4], 8))
from relkit import Release
from datetime import UTC, datetime
from relkit.release import ship
ship.now = lambda: datetime(2037, 12, 31, 23, 59, 59, tzinfo=UTC)
with Release.open(Path(sys.argv[1])) as release:
    order = {"folder": Path(sys.argv[3]), "only": ["dj-clean", "clean"]}
    report = release.ship(sys.argv[2], kind="radio-programme", **order)
print(json.dumps([report.digest, str(report.path)]))
"""


def test_another_day_zone_locale_and_umask_give_the_same_package(seven: Release, tmp_path: Path) -> None:
    """Each in a process of its own, in a copy of the release that has no cache and no package yet."""
    seven.close()
    command = Command(tmp_path, tmp_path / "home")
    found = []
    for number, (zone, locale, umask) in enumerate(
        [("UTC", "C", "022"), ("Pacific/Kiritimati", "C.UTF-8", "077")]
    ):
        copy = Path(shutil.copytree(seven.folder, tmp_path / f"copy {number}"))
        (copy / ".relkit" / "cache.sqlite").unlink()
        done = subprocess.run(
            [sys.executable, "-c", ELSEWHERE, copy, f"R{number}", tmp_path / f"out {number}", umask],
            env=command.environment() | {"TZ": zone, "LC_ALL": locale},
            capture_output=True,
            text=True,
            check=True,
            cwd=ROOT,
        )
        digest, path = json.loads(done.stdout)
        found.append((digest, contents(Path(path))))
    assert found[0] == found[1]


def test_checkout_needs_no_encoder(seven: Release, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With every encoder and picture library broken, what was sent comes back byte for byte."""
    sent = seven.ship("Somebody", kind="label", formats=["mp3", "wav", "flac", "aiff"])

    def broken(*_: object, **__: object) -> None:
        raise AssertionError("checkout encodes")

    monkeypatch.setattr(encoding._Writer, "__init__", broken)
    monkeypatch.setattr(artwork, "_saved", broken)
    monkeypatch.setattr("relkit.audio.conversion.Converter.__init__", broken)
    out = seven.checkout_sent("Somebody", tmp_path / "out")
    assert contents(out.path) == contents(sent.path)
