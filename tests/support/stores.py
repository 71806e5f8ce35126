"""A store with a few files in it, made the way ``relkit.release`` makes one, and stock Git to judge it.

Audio is synthesised from seeds. Nothing here knows manifests: a revision's
manifest is a line of JSON, its signature a word.
"""

from __future__ import annotations

import io
import itertools
import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.audio.container import Container, Part, read_container
from relkit.audio.formats import PcmFormat
from relkit.store import records, revisions
from relkit.store.cache import Cache
from relkit.store.chunk_index import ChunkIndex
from relkit.store.content import Intake, Stored
from relkit.store.layout import CODINGS
from relkit.store.repository import REVISIONS, Repository
from relkit.store.restoring import restore
from tests.support.audio_bytes import chunk, comm, extensible, fmt, form, riff, ssnd

ROOT = Path(__file__).resolve().parents[2]
RELEASE_ID = "0f" * 16
START = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)


def clean_environment(**more: str) -> dict[str, str]:
    """Return an environment without anything of the user's Git, and with this project importable."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("GIT_")}
    return {
        **kept,
        "HOME": os.devnull,
        "XDG_CONFIG_HOME": os.devnull,
        "GIT_CONFIG_NOSYSTEM": "1",
        "LC_ALL": "C",
        "PYTHONPATH": str(ROOT),
        "OPENBLAS_NUM_THREADS": "1",
        **more,
    }


def git(folder: Path, *arguments: str) -> bytes:
    """Run stock Git; any failure fails the test. Returns what it said on both channels."""
    done = subprocess.run(
        ["git", "-C", str(folder), *arguments],
        env=clean_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    assert done.returncode == 0, done.stdout.decode(errors="replace")
    return done.stdout


def fsck(folder: Path) -> str:
    """Return everything that Git's strictest check has to say."""
    return git(folder, "fsck", "--strict", "--full").decode()


class Store:
    """One store with its cache, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.path = folder / "store.git"
        if not (self.path / "HEAD").exists():
            Repository.create(self.path, RELEASE_ID).close()
        self.repository = Repository(self.path)
        self.cache = Cache(folder / "cache.sqlite")

    def close(self) -> None:
        """Let go of all files."""
        self.repository.close()
        self.cache.close()

    def commit(self, *files: bytes, tidy: bool = True, **kept: Any) -> tuple[bytes, list[Stored]]:
        """Record a revision that holds exactly these files; returns its commit and what became of them.

        Args:
            kept: ``window_bytes`` and ``essence_of``, see ``feed``.
        """
        before = self.repository.ref(REVISIONS)
        index = ChunkIndex(self.repository, self.cache)
        with self.repository.writer() as pack, Intake(pack, index) as intake:
            stored = [feed(intake, data, **kept) for data in files]
            intake.settle()
            manifest = json.dumps([each.sha256 for each in stored]).encode()
            made = revisions.write(
                pack,
                manifest=manifest,
                signature=b"signed\n",
                content={each.sha256: each.tree for each in stored},
                features=intake.features | {*CODINGS} if "essence_of" in kept else intake.features,
                parents=[before] if before else [],
                moment=START,
                message="A revision",
            )
        self.repository.set_ref(REVISIONS, made, before)
        index.remember(intake.fresh, made)
        if tidy:
            self.repository.tidy()
        return made, stored

    def record(self, name: str, target: bytes, body: bytes = b'{"type":"shipment"}') -> bytes:
        """Write a record with a signature that only looks like one."""
        armor = "-----BEGIN SSH SIGNATURE-----\nAAAA\n-----END SSH SIGNATURE-----\n"
        return records.write(
            self.repository, ref=name, target=target, body=body, moment=START, sign=lambda _payload: armor
        )

    def restored(self, stored: Stored) -> bytes:
        """Return a stored file's bytes."""
        return restored(self.repository, stored)

    def size_bytes(self) -> int:
        """Return the size of all packs and their indexes."""
        return sum(path.stat().st_size for path in (self.path / "objects" / "pack").iterdir())

    def packs(self) -> list[Path]:
        """Return all packs."""
        return sorted((self.path / "objects" / "pack").glob("*.pack"))


def restored(repository: Repository, stored: Stored) -> bytes:
    """Return a stored file's bytes."""
    out = io.BytesIO()
    size = restore(repository, stored.tree, out.write, stored.sha256)
    assert size == len(out.getvalue()) == stored.size_bytes
    return out.getvalue()


def copy_of(store: Store, folder: Path) -> Store:
    """Return a copy of a store, with no cache."""
    folder.mkdir(parents=True)
    shutil.copytree(store.path, folder / "store.git")
    return Store(folder)


def feed(intake: Intake, data: bytes, window_bytes: int = 1 << 20, essence_of: bytes | None = None) -> Stored:
    """Take a file in, window by window, as ``relkit.audio.reading`` gives them."""
    container = read_container(io.BytesIO(data), len(data))
    taking = intake.file(container, essence_of)
    for part, window in windows(container, data, window_bytes):
        taking.feed(part, window)
    return taking.finish()


def windows(container: Container, data: bytes, window_bytes: int) -> Iterator[tuple[Part, memoryview]]:
    """Yield pieces of one part each; of PCM essence whole frames. Three buffers are used in turn."""
    frame_bytes = container.sound.frame_bytes if isinstance(container.sound, PcmFormat) else 1
    buffers = itertools.cycle([bytearray(max(window_bytes, frame_bytes)) for _ in range(3)])
    for part in container.parts:
        whole = frame_bytes if part.kind == "essence" else 1
        step = max(1, window_bytes // whole) * whole
        for start in range(part.offset, part.end, step):
            stop = min(start + step, part.end)
            buffer = next(buffers)
            buffer[: stop - start] = data[start:stop]
            yield part, memoryview(buffer)[: stop - start]


# --- audio


def music(seconds: float, seed: int, *, channels: int = 2, rate_hz: int = 44_100) -> npt.NDArray[np.float64]:
    """Return what a predictor can partly predict, as music is. Shape (frames, channels), below 1."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * rate_hz)
    noise = rng.normal(size=(frames + 40, channels))
    smooth = np.cumsum(noise, axis=0)
    smooth = (smooth[40:] - smooth[:-40]) / 40**0.5  # a moving sum: the spectrum falls with frequency
    return np.asarray(0.15 * np.clip(smooth, -6, 6), np.float64)


def as_bytes(samples: npt.NDArray[np.float64], sample_format: str) -> bytes:
    """Return samples below 1 as little-endian bytes."""
    if sample_format.startswith("float"):
        return samples.astype("<f4" if sample_format == "float32" else "<f8").tobytes()
    if sample_format == "uint8":
        return (np.round(samples * 127) + 128).astype(np.uint8).tobytes()
    bits = int(sample_format[3:])
    whole = np.round(samples * (2 ** (bits - 1) - 1)).astype("<i4")
    return bytes(whole.reshape(-1, 1).view(np.uint8)[:, : bits // 8].tobytes())


def swapped(data: bytes, sample_bytes: int) -> bytes:
    """Return the bytes of every sample in reverse."""
    return np.frombuffer(data, np.uint8).reshape(-1, sample_bytes)[:, ::-1].tobytes()


_BITS = {"uint8": 8, "int16": 16, "int24": 24, "int32": 32, "float32": 32, "float64": 64}


def wav(essence: bytes, sample_format: str = "int24", channels: int = 2, rate_hz: int = 44_100) -> bytes:
    """Return a plain WAV file."""
    bits = _BITS[sample_format]
    tag = 3 if sample_format.startswith("float") else 1
    described = (
        fmt(channels, rate_hz, bits, tag=tag) if channels < 3 else extensible(channels, rate_hz, bits, 0)
    )
    if channels >= 3 and tag == 3:
        from tests.support.audio_bytes import FLOAT_GUID

        described = extensible(channels, rate_hz, bits, 0, FLOAT_GUID)
    return riff(chunk(b"fmt ", described), chunk(b"data", essence))


def aiff(essence: bytes, sample_format: str = "int24", channels: int = 2, rate_hz: int = 44_100) -> bytes:
    """Return a plain AIFF file (AIFF-C for float); ``essence`` is little-endian, as for ``wav``."""
    sample_bytes = _BITS[sample_format] // 8
    frames = len(essence) // sample_bytes // channels
    coding = b"fl32" if sample_format == "float32" else None
    return form(
        comm(channels, frames, 8 * sample_bytes, rate_hz, coding),
        ssnd(swapped(essence, sample_bytes)),
        kind=b"AIFC" if coding else b"AIFF",
    )
