"""Works on a release and dies, again and again: ``python -m tests.support.killed FOLDER KILLS SEED``.

A child commits, ships or checks out. It dies after a random time, or just before
it touches a file for a random time. The parent then looks at what is left, judged
by audit, by verify, by hashlib and by stock Git, and does the same again to the end.

Prints, as JSON, how often each kind of work was killed, and how often it was done all the same.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from relkit.release.verify import verify
from tests.support.dying import die_at
from tests.support.stores import as_bytes, fsck, music, wav
from tests.support.tiny_release import DJ, start

EVENTS_OF_ONE = 150  # a command touches files about that often
Work = Callable[[], None]


class Victim:
    """The release, and what is known of it outside."""

    def __init__(self, root: Path, seed: int) -> None:
        self.rng = random.Random(seed)
        self.tiny = start(root)
        self.take = 0
        self.next_take()
        self.tiny.commit("first")
        self.tiny.ship(DJ, kind="club-dj")
        self.expected = {1: self.digests()}  # revision to name to SHA-256
        self.records = 1
        self.durations_s: dict[str, float] = {}

    def next_take(self) -> None:
        """Bounce one version anew; half of it stays."""
        self.take += 1
        samples = music(1.5, 1)
        samples[len(samples) // 2 :] *= 0.5 + 0.4 * self.rng.random()
        (self.tiny.folder / "bounces" / "clean.wav").write_bytes(wav(as_bytes(samples, "int24")))

    def digests(self) -> dict[str, str]:
        """Return what the files in the folder hash to."""
        return {
            name: hashlib.sha256((self.tiny.folder / name).read_bytes()).hexdigest()
            for name in ("bounces/clean.wav", "artwork/cover.png", "release.toml")
        }

    # --- work

    def commit(self) -> None:
        """Commit a new take."""
        with self.tiny.open() as release:
            release.commit(note=f"take {self.take}")

    def ship(self) -> None:
        """Ship it as a folder."""
        with self.tiny.open() as release:
            release.ship(DJ)

    def ship_zip(self) -> None:
        """Ship it as a ZIP."""
        with self.tiny.open() as release:
            release.ship(DJ, form="zip")

    def checkout(self) -> None:
        """Check out the first revision."""
        with self.tiny.open() as release:
            release.checkout("1", self.tiny.root / "out")

    # --- what is left

    def look(self) -> None:
        """Check that the last good state is intact, or the next one is there as a whole."""
        self.tiny.audit()
        with self.tiny.open() as release:
            events = release.history().events
        manifests = {event.revision.revision: event.revision for event in events if event.revision}
        shipped = {event.record.id[:8]: event.record for event in events if event.record}
        newest = max(self.expected)
        if newest + 1 in manifests:
            newest += 1
            self.expected[newest] = self.digests()
        assert set(manifests) == set(self.expected), (set(manifests), set(self.expected))
        for number, digests in self.expected.items():
            assert {entry.name: entry.sha256 for entry in manifests[number].files} == digests
        assert len(shipped) in {self.records, self.records + 1}
        self.records = len(shipped)
        for package in self.tiny.folder.glob("packages/*/*"):
            if not package.name.startswith("."):
                record = shipped[package.parent.name[-8:]]
                assert verify(package, self.tiny.home).digest == record.of
        for place in (self.tiny.root / "out").rglob("*"):
            if place.is_file() and not place.name.endswith(".part"):
                name = place.relative_to(self.tiny.root / "out").as_posix()
                assert hashlib.sha256(place.read_bytes()).hexdigest() == self.expected[1][name]

    def run(self, kills: int) -> dict[str, Counter[str]]:
        """Kill that often."""
        works: dict[str, Work] = {
            "commit": self.commit,
            "ship": self.ship,
            "ship as ZIP": self.ship_zip,
            "checkout": self.checkout,
        }
        outcomes: dict[str, Counter[str]] = {name: Counter() for name in works}
        for number in range(kills):
            name, work = list(works.items())[number % len(works)]
            if name == "commit":
                self.next_take()
            before = len(self.expected), self.records
            status = self.one(name, work, by_event=number // len(works) % 2 == 0)
            self.look()
            done = "done" if (len(self.expected), self.records) != before else "not done"
            outcomes[name]["lived" if status == 0 else f"killed, {done}"] += 1
            begun = time.monotonic()
            assert self.forked(work) == 0, f"the next {name} does not work"
            self.durations_s[name] = time.monotonic() - begun
            self.look()
            shutil.rmtree(self.tiny.root / "out", ignore_errors=True)
            if number % 10 == 9:
                shutil.rmtree(self.tiny.folder / "packages")
                said = fsck(self.tiny.store).splitlines()
                assert all(line.startswith("dangling ") for line in said), said
        return outcomes

    def one(self, name: str, work: Work, *, by_event: bool) -> int:
        """Do some work in a child that is killed; returns its status, 0 if it was too quick to die."""
        if by_event:
            place = self.rng.randrange(1, EVENTS_OF_ONE)

            def dying() -> None:
                die_at(self.tiny.root, place)
                work()

            return self.forked(dying)
        return self.forked(work, after_s=self.rng.random() * self.durations_s.get(name, 0.2))

    def forked(self, work: Work, after_s: float | None = None) -> int:
        """Do work in a child, and kill it after a while if asked to; returns its status."""
        child = os.fork()
        if child == 0:
            code = 1
            try:
                work()
                code = 0
            finally:
                os._exit(code)
        if after_s is not None:
            time.sleep(after_s)
            os.kill(child, signal.SIGKILL)
        return os.waitpid(child, 0)[1]


if __name__ == "__main__":
    folder, kills, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    print(json.dumps(Victim(folder, seed).run(kills)))  # noqa: T201 - for whoever called
