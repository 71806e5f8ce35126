"""Packs stay few, are joined without loss, and a damaged one is never touched nor passed on."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest

from relkit.store import integrity
from relkit.store.packing import (
    BLOB,
    SQUEEZED,
    STORED,
    DamagedPackError,
    PackWriter,
    index_rows,
    object_id,
    prepared,
)
from relkit.store.repository import MAX_PACKS, Repository, _how_many
from tests.support.stores import ROOT, Store, as_bytes, clean_environment, fsck, git, music, wav


def flipped(path: Path, at: int) -> None:
    """Change one byte of a file, also of one that is write-protected."""
    data = bytearray(path.read_bytes())
    data[at] ^= 0x10
    path.chmod(0o644)
    path.write_bytes(data)


def fill(store: Store, revisions: int, start: int = 0) -> list[bytes]:
    """Commit small files."""
    files = [b"sheet %d " % number * 50 for number in range(start, start + revisions)]
    for file in files:
        store.commit(file)
    return files


def test_the_number_of_packs_stays_small(store: Store) -> None:
    """After every single commit; and large packs are rarely copied."""
    song = wav(as_bytes(music(4, 1), "int24"))
    store.commit(song)
    [large] = store.packs()
    for number in range(60):
        store.commit(song, b"sheet %d" % number)
        assert len(store.packs()) <= MAX_PACKS
    assert large in store.packs()
    assert fsck(store.path) == ""


@pytest.mark.parametrize(
    ("sizes", "joined"),
    [([1] * 13, 13), ([1, 1, 2, 8, 30, 90], 3), ([5, 5, 100], 2), ([1, 2, 4, 8, 16, 32], 6)],
)
def test_each_pack_left_is_twice_all_smaller_ones(sizes: list[int], joined: int) -> None:
    """The rule that the module states, checked on what is left."""
    count = _how_many(sizes)
    assert count == joined
    left = sorted([sum(sizes[:count]), *sizes[count:]])
    assert all(size >= 2 * sum(left[:at]) for at, size in enumerate(left) if size in sizes[count:])


def test_joined_packs_hold_what_was_in_them(store: Store) -> None:
    """Without commits in between: 40 packs into a few, nothing lost, Git content."""
    made = [store.commit(b"file %d" % number, tidy=False)[1][0] for number in range(40)]
    assert len(store.packs()) == 40
    store.repository.tidy()
    assert len(store.packs()) <= MAX_PACKS
    assert [store.restored(each) for each in made] == [b"file %d" % number for number in range(40)]
    for pack in store.packs():
        git(store.path, "verify-pack", str(pack))
    assert fsck(store.path) == ""


def test_a_reader_does_not_notice(store: Store) -> None:
    """One who has looked at the packs before they are joined still finds everything after."""
    made = [store.commit(b"file %d" % number, tidy=False)[1][0] for number in range(30)]
    reader = Repository(store.path)
    assert reader.has(made[0].tree)
    writer = Repository(store.path)
    writer.tidy()
    writer.close()
    for each in made:
        assert len(reader.tree(each.tree)) >= 1
    reader.close()


@pytest.mark.parametrize("suffix", [".pack", ".idx"])
def test_a_damaged_pack_is_left_alone(store: Store, suffix: str) -> None:
    """Wherever the damage is, the file keeps its bytes; what is healthy is still joined; work goes on."""
    store.commit(b"the first file")
    [victim] = store.packs()
    file = victim.with_suffix(suffix)
    healthy = file.read_bytes()
    for at in range(0, len(healthy), len(healthy) // 25):
        for number in range(MAX_PACKS + 1):
            with PackWriter(victim.parent, lambda _oid: False) as pack:
                pack.add(BLOB, b"%d %d" % (at, number))
                pack.finish()
        flipped(file, at)
        damaged = file.read_bytes()
        Repository(store.path).tidy()
        assert file.read_bytes() == damaged
        assert len(store.packs()) <= MAX_PACKS + 1
        file.write_bytes(healthy)
    assert integrity.check(store.repository).faults == []


def test_an_index_with_a_wrong_name_is_not_believed(store: Store) -> None:
    """A flipped bit in an object's name inside an index would otherwise rename the object for good."""
    store.commit(b"a file")
    [pack] = store.packs()
    flipped(pack.with_suffix(".idx"), 8 + 4 * 256 + 3)
    with pytest.raises(DamagedPackError):
        index_rows(pack)


def test_packs_with_deltas_or_a_mark_are_left_alone(store: Store) -> None:
    """Stock Git made them, and Git joins them if it likes."""
    for number in range(8):
        store.commit(b"%d" % number + b"the same long text again and again " * 400)
    store.close()
    git(store.path, "repack", "-q", "-a", "-d", "-f")
    [delta] = store.packs()
    for number in range(30):
        store.commit(b"more %d" % number)
    assert delta in store.packs()
    kept = store.packs()[-1] if store.packs()[-1] != delta else store.packs()[0]
    kept.with_suffix(".keep").touch()
    fill(store, 30)
    assert kept in store.packs()
    assert len(store.packs()) <= MAX_PACKS + 2
    assert fsck(store.path) == ""


def test_what_a_killed_process_left_is_cleared(store: Store) -> None:
    """Temporary files go; a pack that lost its index on the way gets it back."""
    store.commit(b"a file")
    [pack] = store.packs()
    index = pack.with_suffix(".idx").read_bytes()
    store.close()
    pack.with_suffix(".idx").unlink()
    (pack.parent / "tmp_pack_abc").write_bytes(b"PACK")
    (pack.parent / "tmp_idx_abc").write_bytes(b"")
    broken = pack.parent / f"pack-{'0' * 40}.pack"
    broken.write_bytes(b"PACK\0\0\0\2")
    store.repository.tidy()
    assert pack.with_suffix(".idx").read_bytes() == index
    assert sorted(path.name for path in pack.parent.iterdir()) == sorted(
        [pack.name, pack.with_suffix(".idx").name, broken.name]
    )
    broken.unlink()
    assert fsck(store.path) == ""


@pytest.mark.parametrize("size", [0, 1, 65_534, 65_535, 65_536, 131_070, 131_071, 300_000])
def test_stored_blocks_are_what_zlib_reads(size: int) -> None:
    """A pack's entry at level 0: header, then a whole zlib stream, whatever the number of blocks."""
    data = np.random.default_rng(size).bytes(size)
    _, entry = prepared(BLOB, data, STORED)
    start = next(place for place, byte in enumerate(entry) if byte < 0x80) + 1  # [PACK] the header's end
    decoder = zlib.decompressobj()
    assert decoder.decompress(entry[start:]) == data
    assert decoder.eof
    assert not decoder.unused_data
    assert len(entry) <= size + 5 * (size // 65_535 + 1) + start + 6


def test_what_is_dense_is_not_squeezed_again(store: Store) -> None:
    """A picture costs no time; text of the same size shrinks. Git reads both."""
    picture, text = np.random.default_rng(1).bytes(1_000_000), b"a line of text\n" * 70_000
    assert len(prepared(BLOB, picture, SQUEEZED)[1]) > len(picture)
    assert len(prepared(BLOB, text, SQUEEZED)[1]) < len(text) / 50
    with store.repository.writer() as pack:
        oids = [pack.add(BLOB, data) for data in (picture, text)]
    found = [git(store.path, "cat-file", "blob", oid.hex()) for oid in oids]
    assert found == [picture, text]


def test_an_object_that_is_stored_is_not_stored_again(store: Store) -> None:
    """Neither through ``add`` nor as a prepared entry."""
    data = b"an opaque run" * 1000
    with store.repository.writer() as pack:
        oid = pack.add(BLOB, data)
    with store.repository.writer() as pack:
        assert pack.add(BLOB, data) == oid
        pack.take(*prepared(BLOB, data, STORED), fresh=False)
    assert len(store.packs()) == 1
    assert oid == object_id(BLOB, data)


def test_a_pack_that_fails_leaves_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever sync fails: of the pack, or of its index."""
    real = os.fsync
    for failing in (1, 2):
        calls: list[int] = []

        def fsync(handle: int, failing: int = failing, calls: list[int] = calls) -> None:
            calls.append(handle)
            if len(calls) == failing:
                raise OSError(28, "No space left on device")
            real(handle)

        monkeypatch.setattr(os, "fsync", fsync)
        with pytest.raises(OSError, match="No space"), store.repository.writer() as pack:
            pack.add(BLOB, b"data")
        assert list((store.path / "objects" / "pack").iterdir()) == []
    monkeypatch.setattr(os, "fsync", real)


def test_an_empty_pack_is_not_written(tmp_path: Path) -> None:
    """Nothing added, nothing there."""
    with PackWriter(tmp_path, lambda _oid: False) as pack:
        assert pack.finish() is None
    assert list(tmp_path.iterdir()) == []


MANY = """
import resource, sys
from pathlib import Path
from tests.support.stores import Store
resource.setrlimit(resource.RLIMIT_NOFILE, (128, 128))
store = Store(Path(sys.argv[1]))
made = [store.commit(b"sheet %d" % number) for number in range(600)]
store.close()
store = Store(Path(sys.argv[1]))
for number, (_commit, [stored]) in enumerate(made):
    assert store.restored(stored) == b"sheet %d" % number
store.close()
"""


def test_six_hundred_revisions_work_with_few_open_files(tmp_path: Path) -> None:
    """The usual limit is 1,024; here it is 128."""
    assert resource.getrlimit(resource.RLIMIT_NOFILE)[1] >= 128
    subprocess.run(
        [sys.executable, "-c", MANY, str(tmp_path / "many")], cwd=ROOT, env=clean_environment(), check=True
    )
    assert fsck(tmp_path / "many" / "store.git") == ""
    assert git(tmp_path / "many" / "store.git", "rev-list", "--count", "HEAD").strip() == b"600"
