"""The same revision and wants give the same package: on any day, from any copy, in any surroundings."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from relkit import Release
from relkit.release.home import Home
from tests.support.releases import Command, contents, music, state, wav, written


@pytest.fixture
def sent(committed: Release, tmp_path: Path) -> Path:
    """A ZIP that went out; its name is not ASCII, so that encodings matter."""
    sheet = committed.folder / "release.toml"
    sheet.write_text(sheet.read_text("utf-8").replace("Ostrel Vane", "Östrel Vané 夜"), "utf-8")
    committed.commit()
    return committed.ship("Ixby Marrowlet", kind="club-dj", form="zip", folder=tmp_path / "sent").path


def test_on_another_day(
    committed: Release, sent: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eight months later, to somebody else."""
    later = datetime(2027, 7, 4, 3, 2, 1, tzinfo=UTC)
    for verb in ("ship", "commit", "workspace", "withdraw", "replies"):
        monkeypatch.setattr(f"relkit.release.{verb}.now", lambda: later)
    again = committed.ship(
        "Pellucine Docket", kind="remixer", form="zip", folder=tmp_path / "again", formats=["mp3"]
    )
    assert again.record.recorded_at == later.isoformat()
    assert again.path.read_bytes() == sent.read_bytes()
    assert again.path.name == sent.name


SURROUNDINGS: dict[str, dict[str, str]] = {
    "east": {"TZ": "Pacific/Kiritimati"},
    "west": {"TZ": "America/Los_Angeles", "LC_ALL": "tr_TR.UTF-8"},
    "plain": {"LC_ALL": "C", "PYTHONHASHSEED": "1"},
    "another hash": {"PYTHONHASHSEED": "4711", "LANG": "de_DE.UTF-8"},
}


@pytest.mark.parametrize("kind", SURROUNDINGS)
def test_in_other_surroundings(committed: Release, sent: Path, home: Home, tmp_path: Path, kind: str) -> None:
    """Another zone, locale, hash seed and umask; the cache is gone."""
    committed.close()
    (committed.folder / ".relkit/cache.sqlite").unlink()
    command = Command(committed.folder, home.folder)
    before = os.umask(0o077)
    try:
        done = command.json(
            "ship",
            "P",
            "--kind",
            "remixer",
            "--format",
            "mp3",
            "--zip",
            "--to",
            tmp_path / "again",
            env=SURROUNDINGS[kind],
        )
    finally:
        os.umask(before)
    (again,) = (tmp_path / "again").iterdir()
    assert os.fsdecode(again.name) == sent.name
    assert again.read_bytes() == sent.read_bytes()
    assert done["digest"] == committed.history().events[0].record.of  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "arguments", [["--mirror"], ["--mirror", "--no-local"], ["--bare", "--no-hardlinks"]]
)
def test_from_a_stock_clone(
    committed: Release, sent: Path, home: Home, tmp_path: Path, arguments: list[str]
) -> None:
    """Git's own copy of the store in the place of the store, without the cache."""
    record = committed.history().events[0].record
    assert record is not None
    committed.close()
    (committed.folder / ".relkit/cache.sqlite").unlink()
    store = committed.folder / ".relkit/store.git"
    subprocess.run(
        ["git", "clone", "--quiet", *arguments, str(store), str(tmp_path / "clone")],
        check=True,
        env=Command(tmp_path, home.folder).environment() | {"GIT_CONFIG_NOSYSTEM": "1"},
    )
    store.rename(tmp_path / "old")
    (tmp_path / "clone").rename(store)
    with Release.open(committed.folder, home=home) as clone:
        made = clone.checkout_shipment(record.id, tmp_path / "out")
        assert made.path.read_bytes() == sent.read_bytes()
        again = clone.ship(
            "Pellucine Docket", kind="remixer", formats=["mp3"], form="zip", folder=tmp_path / "again"
        )
        assert again.path.read_bytes() == sent.read_bytes()
        assert clone.commit().changed is False
        clone.commit([written(tmp_path / "clean.wav", wav(music(70)))])
        assert clone.audit().findings == []


def test_the_order_of_files_does_not_matter(home: Home, bounces: list[Path], tmp_path: Path) -> None:
    """The manifest lists them as the sheet does."""
    listed = []
    for number, order in enumerate((bounces, bounces[::-1])):
        with Release.new(
            tmp_path / str(number), artist="Ostrel Vane", title="Lanterns on the Weir", home=home
        ) as one:
            listed.append(one.commit(order).manifest.files)
    assert listed[0] == listed[1]


def test_wants_decide(committed: Release) -> None:
    """Other versions, another package; the same ones asked for by name, the same package."""
    whole = committed.ship("A", kind="club-dj")
    one = committed.ship("B", kind="club-dj", only=["clean"])
    by_name = committed.ship("C", kind="label", only=["instrumental", "clean", "explicit"], formats=["mp3"])
    assert whole.digest == by_name.digest != one.digest
    assert contents(whole.path) == contents(by_name.path)


def test_a_second_shipment_costs_a_record_only(committed: Release) -> None:
    """Nothing of the package is stored again."""
    committed.ship("A", kind="club-dj", form="zip", folder=committed.folder.parent / "1")
    before = sum(path.stat().st_size for path in (committed.folder / ".relkit/store.git").rglob("*.pack"))
    committed.ship("B", kind="club-dj", form="zip", folder=committed.folder.parent / "2")
    after = sum(path.stat().st_size for path in (committed.folder / ".relkit/store.git").rglob("*.pack"))
    assert after - before < 4096


def test_readers_write_nothing(committed: Release, sent: Path, home: Home, tmp_path: Path) -> None:
    """History, diff, checkout, audit and verify leave the release as it is."""
    from relkit.release.api import verify

    before = state(committed.folder)
    readers: list[Callable[[], object]] = [
        committed.history,
        committed.diff,
        committed.audit,
        lambda: committed.checkout("1", tmp_path / "out"),
        lambda: committed.checkout_sent("Ixby Marrowlet", tmp_path / "out"),
        lambda: verify(sent, home=home),
    ]
    for read in readers:
        read()
    assert state(committed.folder) == before
