"""Takes in and gives back a long bounce that is never anywhere as a whole.

``python -m tests.support.streaming FOLDER MINUTES`` prints by how many bytes the
process's peak memory grew while it stored, and then restored, so many minutes
of 24-bit/96 kHz stereo.
"""

from __future__ import annotations

import resource
import sys
from pathlib import Path

import numpy as np

from relkit.audio.container import Container, Part
from relkit.audio.formats import PcmFormat
from relkit.store.chunk_index import ChunkIndex
from relkit.store.content import Intake
from relkit.store.restoring import restore
from tests.support.stores import Store, as_bytes, music, wav

RATE_HZ = 96_000
WINDOW_FRAMES = 170_000


def peak_bytes() -> int:
    """Return the largest resident size so far; Linux counts in KB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def main(folder: Path, minutes: float) -> None:
    """Store and restore, and print both growths."""
    store = Store(folder)
    store.commit(wav(as_bytes(music(2, 1), "int24")))  # so that everything is imported and warm
    frames = int(minutes * 60 * RATE_HZ)
    parts = (Part("meta", 0, 44), Part("essence", 44, frames * 6))
    container = Container("wav", parts, PcmFormat("int24", 2, RATE_HZ, 3), frames)
    block = np.frombuffer(as_bytes(music(WINDOW_FRAMES / RATE_HZ, 2, rate_hz=RATE_HZ), "int24"), np.uint8)
    three = [np.empty_like(block) for _ in range(3)]  # used in turn: hashing lags behind
    before = peak_bytes()
    with store.repository.writer() as pack, Intake(pack, ChunkIndex(store.repository, store.cache)) as intake:
        taking = intake.file(container)
        taking.feed(parts[0], memoryview(bytes(44)))
        for number, done in enumerate(range(0, frames, WINDOW_FRAMES)):
            window = three[number % 3]
            np.copyto(window, block)
            window[::6] ^= number & 0xFF  # the same music with another lowest byte: other chunks
            window[3::6] ^= number >> 8
            taking.feed(parts[1], window.data[: min(WINDOW_FRAMES, frames - done) * 6])
        stored = taking.finish()
        intake.settle()
    stored_growth = peak_bytes() - before
    restore(store.repository, stored.tree, len, stored.sha256)
    print(stored_growth, peak_bytes() - before, stored.size_bytes, store.size_bytes())  # noqa: T201 - for the caller
    store.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]))
