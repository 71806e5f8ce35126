"""Any stretch of a stored file's audio, against the file's own bytes."""

from __future__ import annotations

import random

import numpy as np
import pytest

from relkit.errors import DamagedError
from relkit.store.excerpts import Essence
from relkit.store.layout import FILL
from tests.support.audio_bytes import chunk, comm, fmt, form, riff, ssnd
from tests.support.stores import Store

FRAMES = 200_000


def samples(seed: int) -> bytes:
    """Return 24-bit stereo noise with a second of digital silence in it."""
    noise = np.random.default_rng(seed).integers(0, 256, (FRAMES, 6), dtype=np.uint8)
    noise[60_000:104_100] = 0
    return noise.tobytes()


@pytest.mark.parametrize("container", ["wav", "aiff"])
def test_any_stretch_is_the_files_own(store: Store, container: str) -> None:
    """Begun and ended anywhere, over chunks and fills; AIFF comes with its bytes turned."""
    essence = samples(1)
    big = np.frombuffer(essence, np.uint8).reshape(-1, 3)[:, ::-1].tobytes()
    file = (
        riff(chunk(b"fmt ", fmt()), chunk(b"data", essence))
        if container == "wav"
        else form(comm(2, FRAMES, 24, 44_100), ssnd(big))
    )
    _commit, (stored,) = store.commit(file)
    found = Essence(store.repository, stored.tree)
    assert found.part is not None
    assert any(each.coding == FILL for each in found.part.chunks)
    assert len(found.part.chunks) > 4
    assert found.size_bytes == len(essence)
    chance = random.Random(7)
    for _ in range(200):
        first, end = sorted(chance.sample(range(len(essence) + 1), 2))
        end = min(end, first + chance.choice((1, 6, 5_000, 400_000)))
        assert found.read(first, end) == essence[first:end]
    assert found.read(0, len(essence)) == essence
    assert found.read(100, 100) == b""


def test_only_the_chunks_that_it_touches_are_read(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A passage of a long file costs no more than one of a short one."""
    _commit, (stored,) = store.commit(riff(chunk(b"fmt ", fmt()), chunk(b"data", samples(2))))
    found = Essence(store.repository, stored.tree)
    read: list[bytes] = []
    real = store.repository.read

    def counted(oid: bytes, kind: int) -> bytes:
        read.append(oid)
        return real(oid, kind)

    monkeypatch.setattr(store.repository, "read", counted)
    found.read(70_000 * 6, 100_000 * 6)  # silence
    assert read == []
    found.read(150_000 * 6, 150_100 * 6)
    found.read(150_100 * 6, 150_200 * 6)
    assert len(read) <= 2


def test_a_chunk_that_is_not_what_it_was(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another chunk's bytes in its place: an error, not a wrong comparison."""
    _commit, stored = store.commit(
        riff(chunk(b"fmt ", fmt()), chunk(b"data", samples(3))),
        riff(chunk(b"fmt ", fmt()), chunk(b"data", samples(4))),
    )
    first, second = (Essence(store.repository, each.tree) for each in stored)
    theirs = second._rows[0]
    mine = first._rows[0]
    if theirs[1].size_bytes == mine[1].size_bytes:
        pytest.fail("the seeds give chunks of one length; take others")
    monkeypatch.setattr(first, "_rows", [(mine[0], mine[1], theirs[2]), *first._rows[1:]])
    with pytest.raises(DamagedError):
        first.read(0, 600)
