"""Killed, out of space, interrupted: the last good state stays, and the next command works."""

from __future__ import annotations

import gc
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from relkit.store import integrity, revisions
from relkit.store.chunk_index import ChunkIndex
from relkit.store.content import Intake
from relkit.store.repository import REVISIONS
from tests.support.stores import ROOT, Store, as_bytes, clean_environment, feed, fsck, music, wav


def files_of(store: Store) -> dict[str, bytes]:
    """Return every file of the store, but the cache."""
    return {str(path): path.read_bytes() for path in store.path.rglob("*") if path.is_file()}


def test_killed_before_any_touch_of_the_disk(tmp_path: Path) -> None:
    """A commit, a record and joining packs, cut short at every fourth place where they touch a file."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "tests.support.dying", str(tmp_path), "4"],
        cwd=ROOT,
        env=clean_environment(),
        check=True,
        stdout=subprocess.PIPE,
    )
    assert int(done.stdout) > 100  # places


LOOP = """
import sys
from pathlib import Path
from tests.support.stores import Store, as_bytes, music, wav
store = Store(Path(sys.argv[1]))
song = music(20, int(sys.argv[2]))
print("ready", flush=True)
for number in range(1000):
    commit, _ = store.commit(wav(as_bytes(song * (1 - number / 2000), "int24")), b"%d" % number)
    print(commit.hex(), flush=True)
"""


def test_killed_at_random_moments(store: Store) -> None:
    """Ten times, in the middle of coding and writing as well; what was said to be done is there."""
    rng = random.Random(1)
    said: list[str] = []
    store.commit(b"the first")
    for number in range(10):
        command = [sys.executable, "-c", LOOP, str(store.folder), str(number)]
        with subprocess.Popen(
            command, cwd=ROOT, env=clean_environment(), stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            time.sleep(rng.uniform(0, 0.5))
            process.kill()
            said += process.stdout.read().split()
        opened = Store(store.folder)
        held = list(revisions.walk(opened.repository, opened.repository.ref(REVISIONS)))
        there = {each.commit.hex() for each in held}
        assert there >= set(said)
        assert integrity.check(opened.repository).faults == []
        opened.commit(b"go on %d" % number)
        opened.close()
        assert all(line.startswith("dangling ") for line in fsck(store.path).splitlines())


FULL = """
import resource, sys
from pathlib import Path
from tests.support.stores import Store, as_bytes, music, wav
store = Store(Path(sys.argv[1]))
song = wav(as_bytes(music(3, 2), "int24"))
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), resource.RLIM_INFINITY))
try:
    store.commit(song)
except OSError as error:
    print("OSError", error.errno)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
print("left", *(path.name for path in (store.path / "objects/pack").glob("tmp_*")))
_, [stored] = store.commit(song)
assert store.restored(stored) == song
store.close()
"""


@pytest.mark.parametrize("limit_bytes", [1, 100, 5_000, 300_000])
def test_no_room_for_a_larger_file(store: Store, limit_bytes: int) -> None:
    """The system's limit on a file's size stands in for a full disk: EFBIG as it would be ENOSPC.

    The error passes as what it is, no temporary file stays, and with room the same commit works.
    """
    store.commit(b"the first")
    store.close()
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", FULL, str(store.folder), str(limit_bytes)],
        cwd=ROOT,
        env=clean_environment(),
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert done.stdout == "OSError 27\nleft\n"  # EFBIG, errno.h
    assert fsck(store.path) == ""


@pytest.mark.filterwarnings("ignore:unclosed")  # dulwich, when its own sync fails
@pytest.mark.parametrize("fails", ["write", "fsync", "replace"])
def test_a_full_disk_leaves_the_store_as_it_was(
    store: Store, monkeypatch: pytest.MonkeyPatch, fails: str
) -> None:
    """ENOSPC from each kind of call in turn, each time it is made: until a commit needs fewer calls."""
    import os
    import pathlib

    store.commit(b"the first")
    before = files_of(store)
    song = wav(as_bytes(music(2, 3), "int24"))
    for number in range(1, 10):
        left = [number]

        def tired(real: object, left: list[int] = left) -> object:
            def call(*arguments: object, **named: object) -> object:
                left[0] -= 1
                if left[0] == 0:
                    raise OSError(28, "No space left on device")
                return real(*arguments, **named)  # type: ignore[operator]

            return call

        with monkeypatch.context() as patch:
            if fails == "write":
                from relkit.store.packing import PackWriter

                patch.setattr(PackWriter, "_append", tired(PackWriter._append))
            elif fails == "fsync":
                patch.setattr(os, "fsync", tired(os.fsync))
            else:
                patch.setattr(pathlib.Path, "replace", tired(pathlib.Path.replace))
            try:
                store.commit(song)
            except OSError:
                assert store.repository.ref(REVISIONS) is not None
            else:
                break
        lost = {path for path, data in before.items() if files_of(store).get(path) != data}
        assert lost <= {str(store.path / REVISIONS)}
        gc.collect()
        assert not list(store.path.rglob("*.lock"))
        assert integrity.check(store.repository).faults == []
        store.repository.tidy()
        assert all(line.startswith("dangling ") for line in fsck(store.path).splitlines())
    assert number > 1
    _, [stored] = store.commit(song)
    assert store.restored(stored) == song
    assert not list((store.path / "objects" / "pack").glob("tmp_*"))


def test_an_error_in_a_coding_thread_comes_out(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is not lost beside the cutting, and nothing is written."""
    from relkit.store import codings

    def fail(*_: object) -> tuple[str, bytes]:
        raise MemoryError

    store.commit(b"the first")
    before = files_of(store)
    monkeypatch.setattr(codings, "encode", fail)
    with pytest.raises(MemoryError):
        store.commit(wav(as_bytes(music(30, 4), "int24")))
    assert files_of(store) == before


def test_interrupted_by_hand(store: Store) -> None:
    """Ctrl-C in the middle of an intake."""
    store.commit(b"the first")
    before = files_of(store)

    def take_in_half() -> None:
        with (
            store.repository.writer() as pack,
            Intake(pack, ChunkIndex(store.repository, store.cache)) as intake,
        ):
            feed(intake, wav(as_bytes(music(30, 5), "int24")))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        take_in_half()
    assert files_of(store) == before
