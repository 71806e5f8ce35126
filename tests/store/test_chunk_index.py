"""The index and the cache make things faster; neither can make anything wrong."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from pathlib import Path

import pytest

from relkit.store import revisions
from relkit.store.cache import Cache
from relkit.store.chunk_index import ChunkIndex
from relkit.store.content import Stored
from relkit.store.repository import REVISIONS, Repository
from tests.support.stores import START, Store, aiff, as_bytes, music, wav

SONG = as_bytes(music(4, 1), "int24")
OTHER = as_bytes(music(4, 2), "float32")


def rows(file: Path) -> set[tuple[str, bytes, bytes]]:
    """Return all that a cache remembers of chunks, and its mark."""
    with contextlib.closing(sqlite3.connect(file)) as base:
        return set(base.execute("SELECT kind, key, value FROM memory_1"))


def without_cache(store: Store) -> Store:
    """Open the same store again, its cache deleted."""
    store.close()
    (store.folder / "cache.sqlite").unlink()
    return Store(store.folder)


def test_the_index_rebuilt_is_the_index_remembered(store: Store) -> None:
    """Written while committing, or read from the layouts: the same rows."""
    store.commit(wav(SONG), b"a sheet")
    store.commit(aiff(SONG), wav(OTHER, "float32"))
    store.commit(wav(SONG[::2]))
    store.close()
    remembered = rows(store.folder / "cache.sqlite")
    assert len(remembered) > 10
    opened = without_cache(store)
    ChunkIndex(opened.repository, opened.cache)
    opened.close()
    assert rows(store.folder / "cache.sqlite") == remembered


def test_a_lost_index_costs_nothing_but_time(store: Store) -> None:
    """The same audio is still found."""
    store.commit(wav(SONG))
    before = store.size_bytes()
    opened = without_cache(store)
    _, [stored] = opened.commit(aiff(SONG))
    assert opened.size_bytes() - before < 8_000
    assert opened.restored(stored) == aiff(SONG)
    opened.close()


def test_an_index_that_fell_behind_catches_up(store: Store) -> None:
    """A revision arrives without this cache, as from a mirror; only it is read in."""
    store.commit(wav(OTHER, "float32"))
    shutil.copy(store.folder / "cache.sqlite", store.folder / "old.sqlite")
    store.commit(wav(SONG))
    store.close()
    shutil.move(store.folder / "old.sqlite", store.folder / "cache.sqlite")
    opened = Store(store.folder)
    before = opened.size_bytes()
    opened.commit(aiff(SONG))
    assert opened.size_bytes() - before < 8_000
    opened.close()


def branch(store: Store, file: bytes, *parents: bytes) -> bytes:
    """Write a revision beside the reference, with its content."""
    from relkit.store.content import Intake
    from tests.support.stores import feed

    memory = Cache(store.folder / "another-machine.sqlite")
    with store.repository.writer() as pack, Intake(pack, ChunkIndex(store.repository, memory)) as intake:
        stored = feed(intake, file)
        intake.settle()
        made = revisions.write(
            pack,
            manifest=file[:20].hex().encode(),
            signature=b"s\n",
            content={stored.sha256: stored.tree},
            features=intake.features,
            parents=list(parents),
            moment=START,
            message="From another machine",
        )
    memory.close()
    return made


def test_both_sides_of_a_joint_are_read_in(store: Store) -> None:
    """The index knows one branch; the other is two revisions long; a third has both behind it."""
    first, _ = store.commit(b"the first")
    ours, _ = store.commit(wav(OTHER, "float32"))
    far = branch(store, wav(SONG), first)
    near = branch(store, b"a sheet", far)
    joint = branch(store, b"joined", ours, near)
    store.repository.set_ref(REVISIONS, joint, ours)
    before = store.size_bytes()
    _, [stored] = store.commit(aiff(SONG), tidy=False)
    assert store.size_bytes() - before < 8_000
    assert store.restored(stored) == aiff(SONG)
    kept = rows(store.folder / "cache.sqlite")
    opened = without_cache(store)
    ChunkIndex(opened.repository, opened.cache)
    opened.close()
    assert rows(store.folder / "cache.sqlite") == kept


def test_a_walk_comes_to_nothing_before_what_follows_from_it(store: Store) -> None:
    """A branch of one revision and one of three: what both rest on comes last."""
    root, _ = store.commit(b"root")
    short = branch(store, b"short", root)
    long = root
    branches = []
    for number in range(3):
        long = branch(store, b"long %d" % number, long)
        branches.append(long)
    for parents in ((short, long), (long, short)):
        joint = branch(store, b"joint", *parents)
        order = [held.commit for held in revisions.walk(store.repository, joint)]
        assert sorted(order) == sorted([joint, short, root, *branches])
        assert order[0] == joint
        assert order[-1] == root
        assert [commit for commit in order if commit in branches] == branches[::-1]


def other_store(folder: Path, *files: bytes) -> Store:
    """Make another release's store."""
    made = Store(folder)
    for file in files:
        made.commit(file)
    made.close()
    return made


@pytest.mark.parametrize("files", [[wav(SONG)], [b"x", wav(SONG), wav(OTHER, "float32")], []])
def test_another_releases_cache_yields_no_objects(store: Store, tmp_path: Path, files: list[bytes]) -> None:
    """It names chunks that this store does not have: they are stored, not taken for granted."""
    foreign = other_store(tmp_path / "foreign", *files)
    store.commit(b"a sheet")
    store.close()
    shutil.copy(foreign.folder / "cache.sqlite", store.folder / "cache.sqlite")
    opened = Store(store.folder)
    _, stored = opened.commit(wav(SONG), wav(OTHER, "float32"))
    assert [opened.restored(each) for each in stored] == [wav(SONG), wav(OTHER, "float32")]
    opened.close()


def test_a_cache_from_the_future_yields_no_objects(store: Store, tmp_path: Path) -> None:
    """The store was put back to an older copy; the cache still knows what came after."""
    store.commit(b"a sheet")
    shutil.copytree(store.path, tmp_path / "older.git")
    store.commit(wav(SONG))
    store.close()
    shutil.rmtree(store.path)
    shutil.move(tmp_path / "older.git", store.path)
    opened = Store(store.folder)
    _, [stored] = opened.commit(wav(SONG))
    assert opened.restored(stored) == wav(SONG)
    opened.close()


def test_a_row_that_was_changed_is_not_there(tmp_path: Path) -> None:
    """Kind, key and value are tied together by a check value."""
    cache = Cache(tmp_path / "cache.sqlite")
    cache.put("chunk", [(b"key", b"value"), (b"other", b"value"), (b"third", b"value")])
    cache.close()
    with contextlib.closing(sqlite3.connect(tmp_path / "cache.sqlite")) as base:
        base.execute("UPDATE memory_1 SET value = ? WHERE key = ?", (b"valve", b"key"))
        base.execute("UPDATE memory_1 SET key = ? WHERE key = ?", (b"moved", b"other"))
        base.commit()
    cache = Cache(tmp_path / "cache.sqlite")
    assert cache.get("chunk", b"key") is None
    assert cache.get("chunk", b"moved") is None
    assert cache.get("chunk", b"third") == b"value"
    assert cache.get("stat", b"third") is None
    cache.forget("chunk")
    assert cache.get("chunk", b"third") is None
    cache.close()


@pytest.mark.parametrize("seed", range(6))
def test_a_rotten_cache_is_no_obstacle(store: Store, seed: int) -> None:
    """Whatever happened to the file, commits give right files."""
    import random

    rng = random.Random(seed)
    file = store.folder / "cache.sqlite"
    store.commit(wav(SONG))
    store.close()
    data = bytearray(file.read_bytes())
    for _ in range(1 if seed < 3 else 2_000):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    file.write_bytes(data if seed != 2 else data[: len(data) // 2])
    opened = Store(store.folder)
    _, [stored] = opened.commit(aiff(SONG))
    assert opened.restored(stored) == aiff(SONG)
    opened.close()


@pytest.mark.parametrize("content", [b"", b"no database at all", bytes(100_000)])
def test_a_file_that_is_no_database_is_made_anew(tmp_path: Path, content: bytes) -> None:
    """And remembers again."""
    file = tmp_path / "cache.sqlite"
    file.write_bytes(content)
    cache = Cache(file)
    cache.put("kind", [(b"key", b"value")])
    cache.close()
    cache = Cache(file)
    assert cache.get("kind", b"key") == b"value"
    cache.close()


def test_where_no_file_can_be_the_cache_lives_in_memory(tmp_path: Path) -> None:
    """A folder of that name, or no folder to put it in."""
    (tmp_path / "cache.sqlite").mkdir()
    for path in (tmp_path / "cache.sqlite", tmp_path / "missing" / "cache.sqlite"):
        cache = Cache(path)
        cache.put("kind", [(b"key", b"value")])
        assert cache.get("kind", b"key") == b"value"
        cache.close()


def test_a_cache_that_may_only_be_read_is_no_obstacle(store: Store) -> None:
    """Opened for reading only by another program's grip: nothing is remembered, everything works."""
    store.commit(wav(SONG))
    with contextlib.closing(sqlite3.connect(store.folder / "cache.sqlite", isolation_level=None)) as grip:
        store.cache._base.execute("PRAGMA busy_timeout = 1")
        grip.execute("BEGIN EXCLUSIVE")
        store.cache.put("kind", [(b"key", b"value")])
        assert store.cache.get("kind", b"key") is None
        _, [stored] = store.commit(aiff(SONG))
    assert store.restored(stored) == aiff(SONG)


def test_damage_in_an_old_revision_costs_only_sharing(store: Store) -> None:
    """A layout that is gone: the rest of the index is rebuilt, and commits go on."""
    _, [broken, whole] = store.commit(wav(OTHER, "float32"), wav(SONG))
    damage(store, broken)
    opened = without_cache(store)
    before = opened.size_bytes()
    _, [stored] = opened.commit(aiff(SONG))
    assert opened.size_bytes() - before < 8_000
    assert opened.restored(stored) == aiff(SONG)
    assert whole.size_bytes
    opened.close()


def damage(store: Store, stored: Stored) -> None:
    """Lose a file's layout: unpack everything, delete one object."""
    from tests.support.unpacking import unpack

    layout = store.repository.tree(stored.tree)["layout"].hex()
    store.close()
    unpack(store.path)
    (store.path / "objects" / layout[:2] / layout[2:]).unlink()
    Repository(store.path).close()
