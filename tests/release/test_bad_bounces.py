"""Bounces that cannot be taken: one clear fault, no revision, store and folder as before.

Each is tried twice: handed to ``commit``, and lying in its place in the folder.
"""

from __future__ import annotations

import errno
import gc
import os
import struct
from pathlib import Path

import numpy as np
import pytest

from relkit import Release
from relkit.errors import BadInputError, RelkitError
from relkit.release.history import HistoryReport
from tests.support.audio_bytes import chunk, fmt, riff
from tests.support.releases import music, pcm24, state, wav, wav_float32, written


def _float(bad: float) -> bytes:
    samples = music(3)
    samples[20_000, 1] = bad
    return wav_float32(samples)


def _unfinished(size: int) -> bytes:
    """Return a WAV whose writer never came back to fill in the sizes."""
    data = pcm24(music(3))
    return riff(chunk(b"fmt ", fmt()), chunk(b"data", data, claimed=size), claimed=size)


BAD = {
    "cut short": (wav(music(3))[:-5000], "clean"),
    "never finished": (_unfinished(0xFFFFFFFF), "clean"),
    "size zero": (_unfinished(0), "clean"),
    "no frames": (riff(chunk(b"fmt ", fmt()), chunk(b"data", b"")), "clean"),
    "empty": (b"", "clean"),
    "text": (b"These are the lyrics of the second verse.\n" * 40, "clean"),
    "nan": (_float(np.nan), "clean"),
    "infinite": (_float(-np.inf), "clean"),
}


def _untouched(release: Release, before: dict[str, str], events: HistoryReport) -> None:
    assert state(release.folder) == before
    assert release.history() == events


@pytest.mark.parametrize("kind", BAD)
def test_handed_over(committed: Release, tmp_path: Path, kind: str) -> None:
    """Handed to commit: even the good bounce that it would replace stays where it is."""
    data, name = BAD[kind]
    good = written(tmp_path / "Lanterns instrumental.wav", wav(music(4)))
    bad = written(tmp_path / f"Lanterns_{name}.wav", data)
    before, events = state(committed.folder), committed.history()
    with pytest.raises(BadInputError) as caught:
        committed.commit([good, bad])
    assert name in str(caught.value)
    _untouched(committed, before, events)


@pytest.mark.parametrize("kind", BAD)
def test_in_its_place(committed: Release, kind: str) -> None:
    """Bounced straight into the folder."""
    written(committed.folder / "bounces/clean.wav", BAD[kind][0])
    before, events = state(committed.folder), committed.history()
    with pytest.raises(BadInputError, match=r"clean\.wav"):
        committed.commit()
    with pytest.raises(BadInputError, match=r"clean\.wav"):
        committed.diff()
    _untouched(committed, before, events)


@pytest.mark.parametrize("change", ["grows", "shrinks", "is written to", "is replaced", "goes away"])
def test_changes_while_it_is_read(committed: Release, change: str) -> None:
    """The session is still writing."""
    place = written(committed.folder / "bounces/clean.wav", wav(music(5, seconds=3)))
    before = state(committed.folder)
    done = False

    def meddle(what: str, _done: int, _total: int) -> None:
        nonlocal done
        if what != "bounces/clean.wav" or done:
            return
        done = True
        if change == "grows":
            with place.open("ab") as file:
                file.write(bytes(600))
        elif change == "shrinks":
            os.truncate(place, 200_000)
        elif change == "is written to":
            with place.open("r+b") as file:
                file.seek(300_000)
                file.write(b"\1" * 6)
            os.utime(place)
        elif change == "is replaced":
            written(place.with_suffix(".new"), wav(music(6))).replace(place)
        else:
            place.unlink()

    with pytest.raises(BadInputError, match=r"clean\.wav changed while it was read") as caught:
        committed.commit(progress=meddle)
    assert caught.value.hint
    assert done
    names = ("bounces/clean.wav",)
    assert {k: v for k, v in state(committed.folder).items() if k not in names} == {
        k: v for k, v in before.items() if k not in names
    }
    assert len(committed.history().events) == 1


def test_changes_while_it_is_copied(
    committed: Release, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bounce that is handed over is copied as steadily as it is read."""
    from relkit.audio.reading import SteadyFile

    source = written(tmp_path / "Lanterns clean.wav", wav(music(5, seconds=3)))
    before = state(committed.folder)
    confirm = SteadyFile.confirm

    def late(self: SteadyFile) -> None:
        if self.path == source:
            with source.open("ab") as file:
                file.write(bytes(6))
        confirm(self)

    monkeypatch.setattr(SteadyFile, "confirm", late)
    with pytest.raises(BadInputError, match=r"Lanterns clean\.wav changed while it was read"):
        committed.commit([source])
    assert state(committed.folder) == before


def test_gone(committed: Release, tmp_path: Path) -> None:
    """A name that nothing stands behind; a link to nowhere in the folder."""
    before = state(committed.folder)
    with pytest.raises(BadInputError, match="is not there"):
        committed.commit([tmp_path / "Lanterns clean.wav"])
    assert state(committed.folder) == before
    place = committed.folder / "bounces/clean.wav"
    place.unlink()
    place.symlink_to(tmp_path / "nowhere")
    with pytest.raises(BadInputError, match=r"clean\.wav is not there"):
        committed.commit()


def test_a_name_that_is_not_utf8(committed: Release, tmp_path: Path) -> None:
    """Such a name cannot be written into a manifest; neither handed over nor among stems."""
    name = os.fsdecode(b"Lanterns clean \xff\xfe.wav")
    before = state(committed.folder)
    with pytest.raises(BadInputError) as caught:
        committed.commit([written(tmp_path / name, wav(music(3)))])
    assert "not valid UTF-8" in str(caught.value)
    str(caught.value).encode()
    assert state(committed.folder) == before


def test_a_folder_and_a_pipe_are_no_bounces(committed: Release, tmp_path: Path) -> None:
    """Neither of them is waited for."""
    (tmp_path / "Lanterns clean.wav").mkdir()
    os.mkfifo(tmp_path / "Lanterns inst.wav")
    for name in ("Lanterns clean.wav", "Lanterns inst.wav"):
        with pytest.raises(BadInputError):
            committed.commit([tmp_path / name])


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # dulwich leaves its file open
@pytest.mark.parametrize("at", range(11))
def test_any_failing_fsync(
    committed: Release, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """The disk refuses at one of its chances: all is recorded or nothing, and then it works.

    That all is recorded and a failure is told can be: the reference was moved, and only
    whether that would outlive a power cut is not known.
    """
    source = written(tmp_path / "Lanterns clean.wav", wav(music(7, seconds=0.5)))
    before, events = state(committed.folder), committed.history()
    fsync, count = os.fsync, 0

    def failing(descriptor: int) -> None:
        nonlocal count
        count += 1
        if count == at + 1:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", failing)
    try:
        committed.commit([source])
    except (OSError, RelkitError):
        recorded = len(committed.history().events) > 1
        if not recorded:
            assert committed.history() == events
            store = {name: digest for name, digest in state(committed.folder).items() if "/refs/" in name}
            assert store == {name: digest for name, digest in before.items() if "/refs/" in name}
        assert not list(committed.folder.rglob("*.part"))
        assert not list(committed.folder.rglob("tmp_*"))
    monkeypatch.setattr(os, "fsync", fsync)
    gc.collect()
    committed.commit([source])
    assert committed.audit().findings == []
    assert (committed.folder / "bounces/clean.wav").read_bytes() == source.read_bytes()


def test_a_partial_frame_is_no_fault(committed: Release, tmp_path: Path) -> None:
    """Some recorders leave one; it is kept, byte for byte."""
    data = riff(chunk(b"fmt ", fmt()), chunk(b"data", pcm24(music(8)) + struct.pack("<H", 7)))
    report = committed.commit([written(tmp_path / "Lanterns clean.wav", data)])
    assert report.changed
    committed.checkout("2", tmp_path / "out")
    assert (tmp_path / "out/bounces/clean.wav").read_bytes() == data
