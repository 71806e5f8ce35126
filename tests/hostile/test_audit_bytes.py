"""Any changed byte anywhere in the store: audit names it, and nothing wrong comes out.

Damage is done with file edits and stock Git; stock Git also judges the state before.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from relkit.errors import DamagedError, RelkitError
from relkit.release.audit import AuditReport, Finding, StoreDamagedError
from tests.support.judging import same_bytes
from tests.support.stores import git
from tests.support.tiny_release import DJ, STATION, Tiny


def damage(tiny: Tiny) -> list[Finding]:
    """Return what audit finds; it must find something, and exit with 4."""
    with pytest.raises(StoreDamagedError) as caught:
        tiny.audit()
    assert caught.value.exit_code == 4
    assert caught.value.report.findings
    return caught.value.report.findings


def said(findings: list[Finding]) -> str:
    """Return all findings as one text."""
    return "\n".join(f"{each.where}: {each.what} {each.concerns}" for each in findings)


@contextmanager
def flipped(path: Path, at: int, bits: int) -> Iterator[None]:
    """Change one byte of a file for a while."""
    path.chmod(0o644)
    with path.open("r+b", buffering=0) as file:
        file.seek(at)
        byte = file.read(1)[0]
        file.seek(at)
        file.write(bytes([byte ^ bits]))
        yield
        file.seek(at)
        file.write(bytes([byte]))


def digests(tiny: Tiny) -> dict[int, dict[str, str]]:
    """Return what each revision's files hash to, by hashlib alone."""
    return {
        number: {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
        for number, files in tiny.sources.items()
    }


def nothing_wrong_comes_out(tiny: Tiny, target: Path) -> int:
    """Check out every revision and every shipment, as far as that goes; returns how many were refused.

    What appears must be right to the last byte; what is refused must leave nothing.
    """
    refused = 0
    for number, expected in digests(tiny).items():
        place = target / f"revision {number}"
        try:
            tiny.checkout(str(number), place)
        except RelkitError:
            refused += 1
            assert not [each for each in place.rglob("*") if each.is_file()]
        else:
            for name, sha256 in expected.items():
                assert hashlib.sha256((place / name).read_bytes()).hexdigest() == sha256
    for number, report in enumerate(tiny.shipments, 1):
        place = target / f"shipment {number}"
        try:
            made = tiny.checkout_shipment(report.record.id, place)
        except RelkitError:
            refused += 1
            assert not [each for each in place.rglob("*") if each.is_file()]
        else:
            same_bytes(made.path, tiny.package(number))
    shutil.rmtree(target, ignore_errors=True)
    return refused


def users_files(tiny: Tiny) -> dict[Path, bytes]:
    """Return everything in the release folder but the store."""
    return {
        path: path.read_bytes()
        for path in tiny.folder.rglob("*")
        if path.is_file() and ".relkit" not in path.relative_to(tiny.folder).parts
    }


def test_the_undamaged_store_is_whole(tiny: Tiny, tmp_path: Path) -> None:
    """Otherwise nothing below would mean anything."""
    report = tiny.audit()
    assert (report.revisions, report.records) == (3, 5)
    assert nothing_wrong_comes_out(tiny, tmp_path / "out") == 0


def test_flipped_bytes_in_packs_and_indexes(tiny: Tiny, tmp_path: Path) -> None:
    """A sample over every pack and index, heads and ends included; checkouts are tried for some."""
    rng = random.Random(1)
    before = users_files(tiny)
    for path in sorted(tiny.store.glob("objects/pack/*")):
        size = path.stat().st_size
        places = {0, 5, 11, size - 1, size - 21, *(rng.randrange(size) for _ in range(3))}
        for turn, at in enumerate(sorted(places)):
            with flipped(path, at, 1 << rng.randrange(8)):
                assert path.name in said(damage(tiny))
                if turn % 4 == 0:
                    nothing_wrong_comes_out(tiny, tmp_path / "out")
    tiny.audit()
    assert users_files(tiny) == before


def test_every_byte_of_head_and_of_every_reference(tiny: Tiny) -> None:
    """Each byte in turn: the file is named, and so is the person whose record cannot be found."""
    rng = random.Random(2)
    loose = [tiny.store / "HEAD", *(path for path in tiny.store.glob("refs/**/*") if path.is_file())]
    assert len(loose) == 7
    words = {report.record.ref: report.record.recipient.name for report in tiny.shipments}
    for path in loose:
        name = path.relative_to(tiny.store / "refs" / "tags").as_posix() if "tags" in path.parts else ""
        for at in range(path.stat().st_size):
            with flipped(path, at, rng.choice([1, 2, 4, 8, 16, 32, 64, 128, 0x2A])):
                found = said(damage(tiny))
            assert path.relative_to(tiny.store).as_posix().removeprefix("refs/tags/") in found or at < 40
            assert words.get(name, "") in found
    tiny.audit()


def test_packed_references(tiny: Tiny, tmp_path: Path) -> None:
    """After ``git pack-refs --all``: a sample of the bytes of packed-refs, every one of its ends of lines."""
    git(tiny.store, "pack-refs", "--all")
    tiny.audit()
    path = tiny.store / "packed-refs"
    data = path.read_bytes()
    rng = random.Random(3)
    ends = {at for at, byte in enumerate(data) if byte == 0x0A}
    for turn, at in enumerate(sorted(ends | {rng.randrange(len(data)) for _ in range(120)})):
        with flipped(path, at, rng.choice([1, 2, 4, 8, 16, 32, 64, 128])):
            damage(tiny)
            if turn % 16 == 0:
                nothing_wrong_comes_out(tiny, tmp_path / "out")
    tiny.audit()


def test_loose_objects(tiny: Tiny, tmp_path: Path) -> None:
    """After ``git unpack-objects``: a byte of every object; zlib notices, or the object's own name does."""
    for pack in list(tiny.store.glob("objects/pack/*.pack")):
        data = pack.read_bytes()
        for each in (pack, pack.with_suffix(".idx")):
            each.unlink()
        (tmp_path / "one.pack").write_bytes(data)
        with (tmp_path / "one.pack").open("rb") as source:
            _piped_git(tiny.store, source.fileno(), "unpack-objects", "-q")
    tiny.audit()
    assert nothing_wrong_comes_out(tiny, tmp_path / "out") == 0
    rng = random.Random(4)
    objects = sorted(tiny.store.glob("objects/??/*"))
    assert len(objects) > 50
    for turn, path in enumerate(objects):
        with flipped(path, rng.randrange(path.stat().st_size), 1 << rng.randrange(8)):
            found = said(damage(tiny))
            assert path.relative_to(tiny.store).as_posix() in found
            if turn % 12 == 0:
                nothing_wrong_comes_out(tiny, tmp_path / "out")
    tiny.audit()


def _piped_git(store: Path, stdin: int, *arguments: str) -> None:
    import subprocess

    from tests.support.stores import clean_environment

    subprocess.run(
        ["git", "-C", str(store), *arguments],
        stdin=stdin,
        env=clean_environment(),
        check=True,
        capture_output=True,
    )


def test_a_damaged_chunk_is_told_as_files_and_people(tiny: Tiny, tmp_path: Path) -> None:
    """The second clean edit went to the DJ and to the station; the first one to others on other days."""
    source = tiny.sources[2]["bounces/clean.wav"]
    chunk = source[44:]  # after the header of a plain WAV file
    blob = hashlib.sha1(b"blob %d\0" % len(chunk) + chunk, usedforsecurity=False).hexdigest()
    _lost(tiny, blob)
    findings = damage(tiny)
    told = next(each for each in findings if "clean.wav" in each.where)
    assert any("revision 2" in each.where and "revision 3" in each.where for each in findings)
    assert [each.split(":")[0] for each in told.concerns] == [f"{DJ} (2025-06-01)", f"{STATION} (2025-06-02)"]
    assert not [each for each in findings if "instrumental" in each.where]
    # Revisions 2 and 3 and the packages with that edit are refused; revision 1 and its two packages are not.
    assert nothing_wrong_comes_out(tiny, tmp_path / "out") == 4


def _lost(tiny: Tiny, oid: str) -> None:
    """Take one object away: all packs become loose objects, and one of these goes."""
    for pack in list(tiny.store.glob("objects/pack/*.pack")):
        aside = tiny.root / "aside.pack"
        pack.rename(aside)
        pack.with_suffix(".idx").unlink()
        with aside.open("rb") as source:
            _piped_git(tiny.store, source.fileno(), "unpack-objects", "-q")
    (tiny.store / "objects" / oid[:2] / oid[2:]).unlink()


@pytest.mark.parametrize("what", ["manifest.json", "manifest.json.sig", "content", "commit", "tree"])
@pytest.mark.parametrize("revision", [1, 2, 3])
def test_a_lost_part_of_a_revision_is_told_as_that_revision(
    tiny: Tiny, tmp_path: Path, what: str, revision: int
) -> None:
    """Also behind it everything is still looked at; people who got packages of it are named."""
    commit = f"revisions~{3 - revision}"
    named = {"commit": commit, "tree": f"{commit}^{{tree}}"}.get(what, f"{commit}:{what}")
    _lost(tiny, git(tiny.store, "rev-parse", named).decode().strip())
    findings = damage(tiny)
    told = [each for each in findings if each.where == f"revision {revision}"]
    received = {1: f"{DJ} (2025-05-04)", 2: f"{DJ} (2025-06-01)", 3: f"{STATION} (2025-06-02)"}
    assert received[revision] in str([each.concerns for each in told])
    nothing_wrong_comes_out(tiny, tmp_path / "out")


def test_a_lost_format_note_stops_nothing(tiny: Tiny, tmp_path: Path) -> None:
    """It is one object for all revisions, and each is named; packages have one of their own."""
    _lost(tiny, git(tiny.store, "rev-parse", "revisions:format").decode().strip())
    findings = damage(tiny)
    assert {f"revision {n}" for n in (1, 2, 3)} <= {each.where for each in findings} or len(findings) > 3
    assert nothing_wrong_comes_out(tiny, tmp_path / "out") == 3


@pytest.mark.parametrize("name", ["HEAD", "packs", "indexes", "refs", "revisions"])
def test_whole_files_that_are_gone(tiny: Tiny, tmp_path: Path, name: str) -> None:
    """Never a trace of relkit's own mistake, never an empty "all is whole"."""
    gone = {
        "HEAD": [tiny.store / "HEAD"],
        "packs": list(tiny.store.glob("objects/pack/*.pack")),
        "indexes": list(tiny.store.glob("objects/pack/*.idx")),
        "refs": [path for path in tiny.store.glob("refs/**/*") if path.is_file()],
        "revisions": [tiny.store / "refs" / "heads" / "revisions"],
    }[name]
    for path in gone:
        path.unlink()
    with pytest.raises(DamagedError):
        tiny.audit()
    assert nothing_wrong_comes_out(tiny, tmp_path / "out") > 0


def test_cut_and_emptied_files(tiny: Tiny, tmp_path: Path) -> None:
    """What a full disk or a broken copy leaves."""
    for path in [path for path in tiny.store.rglob("*") if path.is_file() and path.name != "config"]:
        data = path.read_bytes()
        for length in {0, 1, len(data) // 2, len(data) - 1}:
            path.chmod(0o644)
            path.write_bytes(data[:length])
            with pytest.raises(DamagedError):
                tiny.audit()
        nothing_wrong_comes_out(tiny, tmp_path / "out")
        path.write_bytes(data)
    tiny.audit()


def test_the_note_of_the_release_in_the_stores_settings(tiny: Tiny) -> None:
    """A changed byte there is no silent change of release."""
    config = tiny.store / "config"
    text = config.read_bytes()
    at = text.index(b"releaseId = ") + 12
    for offset in range(32):
        with flipped(config, at + offset, 1):
            assert "was made for release" in said(damage(tiny))
    with flipped(config, at, 0x80):
        damage(tiny)


def test_an_audit_writes_nothing_into_the_release(tiny: Tiny) -> None:
    """Also not where it finds something."""

    def everything() -> dict[str, bytes]:
        return {
            os.fspath(path): path.read_bytes() for path in sorted(tiny.folder.rglob("*")) if path.is_file()
        }

    (tiny.store / "refs" / "heads" / "revisions").write_text("0" * 40 + "\n")
    before = everything()
    damage(tiny)
    assert everything() == before
    assert isinstance(AuditReport().findings, list)
