"""A file that has the audio of another one in other words: stored as a pointer, and nothing less sure for it.

Attacks are on the pointer: to a file that has other audio, none, or only a pointer itself.
"""

from __future__ import annotations

import json

import pytest

from relkit.errors import DamagedError
from relkit.store import revisions
from relkit.store.excerpts import Essence
from relkit.store.integrity import check
from relkit.store.layout import ESSENCE_OF, LAYOUT, Layout
from relkit.store.packing import BLOB, TREE
from relkit.store.repository import Repository, tree_bytes
from relkit.store.restoring import codings_of, holder_of, read_layout
from tests.support.audio_bytes import chunk
from tests.support.stores import START, Store, as_bytes, fsck, git, music, restored, wav

AUDIO = as_bytes(music(20, 4), "int24")
FILE = wav(AUDIO)


def tagged(text: bytes) -> bytes:
    """Return the same audio in a file with text behind it."""
    whole = FILE + chunk(b"note", text)
    return whole[:4] + (len(whole) - 8).to_bytes(4, "little") + whole[8:]


def test_the_file_comes_back_and_costs_little(store: Store) -> None:
    """Bytes, codings, any stretch of it; a few hundred bytes for twenty seconds, and no chunk twice."""
    _, [first] = store.commit(FILE)
    before = store.size_bytes()
    _, [second] = store.commit(tagged(b"a text"), essence_of=first.tree)
    assert restored(store.repository, second) == tagged(b"a text")
    assert store.size_bytes() - before < 4_000  # an index of a pack alone has 1 KB
    assert codings_of(store.repository, second.tree) == codings_of(store.repository, first.tree) | {
        ESSENCE_OF
    }
    assert Essence(store.repository, second.tree).read(30_000, 90_003) == AUDIO[30_000:90_003]
    assert holder_of(store.repository, second.tree) == holder_of(store.repository, first.tree) == first.tree
    assert second.frames_sha256 == first.frames_sha256
    store.commit(FILE)  # the index of chunks must not take a pointer for a chunk
    assert check(store.repository).faults == []
    assert all(line.startswith("dangling ") for line in fsck(store.path).splitlines())


def test_stock_git_keeps_what_a_pointer_needs(store: Store, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A clone of the newest revision alone has the audio: Git follows the tree."""
    _, [first] = store.commit(FILE)
    _, [second] = store.commit(tagged(b"a text"), essence_of=first.tree)
    copy = tmp_path_factory.mktemp("clone") / "copy.git"
    git(store.path, "clone", "-q", "--bare", "--depth", "1", f"file://{store.path}", str(copy))
    clone = Repository(copy)
    assert restored(clone, second) == tagged(b"a text")
    clone.close()


def forged(store: Store, layout: Layout, entries: dict[str, tuple[bytes, bool]]) -> bytes:
    """Write a stored file as somebody else might."""
    with store.repository.writer() as pack:
        entries = {LAYOUT: (pack.add(BLOB, layout.to_bytes()), False), **entries}
        tree = pack.add(TREE, tree_bytes(entries))
        revisions.write(
            pack,
            manifest=b"{}",
            signature=b"s",
            content={layout.sha256: tree},
            features=revisions.FEATURES,
            parents=[],
            moment=START,
            message="forged",
        )
    return tree


@pytest.mark.parametrize("to", ["other audio", "no audio", "a pointer", "itself missing"])
def test_a_forged_pointer_is_refused(store: Store, to: str) -> None:
    """Before a byte is written, and without going round in circles."""
    _, [first, other, sheet] = store.commit(FILE, wav(AUDIO[:-60]), b"a sheet")
    _, [second] = store.commit(tagged(b"a text"), essence_of=first.tree)
    layout, blobs = read_layout(store.repository, second.tree)
    entries = {name: (oid, False) for name, oid in blobs.items()}
    (pointer,) = (name for name, oid in blobs.items() if oid == first.tree)
    aims = {"other audio": other.tree, "no audio": sheet.tree, "a pointer": second.tree}
    if to in aims:
        entries[pointer] = aims[to], True
    else:
        del entries[pointer]
    tree = forged(store, layout, entries)
    written: list[bytes] = []
    from relkit.store.restoring import restore

    with pytest.raises(DamagedError):
        restore(store.repository, tree, lambda piece: written.append(bytes(piece)), second.sha256)
    with pytest.raises(DamagedError):
        Essence(store.repository, tree).read(0, 6)
    with pytest.raises(DamagedError):
        codings_of(store.repository, tree)
    assert sum(map(len, written)) < len(FILE) - len(AUDIO) + 1


@pytest.mark.parametrize("kind", ["meta", "essence"])
def test_a_layout_has_a_pointer_for_a_whole_essence_only(store: Store, kind: str) -> None:
    """Not for a head, and not beside chunks."""
    _, [first] = store.commit(FILE)
    _, [second] = store.commit(tagged(b"a text"), essence_of=first.tree)
    layout, _ = read_layout(store.repository, second.tree)
    document = json.loads(layout.to_bytes())
    part = next(each for each in document["parts"] if each["kind"] == "essence")
    if kind == "meta":
        part["kind"] = "meta"
    else:
        part["chunks"].append([0, "fill", "00"])
    with pytest.raises(DamagedError, match="essence"):
        Layout.from_bytes(json.dumps(document).encode())
