"""One writer at a time; the lock ends with the process that holds it, however that ends."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from relkit.store.locking import ReleaseBusyError, writing
from tests.support.stores import ROOT, clean_environment

HOLD = """
import sys, time
from pathlib import Path
from relkit.store.locking import writing
with writing(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(float(sys.argv[2]))
"""


@contextmanager
def held_by_another(folder: Path, seconds: float) -> Iterator[subprocess.Popen[str]]:
    """Let another process hold the lock for a while."""
    command = [sys.executable, "-c", HOLD, str(folder), str(seconds)]
    with subprocess.Popen(
        command, cwd=ROOT, env=clean_environment(), stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        try:
            yield process
        finally:
            process.kill()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A ``.relkit`` folder."""
    made = tmp_path / "lanterns-on-the-weir" / ".relkit"
    made.mkdir(parents=True)
    return made


def test_a_second_writer_is_told_who_holds_it(folder: Path) -> None:
    """After its wait: exit code 6, the release and the process."""
    with held_by_another(folder, 60) as process:
        started = time.monotonic()
        with pytest.raises(ReleaseBusyError) as caught, writing(folder, wait_s=0.3):
            pass
        assert 0.3 <= time.monotonic() - started < 5
    assert caught.value.exit_code == 6
    assert f"lanterns-on-the-weir is being written to by process {process.pid} on " in str(caught.value)


def test_a_second_writer_waits_for_the_first(folder: Path) -> None:
    """And then gets it."""
    with held_by_another(folder, 0.5), writing(folder, wait_s=30):
        assert (folder / "lock.holder").read_text().startswith("process ")


def test_a_killed_holder_holds_nothing(folder: Path) -> None:
    """SIGKILL: no waiting, nothing to clean up by hand; what it left is overwritten."""
    with held_by_another(folder, 60) as process:
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert (folder / "lock.holder").exists()
    started = time.monotonic()
    with writing(folder, wait_s=30):
        assert time.monotonic() - started < 2
    assert not (folder / "lock.holder").exists()


def test_an_error_inside_frees_it(folder: Path) -> None:
    """Also for the same process."""

    def fail() -> None:
        with writing(folder):
            raise ConnectionError

    with pytest.raises(ConnectionError):
        fail()
    with writing(folder, wait_s=0):
        pass


def test_two_threads_are_two_writers(folder: Path) -> None:
    """Never inside together, and all get in."""
    inside: list[int] = []
    most: list[int] = []

    def work(number: int) -> None:
        for _ in range(5):
            with writing(folder, wait_s=60):
                inside.append(number)
                most.append(len(inside))
                time.sleep(0.002)
                inside.remove(number)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == [1] * 20


@pytest.mark.parametrize("line", [b"", b"\xff\xfe", b"   "])
def test_an_unreadable_name_is_no_obstacle_to_the_message(folder: Path, line: bytes) -> None:
    """Somebody holds it; who is not known."""
    with held_by_another(folder, 60):
        (folder / "lock.holder").write_bytes(line)
        with pytest.raises(ReleaseBusyError, match="by another process"), writing(folder, wait_s=0):
            pass


def test_two_commits_at_once_lose_nothing(tmp_path: Path) -> None:
    """Four processes, five revisions each: all twenty are there."""
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "from relkit.store.locking import writing\n"
        "from tests.support.stores import Store\n"
        "for number in range(5):\n"
        "    with writing(Path(sys.argv[1]), wait_s=120):\n"
        "        store = Store(Path(sys.argv[1]))\n"
        "        store.commit(f'{sys.argv[2]} {number}'.encode())\n"
        "        store.close()\n"
    )
    from relkit.store import revisions
    from relkit.store.repository import REVISIONS
    from tests.support.stores import Store, fsck

    store = Store(tmp_path / ".relkit")
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path / ".relkit"), name], cwd=ROOT, env=clean_environment()
        )
        for name in "abcd"
    ]
    assert [process.wait() for process in processes] == [0] * 4
    newest = store.repository.ref(REVISIONS)
    assert len(list(revisions.walk(store.repository, newest))) == 20
    store.close()
    assert fsck(store.path) == ""
