"""Replies, approvals and withdrawn packages that were altered, moved, replayed or deleted by stock Git."""

from __future__ import annotations

import json
import subprocess

import pytest

from relkit.errors import RelkitError
from relkit.manifest import ApprovedRecord, ReplyRecord, ShippedRecord, WithdrawnRecord
from relkit.release import ledger
from relkit.release.audit import Finding, StoreDamagedError
from relkit.store import records
from relkit.store.repository import Repository
from relkit.trust.keys import SigningKey
from tests.support.stores import clean_environment, git
from tests.support.tiny_release import DJ, Tiny, write_record

KINDS = ("reply", "approved", "withdrawn")


@pytest.fixture
def answered(tiny: Tiny) -> Tiny:
    """The tiny release after a rejection, an approval, a withdrawn package, and one more shipment."""
    with tiny.open() as release:
        release.reply(DJ, "rejected", version="clean", text="a word is still heard")
        release.approve("3", by="Pell Docket", role="label")
        release.withdraw(tiny.shipments[2].digest, reason="an uncleared sample")
    tiny.ship(DJ, only=["explicit"])
    tiny.audit()
    return tiny


def refs(tiny: Tiny) -> dict[str, str]:
    """Return the reference of each kind of record."""
    with tiny.open() as release:
        entries = ledger.read(release._workspace).entries
    kinds = {ReplyRecord: "reply", ApprovedRecord: "approved", ShippedRecord: "shipped"}
    found = {kinds[type(entry.record)]: entry.held.ref for entry in entries if type(entry.record) in kinds}
    package = tiny.shipments[2].digest
    (taken,) = [
        entry.held.ref
        for entry in entries
        if isinstance(entry.record, WithdrawnRecord) and entry.record.of == package
    ]
    return {**found, "withdrawn": taken}


def oid(tiny: Tiny, name: str) -> str:
    """Return what a reference points to."""
    return git(tiny.store, "rev-parse", name).decode().strip()


def findings(tiny: Tiny) -> list[Finding]:
    """Return what audit finds; it must exit with 4."""
    with pytest.raises(StoreDamagedError) as caught:
        tiny.audit()
    assert caught.value.exit_code == 4
    return caught.value.report.findings


@pytest.mark.parametrize("kind", KINDS)
def test_deleted(answered: Tiny, kind: str) -> None:
    """What came after it names it, and its text, still in the store, says what it was."""
    git(answered.store, "tag", "-d", refs(answered)[kind])
    told = [f"{each.where}: {each.what}" for each in findings(answered)]
    words = {"reply": "rejection 1", "approved": "approval", "withdrawn": "withdrawal"}[kind]
    assert any(words in each and "not there any more" in each for each in told), told


@pytest.mark.parametrize("kind", KINDS)
def test_moved_onto_another(answered: Tiny, kind: str) -> None:
    """Its reference leads to a shipment's record now."""
    known = refs(answered)
    git(answered.store, "update-ref", f"refs/tags/{known[kind]}", f"refs/tags/{known['shipped']}")
    assert any("moved or renamed" in each.what for each in findings(answered))


@pytest.mark.parametrize("kind", KINDS)
def test_replayed_under_another_name(answered: Tiny, kind: str) -> None:
    """A second reference to one record is one too many: it would count twice."""
    name = refs(answered)[kind]
    git(answered.store, "update-ref", f"refs/tags/records/{'ab' * 16}", f"refs/tags/{name}")
    assert any("moved or renamed" in each.what for each in findings(answered))


@pytest.mark.parametrize(
    ("kind", "before", "after"),
    [
        ("reply", b'"answer":"rejected"', b'"answer":"accepted"'),
        ("reply", b"a word is still heard", b"all is very well here"),
        ("approved", b'"role":"label"', b'"role":"other"'),
        ("withdrawn", b"an uncleared sample", b"a cleared sample!!!"),
    ],
)
def test_altered(answered: Tiny, kind: str, before: bytes, after: bytes) -> None:
    """The text of a tag edited and written again with stock Git: its signature does not fit."""
    name = refs(answered)[kind]
    text = git(answered.store, "cat-file", "tag", name)
    assert before in text
    made = subprocess.run(
        ["git", "hash-object", "-t", "tag", "-w", "--stdin"],
        cwd=answered.store,
        env=clean_environment(),
        input=text.replace(before, after),
        capture_output=True,
        check=True,
    )
    git(answered.store, "update-ref", f"refs/tags/{name}", made.stdout.decode().strip())
    assert findings(answered)


def test_a_rejection_that_a_stranger_forged(answered: Tiny, stranger: SigningKey) -> None:
    """Properly signed by nobody known: audit says so."""
    name = refs(answered)["reply"]
    repository = Repository(answered.store)
    held = records.read(
        repository, name, bytes.fromhex(git(answered.store, "rev-parse", name).decode().strip())
    )
    forged = json.loads(held.body) | {"id": "ab" * 16, "number": 2, "text": "never play this"}
    write_record(repository, forged, held.target, stranger)
    repository.close()
    with pytest.raises(RelkitError) as caught:
        answered.audit()
    assert caught.value.exit_code == 5


def test_a_reply_of_another_release(answered: Tiny) -> None:
    """By the trusted key, with another release's id in it."""
    name = refs(answered)["reply"]
    repository = Repository(answered.store)
    held = records.read(
        repository, name, bytes.fromhex(git(answered.store, "rev-parse", name).decode().strip())
    )
    forged = json.loads(held.body) | {"id": "cd" * 16, "release_id": "0" * 32}
    write_record(repository, forged, held.target, answered.home.signing_key())
    repository.close()
    assert any("another release" in each.what for each in findings(answered))
