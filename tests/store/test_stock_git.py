"""Stock Git is the judge: the store is an ordinary bare repository and stays one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from relkit.store import integrity, records, revisions
from relkit.store.content import Stored
from relkit.store.layout import Layout
from relkit.store.repository import REVISIONS, Repository
from tests.support.stores import (
    Store,
    aiff,
    as_bytes,
    fsck,
    git,
    music,
    restored,
    wav,
)
from tests.support.unpacking import unpack

Held = list[Stored]


@pytest.fixture
def held(store: Store) -> Held:
    """Three revisions with several kinds of file, and two records."""
    song = music(3, 1)
    files = [wav(as_bytes(song, "int24")), wav(as_bytes(song, "float32"), "float32"), b"a sheet", b""]
    _, stored = store.commit(*files)
    song[30_000:50_000] = 0
    first, more = store.commit(wav(as_bytes(song, "int24")), aiff(as_bytes(song, "int32"), "int32"))
    store.record("shipped/2031-05-04-0a1b", first)
    second, last = store.commit(b"another sheet", wav(as_bytes(song, "int16"), "int16"))
    store.record("records/77aa", second)
    return stored + more + last


def all_objects(folder: Path) -> set[str]:
    """Return the names of all objects that Git can reach or find."""
    listing = git(folder, "cat-file", "--batch-all-objects", "--batch-check=%(objectname)")
    return set(listing.decode().split())


def all_restored(path: Path, held: Held) -> bool:
    """Give every file back from a store that Git has made or changed."""
    repository = Repository(path)
    try:
        for each in held:
            restored(repository, each)  # hashes
    finally:
        repository.close()
    return True


def test_git_finds_nothing_to_say(store: Store, held: Held) -> None:
    """Not a word from the strictest check: no error, no warning, nothing dangling."""
    assert held
    assert fsck(store.path) == ""
    assert git(store.path, "symbolic-ref", "HEAD").decode() == f"{REVISIONS}\n"
    assert git(store.path, "config", "--get", "relkit.releaseId").decode().strip() == (
        store.repository.release_id
    )


def test_every_pack_passes_gits_own_verification(store: Store, held: Held) -> None:
    """``verify-pack`` reads pack and index; ``index-pack`` makes the same index again."""
    assert held
    for pack in store.packs():
        git(store.path, "verify-pack", str(pack))
        again = store.folder / "again.idx"
        git(store.path, "index-pack", "-o", str(again), str(pack))
        assert again.read_bytes() == pack.with_suffix(".idx").read_bytes()
        again.unlink()


def test_git_shows_a_revision_as_the_format_describes_it(store: Store, held: Held) -> None:
    """Trees, blobs, commits and tags, each through ``git cat-file``."""
    top = git(store.path, "cat-file", "-p", f"{REVISIONS}~1:").decode().splitlines()
    assert [(*tuple(line.split("\t")[0].split()[:2]), line.split("\t")[1]) for line in top] == [
        ("040000", "tree", "content"),
        ("100644", "blob", "format"),
        ("100644", "blob", "manifest.json"),
        ("100644", "blob", "manifest.json.sig"),
    ]
    wanted = held[4].sha256
    names = git(store.path, "ls-tree", "--name-only", f"{REVISIONS}~1:content/{wanted}").decode().split()
    layout = json.loads(git(store.path, "cat-file", "blob", f"{REVISIONS}~1:content/{wanted}/layout"))
    blobs = [row for part in layout["parts"] for row in part["chunks"] if row[1] != "fill"]
    assert names == [f"{number:08x}" for number in range(len(blobs))] + ["layout"]
    commit = git(store.path, "cat-file", "commit", REVISIONS).decode()
    assert "\nauthor relkit <relkit@relkit.example> " in commit
    tag = git(store.path, "cat-file", "tag", "refs/tags/records/77aa").decode()
    assert tag.split("\n")[2] == "tag records/77aa"
    assert tag.split("\n\n", 1)[1].startswith('{"type":"shipment"}\n-----BEGIN SSH SIGNATURE-----\n')


@pytest.mark.parametrize("how", ["--mirror", "--bare", "--no-checkout"])
def test_a_clone_is_a_whole_store(store: Store, held: Held, tmp_path: Path, how: str) -> None:
    """Every object arrives, over Git's transport and not by hard links; relkit reads the clone."""
    target = tmp_path / "clone"
    git(tmp_path, "clone", "-q", how, store.path.as_uri(), str(target))
    path = target / ".git" if how == "--no-checkout" else target
    assert all_objects(path) == all_objects(store.path)
    assert all_restored(path, held)
    repository = Repository(path)
    assert records.references(repository) == records.references(store.repository)
    assert repository.ref(REVISIONS) == store.repository.ref(REVISIONS)
    assert integrity.check(repository).faults == []
    repository.close()


@pytest.mark.parametrize(
    "command",
    [
        ["gc", "-q", "--aggressive", "--prune=now"],
        ["repack", "-q", "-a", "-d"],
        ["repack", "-q", "-a", "-d", "-f", "--depth=50", "--window=50", "--write-midx"],
        ["repack", "-q", "-d", "--geometric=2", "--write-midx"],
        ["pack-refs", "--all"],
        ["-c", "pack.writeReverseIndex=true", "maintenance", "run", "--task=gc", "--task=commit-graph"],
        ["multi-pack-index", "write"],
    ],
    ids=lambda command: " ".join(command[:3]),
)
def test_the_store_survives_what_git_does_to_it(store: Store, held: Held, command: list[str]) -> None:
    """Every object stays, every file comes back, records still read, and work goes on: 30 more revisions."""
    store.close()
    before = all_objects(store.path)
    git(store.path, *command)
    assert all_objects(store.path) == before
    opened = Store(store.folder)
    assert integrity.check(opened.repository).faults == []
    assert all(opened.restored(each) for each in held if each.size_bytes)
    assert len(records.references(opened.repository)) == 2
    added = [opened.commit(b"note %d" % number)[1][0] for number in range(30)]
    opened.record("records/88bb", opened.repository.ref(REVISIONS) or b"")
    assert [opened.restored(each) for each in added] == [b"note %d" % number for number in range(30)]
    assert len(list(revisions.walk(opened.repository, opened.repository.ref(REVISIONS)))) == 33
    assert integrity.check(opened.repository).faults == []
    assert all(opened.restored(each) for each in held if each.size_bytes)
    opened.close()
    assert fsck(store.path) == ""
    assert all_restored(store.path, held)


def test_loose_objects_of_git_are_read(store: Store, held: Held) -> None:
    """A store that was unpacked into loose objects is still the store."""
    store.close()
    unpack(store.path)
    assert not store.packs()
    assert all_restored(store.path, held)
    opened = Store(store.folder)
    assert integrity.check(opened.repository).faults == []
    _, [stored] = opened.commit(b"packed again")
    assert opened.restored(stored) == b"packed again"
    opened.close()
    assert fsck(store.path) == ""


def test_a_layout_read_by_git_is_the_one_we_read(store: Store, held: Held) -> None:
    """The blob that Git prints, parsed by our reader."""
    data = git(store.path, "cat-file", "blob", f"{held[0].tree.hex()}:layout")
    layout = Layout.from_bytes(data)
    assert (layout.sha256, layout.size_bytes) == (held[0].sha256, held[0].size_bytes)


def test_two_joined_histories_are_clean(store: Store, held: Held) -> None:
    """A revision with two parents, as when two machines both went on."""
    parents = [store.repository.ref(REVISIONS) or b"", revision_behind(store)]
    with store.repository.writer() as pack:
        joint = revisions.write(
            pack,
            manifest=b"{}",
            signature=b"s\n",
            content={held[0].sha256: held[0].tree},
            features=revisions.FEATURES,
            parents=parents,
            moment=records.read(
                store.repository, "records/77aa", store.repository.ref("refs/tags/records/77aa") or b""
            ).moment,
            message="Joined\n\n\x1b[31mno colours\x00 \u202e in it: ümläut",
        )
    store.repository.set_ref(REVISIONS, joint, parents[0])
    assert fsck(store.path) == ""
    assert git(store.path, "log", "-1", "--format=%P", joint.hex()).decode().split() == [
        parent.hex() for parent in parents
    ]


def revision_behind(store: Store) -> bytes:
    """Return the parent of the newest revision."""
    newest = store.repository.ref(REVISIONS)
    return [held.commit for held in revisions.walk(store.repository, newest)][1]
