"""What is left when a package cannot be finished: the last good state, and no litter.

Not here: kills at every other place of shipping (``tests/hostile``).
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from relkit.audio import encoding
from relkit.release.home import Home
from tests.support.packages import SHEET, noise, started, version_lines, wav_of
from tests.support.releases import Command, recorded

VERSIONS = ("one", "two", "three")


@pytest.fixture
def command(tmp_path: Path, home: Home) -> Command:
    """A release whose MP3s take some seconds to make, and the command in it."""
    sheet = SHEET + "".join(version_lines(name) for name in VERSIONS)
    bounces = {
        name: wav_of(noise(seed, 60 * 44_100, 1, 44_100), "int16", 44_100)
        for seed, name in enumerate(VERSIONS)
    }
    with started(tmp_path / "release", home, sheet, bounces):
        pass
    return Command(tmp_path / "release", home.folder)


def inside(command: Command) -> set[str]:
    """Return the names of what lies in ``.relkit``, but for what the store keeps."""
    return {path.name for path in (command.folder / ".relkit").iterdir()}


def begun(command: Command) -> subprocess.Popen[bytes]:
    """Start to ship, and wait until encoders are at work."""
    child = subprocess.Popen(
        command.arguments("ship", "Ixby", "--kind", "club-dj"),
        cwd=command.folder,
        env=command.environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        names = [_target(link) for link in Path(f"/proc/{child.pid}/fd").iterdir()]
        if any("(deleted)" in name and ".relkit" in name for name in names):
            time.sleep(0.3)
            return child
        time.sleep(0.02)
    raise AssertionError("no encoder was started")


def _target(link: Path) -> str:
    try:
        return str(link.readlink())
    except OSError:  # closed meanwhile
        return ""


def test_killed_while_encoding(command: Command) -> None:
    """SIGKILL, several times: nothing is recorded and nothing piles up; then it works."""
    before, names = recorded(command.folder), inside(command)
    for _ in range(2):
        child = begun(command)
        child.kill()
        child.communicate()
        assert child.returncode == -signal.SIGKILL
        assert recorded(command.folder) == before
        assert inside(command) - names <= {"lock.holder"}  # says who held the lock, and is written over
        assert not list(command.folder.rglob("tmp*"))
    assert "Shipped revision 1" in command.done("ship", "Ixby", "--kind", "club-dj")
    assert command.json("audit")["findings"] == []


def test_ctrl_c_while_encoding(command: Command) -> None:
    """The threads give up within a moment; exit code 130, nothing recorded."""
    before = recorded(command.folder)
    child = begun(command)
    asked = time.monotonic()
    child.send_signal(signal.SIGINT)
    _, err = child.communicate(timeout=60)
    assert child.returncode == 130, err
    assert b"interrupted" in err
    assert (
        time.monotonic() - asked < 10  # generous: a busy machine takes a while to come round to it
    )  # the MP3s take longer, on any machine and on a busy one all the more
    assert recorded(command.folder) == before


@pytest.mark.parametrize("what", ["the encoder", "a thread"])
def test_a_disk_that_fills_up_while_encoding(
    tmp_path: Path, home: Home, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """The system's own error comes out, from whatever thread; the other sounds stop, and threads end."""
    sheet = SHEET + version_lines("one") + version_lines("two")
    bounces = {
        "one": wav_of(noise(1, 44_100, 2, 44_100), "int24", 44_100),
        "two": wav_of(noise(2, 40 * 44_100, 2, 44_100), "int24", 44_100),
    }
    real: Callable[..., None] = encoding.Mp3Writer.write

    def full(self: Any, raw: Any) -> None:
        if self._frames > 10_000 and self._fmt.channels == 2:
            raise OSError(28, os.strerror(28))
        real(self, raw)

    with started(tmp_path / "release", home, sheet, bounces) as release:
        before = recorded(release.folder)
        target = (
            "relkit.audio.encoding.Mp3Writer.write" if what == "the encoder" else "relkit.release.making._mp3"
        )
        monkeypatch.setattr(target, full if what == "the encoder" else _no_room)
        with pytest.raises(OSError, match="No space"):
            release.ship("Ixby", kind="club-dj", formats=["mp3", "wav"])
        assert not [thread for thread in threading.enumerate() if "relkit" in thread.name]
        assert recorded(release.folder) == before
        monkeypatch.undo()
        assert release.ship("Ixby", kind="club-dj", formats=["wav"]).package.files


def _no_room(*_: object) -> None:
    raise OSError(28, os.strerror(28))


def test_only_one_fault_is_told_and_it_is_the_first(
    tmp_path: Path, home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sound that fails stops those that others wait for."""
    from relkit.release import making

    sheet = SHEET + version_lines("long") + version_lines("short")
    bounces = {
        "long": wav_of(noise(1, 120 * 44_100, 1, 44_100), "int16", 44_100),
        "short": wav_of(noise(2, 44_100, 1, 44_100), "int16", 44_100),
    }
    real = making._mp3

    def failing(read: Any, converter: Any, target: Any, out: Any) -> Any:
        frames = 0

        def counted(block: Any) -> None:
            nonlocal frames
            frames += len(block)

        read(counted)
        if frames < 200_000:
            raise OSError(5, "the short one")
        return real(read, converter, target, out)

    monkeypatch.setattr(making, "_mp3", failing)
    with (
        started(tmp_path / "release", home, sheet, bounces) as release,
        pytest.raises(OSError, match="the short one"),
    ):
        release.ship("Ixby", kind="club-dj", formats=["mp3"])
