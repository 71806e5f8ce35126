"""Shipping to several: by name, by kind, to whoever is owed something; and a look before."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit import Release
from relkit.errors import UsageError
from relkit.release import address_book
from relkit.release.home import Home
from tests.support.releases import contents, music, recorded, wav, written

VERSIONS = ("explicit", "clean", "inst")


@pytest.fixture
def known(committed: Release, home: Home) -> Release:
    """A release with a revision, and four recipients who got nothing yet."""
    for name, kind in (
        ("Ixby Marrowlet", "club-dj"),
        ("Radio Tarnquell", "radio-programme"),
        ("Hollow Hour", "radio-programme"),
        ("Ola Fennimore", "remixer"),
    ):
        address_book.add(home, name, kind=kind, formats=("wav-native",), contact=f"{name[:3]}@mail.example")
    return committed


def again(release: Release, tmp_path: Path, *versions: str) -> None:
    """Commit other bounces of versions."""
    seed = 100 * (1 + len(list(tmp_path.iterdir())))
    folder = tmp_path / f"take {seed}"
    files = [
        written(folder / f"Lanterns {name}.wav", wav(music(seed + n))) for n, name in enumerate(versions)
    ]
    release.commit(files)


def shipped(made: object) -> list[str]:
    """Return who got something, in order."""
    return [report.record.recipient.name for report in made.shipped]  # type: ignore[attr-defined]


def test_several_and_one_fault(known: Release) -> None:
    """Each gets theirs, each in a folder of its own; a wrong name is told, with the nearest."""
    made = known.ship_round(["Ixby Marrowlet", "Radio Tarnqel", "Hollow Hour", "Ixby Marrowlet"])
    assert shipped(made) == ["Ixby Marrowlet", "Hollow Hour"]
    assert len({report.path for report in made.shipped}) == 2
    (fault,) = made.faults
    assert fault.recipient == "Radio Tarnqel"
    assert "Did you mean Radio Tarnquell" in fault.fault
    assert (made.exit_code, fault.exit_code) == (2, 2)
    assert [event.record.id for event in known.history().events if event.record] == [
        report.record.id for report in reversed(made.shipped)
    ]


def test_the_highest_exit_code_counts(known: Release) -> None:
    """A closed gate (1) and a wrong name (2)."""
    made = known.ship_round(["Radio Tarnquell", "Ixby Marrowlet"], only=["explicit"])
    assert shipped(made) == ["Ixby Marrowlet"]
    assert made.exit_code == 1
    assert known.ship_round(["Radio Tarnquell", "Nobody"], only=["explicit"]).exit_code == 2


def test_a_whole_kind(known: Release) -> None:
    """Everybody of it in the address book, and nobody else."""
    assert shipped(known.ship_round(to_kind="radio-programme")) == ["Radio Tarnquell", "Hollow Hour"]
    with pytest.raises(UsageError, match="nobody in the address book is an arena"):
        known.ship_round(to_kind="arena")
    with pytest.raises(UsageError, match="the kind dj is not known"):
        known.ship_round(to_kind="dj")


def test_two_in_one_folder_do_not_collide(known: Release, tmp_path: Path) -> None:
    """--to with several gives each a folder below it, named by day and recipient."""
    made = known.ship_round(to_kind="radio-programme", folder=tmp_path / "out")
    assert len({report.path.parent for report in made.shipped}) == 2
    assert {path.name.split(" ", 1)[1].rsplit(" ", 1)[0] for path in (tmp_path / "out").iterdir()} == {
        "Radio Tarnquell",
        "Hollow Hour",
    }


def test_a_look_before(known: Release) -> None:
    """The very names that come, sizes within a tenth, gates and faults; and nothing is written."""
    before = recorded(known.folder)
    for formats in (["wav-native"], ["mp3"], ["wav-48k24"], ["wav-radio", "mp3"], ["aiff", "flac"]):
        look = known.ship_round(["Ixby Marrowlet", "Nobody"], dry_run=True, formats=formats)
        assert recorded(known.folder) == before
        assert (look.exit_code, [fault.recipient for fault in look.faults]) == (2, ["Nobody"])
        (preview,) = look.previews
        (report,) = known.ship_round(["Ixby Marrowlet"], formats=formats).shipped
        real = {entry.name: entry.size_bytes for entry in report.package.files if entry.role == "version"}
        assert {file.name for file in preview.files} == set(real)
        for file in preview.files:
            lossy = "FLAC/" in file.name  # how far noise can be packed, nobody knows before
            assert file.about_bytes == pytest.approx(real[file.name], rel=0.5 if lossy else 0.1)
        before = recorded(known.folder)


def test_a_look_at_what_would_be_stopped(known: Release) -> None:
    """It says what is in the way, and the exit code says that something is."""
    look = known.ship_round(["Radio Tarnquell"], dry_run=True, only=["explicit"])
    assert [gate.gate for gate in look.previews[0].gates] == ["explicit"]
    assert look.exit_code == 1
    assert known.ship_round(["Radio Tarnquell"], dry_run=True, only=["explicit"], despite="x").exit_code == 0


# --- what is owed


def test_only_those_whose_files_changed(known: Release, tmp_path: Path) -> None:
    """The remixer took the instrumental alone, which is as it was; the others get what they hold."""
    known.ship_round(["Ixby Marrowlet", "Radio Tarnquell"])
    known.ship("Ola Fennimore", only=["instrumental"])
    known.ship("Hollow Hour", only=["clean"], formats=["mp3"], form="zip")
    again(known, tmp_path, "clean")
    owed = {holding.recipient for holding in known.shipments(outdated=True).holdings}
    assert owed == {"Ixby Marrowlet", "Radio Tarnquell", "Hollow Hour"}
    made = known.ship_round(outdated=True)
    assert set(shipped(made)) == owed
    got = {report.record.recipient.name: report.record for report in made.shipped}
    assert set(got["Ixby Marrowlet"].versions) == {"explicit", "clean", "instrumental"}
    assert set(got["Radio Tarnquell"].versions) == {"clean", "instrumental"}
    assert (got["Hollow Hour"].versions, got["Hollow Hour"].formats) == (["clean"], ["mp3"])
    assert got["Hollow Hour"].form == "zip"
    assert known.shipments(outdated=True).holdings == []
    assert known.ship_round(outdated=True).shipped == []


def test_new_tags_are_owed_to_nobody(known: Release) -> None:
    """The state says so; nobody is sent a package for it."""
    known.ship("Ixby Marrowlet")
    sheet = known.folder / "release.toml"
    sheet.write_text('genre = "house"\n' + sheet.read_text("utf-8"), "utf-8")
    known.commit()
    (holding,) = known.shipments().holdings
    assert (holding.state, holding.changed) == ("tags superseded", [])
    assert set(holding.retagged) == {"explicit", "clean", "instrumental"}
    assert known.ship_round(outdated=True) == known.ship_round(outdated=True, dry_run=True)


def test_formats_come_from_all_that_they_hold(known: Release, tmp_path: Path) -> None:
    """A WAV of one version and an MP3 of another; of two in one folder, the newer."""
    known.ship("Ixby Marrowlet", only=["explicit"], formats=["wav-native"])
    known.ship("Ixby Marrowlet", only=["clean"], formats=["mp3"])
    again(known, tmp_path, "explicit", "clean")
    (report,) = known.ship_round(outdated=True).shipped
    assert (set(report.record.versions), set(report.record.formats)) == (
        {"explicit", "clean"},
        {"wav-native", "mp3"},
    )
    known.ship("Ixby Marrowlet", formats=["wav-48k24"])
    again(known, tmp_path, "clean")
    (report,) = known.ship_round(outdated=True).shipped
    assert set(report.record.formats) == {"wav-48k24"}


def test_what_is_gone(known: Release) -> None:
    """They get what is left; where nothing is left, that is said."""
    known.ship("Ixby Marrowlet")
    known.ship("Ola Fennimore", only=["clean"])
    known.commit(without=["clean"])
    made = known.ship_round(outdated=True)
    assert shipped(made) == ["Ixby Marrowlet"]
    assert set(made.shipped[0].record.versions) == {"explicit", "instrumental"}
    assert "has nothing of what Ola Fennimore holds" in made.faults[0].fault


def test_renamed_and_removed(known: Release, home: Home, tmp_path: Path) -> None:
    """Another name is the same recipient; one who was taken out of the book cannot be sent anything."""
    known.ship_round(["Ixby Marrowlet", "Ola Fennimore"])
    address_book.edit(home, "Ixby Marrowlet", name="Ixby M")
    address_book.remove(home, "Ola Fennimore")
    again(known, tmp_path, "clean")
    made = known.ship_round(outdated=True)
    assert shipped(made) == ["Ixby M"]
    assert "not in the address book any more" in made.faults[0].fault


def test_a_package_that_was_taken_back_goes_to_nobody(known: Release, tmp_path: Path) -> None:
    """By its digest, for all who got it; look-ups and status respect it; a reason passes it."""
    made = known.ship_round(["Radio Tarnquell", "Hollow Hour"])
    digests = {report.digest for report in made.shipped}
    assert len(digests) == 1
    report = known.withdraw(digests.pop()[:12], reason="an uncleared sample")
    assert {each.recipient.name for each in report.holders} == {"Radio Tarnquell", "Hollow Hour"}
    assert {each.state for each in known.shipments().holdings} == {"withdrawn"}
    with pytest.raises(UsageError, match="nothing was sent to"):
        known.checkout_sent("Hollow Hour", tmp_path / "a")
    sent = known.checkout_shipment(made.shipped[0].record.id, tmp_path / "b")
    assert sent.withdrawn is not None
    assert contents(sent.path) == contents(made.shipped[0].path)
    look = known.ship_round(["Hollow Hour"])
    assert look.shipped == []
    assert "this package was taken back" in look.faults[0].fault
    assert known.ship("Hollow Hour", despite="it is cleared now").record.gates[0].gate == "withdrawn"
    with pytest.raises(UsageError, match="withdrawn already"):
        known.withdraw(made.shipped[0].digest, reason="again")
    known.withdraw(report.record.id, reason="it is cleared")
    assert {each.state for each in known.shipments().holdings} == {"current"}


def test_no_address_enters_the_release(known: Release) -> None:
    """Contacts and wishes are in no file of it: not in an object, a name, a reference."""
    from relkit.store.repository import Repository

    known.ship_round(["Ixby Marrowlet", "Radio Tarnquell"])
    known.reply("Ixby Marrowlet", "playing")
    known.close()
    needles = (b"mail.example", b"Ixb@", b"contact")
    for path in known.folder.rglob("*"):
        if path.is_file() and "store.git" not in path.parts and path.name != "release.toml":
            assert not [needle for needle in needles if needle in path.read_bytes()], path
    repository = Repository(known.folder / ".relkit/store.git")
    from dulwich.objects import ObjectID

    for name in repository.objects:
        data = repository.objects.get_raw(ObjectID(name))[1]
        assert b"mail.example" not in data
    assert not [name for name in repository.refs() if "ixby" in name.lower()]
    repository.close()
