"""Commits again and again, and is killed at every step: ``python -m tests.support.dying FOLDER STEP``.

For each n the process forks; the child commits to a copy of one store and
kills itself (SIGKILL) just before it touches that store for the n-th time:
opens, renames, deletes or marks a file. The parent then looks at what is left
and goes on working with it. Ends when a child lived through its whole commit.

A step of more than 1 tries only every so manyth place. Prints the number of places.
"""

from __future__ import annotations

import io
import os
import shutil
import signal
import sys
from pathlib import Path

from relkit.store import integrity, revisions
from relkit.store.repository import MAX_PACKS, REVISIONS, Repository
from tests.support.stores import Store, as_bytes, fsck, git, music, restored, wav

EVENTS = {"open", "os.rename", "os.remove", "os.chmod", "os.mkdir", "os.truncate", "tempfile.mkstemp"}


def die_at(folder: Path, number: int) -> None:
    """Arrange for this process to die before it touches the folder that often."""
    left = number

    def watch(event: str, arguments: tuple[object, ...]) -> None:
        nonlocal left
        if event in EVENTS and str(folder) in str(arguments[0]):
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(watch)


def committed(folder: Path, file: bytes) -> None:
    """Commit one file and a record of it; the store joins its packs after it."""
    store = Store(folder)
    commit, _ = store.commit(file)
    store.record("records/1", commit)
    store.repository.tidy()
    store.close()


def looked_at(folder: Path, before: bytes, old: bytes, file: bytes) -> bool:
    """Check what a killed process left, and go on. Returns whether the revision was recorded."""
    repository = Repository(folder / "store.git")
    newest = repository.ref(REVISIONS)
    assert newest is not None
    held = list(revisions.walk(repository, newest))
    recorded = newest != before
    assert held[1 if recorded else 0].commit == before
    found = integrity.check(repository)
    assert found.faults == [], found.faults
    tree = next(iter(held[1 if recorded else 0].content.items()))
    assert read(repository, *tree) == old
    if recorded:
        assert read(repository, *next(iter(held[0].content.items()))) == file
    repository.close()
    for line in fsck(folder / "store.git").splitlines():
        assert line.startswith("dangling "), line
    store = Store(folder)  # with whatever became of the cache
    _, [again, more] = store.commit(file, b"the next revision")
    assert restored(store.repository, again) == file
    assert restored(store.repository, more) == b"the next revision"
    names = {path.name[:4] for path in (store.path / "objects" / "pack").iterdir()}
    assert names == {"pack"}, names
    assert len(store.packs()) <= MAX_PACKS
    assert integrity.check(store.repository).faults == []
    store.close()
    git(folder / "store.git", "fsck", "--strict")
    return recorded


def read(repository: Repository, sha256: str, tree: bytes) -> bytes:
    """Return a file's bytes."""
    from relkit.store.restoring import restore

    out = io.BytesIO()
    restore(repository, tree, out.write, sha256)
    return out.getvalue()


def main(folder: Path, step: int) -> None:
    """Try every place."""
    samples = music(1.5, 1)
    old, file = (wav(as_bytes(samples * gain, "int24")) for gain in (1.0, 0.5))
    template = Store(folder / "template")
    while len(template.packs()) < MAX_PACKS - 1:
        template.commit(b"%d" % len(template.packs()), tidy=False)
    before, _ = template.commit(old, tidy=False)
    template.close()
    place, outcomes = 1, []
    while True:
        here = folder / "here"
        shutil.copytree(folder / "template", here)
        child = os.fork()
        if child == 0:
            die_at(here, place)
            committed(here, file)
            os._exit(0)
        status = os.waitpid(child, 0)[1]
        if status == 0:
            break
        assert os.WIFSIGNALED(status), status
        outcomes.append(looked_at(here, before, old, file))
        shutil.rmtree(here)
        place += step
    assert outcomes == sorted(outcomes), "recorded, then not"
    assert set(outcomes) == {False, True}
    print(place)  # noqa: T201 - for whoever called


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
