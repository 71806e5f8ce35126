"""Every later version reads what format 1 wrote; see README.md in this folder."""

from __future__ import annotations

import hashlib
import json
import shutil
import tarfile
from pathlib import Path
from typing import Any

import pytest

from relkit.release.api import Release, verify
from relkit.release.home import Home
from relkit.release.package_files import Form
from relkit.store import records, restoring, revisions
from relkit.store.layout import CODINGS
from relkit.store.repository import REVISIONS, Repository
from tests.support.stores import fsck, git

ARCHIVE = Path(__file__).with_name("format-1.tar.gz")


class Golden:
    """The store in a release folder, with a user who trusts its signer."""

    def __init__(self, root: Path) -> None:
        with tarfile.open(ARCHIVE) as archive:
            archive.extractall(root, filter="data")
        self.expected: dict[str, dict[str, dict[str, str]]] = json.loads((root / "expected.json").read_text())
        self.folder = root / "release"
        (self.folder / ".relkit").mkdir(parents=True)
        self.store = (root / "store.git").rename(self.folder / ".relkit" / "store.git")
        for part in ("refs/heads", "refs/tags", "objects/info"):
            (self.store / part).mkdir(parents=True, exist_ok=True)
        self.home = Home(root / "home")
        self.home.folder.mkdir()
        shutil.copy(root / "trusted-signers", self.home.signers_file)

    def open(self) -> Release:
        """Open the release."""
        return Release.open(self.folder, home=self.home)


@pytest.fixture
def golden(tmp_path: Path) -> Golden:
    """A fresh copy."""
    return Golden(tmp_path)


def sha256(path: Path) -> str:
    """Return what a file hashes to."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_it_is_small_and_of_format_1() -> None:
    """It stays in the repository for ever."""
    assert ARCHIVE.stat().st_size < 100_000  # four packages, each with its page; one with MP3s


def test_audit_finds_everything_whole(golden: Golden) -> None:
    """Every revision, record and file, signatures included."""
    with golden.open() as release:
        report = release.audit()
    assert report.revisions == len(golden.expected["revisions"]) == 6
    assert report.records == 8
    assert "error" not in fsck(golden.store)


def test_every_revision_comes_back(golden: Golden, tmp_path: Path) -> None:
    """File by file, as hashlib saw the sources before relkit did."""
    with golden.open() as release:
        for digest, files in golden.expected["revisions"].items():
            release.checkout(digest, tmp_path / digest)
            found = {name: sha256(tmp_path / digest / name) for name in files}
            assert found == files
            written = [path for path in (tmp_path / digest).rglob("*") if path.is_file()]
            assert len(written) == len(files)


def test_every_package_comes_back(golden: Golden, tmp_path: Path) -> None:
    """In the form in which it went, to the byte; and it verifies."""
    with golden.open() as release:
        for shipment, files in golden.expected["shipments"].items():
            made = release.checkout_shipment(shipment, tmp_path / shipment)
            assert {name: sha256(tmp_path / shipment / name) for name in files} == files
            assert verify(made.path, home=golden.home).digest == made.digest
            other: Form = "folder" if made.record.form == "zip" else "zip"
            again = release.checkout_shipment(shipment, tmp_path / f"{shipment} as {other}", form=other)
            assert verify(again.path, home=golden.home).digest == made.digest


def test_look_ups_respect_withdrawals(golden: Golden, tmp_path: Path) -> None:
    """The DJ's first package was taken back; the station's was, and was not after all."""
    with golden.open() as release:
        assert release.checkout_sent("DJ Kettle Drum", tmp_path / "1").record.shipped_on == "2025-06-01"
        assert release.checkout_sent("Radio Nowhere", tmp_path / "2").record.shipped_on == "2025-06-03"
        events = release.history().events
    assert sum(event.withdrawn is not None for event in events) == 2
    assert [e.record.type for e in events if e.record and e.record.type not in {"shipped", "withdrawn"}] == [
        "of-a-later-version"
    ]


def test_it_has_every_coding_and_byte_order(golden: Golden) -> None:
    """So that none can be forgotten; read with stock Git as well."""
    repository = Repository(golden.store)
    codings: set[str] = set()
    big_endian: set[str | None] = set()
    packages = [
        revisions.read(repository, records.read(repository, ref, tag).target)
        for ref, tag in records.references(repository).items()
        if ref.startswith("shipped/")
    ]
    for held in [*revisions.walk(repository, repository.ref(REVISIONS)), *packages]:
        for content in held.content.values():
            for part, chunk, _blob in restoring.read_layout(repository, content)[0].rows():
                codings.add(chunk.coding)
                big_endian |= {part.sample_format} if part.big_endian else set()
    repository.close()
    assert codings == set(CODINGS)
    assert big_endian == {"int16", "float32"}
    note: dict[str, Any] = json.loads(git(golden.store, "cat-file", "blob", "revisions:format"))
    assert note == {
        "features": ["fill", "flac", "float32-flac24", "int32-flac24", "layout-1", "plain"],
        "format": 1,
    }


def test_fields_that_are_not_known_are_kept(golden: Golden) -> None:
    """The joined revision has one; its two predecessors are both there."""
    with golden.open() as release:
        newest = next(event.revision for event in release.history().events if event.revision is not None)
    assert newest.model_extra == {"later": {"field": [1, 2.5, None, "\U0001f3a7"]}}
    assert len(newest.previous) == 2
