"""Steady reading: every byte once, whole frames, and every way in which a file lets one down."""

from __future__ import annotations

import os
import pickle
import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from relkit.audio.formats import PcmFormat
from relkit.audio.reading import BadNameError, FileChangedError, SteadyFile, UnreadableFileError
from tests.support.audio_bytes import Planted, aiff_files, chunk, fmt, riff, wav_files

FILE = riff(chunk(b"fmt ", fmt()), chunk(b"data", bytes(range(240)) * 100), chunk(b"LIST", b"INFO" * 9))


@pytest.fixture
def bounce(tmp_path: Path) -> Path:
    """A small WAV, last written long ago."""
    path = tmp_path / "hook.wav"
    path.write_bytes(FILE)
    os.utime(path, (1e9, 1e9))
    return path


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.one_of(wav_files(), aiff_files()), st.integers(1, 5000), st.integers(1, 4))
def test_windows_give_every_byte_once_and_whole_frames(
    tmp_path_factory: pytest.TempPathFactory, planted: Planted, window_bytes: int, buffers: int
) -> None:
    """Whatever the window size, each window is of one part and in order."""
    path = tmp_path_factory.getbasetemp() / "generated.audio"
    path.write_bytes(planted.file)
    with SteadyFile(path) as file:
        read = [(part, bytes(window)) for part, window in file.windows(window_bytes, buffers=buffers)]
        sound = file.container.sound
    assert b"".join(data for _, data in read) == planted.file
    assert b"".join(data for part, data in read if part.kind == "essence") == planted.essence
    assert isinstance(sound, PcmFormat)
    for part, data in read:
        if part.kind == "essence":
            assert len(data) % sound.frame_bytes == 0
            assert len(data) <= max(window_bytes, sound.frame_bytes)
        else:
            assert len(data) <= window_bytes


def test_a_window_is_good_until_its_buffer_comes_round(bounce: Path) -> None:
    """With three buffers, the last two windows are still what they were; and it can be read twice."""
    with SteadyFile(bounce) as file:
        for _ in range(2):
            held: list[tuple[memoryview, bytes]] = []
            for _part, window in file.windows(600, buffers=3):
                held = [*held[-2:], (window, bytes(window))]
                assert all(bytes(view) == copy for view, copy in held)


def test_an_empty_file_has_no_windows(tmp_path: Path) -> None:
    """Empty in, empty out."""
    (tmp_path / "empty.wav").touch()
    with SteadyFile(tmp_path / "empty.wav") as file:
        assert (file.size_bytes, list(file.windows())) == (0, [])


@pytest.mark.parametrize("how", ["grown", "cut", "written to", "replaced", "deleted"])
def test_a_file_that_changes_while_it_is_read_is_refused(bounce: Path, how: str) -> None:
    """At the latest after the last window."""
    with SteadyFile(bounce) as file:
        windows = file.windows(1000)
        next(windows)
        _change(bounce, how)
        with pytest.raises(FileChangedError, match=r"hook\.wav changed while it was read") as caught:
            list(windows)
    assert caught.value.exit_code == 3
    again = pickle.loads(pickle.dumps(caught.value))  # noqa: S301 - our own error
    assert (str(again), again.hint) == (str(caught.value), caught.value.hint)


def _change(path: Path, how: str) -> None:
    if how == "grown":
        with path.open("ab") as file:
            file.write(b"more")
        os.utime(path, (1e9, 1e9))
    elif how == "cut":
        os.truncate(path, 5000)
    elif how == "written to":
        with path.open("r+b") as file:
            file.write(b"RIFF")
    elif how == "replaced":
        other = path.with_suffix(".new")
        other.write_bytes(FILE)
        os.utime(other, (1e9, 1e9))
        other.replace(path)
    else:
        path.unlink()


def test_a_change_after_reading_is_seen_when_asked(bounce: Path) -> None:
    """Whoever holds the result for a while can ask again before using it."""
    with SteadyFile(bounce) as file:
        list(file.windows())
        file.confirm()
        _change(bounce, "written to")
        with pytest.raises(FileChangedError, match="written to"):
            file.confirm()


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """Also a link to nowhere."""
    (tmp_path / "link.wav").symlink_to("gone.wav")
    for name in ("gone.wav", "link.wav"):
        with pytest.raises(UnreadableFileError, match=f"{name} is not there"), SteadyFile(tmp_path / name):
            pass


def test_what_is_no_file_is_named_and_not_waited_for(tmp_path: Path) -> None:
    """A folder, a device, and a named pipe that nobody writes to."""
    (tmp_path / "folder.wav").mkdir()
    os.mkfifo(tmp_path / "pipe.wav")
    open_files = len(list(Path("/proc/self/fd").iterdir()))
    for path, fault in (("folder.wav", "a folder"), ("pipe.wav", "a named pipe"), ("/dev/null", "a device")):
        with pytest.raises(UnreadableFileError, match=f"is {fault}, not a file"), SteadyFile(tmp_path / path):
            pass
    assert len(list(Path("/proc/self/fd").iterdir())) == open_files


def test_a_file_without_the_right_to_read_it_is_named(bounce: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The superuser may read anything, so the system's refusal is played where the tests run as one."""
    bounce.chmod(0)
    if os.geteuid() == 0:
        monkeypatch.setattr(os, "open", _refuse)
    with (
        pytest.raises(UnreadableFileError, match=r"hook\.wav may not be read: permission denied"),
        SteadyFile(bounce),
    ):
        pass


def _refuse(path: Path, flags: int) -> int:
    raise PermissionError(13, "Permission denied", f"{path} {flags}")


def test_a_name_that_is_not_utf8_is_refused_and_printable(tmp_path: Path) -> None:
    """Made as the system makes it; what is printed is plain."""
    raw = os.fsencode(tmp_path) + b"/h\xf6ren\x1b[1m.wav"
    subprocess.run(["touch", raw], check=True)
    found = next(tmp_path.iterdir())
    with pytest.raises(BadNameError, match="not valid UTF-8") as caught:
        SteadyFile(found)
    str(caught.value).encode()
    assert "\x1b" not in str(caught.value)


def test_windows_of_no_size_are_a_callers_mistake(bounce: Path) -> None:
    """A ValueError, without a hint."""
    with SteadyFile(bounce) as file, pytest.raises(ValueError, match="1 or more"):
        next(file.windows(0))
