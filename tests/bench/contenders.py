"""Who is compared: stock Git, a plain copy, relkit's store alone, and the whole command.

All of them take the same files and answer the same three calls: ``commit`` a
first time, ``commit`` the edits, ``checkout`` the first state. What is put in
place before the clock starts is the same for all; with ``cp`` the copying is the work.

    stock Git       ``git add . && git commit``, core.fsync=all (every object, index and
                    reference), gc.auto=0 so that no housekeeping falls into a timing; otherwise
                    Git's defaults. Checkout: ``git checkout REVISION -- .`` into an
                    empty folder, then fsync of every file.
    cp              ``cp``, then fsync of every file and its folder
    storing alone   relkit's store by its API, in a process that is running already: reading,
                    hashing, cutting, coding, pack, revision, reference; no measuring, no signing.
                    Checkout: every file restored and its digest checked, then fsync.
    whole command   ``relkit commit`` as a process of its own: start-up, measuring, signing and all

Not here: the clock (``running``), how often, and what comes of it (``store``).
"""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from relkit.audio.reading import SteadyFile
from relkit.store import revisions
from relkit.store.cache import Cache
from relkit.store.chunk_index import ChunkIndex
from relkit.store.content import Intake, Stored
from relkit.store.repository import REVISIONS, Repository
from relkit.store.restoring import restore
from tests.bench.material import COVER, long_bounce
from tests.bench.running import Spent, ready, relkit, run, size_of, sync, timed

Files = Mapping[str, Path]
_GIT = ("git", "-c", "core.fsync=all", "-c", "gc.auto=0", "-c", "user.name=b", "-c", "user.email=b@b.example")
_A_MINUTE_NS = 60_000_000_000


class Contender(Protocol):
    """Something that keeps files."""

    name: str

    def commit(self, files: Files) -> Spent:
        """Keep these files; they replace earlier ones of the same names."""

    def checkout(self, folder: Path) -> Spent:
        """Write the first state into a folder that does not exist yet."""


def place(files: Files, folder: Path) -> list[Path]:
    """Copy files where they are to be committed, as if they had been bounced a minute ago."""
    placed = []
    before = time.time_ns() - _A_MINUTE_NS
    for name, source in files.items():
        target = folder / ("artwork" if name == COVER else "bounces") / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)
        os.utime(target, ns=(before, before))
        placed.append(target)
    return placed


def warm_up(folder: Path) -> None:
    """Store one short bounce, so that no contender in this process pays for loading libraries."""
    folder.mkdir()
    bounce = long_bounce(folder / "short.wav", 1)
    StoringAlone(folder / "kept").commit({bounce.name: bounce})


def below(folder: Path) -> list[Path]:
    """Return all files below a folder."""
    return [path for path in folder.rglob("*") if path.is_file()]


class StockGit:
    """An ordinary repository of stock Git."""

    name = "stock git"

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir()
        run(["git", "init", "-q"], folder)

    def commit(self, files: Files) -> Spent:
        """Add and commit."""
        ready(place(files, self._folder))
        added = run([*_GIT, "add", "."], self._folder)
        done = run([*_GIT, "commit", "-q", "-m", "state"], self._folder)
        return Spent(added.wall_s + done.wall_s, added.cpu_s + done.cpu_s)

    def checkout(self, folder: Path) -> Spent:
        """Check the first commit out beside the work tree."""
        folder.mkdir()
        ready(below(self._folder / ".git"))
        with timed() as syncing:
            done = run([*_GIT, f"--work-tree={folder}", "checkout", "HEAD~1", "--", "."], self._folder)
            sync(below(folder))
        return Spent(syncing.wall_s, done.cpu_s + syncing.cpu_s)


class PlainCopy:
    """A copy of the files, nothing else."""

    name = "cp"

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._kept: dict[str, Path] = {}
        folder.mkdir()

    def commit(self, files: Files) -> Spent:
        """Copy."""
        self._kept = dict(files) | self._kept
        return self._copy(files, self._folder)

    def checkout(self, folder: Path) -> Spent:
        """Copy as well."""
        folder.mkdir()
        return self._copy(self._kept, folder)

    def _copy(self, files: Files, folder: Path) -> Spent:
        ready(files.values())
        with timed() as spent:
            done = run(["cp", *files.values(), folder], folder)
            sync(folder / name for name in files)
        return Spent(spent.wall_s, spent.cpu_s + done.cpu_s)


class StoringAlone:
    """relkit's store as ``relkit.release.commit`` uses it, without the rest."""

    name = "relkit, storing alone"

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.path = folder / "store.git"
        Repository.create(self.path, "0f" * 16).close()
        self._cache = folder / "cache.sqlite"
        self._content: dict[str, bytes] = {}
        self._first: dict[str, Stored] = {}

    def commit(self, files: Files) -> Spent:
        """Store files in one pack, record a revision that lists all content, move the reference."""
        ready(files.values())
        with timed() as spent:
            repository, cache = Repository(self.path), Cache(self._cache)
            before = repository.ref(REVISIONS)
            index = ChunkIndex(repository, cache)
            with repository.writer() as pack, Intake(pack, index) as intake:
                stored = []
                for path in files.values():
                    with SteadyFile(path) as file:
                        taking = intake.file(file.container)
                        for part, window in file.windows(buffers=3):
                            taking.feed(part, window)
                        stored.append(taking.finish())
                intake.settle()
                self._first = self._first or dict(zip(files, stored, strict=True))
                self._content |= {each.sha256: each.tree for each in stored}
                made = revisions.write(
                    pack,
                    manifest=json.dumps(sorted(self._content)).encode(),
                    signature=b"none\n",
                    content=self._content,
                    features=revisions.FEATURES,
                    parents=[before] if before else [],
                    moment=datetime(2031, 5, 4, tzinfo=UTC),
                    message="state",
                )
            repository.set_ref(REVISIONS, made, before)
            index.remember(intake.fresh, made)
            repository.tidy()
            repository.close()
            cache.close()
        return spent

    def checkout(self, folder: Path) -> Spent:
        """Give the first files back, checked while they are written."""
        folder.mkdir()
        ready(below(self.path))
        with timed() as spent:
            repository = Repository(self.path)
            for name, stored in self._first.items():
                with (folder / name).open("wb") as out:
                    restore(repository, stored.tree, out.write, stored.sha256)
            repository.close()
            sync(below(folder))
        return spent

    def size_bytes(self) -> int:
        """Return the size of the store."""
        return size_of(self.path)


class WholeCommand:
    """A release, and the ``relkit`` command on it."""

    name = "relkit, whole command"

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder = folder / "release"
        self._around = {"RELKIT_HOME": str(folder / "home")}
        run(relkit("new", self.folder, "--artist", "Bench", "--title", "Song"), folder, self._around)

    def relkit(self, *words: str | Path) -> Spent:
        """Run the command in the release."""
        return run(relkit(*words), self.folder, self._around)

    def commit(self, files: Files) -> Spent:
        """Put files where the sheet has them, and commit whatever changed."""
        ready(place(files, self.folder))
        return self.relkit("commit")

    def checkout(self, folder: Path) -> Spent:
        """Check out revision 1, which has the sheet in it as well."""
        ready(below(self.folder / ".relkit"))
        return self.relkit("checkout", "1", "--to", folder)

    def peak_of_commit(self) -> int:
        """Commit what is in place, and return the peak memory of that process [bytes]."""
        noted = self.folder.parent / "peak"
        script = Path(__file__).with_name("watched.py")
        run([relkit()[0], script, noted, "commit"], self.folder, self._around)
        return int(noted.read_text(encoding="ascii"))

    def size_bytes(self) -> int:
        """Return the size of the store."""
        return size_of(self.folder / ".relkit" / "store.git")

    def size_inside_bytes(self) -> int:
        """Return the size of ``.relkit``: the store, and the cache beside it."""
        return size_of(self.folder / ".relkit")
