"""Revisions and records as they lie in the store: read back whole, refused when broken or too new."""

from __future__ import annotations

import hashlib
import json
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from relkit.errors import DamagedError
from relkit.store import records, revisions
from relkit.store.ancestry import parents_of
from relkit.store.packing import BLOB, COMMIT, TAG, TREE
from relkit.store.repository import REVISIONS, DamagedObjectError, NoStoreError, Repository, tree_bytes
from relkit.store.revisions import NewerStoreError
from tests.support.stores import START, Store, clean_environment, fsck, git, wav


def written(store: Store, **changed: Any) -> bytes:
    """Write a commit, everything in it chosen unless said otherwise."""
    given = {
        "manifest": b'{"a":1}',
        "signature": b"signed\n",
        "content": {},
        "features": {"flac"},
        "parents": [],
        "moment": START,
        "message": "A revision",
        **changed,
    }
    with store.repository.writer() as pack:
        return revisions.write(pack, **given)


def with_format(store: Store, note: bytes, *, alone: bool = False) -> bytes:
    """Write a commit whose format note is another, with or without anything else."""
    commit = written(store)
    tree, _ = parents_of(store.repository, commit)
    entries = {name: (oid, name == "content") for name, oid in store.repository.tree(tree).items()}
    with store.repository.writer() as pack:
        entries["format"] = pack.add(BLOB, note), False
        if alone:
            entries = {"format": entries["format"]}
        top = pack.add(TREE, tree_bytes(entries))
        return pack.add(COMMIT, b"tree %s\nauthor a <b> 1 +0000\n\n" % top.hex().encode())


def test_a_commit_gives_back_what_it_was_given(store: Store) -> None:
    """Manifest and signature are bytes here; the digest is the manifest's."""
    first = written(store)
    manifest = '{"title":"Lanterns Ümlaut 🎛"}'.encode()
    second = written(store, manifest=manifest, parents=[first])
    held = revisions.read(store.repository, second)
    assert (held.manifest, held.signature, held.parents) == (manifest, b"signed\n", (first,))
    assert held.digest == hashlib.sha256(manifest).hexdigest()


def test_the_same_commit_on_any_day(store: Store) -> None:
    """Its time is the manifest's, in UTC whatever the zone; its author names nobody."""
    from datetime import timedelta, timezone

    elsewhere = START.astimezone(timezone(timedelta(hours=-9, minutes=-30)))
    assert written(store) == written(store, moment=elsewhere)
    shown = (
        git(store.path, "log", "-1", "--format=%an|%ae|%aI|%cn|%cI", written(store).hex()).decode().strip()
    )
    assert shown == "relkit|relkit@relkit.example|2031-05-04T12:00:00+00:00|relkit|2031-05-04T12:00:00+00:00"


@pytest.mark.parametrize(
    "message", ["", "\n\n", "a\0b", "tab\there", "line\r\nline", "\x85 \u2028", "é" * 9_000]
)
def test_any_message_makes_a_clean_commit(store: Store, message: str) -> None:
    """Git's strict check has no objection to it."""
    store.repository.set_ref(REVISIONS, written(store, message=message), None)
    assert fsck(store.path) == ""


@pytest.mark.parametrize(
    "note",
    [
        {"format": 2, "features": []},
        {"format": 99, "features": ["layout-1"]},
        {"format": 1, "features": ["layout-1", "layout-2"]},
        {"format": 1, "features": ["difference-to-previous"]},
    ],
)
@pytest.mark.parametrize("alone", [False, True], ids=["", "everything else differs"])
def test_a_newer_store_is_refused_by_name(store: Store, note: dict[str, Any], alone: bool) -> None:
    """Exit code 7 and what to do, before anything else is looked at."""
    commit = with_format(store, json.dumps(note).encode(), alone=alone)
    with pytest.raises(NewerStoreError, match="newer relkit") as caught:
        revisions.read(store.repository, commit)
    assert caught.value.exit_code == 7
    assert "Update relkit" in caught.value.hint


@pytest.mark.parametrize(
    "note",
    [
        b"",
        b"{}",
        b"[]",
        b"null",
        b'{"format":1}',
        b'{"format":"1","features":[]}',
        b'{"format":true,"features":[]}',
        b'{"format":1,"features":[1]}',
        b'{"format":1,"features":[["flac"]]}',
        b'{"format":1,"features":5}',
        b"[" * 100_000,
        b"\xff",
    ],
)
def test_a_broken_format_note_is_damage(store: Store, note: bytes) -> None:
    """And not a reason to update."""
    with pytest.raises(DamagedError, match="damaged format note"):
        revisions.read(store.repository, with_format(store, note))


def test_this_versions_own_note_is_frozen(store: Store) -> None:
    """The first format, byte for byte: golden, made by this code; changing it orphans stores."""
    tree, _ = parents_of(store.repository, written(store))
    note = store.repository.read(store.repository.tree(tree)["format"], BLOB)
    assert note == b'{"features":["flac","layout-1","plain"],"format":1}'
    known = {"essence-of", "fill", "flac", "float32-flac24", "int32-flac24", "layout-1", "plain"}
    assert known == revisions.FEATURES


def test_a_commit_asks_only_for_what_it_needs(store: Store) -> None:
    """A coding that some other file uses is not asked of a reader who does not need it."""
    quiet, _ = store.commit(wav(bytes(4 * 9000), "int16"))
    assert revisions.read(store.repository, quiet).features == {"layout-1", "plain", "fill"}


@pytest.mark.parametrize("missing", ["manifest.json", "manifest.json.sig", "content"])
def test_a_commit_that_lacks_something_is_damage(store: Store, missing: str) -> None:
    """It is named."""
    tree, _ = parents_of(store.repository, written(store))
    blobs = store.repository.tree(tree)
    entries = {name: (oid, name == "content") for name, oid in blobs.items() if name != missing}
    with store.repository.writer() as pack:
        top = pack.add(TREE, tree_bytes(entries))
        commit = pack.add(COMMIT, b"tree %s\n\nx\n" % top.hex().encode())
    with pytest.raises(DamagedError, match=f"has no {missing}"):
        revisions.read(store.repository, commit)


@pytest.mark.parametrize(
    "data", [b"", b"tree xyz\n", b"tree " + b"1" * 40, b"tree \xff\n", b"parent 12\n", b"tree " + b"0" * 38]
)
def test_what_is_no_commit_is_damage(store: Store, data: bytes) -> None:
    """Whatever Git would think of it."""
    with store.repository.writer() as pack:
        commit = pack.add(COMMIT, data)
    with pytest.raises(DamagedError):
        revisions.read(store.repository, commit)
    with pytest.raises(DamagedError):
        list(revisions.walk(store.repository, commit))


def test_objects_of_another_kind_are_damage(store: Store) -> None:
    """A blob for a commit, nothing at all, a tree of nonsense."""
    with store.repository.writer() as pack:
        blob, tree = pack.add(BLOB, b"x"), pack.add(TREE, b"nonsense")
    for read in (
        lambda: revisions.read(store.repository, blob),
        lambda: revisions.read(store.repository, b"\1" * 20),
        lambda: store.repository.tree(tree),
        lambda: store.repository.tree(blob),
    ):
        with pytest.raises(DamagedObjectError):
            read()


def test_a_reference_moves_only_from_where_it_was(store: Store) -> None:
    """Another program's move is not overwritten."""
    first, second, third = (written(store, message=str(number)) for number in range(3))
    store.repository.set_ref(REVISIONS, first, None)
    store.repository.set_ref(REVISIONS, second, first)
    for old in (first, None):
        with pytest.raises(DamagedObjectError, match="moved by another program"):
            store.repository.set_ref(REVISIONS, third, old)
    assert store.repository.ref(REVISIONS) == second
    (store.path / f"{REVISIONS}.lock").write_bytes(b"")  # of a killed process; the release's lock is ours
    store.repository.set_ref(REVISIONS, third, second)
    assert store.repository.ref(REVISIONS) == third


def test_a_folder_without_a_store_says_so(tmp_path: Path) -> None:
    """With what to do."""
    with pytest.raises(NoStoreError, match="has no store") as caught:
        Repository(tmp_path / "release" / ".relkit" / "store.git")
    assert "relkit new" in caught.value.hint


# --- records


def test_a_record_gives_back_what_it_was_given(store: Store) -> None:
    """Its digest is that of its JSON alone."""
    target = written(store)
    body = '{"type":"shipment","note":"for 📻"}'.encode()
    tag = store.record("shipped/2031-05-04-0a1b", target, body)
    held = records.read(store.repository, "shipped/2031-05-04-0a1b", tag)
    assert (held.target, held.name, held.body, held.moment) == (
        target,
        "shipped/2031-05-04-0a1b",
        body,
        START,
    )
    assert held.digest == hashlib.sha256(body).hexdigest()
    assert records.references(store.repository) == {"shipped/2031-05-04-0a1b": tag}


def test_a_record_is_never_replaced(store: Store) -> None:
    """A second one of that name is refused."""
    target = written(store)
    tag = store.record("records/1", target)
    with pytest.raises(DamagedObjectError):
        store.record("records/1", target, b'{"type":"other"}')
    assert records.references(store.repository) == {"records/1": tag}


def test_stock_git_verifies_a_record(store: Store, tmp_path: Path) -> None:
    """Signed by ssh-keygen over our payload; ``git verify-tag`` accepts it, and refuses a changed one."""
    key = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(key), "-C", ""], check=True)
    allowed = tmp_path / "allowed_signers"
    allowed.write_text("engineer@weir.example " + (tmp_path / "key.pub").read_text())

    def sign(payload: bytes) -> str:
        command = ["ssh-keygen", "-q", "-Y", "sign", "-n", "git", "-f", str(key)]
        return subprocess.run(command, input=payload, check=True, stdout=subprocess.PIPE).stdout.decode()

    target = written(store)
    store.repository.set_ref(REVISIONS, target, None)
    tag = records.write(
        store.repository, ref="shipped/x", target=target, body=b'{"a":1}', moment=START, sign=sign
    )
    git(store.path, "-c", f"gpg.ssh.allowedSignersFile={allowed}", "verify-tag", "shipped/x")
    assert fsck(store.path) == ""
    changed = store.repository.read(tag, TAG).replace(b'{"a":1}', b'{"a":2}')
    with store.repository.writer() as pack:
        forged = pack.add(TAG, changed)
    command = ["git", "-c", f"gpg.ssh.allowedSignersFile={allowed}", "verify-tag", forged.hex()]
    done = subprocess.run(command, cwd=store.path, env=clean_environment(), check=False, capture_output=True)
    assert done.returncode != 0


_HEADER = b"object " + b"1" * 40 + b"\ntype commit\ntag records/1\ntagger "
_TAGGER = revisions.IDENTITY + b" 1 +0000\n\n"
_ARMOR = b"-----BEGIN SSH SIGNATURE-----\nA\n-----END SSH SIGNATURE-----\n"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        _HEADER + _TAGGER + b"{}\n",
        _HEADER + _TAGGER + b"{}" + _ARMOR,
        _HEADER + b"somebody <a@b> 1 +0000\n\n{}\n" + _ARMOR,
        _HEADER + revisions.IDENTITY + b" 1 +0100\n\n{}\n" + _ARMOR,
        _HEADER + revisions.IDENTITY + b" never +0000\n\n{}\n" + _ARMOR,
        _HEADER + revisions.IDENTITY + b" 99999999999999999999 +0000\n\n{}\n" + _ARMOR,
        (_HEADER + _TAGGER + b"{}\n" + _ARMOR).replace(b"type commit", b"type tree"),
        (_HEADER + _TAGGER + b"{}\n" + _ARMOR).replace(b"1" * 40, b"xyz"),
        (_HEADER + _TAGGER + b"{}\n" + _ARMOR).replace(b"1" * 40, b"12"),
        (_HEADER + _TAGGER + b"{}\n" + _ARMOR).replace(b"tag records", b"tag \xff"),
        (_HEADER + _TAGGER + b"{}\n" + _ARMOR).replace(b"type", b"kind"),
    ],
    ids=range(12),
)
def test_what_is_no_record_is_damage(store: Store, data: bytes) -> None:
    """Each way in which a tag may not be one."""
    with store.repository.writer() as pack:
        tag = pack.add(TAG, data)
    with pytest.raises(DamagedError, match="records/1 is damaged"):
        records.read(store.repository, "records/1", tag)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 400), st.integers(1, 255), st.booleans())
def test_a_changed_tag_is_a_record_or_damage(store: Store, at: int, mask: int, cut: bool) -> None:
    """Nothing but the declared error."""
    data = bytearray(_HEADER + _TAGGER + b'{"type":"shipment"}\n' + _ARMOR)
    at %= len(data)
    data[at] ^= mask
    with store.repository.writer() as pack:
        tag = pack.add(TAG, bytes(data[:at] if cut else data))
    read: Callable[[], object] = lambda: records.read(store.repository, "records/1", tag)  # noqa: E731
    try:
        read()
    except DamagedError as error:
        assert "records/1" in str(error)  # noqa: PT017 - most changes are no error


def test_a_records_time_is_its_taggers(store: Store) -> None:
    """In UTC, to the second."""
    moment = datetime(2031, 5, 4, 23, 59, 59, 999_999, tzinfo=UTC)
    target = written(store)
    tag = records.write(
        store.repository,
        ref="records/1",
        target=target,
        body=b"{}",
        moment=moment,
        sign=lambda _: _ARMOR.decode(),
    )
    assert records.read(store.repository, "records/1", tag).moment == moment.replace(microsecond=0)
