"""Any changed byte of the store is reported, in words and never as a traceback."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from relkit.errors import DamagedError
from relkit.store import integrity, records, revisions
from relkit.store.content import Stored
from relkit.store.repository import REVISIONS, Repository
from relkit.store.restoring import restore
from tests.support.stores import RELEASE_ID, Store, as_bytes, git, music, wav
from tests.support.unpacking import unpack

RECORD = "shipped/2031-05-04-0a1b"


@pytest.fixture
def held(store: Store) -> Stored:
    """A small store of two revisions and a record, closed."""
    store.commit(b"a first sheet")
    commit, [stored, _] = store.commit(wav(as_bytes(music(0.02, 1), "int24")), b"a sheet")
    store.record(RECORD, commit)
    store.close()
    return stored


def faults(path: Path) -> list[str]:
    """Check a store anew; looks at it the way audit does as well, where nothing may surprise."""
    repository = Repository(path)
    try:
        found = integrity.check(repository).faults
        assert all(fault.isprintable() for fault in found)
        return found
    finally:
        repository.close()


def looked_through(path: Path, held: Stored) -> None:
    """Read everything: each step gives what is right or the declared error."""
    repository = Repository(path)
    try:
        for look in (
            lambda: [*revisions.walk(repository, repository.ref(REVISIONS))],
            lambda: [records.read(repository, *item) for item in records.references(repository).items()],
            lambda: [restore(repository, held.tree, len, held.sha256)],
        ):
            with contextlib.suppress(DamagedError):
                look()
    finally:
        repository.close()


def changes(data: bytes, seed: int, most: int) -> Iterator[tuple[int, int]]:
    """Yield places and what to change there: all of a small file, a sample of a larger one."""
    rng = random.Random(seed)
    places = range(len(data)) if len(data) <= most else sorted(rng.sample(range(len(data)), most))
    for at in places:
        yield at, rng.choice([1 << rng.randrange(8), 0xFF, 0x20, rng.randrange(1, 256)])


def each_change_is_reported(path: Path, file: Path, held: Stored, most: int) -> None:
    """Change a file byte by byte and expect a fault each time."""
    healthy = file.read_bytes()
    file.chmod(0o644)
    for number, (at, mask) in enumerate(changes(healthy, 7, most)):
        changed = bytearray(healthy)
        changed[at] ^= mask
        file.write_bytes(changed)
        assert faults(path), f"{file.name}: byte {at} ^ {mask:#x}"
        if number % 5 == 0:
            looked_through(path, held)
    file.write_bytes(healthy)
    assert faults(path) == []


def test_a_healthy_store_has_no_faults(store: Store, held: Stored) -> None:
    """And every object was read."""
    assert held.size_bytes
    seen: list[tuple[int, int]] = []
    opened = Repository(store.path)
    found = integrity.check(opened, lambda done, total: seen.append((done, total)))
    opened.close()
    assert found.faults == []
    assert not found.bad
    listing = git(store.path, "cat-file", "--batch-all-objects", "--batch-check").splitlines()
    assert found.objects == len(listing)
    assert seen == [(number + 1, 3) for number in range(3)]


def test_every_changed_byte_of_packs_and_indexes_is_reported(store: Store, held: Stored) -> None:
    """A changed bit as well as a changed byte."""
    for pack in store.packs():
        each_change_is_reported(store.path, pack, held, 200)
        each_change_is_reported(store.path, pack.with_suffix(".idx"), held, 200)


@pytest.mark.parametrize("packed", [False, True], ids=["a file each", "packed-refs"])
def test_every_changed_byte_of_references_is_reported(store: Store, held: Stored, packed: bool) -> None:
    """HEAD too."""
    files = ["HEAD", REVISIONS, f"refs/tags/{RECORD}"]
    if packed:
        git(store.path, "pack-refs", "--all")
        files = ["HEAD", "packed-refs"]
    for name in files:
        each_change_is_reported(store.path, store.path / name, held, 10_000)


def test_changed_bytes_of_loose_objects_are_reported(store: Store, held: Stored) -> None:
    """Where stock Git unpacked the store: unless the object still reads the same.

    A zlib stream has bits without meaning (its level, padding); a changed one is no damage.
    """
    import zlib

    unpack(store.path)
    for number, file in enumerate(sorted((store.path / "objects").glob("??/*"))):
        healthy = file.read_bytes()
        content = zlib.decompress(healthy)
        file.chmod(0o644)
        for at, mask in changes(healthy, number, 60):
            changed = bytearray(healthy)
            changed[at] ^= mask
            file.write_bytes(changed)
            if not faults(store.path):
                assert zlib.decompress(changed) == content, f"{file}: byte {at} ^ {mask:#x}"
            elif at % 20 == 0:
                looked_through(store.path, held)
        file.write_bytes(healthy)
    assert faults(store.path) == []


def _cut(keep: float) -> Callable[[Path], None]:
    def change(file: Path) -> None:
        file.chmod(0o644)
        os.truncate(file, int(file.stat().st_size * keep))

    return change


def _longer(file: Path) -> None:
    file.chmod(0o644)
    with file.open("ab") as out:
        out.write(b"\0")


@pytest.mark.parametrize("change", [_cut(0), _cut(0.01), _cut(0.5), _cut(0.99), _longer, Path.unlink])
@pytest.mark.parametrize("which", ["*.pack", "*.idx"])
def test_files_of_another_length_and_missing_ones_are_reported(
    store: Store, held: Stored, which: str, change: Callable[[Path], None]
) -> None:
    """Packs and indexes, one after the other."""
    for file in sorted((store.path / "objects" / "pack").glob(which)):
        healthy = file.read_bytes()
        change(file)
        assert faults(store.path)
        looked_through(store.path, held)
        file.unlink(missing_ok=True)
        file.write_bytes(healthy)
        assert faults(store.path) == []


def test_a_pack_that_is_gone_with_its_index_is_noticed(store: Store, held: Stored) -> None:
    """What it held is missing behind a reference."""
    for pack in store.packs():
        aside = {file: file.read_bytes() for file in (pack, pack.with_suffix(".idx"))}
        for file in aside:
            file.unlink()
        assert any("missing" in fault for fault in faults(store.path))
        looked_through(store.path, held)
        for file, data in aside.items():
            file.write_bytes(data)


@pytest.mark.parametrize("name", ["HEAD", REVISIONS, f"refs/tags/{RECORD}"])
def test_references_cut_or_gone_are_reported(store: Store, held: Stored, name: str) -> None:
    """A record's reference that is gone is noticed by the chain of records, not here."""
    file = store.path / name
    healthy = file.read_bytes()
    opened = Repository(store.path)
    for cut in (0, 1, len(healthy) - 1):
        file.write_bytes(healthy[:cut])
        assert integrity.check(opened).faults
    opened.close()
    file.write_bytes(healthy)
    looked_through(store.path, held)
    if not name.startswith("refs/tags"):
        opened = Repository(store.path)
        file.unlink()
        assert integrity.check(opened).faults
        opened.close()


def test_strangers_among_packs_and_references_are_reported(store: Store, held: Stored) -> None:
    """An index without pack, a reference of no kind, a moved record, a record of a revision's reference."""
    index = store.packs()[0].with_suffix(".idx")
    stranger = index.with_name(f"pack-{'1' * 40}.idx")
    shutil.copy(index, stranger)
    assert faults(store.path) == [f"objects/pack/{stranger.name} has no pack"]
    stranger.unlink()
    newest = (store.path / REVISIONS).read_text()
    for name, content in (
        ("refs/heads/other", newest),
        ("refs/stash", newest),
        ("refs/tags/light", newest),
        ("refs/tags/records/moved", (store.path / "refs/tags" / RECORD).read_text()),
        ("refs/tags/records/lost", "1" * 40 + "\n"),
        ("refs/tags/records/symbolic", f"ref: {REVISIONS}\n"),
        ("refs/tags/records/upper", newest.upper()),
    ):
        file = store.path / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(content)
        assert len(faults(store.path)) == 1, name
        looked_through(store.path, held)
        file.unlink()
    assert faults(store.path) == []


def test_a_pack_without_index_matters_only_if_it_is_needed(store: Store, held: Stored) -> None:
    """A killed process may leave one; it is reported when something that was recorded is in it."""
    pack = store.packs()[0]
    (pack.parent / f"pack-{'2' * 40}.pack").write_bytes(b"half a pack")
    assert faults(store.path) == []
    pack.with_suffix(".idx").unlink()
    found = faults(store.path)
    assert f"objects/pack/{pack.name} has no index" in found
    assert any("is missing" in fault for fault in found)
    assert held.tree


def test_a_sealed_forgery_is_reported(store: Store, held: Stored) -> None:
    """Another object under an object's name, with all checksums right."""
    from relkit.store.packing import BLOB, PackWriter, prepared

    blob = b"a forged sheet"
    name = bytes.fromhex(git(store.path, "rev-parse", f"{REVISIONS}:manifest.json").decode())
    with PackWriter(store.path / "objects" / "pack", lambda _oid: False) as pack:
        pack.take(name, prepared(BLOB, blob, 6)[1])
        pack.finish()
    assert any(name.hex() in fault for fault in faults(store.path))
    assert held.tree


def test_references_that_dulwich_trips_over_are_damage(store: Store, held: Stored) -> None:
    """Reading a broken packed-refs gives the declared error."""
    for content in (
        b"^" + b"1" * 40 + b"\n",
        b"nonsense\n",
        b"\xff\xfe\n",
        b"# pack-refs with: peeled\n^abc\n",
    ):
        (store.path / "packed-refs").write_bytes(content)
        assert faults(store.path)
        looked_through(store.path, held)
        with pytest.raises(DamagedError):
            Repository(store.path).refs()


def test_the_stores_id_is_in_its_config(store: Store) -> None:
    """And read from there."""
    assert store.repository.release_id == RELEASE_ID
