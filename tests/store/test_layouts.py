"""A layout is read without trust; restoring gives the right bytes or an error."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import tracemalloc
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.errors import DamagedError
from relkit.store.content import Stored
from relkit.store.layout import DamagedLayoutError, Layout
from relkit.store.packing import BLOB, TREE
from relkit.store.repository import tree_bytes
from relkit.store.restoring import DamagedContentError, read_layout, restore
from tests.support.stores import Store, as_bytes, music, wav

Document = dict[str, Any]


@pytest.fixture
def held(store: Store) -> Stored:
    """A file of several chunks with a fill between them."""
    samples = music(2, 1)
    samples[40_000:50_000] = 0
    _, [stored] = store.commit(wav(as_bytes(samples, "int24")))
    return stored


def with_layout(store: Store, held: Stored, layout: bytes, *, without: str = "", **other: bytes) -> bytes:
    """Write the file's tree again with another layout, without a chunk, or with other blobs."""
    blobs = store.repository.tree(held.tree)
    entries = {name: (oid, False) for name, oid in blobs.items() if name != without}
    with store.repository.writer() as pack:
        entries["layout"] = pack.add(BLOB, layout), False
        for name, data in other.items():
            entries[name.removeprefix("_")] = pack.add(BLOB, data), False
        return pack.add(TREE, tree_bytes(entries))


def layout_of(store: Store, held: Stored) -> bytes:
    """Return the bytes of a stored file's layout."""
    return store.repository.read(store.repository.tree(held.tree)["layout"], BLOB)


def refused(store: Store, tree: bytes, sha256: str) -> DamagedError:
    """Expect an error of the family; it must come in little memory."""
    tracemalloc.start()
    with pytest.raises(DamagedError) as caught:
        restore(store.repository, tree, len, sha256)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 64_000_000
    return caught.value


def test_a_layout_survives_writing_and_reading(store: Store, held: Stored) -> None:
    """The blob is compact JSON with sorted names, as the format's page says."""
    data = layout_of(store, held)
    assert Layout.from_bytes(data).to_bytes() == data
    assert data == json.dumps(json.loads(data), sort_keys=True, separators=(",", ":")).encode()


def test_every_digest_in_a_layout_is_true(store: Store, held: Stored) -> None:
    """Parts and chunks are the SHA-256 of what they say."""
    file = store.restored(held)
    at = 0
    layout, _ = read_layout(store.repository, held.tree)
    for part in layout.parts:
        start = at
        for chunk in part.chunks:
            piece = file[at : at + chunk.size_bytes]
            if chunk.coding == "fill":
                assert piece == bytes.fromhex(chunk.sha256) * chunk.size_bytes
            else:
                assert chunk.sha256 == hashlib.sha256(piece).hexdigest()
            at += chunk.size_bytes
        assert part.sha256 == hashlib.sha256(file[start:at]).hexdigest()
    assert at == len(file)
    assert {chunk.coding for part in layout.parts for chunk in part.chunks} == {"plain", "flac", "fill"}


def _essence(document: Document) -> Document:
    return next(part for part in document["parts"] if part["kind"] == "essence")


def _swap_chunks(document: Document) -> None:
    chunks = _essence(document)["chunks"]
    chunks[0], chunks[1] = chunks[1], chunks[0]


def _huge_fill(document: Document) -> None:
    for place in (document, _essence(document)):
        place["size_bytes"] += (1 << 52) - _fill(document)[0]
    _fill(document)[0] = 1 << 52


def _fill(document: Document) -> list[Any]:
    return next(row for row in _essence(document)["chunks"] if row[1] == "fill")


LIES: dict[str, Callable[[Document], object]] = {
    "another format": lambda d: d.update(format=2),
    "no size": lambda d: d.pop("size_bytes"),
    "size too small": lambda d: d.update(size_bytes=d["size_bytes"] - 1),
    "negative size": lambda d: _essence(d).update(size_bytes=-1),
    "size as text": lambda d: d.update(size_bytes=str(d["size_bytes"])),
    "size as a float": lambda d: d.update(size_bytes=float(d["size_bytes"])),
    "size as a bool": lambda d: _essence(d)["chunks"][0].__setitem__(0, True),
    "size beyond exact numbers": lambda d: d.update(size_bytes=1 << 60),
    "parts is a number": lambda d: d.update(parts=3),
    "parts is text": lambda d: d.update(parts="abc"),
    "a part is a list": lambda d: d["parts"].append([]),
    "parts swapped": lambda d: d["parts"].reverse(),
    "chunks swapped": _swap_chunks,
    "chunk left out": lambda d: _essence(d)["chunks"].pop(),
    "a row too short": lambda d: _essence(d)["chunks"][0].pop(),
    "unknown coding": lambda d: _essence(d)["chunks"][0].__setitem__(1, "flac-2"),
    "coding is a list": lambda d: _essence(d)["chunks"][0].__setitem__(1, ["flac"]),
    "another coding": lambda d: _essence(d)["chunks"][0].__setitem__(1, "plain"),
    "float coding on integers": lambda d: _essence(d)["chunks"][0].__setitem__(1, "float32-flac24"),
    "a huge chunk": lambda d: _essence(d)["chunks"][0].__setitem__(0, 1 << 40),
    "a wrong fill": lambda d: _fill(d).__setitem__(2, "01"),
    "a fill of nothing": lambda d: _fill(d).__setitem__(2, ""),
    "a fill of two bytes": lambda d: _fill(d).__setitem__(2, "0000"),
    "a fill of a space and a byte": lambda d: _fill(d).__setitem__(2, "00 "),
    "a fill that is a number": lambda d: _fill(d).__setitem__(2, 0),
    "no digest": lambda d: d.update(sha256="abc"),
    "digest in capitals": lambda d: d.update(sha256=d["sha256"].upper()),
    "no channels": lambda d: _essence(d).update(channels=0),
    "many channels": lambda d: _essence(d).update(channels=1 << 40),
    "three channels": lambda d: _essence(d).update(channels=3),
    "other sample width": lambda d: _essence(d).update(sample_bytes=2),
    "sample width of nothing": lambda d: _essence(d).update(sample_bytes=0),
    "other byte order": lambda d: _essence(d).update(big_endian=True),
    "another file's digest": lambda d: d.update(sha256="ab" * 32),
}


@pytest.mark.parametrize("lie", LIES.values(), ids=LIES.keys())
def test_a_layout_that_lies_is_refused(store: Store, held: Stored, lie: Callable[[Document], object]) -> None:
    """Whatever it says, restoring ends in the declared error and never in wrong bytes."""
    document = json.loads(layout_of(store, held))
    lie(document)
    refused(store, with_layout(store, held, json.dumps(document).encode()), held.sha256)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"null",
        b"[]",
        b"7",
        b"{}",
        b"\xff\xfe",
        b"[" * 200_000,
        b'{"a":' * 100_000,
        b'{"format":1,"size_bytes":' + b"9" * 5_000 + b"}",
        b'{"format":1,"size_bytes":NaN,"sha256":"","parts":[]}',
        b'{"format":1,"size_bytes":0,"sha256":null,"parts":[]}',
    ],
    ids=range(11),
)
def test_what_is_no_layout_is_refused(store: Store, held: Stored, data: bytes) -> None:
    """Also nesting that exhausts a parser, and numbers that exhaust a converter."""
    error = refused(store, with_layout(store, held, data), held.sha256)
    assert isinstance(error, DamagedLayoutError)


@settings(max_examples=150, deadline=None)
@given(
    st.recursive(
        st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5)),
        lambda inner: st.one_of(
            st.lists(inner, max_size=4),
            st.dictionaries(
                st.sampled_from(["format", "parts", "size_bytes", "sha256", "kind", "chunks", "channels"]),
                inner,
                max_size=7,
            ),
        ),
        max_leaves=20,
    )
)
def test_any_json_is_a_layout_or_refused(document: object) -> None:
    """Nothing but the declared error."""
    data = json.dumps(document).encode()
    with contextlib.suppress(DamagedLayoutError):
        Layout.from_bytes(data)


def test_a_fill_longer_than_any_disk_is_stopped(store: Store, held: Stored) -> None:
    """Who knows the size is protected from a layout that claims 4 PB; nothing is written past the size."""
    document = json.loads(layout_of(store, held))
    _huge_fill(document)
    tree = with_layout(store, held, json.dumps(document).encode())
    out = io.BytesIO()
    with pytest.raises(DamagedContentError, match="has the layout of another"):
        restore(store.repository, tree, out.write, held.sha256, size_bytes=held.size_bytes)
    assert not out.getvalue()

    class FullError(Exception):
        """The disk is full."""

    def write(piece: bytes | memoryview) -> None:
        if out.tell() > 50_000_000:
            raise FullError
        out.write(piece)

    with pytest.raises(FullError):  # without the size, pieces come one by one until the caller stops
        restore(store.repository, tree, write, held.sha256)


def test_a_missing_chunk_is_named(store: Store, held: Stored) -> None:
    """The tree lacks it."""
    tree = with_layout(store, held, layout_of(store, held), without="00000001")
    assert "chunk 00000001" in str(refused(store, tree, held.sha256))


def test_a_missing_layout_is_refused(store: Store, held: Stored) -> None:
    """There is no guessing without it."""
    with store.repository.writer() as pack:
        tree = pack.add(TREE, tree_bytes({"00000000": (pack.add(BLOB, b"abc"), False)}))
    assert "has no layout" in str(refused(store, tree, held.sha256))


def test_swapped_blobs_are_refused(store: Store, held: Stored) -> None:
    """Two chunks have changed places in the tree, or one is another's bytes."""
    blobs = store.repository.tree(held.tree)
    first, second = (store.repository.read(blobs[f"0000000{n}"], BLOB) for n in (1, 2))
    layout = layout_of(store, held)
    refused(store, with_layout(store, held, layout, _00000001=second, _00000002=first), held.sha256)
    refused(store, with_layout(store, held, layout, _00000001=second), held.sha256)
    refused(store, with_layout(store, held, layout, _00000001=first[:-1]), held.sha256)


def test_another_files_content_is_refused(store: Store, held: Stored) -> None:
    """A whole and healthy file, but not the one that was asked for."""
    _, [_, other] = store.commit(store.restored(held), wav(as_bytes(music(1, 2), "int24")))
    error = refused(store, other.tree, held.sha256)
    assert isinstance(error, DamagedContentError)
    assert "layout of another" in str(error)
    relabelled = json.loads(layout_of(store, other))
    relabelled["sha256"] = held.sha256
    tree = with_layout(store, other, json.dumps(relabelled).encode())
    assert "comes back as" in str(refused(store, tree, held.sha256))


def test_a_chunk_that_is_a_tree_or_not_there_is_refused(store: Store, held: Stored) -> None:
    """The tree names objects of the wrong kind, or none at all."""
    blobs = store.repository.tree(held.tree)
    for oid in (held.tree, b"\x11" * 20):
        entries = {name: (oid if name == "00000001" else blob, False) for name, blob in blobs.items()}
        with store.repository.writer() as pack:
            tree = pack.add(TREE, tree_bytes(entries))
        refused(store, tree, held.sha256)
