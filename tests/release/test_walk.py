"""The main job through the Python API, from a new folder to last month's package again."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from relkit import Release
from relkit.release.api import verify
from relkit.release.home import Home
from tests.support.releases import contents, music, muted, wav, written

LAST_MONTH = (date(2026, 10, 1)).isoformat()


def test_the_main_job(release: Release, bounces: list[Path], home: Home, tmp_path: Path) -> None:
    """Commit, ship twice, mend, ship again; what was first sent comes out again, and all is proved."""
    first = release.commit(bounces, note="first mix", session="lanterns 11")
    assert first.changed
    assert [taken.version_id for taken in first.taken] == ["explicit", "clean", "instrumental"]
    assert first.manifest.revision == 1

    to_dj = release.ship("Ixby Marrowlet", kind="club-dj", shipped_on=LAST_MONTH, channel="link")
    to_radio = release.ship("Radio Tarnquell", kind="radio-programme", form="zip", folder=tmp_path / "out")
    sent_folder, sent_zip = contents(to_dj.path), to_radio.path.read_bytes()
    assert to_radio.record.versions == ["clean", "instrumental"]
    assert to_dj.record.versions == ["explicit", "clean", "instrumental"]

    mended = muted(music(1), 0.35, 0.2)
    second = release.commit([written(tmp_path / "Lanterns clean v4.wav", wav(mended))], note="one word more")
    assert second.fresh == ["bounces/clean.wav"]
    rows = {row.what: row.change for row in release.diff("1", "2").rows}
    assert rows == {
        "explicit": "same",
        "clean": "new audio",
        "instrumental": "same",
        "sheet": "same",
    }
    again = release.ship("Radio Tarnquell", form="zip", folder=tmp_path / "out 2")
    assert again.package.replaces == to_radio.digest
    assert again.digest != to_radio.digest

    made = release.checkout_sent("Ixby Marrowlet", tmp_path / "then", on="2026-10-20")
    assert made.record == to_dj.record
    assert contents(made.path) == sent_folder
    made_zip = release.checkout_shipment(to_radio.record.id, tmp_path / "then")
    assert made_zip.path.read_bytes() == sent_zip
    for path in (made.path, made_zip.path, again.path):
        assert verify(path, home=home).signer == "me"

    whole = release.audit()
    assert (whole.revisions, whole.records, whole.findings) == (2, 3, [])
    events = release.history().events
    assert [event.revision.revision for event in events if event.revision] == [2, 1]
    assert [event.record.id for event in events if event.record] == [
        again.record.id,
        to_radio.record.id,
        to_dj.record.id,
    ]


def test_a_revision_comes_out_as_it_went_in(committed: Release, bounces: list[Path], tmp_path: Path) -> None:
    """Every file of the first revision, after a second one."""
    sheet = (committed.folder / "release.toml").read_bytes()
    committed.commit([written(tmp_path / "clean.wav", wav(music(9)))])
    made = committed.checkout("1", tmp_path / "out")
    assert sorted(made.written) == sorted(contents(tmp_path / "out"))
    assert (tmp_path / "out/release.toml").read_bytes() == sheet
    for bounce, name in zip(bounces, ("explicit", "clean", "instrumental"), strict=True):
        assert (tmp_path / f"out/bounces/{name}.wav").read_bytes() == bounce.read_bytes()
    kept = committed.checkout("1", tmp_path / "out")
    assert (kept.written, sorted(kept.kept)) == ([], sorted(made.written))


def test_another_form_on_request(committed: Release, tmp_path: Path) -> None:
    """A package that went as a folder can be had as the ZIP that it would have been."""
    zipped = committed.ship("Radio Tarnquell", kind="radio-programme", form="zip", folder=tmp_path / "a")
    folder = committed.checkout_sent("Radio Tarnquell", tmp_path / "b", form="folder").path
    assert folder.is_dir()
    assert committed.checkout_sent("Radio Tarnquell", tmp_path / "b").path.read_bytes() == (
        zipped.path.read_bytes()
    )


def test_the_later_of_one_day_wins(committed: Release, tmp_path: Path) -> None:
    """Two shipments within one second: the one that was recorded after the other is the later one."""
    sent = [
        committed.ship("Ixby Marrowlet", kind="club-dj", only=[only]).record.id
        for only in ("explicit", "clean", "instrumental", "explicit", "clean", "instrumental")
    ]
    assert committed.checkout_sent("Ixby Marrowlet", tmp_path / "out").record.id == sent[-1]
    listed = [event.record.id for event in committed.history().events if event.record]
    assert listed == sent[::-1]
    for number, shipment in enumerate(sent):
        made = committed.checkout_shipment(shipment[:12], tmp_path / str(number))
        assert made.record.id == shipment


def test_a_late_entry_replaces_nothing_that_came_after_it(committed: Release, tmp_path: Path) -> None:
    """What went out in October cannot replace what went out in November."""
    committed.commit([written(tmp_path / "clean.wav", wav(music(9)))])
    committed.ship("Ixby Marrowlet", kind="club-dj")
    late = committed.ship("Ixby Marrowlet", revision="1", shipped_on=LAST_MONTH)
    assert late.package.replaces is None
    assert committed.checkout_sent("Ixby Marrowlet", tmp_path / "out").record.revision == 2
    assert committed.checkout_sent("Ixby Marrowlet", tmp_path / "then", on="2026-10-31").record.revision == 1


def test_a_withdrawn_shipment_does_not_count(committed: Release, tmp_path: Path) -> None:
    """The one before it is what they hold; and a withdrawal can be taken back itself."""
    first = committed.ship("Ixby Marrowlet", kind="club-dj", shipped_on=LAST_MONTH)
    wrong = committed.ship("Ixby Marrowlet", only=["explicit"])
    taken_back = committed.withdraw(wrong.record.id[:8], reason="wrong folder", never_sent=True)
    assert committed.checkout_sent("Ixby Marrowlet", tmp_path / "a").record.id == first.record.id
    committed.withdraw(taken_back.record.id, reason="it did go out")
    assert committed.checkout_sent("Ixby Marrowlet", tmp_path / "b").record.id == wrong.record.id


def test_without_leaves_out_and_says_nothing_untrue(committed: Release) -> None:
    """The bounce stays in the folder and is in the sheet, so it is no stranger."""
    report = committed.commit(without=["clean"])
    assert report.gone == ["bounces/clean.wav"]
    assert report.strangers == []
    assert (committed.folder / "bounces/clean.wav").exists()


def test_a_day_that_has_not_come(committed: Release) -> None:
    """A slip in the year is noticed."""
    from relkit.release.days import BadDayError

    later = (date.today() + timedelta(days=2)).isoformat()  # noqa: DTZ011 - a civil day
    with pytest.raises(BadDayError):
        committed.ship("Ixby Marrowlet", kind="club-dj", shipped_on=later)
