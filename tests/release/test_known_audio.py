"""Audio that is known already: measured once, stored once, told apart from new audio."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from relkit import Release
from relkit.measure import levels
from tests.support.audio_bytes import chunk, id3_frame, id3_tag, mpeg_frames
from tests.support.releases import Samples, aiff, music, muted, wav, wav_float32, written


@pytest.fixture
def meters(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """Every meter that is made from now on."""
    made: list[tuple[Any, ...]] = []

    class Counted(levels.Meter):
        def __init__(self, *arguments: Any, **named: Any) -> None:
            made.append(arguments)
            super().__init__(*arguments, **named)

    monkeypatch.setattr(levels, "Meter", Counted)
    return made


def _change(release: Release, what: str) -> str:
    return next(row.change for row in release.diff("1", "2").rows if row.what == what)


def test_one_measuring_for_each_sound(release: Release, tmp_path: Path, meters: list[Any]) -> None:
    """The fixture itself sees what it has to see."""
    release.commit(
        [written(tmp_path / "clean.wav", wav(music(1))), written(tmp_path / "dj.wav", wav(music(2)))]
    )
    assert len(meters) == 2


def test_twins_in_one_commit(release: Release, tmp_path: Path, meters: list[Any]) -> None:
    """One mix may stand for two versions: measured once, also where one is AIFF. One frame makes another."""
    other = music(1)
    other[20_000] += 0.1  # where no glimpse falls
    takes = {"clean.wav": wav(music(1)), "dj.aiff": aiff(music(1)), "instrumental.wav": wav(other)}
    report = release.commit([written(tmp_path / name, data) for name, data in takes.items()])
    assert len(meters) == 2
    sounds = {entry.version.id: entry.sound for entry in report.manifest.files if entry.version}
    assert sounds["clean"] == sounds["dj"]
    assert sounds["clean"] != sounds["instrumental"]


RETAGGED = {
    "new chunk": ("clean.wav", wav(music(1), chunk(b"LIST", b"INFOINAM\6\0\0\0Weir\0\0"))),
    "large foreign chunk": ("clean.wav", wav(music(1), chunk(b"id3 ", bytes(range(256)) * 40))),
    "AIFF of it": ("clean.aiff", aiff(music(1))),
}


@pytest.mark.parametrize("kind", RETAGGED)
@pytest.mark.parametrize("keep_cache", [True, False])
def test_retagged(
    release: Release, tmp_path: Path, meters: list[Any], kind: str, *, keep_cache: bool
) -> None:
    """The same samples in another wrapping: no new measuring, a retag, a few kilobytes of store."""
    first = release.commit([written(tmp_path / "Lanterns clean.wav", wav(music(1)))])
    meters.clear()
    if not keep_cache:
        release.close()
        (release.folder / ".relkit/cache.sqlite").unlink()
    before = _packed(release)
    name, data = RETAGGED[kind]
    second = release.commit([written(tmp_path / f"Lanterns {name}", data)])
    assert second.changed
    if keep_cache:
        assert meters == []
    assert _change(release, "clean") == "retagged"
    sounds = [
        next(entry.sound for entry in report.manifest.files if entry.version) for report in (first, second)
    ]
    assert sounds[0] == sounds[1]
    assert _packed(release) - before < 8000 + len(data) - len(wav(music(1)))


def test_another_name(release: Release, tmp_path: Path, meters: list[Any]) -> None:
    """The sheet names another place for the same file."""
    release.commit([written(tmp_path / "Lanterns clean.wav", wav(music(1)))])
    meters.clear()
    sheet = release.folder / "release.toml"
    sheet.write_text(sheet.read_text("utf-8").replace("bounces/clean.wav", "bounces/c 2.wav"), "utf-8")
    (release.folder / "bounces/clean.wav").rename(release.folder / "bounces/c 2.wav")
    assert release.commit().changed
    assert meters == []
    assert _change(release, "clean") == "same"


def test_mp3_with_new_tags(release: Release, tmp_path: Path) -> None:
    """The frames are the essence."""
    for title in (b"\0Lanterns", b"\0Lanterns on the Weir, and more"):
        data = id3_tag(id3_frame(b"TIT2", title)) + mpeg_frames(60)
        release.commit([written(tmp_path / "Lanterns clean.mp3", data)])
    assert _change(release, "clean") == "retagged"


def test_another_sample_is_new_audio(release: Release, tmp_path: Path) -> None:
    """One bit of one sample; and the same numbers as float are another sound."""
    samples = music(1)
    release.commit([written(tmp_path / "Lanterns clean.wav", wav(samples))])
    nudged = samples.copy()
    nudged[1000, 0] += 2 / 2**23
    release.commit([written(tmp_path / "Lanterns clean.wav", wav(nudged))])
    release.commit([written(tmp_path / "Lanterns clean.wav", wav_float32(nudged))])
    assert _change(release, "clean") == "new audio"
    assert [row.change for row in release.diff("2", "3").rows if row.what == "clean"] == ["new audio"]


def test_touched_is_not_changed(committed: Release, meters: list[Any]) -> None:
    """Only the time stamps differ."""
    for path in committed.folder.glob("bounces/*"):
        path.write_bytes(path.read_bytes())
    assert committed.commit().changed is False
    assert meters == []


# --- how much the store grows


def _packed(release: Release) -> int:
    """Bytes of all packs."""
    return sum(path.stat().st_size for path in (release.folder / ".relkit/store.git").rglob("*.pack"))


def _growth(release: Release, path: Path, samples: Samples, version: str) -> float:
    """Commit a bounce; return what it added, as a part of its bytes."""
    before = _packed(release)
    data = wav(samples)
    release.commit([written(path, data)], version=version)
    return (_packed(release) - before) / len(data)


def test_stored_once(release: Release, tmp_path: Path) -> None:
    """In another version, at another offset, with another bit of silence: hardly anything is added."""
    samples = music(1, 5)
    assert _growth(release, tmp_path / "a.wav", samples, "explicit") > 0.3
    assert _growth(release, tmp_path / "b.wav", samples, "clean") < 0.01
    later = np.concatenate([music(2, 1), samples])
    assert _growth(release, tmp_path / "c.wav", later, "dj") < 1 / 6 + 0.1
    assert _growth(release, tmp_path / "d.wav", muted(samples, 2, 0.2), "acapella") < 0.2
    before = _packed(release)
    assert release.commit().changed is False
    assert _packed(release) == before


def test_taken_up_again(release: Release, tmp_path: Path) -> None:
    """An old bounce that comes back after others is not stored again."""
    old, new = wav(music(1, 3)), wav(music(2, 3))
    for data in (old, new):
        release.commit([written(tmp_path / "clean.wav", data)])
    before = _packed(release)
    release.commit([written(tmp_path / "clean.wav", old)])
    assert _packed(release) - before < 8000
    assert [row.change for row in release.diff("1", "3").rows if row.what == "clean"] == ["same"]
