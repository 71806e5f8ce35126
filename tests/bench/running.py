"""Running things under the clock, and alike for everybody.

Conventions
    times     wall clock [s]; CPU is user and system time of the process and its threads [s]
    before    every timed step: the files it reads are in the page cache, and nothing that an
              earlier step wrote is still on its way to the disk
    fsync     whatever a step leaves behind is on the disk when its time ends

Not here: what is run (``contenders``).
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.support.stores import clean_environment


@dataclass
class Spent:
    """What a step took."""

    wall_s: float = 0.0
    cpu_s: float = 0.0


@contextmanager
def timed() -> Iterator[Spent]:
    """Time a block of this process."""
    spent = Spent()
    wall, cpu = time.perf_counter(), time.process_time()
    yield spent
    spent.wall_s, spent.cpu_s = time.perf_counter() - wall, time.process_time() - cpu


def run(command: Sequence[str | Path], folder: Path, environment: Mapping[str, str] | None = None) -> Spent:
    """Run a program to its end and say what it took.

    Raises:
        RuntimeError: it failed; with what it said.
    """
    with tempfile.TemporaryFile() as said:
        begun = time.perf_counter()
        process = subprocess.Popen(
            [str(word) for word in command],
            cwd=folder,
            env=clean_environment(**(environment or {})),
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
        )
        _, status, usage = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - begun
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode != 0:
            said.seek(0)
            raise RuntimeError(f"{command[0]} failed: {said.read().decode(errors='replace')}")
    return Spent(wall_s, usage.ru_utime + usage.ru_stime)


def relkit(*words: str | Path) -> list[str | Path]:
    """Return the command line that runs relkit with this Python."""
    return [sys.executable, "-m", "relkit", *words]


def ready(paths: Iterable[Path]) -> None:
    """Bring files into the page cache, and everything that waits to be written to the disk."""
    for path in paths:
        with path.open("rb", buffering=0) as file:
            buffer = bytearray(1 << 20)
            while file.readinto(buffer):
                pass
    os.sync()


def sync(paths: Iterable[Path]) -> None:
    """Bring files and the folders that they are in to the disk."""
    every = list(paths)
    for path in [*every, *{path.parent for path in every}]:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def size_of(folder: Path) -> int:
    """Return the size of all files below a folder."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
