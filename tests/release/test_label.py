"""Many releases from one index: the same answers as each release gives, read again only where it changed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from relkit import Release
from relkit.errors import UsageError
from relkit.release import label
from relkit.release.home import Home
from relkit.release.label import LabelReport, label_shipments
from relkit.release.shipments import Filter, shipments_with
from relkit.release.workspace import Workspace
from tests.support.stores import git
from tests.support.tiny_release import DJ, STATION, full_history, tiny_wav


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two releases by one user, with four shipments each, in folders of their own."""
    root = tmp_path_factory.mktemp("label")
    first = full_history(root / "a", title="Small Hours")
    (root / "b").mkdir()
    shutil.copytree(first.home.folder, root / "b" / "home")
    full_history(root / "b", title="Tall Hours")
    catalogue = root / "catalogue"
    for name in ("a", "b"):
        shutil.move(root / name / "release", catalogue / "by year" / name)
    shutil.move(root / "b" / "home", root / "home")
    return root


@pytest.fixture
def catalogue(made: Path, tmp_path: Path) -> tuple[Path, Home]:
    """A copy that a test may change."""
    shutil.copytree(made / "catalogue", tmp_path / "catalogue")
    return tmp_path / "catalogue", Home(Path(shutil.copytree(made / "home", tmp_path / "home")))


def asked(catalogue: tuple[Path, Home], **wanted: object) -> LabelReport:
    """Ask over all releases."""
    return label_shipments(*catalogue, Filter(**wanted))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "wanted",
    [
        {},
        {"outdated": True},
        {"kind": "club-dj"},
        {"version": "explicit"},
        {"version": "exp"},
        {"state": "current"},
        {"state": "superseded"},
        {"since": "2025-06-02"},
        {"until": "2025-06-01"},
        {"recipient": DJ},
    ],
)
def test_the_same_answers_as_each_release(catalogue: tuple[Path, Home], wanted: dict[str, object]) -> None:
    """Every question, over all and one by one."""
    folder, home = catalogue
    alone = set()
    for name in ("a", "b"):
        with Release.open(folder / "by year" / name, home=home) as release:
            found = release.shipments(**wanted).holdings
            alone |= {(name, each.shipment, each.state) for each in found}
    report = asked(catalogue, **wanted)
    told = {(Path(each.release).name, each.holding.shipment, each.holding.state) for each in report.holdings}
    assert told == alone
    assert report.fits == len(told)
    assert report.owed == sum(each.holding.is_owed for each in report.holdings)


def test_nobody_of_that_name(catalogue: tuple[Path, Home]) -> None:
    """The nearest is offered, as everywhere."""
    with pytest.raises(UsageError, match="Did you mean DJ Kettle Drum"):
        asked(catalogue, recipient="DJ Kettledrum")


def test_only_what_changed_is_read_again(
    catalogue: tuple[Path, Home], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A new shipment, a withdrawal, a revision, stock git's packing: that release and no other."""
    folder, home = catalogue
    read: list[str] = []

    def counted(workspace: Workspace) -> object:
        read.append(workspace.folder.name)
        return shipments_with(workspace)

    monkeypatch.setattr(label, "shipments_with", counted)
    asked(catalogue)
    assert sorted(read) == ["a", "b"]
    read.clear()
    asked(catalogue)
    assert read == []
    place = folder / "by year" / "a"
    with Release.open(place, home=home) as release:
        sent = release.ship(DJ, kind="club-dj", another=True, formats=["wav-native"])
    before = asked(catalogue).fits
    assert (read, before) == (["a"], 5)
    with Release.open(place, home=home) as release:
        release.withdraw(sent.record.id, reason="a slip", never_sent=True)
    assert asked(catalogue).fits == 4
    (place / "bounces/clean.wav").write_bytes(tiny_wav(77))
    with Release.open(place, home=home) as release:
        release.commit()
    assert {each.newest for each in asked(catalogue).holdings if Path(each.release).name == "a"} == {4}
    git(place / ".relkit/store.git", "pack-refs", "--all")
    asked(catalogue)
    assert read == ["a"] * 4


def test_moved_deleted_and_added(catalogue: tuple[Path, Home]) -> None:
    """What is not there is not answered for; another folder's releases are another question."""
    folder, _home = catalogue
    assert asked(catalogue).releases == 2
    shutil.move(folder / "by year" / "b", folder / "b")
    assert {each.release for each in asked(catalogue).holdings} == {"by year/a", "b"}
    assert label_shipments(folder / "b", catalogue[1]).releases == 1
    shutil.rmtree(folder / "b")
    report = asked(catalogue)
    assert (report.releases, report.fits) == (1, 2)
    with pytest.raises(UsageError, match="there is no release below"):
        label_shipments(folder / "nowhere", catalogue[1])


def test_a_damaged_release_takes_no_other_along(catalogue: tuple[Path, Home]) -> None:
    """It is named with what is wrong, and read as soon as it is mended."""
    folder, _home = catalogue
    head = folder / "by year/a/.relkit/store.git/HEAD"
    text = head.read_text("utf-8")
    head.unlink()
    report = asked(catalogue)
    assert list(report.faults) == ["by year/a"]
    assert {each.holding.recipient for each in report.holdings} == {DJ, STATION}
    head.write_text(text, "utf-8")
    assert (asked(catalogue).faults, asked(catalogue).fits) == ({}, 4)


@pytest.mark.parametrize("damage", ["garbage", "another format", "gone"])
def test_the_index_can_be_lost_at_any_time(catalogue: tuple[Path, Home], damage: str) -> None:
    """It is made anew, and says the same."""
    before = asked(catalogue)
    file = catalogue[1].folder / "label-index.sqlite"
    if damage == "garbage":
        file.write_bytes(b"not a database" * 1000)
    elif damage == "another format":
        import sqlite3

        base = sqlite3.connect(file)
        base.execute("PRAGMA user_version = 99")
        base.close()
    else:
        file.unlink()
    assert asked(catalogue) == before


def test_a_limit_says_how_many_more(catalogue: tuple[Path, Home]) -> None:
    """The newest come first."""
    report = label_shipments(*catalogue, Filter(), limit=1)
    assert (len(report.holdings), report.fits) == (1, 4)
    assert report.holdings[0].holding.shipped_on == "2025-06-02"
