"""A copy elsewhere and back: a bare folder, stock git daemon, and two machines that both went on.

Stock git judges what arrives: ``git fsck --strict`` and ``git rev-parse``.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from relkit import Release
from relkit.errors import DamagedError, UntrustedSignerError, UsageError
from relkit.release.home import Home
from relkit.release.mirror import MirrorAheadError, MirrorDiffersError
from relkit.release.restore import restore
from relkit.store.remote import RemoteError
from tests.support.releases import contents, music, wav, written


def git(folder: Path, *arguments: str) -> str:
    """Run stock git in a bare repository."""
    done = subprocess.run(
        ["git", "-C", str(folder), *arguments], check=True, capture_output=True, text=True, encoding="utf-8"
    )
    return done.stdout


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """An empty repository, as stock git makes it."""
    folder = tmp_path / "mirror.git"
    subprocess.run(["git", "init", "--quiet", "--bare", str(folder)], check=True)
    return folder


@pytest.fixture
def served(bare: Path) -> Iterator[str]:
    """The same behind stock git daemon on the loopback address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    daemon = subprocess.Popen(
        [
            *("git", "daemon", "--export-all", "--enable=receive-pack", "--reuseaddr", "--listen=127.0.0.1"),
            *(f"--port={port}", f"--base-path={bare.parent}", str(bare.parent)),
        ],
        stderr=subprocess.DEVNULL,
    )
    for _ in range(100):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.05)
    yield f"git://127.0.0.1:{port}/{bare.name}"
    daemon.terminate()
    daemon.wait()


def references(store: Path) -> str:
    """Return all references of a repository as stock git lists them."""
    return git(store, "for-each-ref")


@pytest.fixture
def busy(committed: Release, tmp_path: Path) -> Release:
    """Three revisions, three shipments, a withdrawal."""
    first = committed.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"])
    committed.commit([written(tmp_path / "new/Lanterns clean.wav", wav(music(81)))])
    committed.ship("Radio Tarnquell", kind="radio-programme", formats=["wav-native"], form="zip")
    committed.commit([written(tmp_path / "new/Lanterns clean.wav", wav(music(82)))])
    committed.ship("Ixby Marrowlet", formats=["wav-native"])
    committed.withdraw(first.record.id, reason="a word was still heard")
    return committed


@pytest.mark.parametrize("over", ["folder", "daemon"])
def test_a_mirror_has_everything_and_gives_it_back(
    busy: Release, bare: Path, served: str, home: Home, tmp_path: Path, over: str
) -> None:
    """Sent once; the second time there is nothing to send; restored elsewhere to the byte."""
    url = str(bare) if over == "folder" else served
    report = busy.mirror(url)
    assert (report.revisions, report.records) == (3, 4)
    assert git(bare, "fsck", "--strict") == ""
    assert references(bare) == references(busy.folder / ".relkit/store.git")
    again = busy.mirror(url)
    assert (again.revisions, again.records) == (0, 0)

    made = restore(url, tmp_path / "restored", home)
    assert made.revision == 3
    assert made.looked_at.records == 4
    with Release.open(made.folder, home=home) as restored:
        assert restored.release_id == busy.release_id
        assert restored.commit().changed is False
        assert restored.audit().findings == []
        ours = busy.checkout_sent("Ixby Marrowlet", tmp_path / "ours")
        theirs = restored.checkout_sent("Ixby Marrowlet", tmp_path / "theirs")
    assert contents(ours.path) == contents(theirs.path)
    for name in ("bounces", "artwork", "release.toml"):
        if (busy.folder / name).is_dir():
            assert contents(made.folder / name) == contents(busy.folder / name)
    assert (made.folder / "release.toml").read_bytes() == (busy.folder / "release.toml").read_bytes()


def test_only_what_is_new_goes_over(busy: Release, bare: Path) -> None:
    """A further shipment of the same package sends a tag, a new bounce little more than the bounce."""
    busy.mirror(str(bare))
    before = sum(path.stat().st_size for path in bare.rglob("*.pack"))
    busy.ship("Orla Quenchpost", kind="club-dj", formats=["wav-native"])
    busy.mirror(str(bare))
    package = sum(path.stat().st_size for path in bare.rglob("*.pack")) - before
    busy.ship("Pellucine Docket", kind="club-dj", formats=["wav-native"])
    busy.mirror(str(bare))
    record = sum(path.stat().st_size for path in bare.rglob("*.pack")) - before - package
    assert record < 2_000


def test_without_records_no_name_goes_over(busy: Release, bare: Path) -> None:
    """Revisions only: for a copy that is handed to somebody else."""
    report = busy.mirror(str(bare), with_records=False)
    assert (report.revisions, report.records) == (3, 0)
    assert "refs/tags" not in references(bare)
    listed = git(bare, "cat-file", "--batch-all-objects", "--batch-check").splitlines()
    for line in listed:
        name, kind, _size = line.split()
        if kind in {"commit", "tag"}:
            assert "Marrowlet" not in git(bare, "cat-file", "-p", name)
    assert not any(" tag " in line for line in listed)


def machines(busy: Release, bare: Path, home: Home, tmp_path: Path) -> Release:
    """Give a colleague a release of their own from the mirror."""
    busy.mirror(str(bare))
    return Release.open(restore(str(bare), tmp_path / "colleague", home).folder, home=home)


def test_what_a_colleague_recorded_is_never_written_over(
    busy: Release, bare: Path, home: Home, tmp_path: Path
) -> None:
    """The mirror has a record that this side lacks: said, taken in, and then it goes on."""
    with machines(busy, bare, home, tmp_path) as colleague:
        colleague.ship("Orla Quenchpost", kind="club-dj", formats=["wav-native"])
        colleague.mirror(str(bare))
        busy.ship("Pellucine Docket", kind="remixer")
        before = references(bare)
        with pytest.raises(MirrorAheadError, match="has what this side lacks: refs/tags/shipped/"):
            busy.mirror(str(bare))
        assert references(bare) == before
        report = busy.take_in(str(bare))
        assert (report.revisions, report.records, report.beside) == (0, 1, [])
        assert busy.mirror(str(bare)).records == 1
        colleague.take_in(str(bare))
        assert references(colleague.folder / ".relkit/store.git") == references(bare)
        assert colleague.audit().findings == busy.audit().findings == []


def test_two_machines_that_went_on_from_one_revision_are_joined(
    busy: Release, bare: Path, home: Home, tmp_path: Path
) -> None:
    """Both fourth revisions are kept, and the fifth has both before it."""
    with machines(busy, bare, home, tmp_path) as colleague:
        theirs = colleague.commit([written(tmp_path / "c/Lanterns inst.wav", wav(music(83)))], note="theirs")
        colleague.mirror(str(bare))
        ours = busy.commit([written(tmp_path / "o/Lanterns clean.wav", wav(music(84)))], note="ours")
        with pytest.raises(MirrorAheadError):
            busy.mirror(str(bare))
        report = busy.take_in(str(bare))
        assert (report.revisions, report.beside) == (1, [4])
        assert busy.audit().findings == []
        joined = busy.commit(note="joined")
        assert joined.changed
        assert joined.manifest.revision == 5
        assert joined.manifest.previous == sorted([theirs.digest, ours.digest])
        assert busy.audit().findings == []
        assert busy.mirror(str(bare)).revisions >= 1
        colleague.take_in(str(bare))
        assert colleague.history(1).events[0].digest == joined.digest
        assert git(bare, "fsck", "--strict") == ""


def test_a_newer_revision_alone_is_followed(busy: Release, bare: Path, home: Home, tmp_path: Path) -> None:
    """Nothing was committed here meanwhile: the other side's revision is simply the newest."""
    with machines(busy, bare, home, tmp_path) as colleague:
        made = colleague.commit([written(tmp_path / "c/Lanterns inst.wav", wav(music(85)))])
        colleague.mirror(str(bare))
    report = busy.take_in(str(bare))
    assert (report.revisions, report.beside) == (1, [])
    assert busy.history(1).events[0].digest == made.digest


def test_what_nobody_trusted_signed_is_not_taken_in(
    busy: Release, bare: Path, home: Home, tmp_path: Path
) -> None:
    """Another key's revision, and a record that was tampered with: nothing here changes."""
    busy.mirror(str(bare))
    stranger = Home(tmp_path / "stranger")
    with pytest.raises(UntrustedSignerError):
        restore(str(bare), tmp_path / "none", stranger)
    assert not (tmp_path / "none").exists()
    stranger.signing_key()
    for entry in home.trusted.entries:
        stranger.trusted.add("studio", entry.key, "")
    with Release.open(restore(str(bare), tmp_path / "theirs", stranger).folder, home=stranger) as theirs:
        theirs.commit([written(tmp_path / "c/Lanterns inst.wav", wav(music(86)))])
        theirs.mirror(str(bare))
    before = references(busy.folder / ".relkit/store.git")
    with pytest.raises(UntrustedSignerError):
        busy.take_in(str(bare))
    assert references(busy.folder / ".relkit/store.git") == before


def test_a_tag_that_was_moved_there_stops_everything(busy: Release, bare: Path) -> None:
    """One name, two records: one of the sides was tampered with."""
    busy.mirror(str(bare))
    names = [line.split()[-1] for line in references(bare).splitlines() if "refs/tags/shipped" in line]
    git(bare, "update-ref", names[0], git(bare, "rev-parse", names[1]).strip())
    for tried in (busy.mirror, busy.take_in):
        with pytest.raises(MirrorDiffersError):
            tried(str(bare))


def test_a_damaged_mirror_gives_nothing(
    busy: Release, bare: Path, served: str, home: Home, tmp_path: Path
) -> None:
    """A flipped bit in an object: refused, and no release appears."""
    busy.mirror(served)
    pack = max((bare / "objects").rglob("*"), key=lambda path: path.stat().st_size)
    pack.chmod(0o644)
    data = bytearray(pack.read_bytes())
    data[len(data) // 2] ^= 1
    pack.write_bytes(data)
    with pytest.raises((DamagedError, RemoteError)):
        restore(served, tmp_path / "out", home)
    assert not (tmp_path / "out").exists()


def test_places_that_are_none(busy: Release, home: Home, tmp_path: Path) -> None:
    """No repository, an empty one, nobody listening, something in the way."""
    (tmp_path / "empty").mkdir()
    with pytest.raises(RemoteError):
        busy.mirror(str(tmp_path / "empty"))
    with pytest.raises(RemoteError):
        busy.mirror("git://127.0.0.1:9/none")
    subprocess.run(["git", "init", "--quiet", "--bare", str(tmp_path / "e.git")], check=True)
    with pytest.raises(UsageError, match="no release"):
        restore(str(tmp_path / "e.git"), tmp_path / "out", home)
    busy.mirror(str(tmp_path / "e.git"))
    written(tmp_path / "out/mine.txt", b"mine")
    with pytest.raises(UsageError, match="there already"):
        restore(str(tmp_path / "e.git"), tmp_path / "out", home)
    assert contents(tmp_path / "out").keys() == {"mine.txt"}
    shutil.rmtree(tmp_path / "out")
