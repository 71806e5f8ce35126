"""Records and references that were deleted, moved, replayed, rolled back or forged, with stock Git."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from relkit.errors import DamagedError, RelkitError, UntrustedSignerError
from relkit.release.audit import Finding, StoreDamagedError, StoreUntrustedError
from relkit.release.home import Home
from relkit.release.remembering import recall
from relkit.store import records
from relkit.store.repository import Repository
from relkit.store.revisions import NewerStoreError
from relkit.trust.keys import SigningKey
from tests.support.stores import git
from tests.support.tiny_release import DJ, STATION, Tiny, document, full_history, write_record


def findings(tiny: Tiny, home: Home | None = None) -> list[Finding]:
    """Return what audit finds; it must exit with 4."""
    with pytest.raises(StoreDamagedError) as caught, tiny.open(home) as release:
        release.audit()
    assert caught.value.exit_code == 4
    return caught.value.report.findings


def about(found: list[Finding], words: str) -> str:
    """Return what is found about something, and whom it concerns."""
    told = [f"{each.where}: {each.what}; {each.concerns}" for each in found if words in each.where]
    assert told, [each.where for each in found]
    return "\n".join(told)


def shipped(tiny: Tiny, number: int) -> str:
    """Return the name of a shipment's tag; shipments count from 1."""
    return tiny.shipments[number - 1].record.ref


def words(tiny: Tiny, number: int) -> str:
    """Return how a shipment is called for people."""
    return f"shipment {tiny.shipments[number - 1].record.id[:8]}"


def oid(tiny: Tiny, name: str) -> str:
    """Return what a reference points to."""
    return git(tiny.store, "rev-parse", name).decode().strip()


@pytest.fixture
def elsewhere(tmp_path: Path, tiny: Tiny) -> Home:
    """Another machine's user, who trusts the signer and remembers nothing."""
    home = Home(tmp_path / "elsewhere")
    home.folder.mkdir()
    shutil.copy(tiny.home.signers_file, home.signers_file)
    return home


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_a_deleted_shipment_is_noticed_without_any_memory(tiny: Tiny, elsewhere: Home, number: int) -> None:
    """What was recorded later comes after it; its text, still in the store, tells whom it concerns."""
    git(tiny.store, "tag", "-d", shipped(tiny, number))
    told = about(findings(tiny, elsewhere), words(tiny, number))
    assert "not there any more" in told
    assert "speaks of it" in told
    record = tiny.shipments[number - 1].record
    assert f"{record.recipient.name} ({record.shipped_on}): {', '.join(record.versions)}" in told


def test_a_deleted_shipment_after_stock_git_threw_its_text_away(tiny: Tiny) -> None:
    """Then only the user's folder knows what it was."""
    git(tiny.store, "tag", "-d", shipped(tiny, 1))
    git(tiny.store, "-c", "gc.pruneExpire=now", "gc", "-q", "--prune=now")
    assert DJ in about(findings(tiny), words(tiny, 1))


def test_the_newest_record_is_noticed_through_the_users_memory(tiny: Tiny, elsewhere: Home) -> None:
    """Without it the store simply ends earlier: that is what memory is for, and its limit."""
    newest = git(tiny.store, "tag", "-l", "records/*").decode().strip()
    git(tiny.store, "tag", "-d", newest)
    git(tiny.store, "-c", "gc.pruneExpire=now", "gc", "-q", "--prune=now")
    assert "not there any more" in about(findings(tiny), "withdrawal")
    with tiny.open(elsewhere) as release:
        release.audit()


def test_an_audit_that_finds_nothing_is_remembered(tiny: Tiny, elsewhere: Home) -> None:
    """From then on that machine, too, notices a cut-off tail."""
    with tiny.open(elsewhere) as release:
        release.audit()
        release.audit()
        known = recall(elsewhere, release.release_id)
    assert len(known) == 8
    git(tiny.store, "tag", "-d", git(tiny.store, "tag", "-l", "records/*").decode().strip())
    about(findings(tiny, elsewhere), "withdrawal")


def test_a_torn_line_of_memory_takes_nothing_along(tiny: Tiny) -> None:
    """A crash while remembering, and a byte that is no UTF-8."""
    file = next((tiny.home.folder / "known").iterdir())
    whole = file.read_bytes()
    file.write_bytes(b"\xff\n" + whole + b'{"digest": "ab')
    tiny.ship(DJ)
    git(tiny.store, "tag", "-d", tiny.shipments.pop().record.ref)
    assert len(findings(tiny)) == 1


def test_rolled_back_revisions_are_named_with_who_received_them(tiny: Tiny, elsewhere: Home) -> None:
    """Back by two: revisions 2 and 3 are gone, and both had been shipped."""
    git(tiny.store, "update-ref", "refs/heads/revisions", "refs/heads/revisions~2")
    found = findings(tiny, elsewhere)
    assert f"{DJ} (2025-06-01)" in about(found, "revision 2")
    assert f"{STATION} (2025-06-02)" in about(found, "revision 3")


def test_a_rolled_back_revision_that_nothing_came_after(tiny: Tiny) -> None:
    """Only the user's memory has it."""
    tiny.commit("fourth", clean=b"RIFF" + (tiny.folder / "bounces" / "explicit.wav").read_bytes()[4:])
    git(tiny.store, "update-ref", "refs/heads/revisions", "refs/heads/revisions~1")
    about(findings(tiny), "revision 4")


def test_two_shipments_that_changed_places(tiny: Tiny, tmp_path: Path) -> None:
    """Both are named, and neither is checked out."""
    first, third = oid(tiny, shipped(tiny, 1)), oid(tiny, shipped(tiny, 3))
    git(tiny.store, "update-ref", f"refs/tags/{shipped(tiny, 1)}", third)
    git(tiny.store, "update-ref", f"refs/tags/{shipped(tiny, 3)}", first)
    found = findings(tiny)
    for number in (1, 3):
        assert "moved or renamed" in about(found, words(tiny, number))
        with pytest.raises(DamagedError):
            tiny.checkout_shipment(tiny.shipments[number - 1].record.id, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_renamed_record_and_a_copy_under_another_name(tiny: Tiny) -> None:
    """The day in a name cannot be changed; a second reference to one record is one too many."""
    other = shipped(tiny, 1).replace("2025-05-04", "2025-05-03")
    git(tiny.store, "update-ref", f"refs/tags/{other}", oid(tiny, shipped(tiny, 1)))
    assert other in about(findings(tiny), words(tiny, 1))
    git(tiny.store, "tag", "-d", shipped(tiny, 1))
    assert "moved or renamed" in about(findings(tiny), words(tiny, 1))


def test_a_shipment_that_points_elsewhere(tiny: Tiny) -> None:
    """Its reference to the commit of a package, not to the record: no record there any more."""
    git(tiny.store, "tag", "-f", shipped(tiny, 1), oid(tiny, shipped(tiny, 3)) + "^{commit}")
    found = findings(tiny)
    assert DJ in about(found, shipped(tiny, 1)) + about(found, words(tiny, 1))


@pytest.fixture
def other(tmp_path: Path, tiny: Tiny) -> Tiny:
    """Another release by the same signer."""
    (tmp_path / "other").mkdir()
    shutil.copytree(tiny.home.folder, tmp_path / "other" / "home")
    return full_history(tmp_path / "other", title="Another Song")


def test_a_record_of_another_release(tiny: Tiny, other: Tiny, tmp_path: Path) -> None:
    """Properly signed by the same key, fetched with stock Git."""
    git(
        tiny.store,
        "fetch",
        "-q",
        str(other.store),
        f"refs/tags/{shipped(other, 1)}:refs/tags/{shipped(other, 1)}",
    )
    assert "another release" in about(findings(tiny), words(other, 1))
    with pytest.raises(DamagedError):
        tiny.checkout_shipment(other.shipments[0].record.id, tmp_path / "out")


def test_revisions_of_another_release(tiny: Tiny, other: Tiny) -> None:
    """The records are of this one, the revisions of that one: nothing fits together."""
    git(tiny.store, "fetch", "-q", str(other.store), "+refs/heads/revisions:refs/heads/revisions")
    found = findings(tiny)
    about(found, "the store")
    for number in (1, 2, 3, 4):
        assert "another release" in about(found, words(tiny, number))


def test_one_revision_of_another_release_in_the_chain(tiny: Tiny, other: Tiny) -> None:
    """On top of this release's revisions lies that one's newest commit."""
    git(tiny.store, "fetch", "-q", str(other.store), "refs/heads/revisions")
    tree = oid(tiny, "FETCH_HEAD^{tree}")
    made = git(
        tiny.store,
        "-c",
        "user.name=x",
        "-c",
        "user.email=x@x.example",
        "commit-tree",
        tree,
        "-p",
        "revisions",
        "-m",
        "x",
    )
    git(tiny.store, "update-ref", "refs/heads/revisions", made.decode().strip())
    findings(tiny)


@contextmanager
def opened(tiny: Tiny) -> Iterator[Repository]:
    """Open the store to forge something."""
    repository = Repository(tiny.store)
    yield repository
    repository.close()


def test_a_shipment_that_a_stranger_forged(tiny: Tiny, stranger: SigningKey, tmp_path: Path) -> None:
    """Whole, and not trusted: exit 5, how to trust them, and no package comes out for it."""
    forged = document(tiny.shipments[3].record)
    forged |= {"id": "ab" * 16, "after": ["0" * 64], "shipped_on": "2025-06-03"}
    with opened(tiny) as repository:
        target = records.read(repository, shipped(tiny, 4), bytes.fromhex(oid(tiny, shipped(tiny, 4)))).target
        write_record(repository, forged, target, stranger)
    with pytest.raises(StoreUntrustedError) as caught:
        tiny.audit()
    assert caught.value.exit_code == 5
    assert stranger.public.line in caught.value.hint
    assert [each.where[:17] for each in caught.value.report.untrusted] == ["shipment abababab"]
    with pytest.raises(UntrustedSignerError), tiny.open() as release:
        release.checkout_sent(STATION, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_withdrawal_that_a_stranger_forged_takes_nothing_back(
    tiny: Tiny, stranger: SigningKey, tmp_path: Path
) -> None:
    """Otherwise a look-up would silently answer with an older package."""
    with opened(tiny) as repository:
        tag = bytes.fromhex(oid(tiny, shipped(tiny, 3)))
        held = records.read(repository, shipped(tiny, 3), tag)
        name = git(tiny.store, "tag", "-l", "records/*").decode().strip()
        mine = records.read(repository, name, bytes.fromhex(oid(tiny, name)))
        forged = json.loads(mine.body) | {"id": "ab" * 16, "of": held.digest, "reason": "never mind"}
        write_record(repository, forged, held.target, stranger)
    with pytest.raises(UntrustedSignerError), tiny.open() as release:
        release.checkout_sent(DJ, tmp_path / "out")
    with pytest.raises(UntrustedSignerError):
        tiny.ship(DJ)
    assert not (tmp_path / "out").exists()


def test_a_record_that_a_trusted_key_signed_again(tiny: Tiny) -> None:
    """Same id, another day: somebody with the key rewrites history. What came after names the original."""
    altered = document(tiny.shipments[0].record) | {"note": "it was a gift"}
    with opened(tiny) as repository:
        tag = bytes.fromhex(oid(tiny, shipped(tiny, 1)))
        target = records.read(repository, shipped(tiny, 1), tag).target
        (tiny.store / "refs" / "tags" / shipped(tiny, 1)).unlink()
        write_record(repository, altered, target, tiny.home.signing_key())
    assert "speaks of it" in about(findings(tiny), words(tiny, 1))


@pytest.mark.parametrize("namespace", ["manifest@relkit.example", "file"])
def test_a_record_signed_for_another_purpose(tiny: Tiny, namespace: str) -> None:
    """The trusted key, another namespace."""
    forged = document(tiny.shipments[0].record) | {"id": "cd" * 16}
    with opened(tiny) as repository:
        tag = bytes.fromhex(oid(tiny, shipped(tiny, 1)))
        target = records.read(repository, shipped(tiny, 1), tag).target
        write_record(repository, forged, target, tiny.home.signing_key(), namespace=namespace)
    assert "not for 'git'" in about(findings(tiny), "shipment cdcdcdcd")


def test_a_record_about_another_package_than_it_points_to(tiny: Tiny, tmp_path: Path) -> None:
    """Signed by the trusted key: the digest in it decides, not the Git object beside it."""
    forged = document(tiny.shipments[0].record) | {"id": "cd" * 16}
    with opened(tiny) as repository:
        tag = bytes.fromhex(oid(tiny, shipped(tiny, 4)))
        target = records.read(repository, shipped(tiny, 4), tag).target
        write_record(repository, forged, target, tiny.home.signing_key())
    assert "another package" in about(findings(tiny), "shipment cdcdcdcd")
    with pytest.raises(DamagedError):
        tiny.checkout_shipment("cd" * 16, tmp_path / "out")


def test_a_record_of_a_type_that_is_not_known_yet_is_kept(tiny: Tiny) -> None:
    """A later version wrote it: shown, checked, not understood."""
    later = {
        key: value
        for key, value in document(tiny.shipments[0].record).items()
        if key in {"format", "release_id", "recorded_at", "of", "after"}
    } | {"type": "of-a-later-version", "id": "ef" * 16, "verdict": {"time_s": 12.5, "words": ["one", "two"]}}
    with opened(tiny) as repository:
        tag = bytes.fromhex(oid(tiny, shipped(tiny, 1)))
        target = records.read(repository, shipped(tiny, 1), tag).target
        write_record(repository, later, target, tiny.home.signing_key())
    assert tiny.audit().records == 6
    with tiny.open() as release:
        assert any(
            event.record is not None and event.record.type == "of-a-later-version"
            for event in release.history().events
        )
    with opened(tiny) as repository:
        forged = later | {"id": "ee" * 16, "of": "0" * 64}
        write_record(repository, forged, target, tiny.home.signing_key())
    about(findings(tiny), "what has the digest 000000000000")


def test_what_nobody_trusted_signed_is_still_looked_at(tiny: Tiny, tmp_path: Path) -> None:
    """A release that was handed over: exit 5 while it is whole, 4 when it is not."""
    nobody = Home(tmp_path / "nobody")
    with pytest.raises(StoreUntrustedError) as caught, tiny.open(nobody) as release:
        release.audit()
    report = caught.value.report
    assert (report.revisions, report.records) == (3, 5)
    assert report.files > 5
    assert not nobody.folder.exists()
    chunk = tiny.sources[3]["bounces/instrumental.wav"][44:]
    for pack in tiny.store.glob("objects/pack/*.pack"):
        data = pack.read_bytes()
        at = data.find(chunk[:64])
        if at >= 0:
            pack.chmod(0o644)
            pack.write_bytes(data[:at] + b"?" + data[at + 1 :])
    assert "instrumental.wav" in "".join(each.where for each in findings(tiny, nobody))


def test_a_shipment_in_a_form_that_is_not_known_yet(tiny: Tiny, tmp_path: Path) -> None:
    """It hinders nothing else, and its package comes out in another form."""
    later = document(tiny.shipments[3].record) | {"id": "cd" * 16, "form": "zip-2"}
    with opened(tiny) as repository:
        tag = bytes.fromhex(oid(tiny, shipped(tiny, 4)))
        target = records.read(repository, shipped(tiny, 4), tag).target
        write_record(repository, later, target, tiny.home.signing_key())
    tiny.audit()
    with pytest.raises(NewerStoreError, match="zip-2"):
        tiny.checkout_shipment("cd" * 16, tmp_path / "out")
    assert tiny.checkout_shipment("cd" * 16, tmp_path / "out", form="zip").path.is_file()


def test_references_that_are_none_of_this_store(tiny: Tiny) -> None:
    """Branches that somebody made with stock Git are named; notes and remotes are left alone."""
    git(tiny.store, "update-ref", "refs/heads/mine", "refs/heads/revisions")
    about(findings(tiny), "the store")
    git(tiny.store, "update-ref", "-d", "refs/heads/mine")
    git(tiny.store, "update-ref", "refs/remotes/origin/revisions", "refs/heads/revisions")
    tiny.audit()


def test_wrong_links_between_packages_and_revisions(tiny: Tiny) -> None:
    """A properly signed package that was made from a revision which is not there."""
    from tests.support.tiny_release import forged_shipment

    manifest = document(tiny.shipments[0].package) | {"of_revision": "1" * 64}
    with forged_shipment(tiny, manifest, tiny.home.signing_key()):
        about(findings(tiny), "what has the digest 111111111111")
    assert isinstance(tiny.audit().findings, list)
    assert issubclass(StoreDamagedError, RelkitError)
