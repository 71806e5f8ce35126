"""What ``diff`` says of edits whose place and kind are known because the test made them.

Common practice, no source: a listener's edge of 5 ms, half the shortest consonant.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from relkit import Release
from relkit.release.diff import DiffReport, Row, diff_files
from tests.support.releases import RATE_HZ, Samples, music, muted, state, wav, written

EDGE_S = 0.005


@pytest.fixture
def edited(release: Release, tmp_path: Path) -> Release:
    """Revision 1: a song of ten seconds in three versions; revision 2: a word less in two of them."""
    song, lead = music(1, 10.0) * 0.6, music(2, 10.0) * 0.3
    clean, vocal = muted(song, 2.0, 0.4), muted(lead, 2.0, 0.4)
    for name, samples in (("dirty", song), ("clean", clean), ("clean acapella", vocal)):
        written(tmp_path / f"Lanterns {name}.wav", wav(samples))
    release.commit(sorted(tmp_path.glob("Lanterns *.wav")))
    for name, samples in (("clean", muted(clean, 6.0, 0.5)), ("clean acapella", muted(vocal, 6.0, 0.5))):
        written(tmp_path / f"Lanterns {name}.wav", wav(samples))
    release.commit([tmp_path / "Lanterns clean.wav", tmp_path / "Lanterns clean acapella.wav"])
    return release


def row_of(report: DiffReport, what: str) -> Row:
    """Return the row of one file."""
    return next(row for row in report.rows if row.what == what)


def test_one_edit_in_two_versions_is_one_change(edited: Release) -> None:
    """Its edges to 5 ms in both, and every other sample the same; the explicit version has nothing."""
    report = edited.diff("1", "2")
    assert row_of(report, "explicit").change == "same"
    for version in ("clean", "acapella-clean"):
        heard = row_of(report, version).heard
        assert heard is not None
        assert heard.exact
        (region,) = heard.regions
        assert region.kind == "muted"
        assert region.level_db is None
        assert region.start_s == pytest.approx(6.0, abs=EDGE_S)
        assert region.end_s == pytest.approx(6.5, abs=EDGE_S)
    (change,) = report.shared
    assert set(change.places) == {"clean", "acapella-clean"}
    assert change.lacking == {}


def test_an_edit_that_one_clean_version_lacks_is_pointed_out(edited: Release, tmp_path: Path) -> None:
    """A third word, in the clean song alone: its acapella has the passage and still has the word."""
    song = muted(muted(muted(music(1, 10.0) * 0.6, 2.0, 0.4), 6.0, 0.5), 8.0, 0.3)
    edited.commit([written(tmp_path / "Lanterns clean.wav", wav(song))])
    (change,) = edited.diff("2", "3").shared
    assert set(change.places) == {"clean"}
    assert change.lacking["acapella-clean"] == pytest.approx((8.0, 8.3), abs=EDGE_S)


def test_the_second_time_nothing_is_listened_to(edited: Release, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same two sounds have the same answer, whatever they are called."""
    first = edited.diff("1", "2")

    def never(*_: object, **__: object) -> None:
        raise AssertionError("was listened to again")

    monkeypatch.setattr("relkit.measure.comparison.compare", never)
    assert edited.diff("1", "2") == first


def louder(samples: Samples) -> Samples:
    """Return 1 dB less."""
    return samples * 10 ** (-1 / 20)


def later(samples: Samples) -> Samples:
    """Return the same 512 samples later."""
    return np.concatenate([np.zeros((512, 2)), samples])


@pytest.mark.parametrize(
    ("made", "verdicts"),
    [
        (louder, {"gain"}),
        (later, {"offset"}),
        (lambda samples: -samples, {"polarity"}),
        (lambda samples: muted(samples, 5.0, 0.4), {"edited"}),
    ],
    ids=["gain", "offset", "polarity", "edit"],
)
def test_two_loose_files(tmp_path: Path, made: object, verdicts: set[str]) -> None:
    """Outside of any release: what was done to the one is what is said of the other."""
    assert callable(made)
    samples = music(7, 10.0) * 0.5
    old = written(tmp_path / "old.wav", wav(samples))
    new = written(tmp_path / "new.wav", wav(made(samples)))
    (row,) = diff_files(old, new).rows
    assert row.heard is not None
    assert verdicts <= set(row.heard.verdicts)
    if "gain" in verdicts:
        assert row.heard.gain_db == pytest.approx(-1.0, abs=0.01)
    if "offset" in verdicts:
        assert row.heard.offset_frames == 512
    assert len(row.heard.regions) == ("edited" in verdicts)


def test_sheet_and_cover_say_what_changed(edited: Release) -> None:
    """A genre that was not there, and a cover with a corner painted over."""
    import io

    from PIL import Image

    def cover(corner: bool) -> bytes:
        picture = Image.new("RGB", (100, 100), (20, 40, 60))
        if corner:
            picture.paste((200, 0, 0), (0, 0, 50, 20))
        out = io.BytesIO()
        picture.save(out, "PNG")
        return out.getvalue()

    written(edited.folder / "artwork/cover.png", cover(corner=False))
    edited.commit()
    sheet = edited.folder / "release.toml"
    sheet.write_text(sheet.read_text("utf-8").replace('# genre = "..."', 'genre = "Electro"'), "utf-8")
    written(edited.folder / "artwork/cover.png", cover(corner=True))
    report = edited.diff()
    assert [(each.field, each.old, each.new) for each in report.sheet] == [("genre", None, "Electro")]
    picture = row_of(report, "cover").picture
    assert picture is not None
    assert picture.changed == pytest.approx(0.1)  # 50 x 20 of 100 x 100 pixels
    assert (picture.old_px, picture.new_format) == ((100, 100), "PNG")


def test_a_package_is_heard_by_what_went_into_it(edited: Release) -> None:
    """MP3s that were sent of revision 1 against revision 2: the edit, and no codec."""
    sent = edited.ship("Ixby Marrowlet", kind="club-dj", revision="1", formats=["mp3"], only=["clean"])
    report = edited.diff(sent.record.id, "2")
    heard = row_of(report, "clean").heard
    assert heard is not None
    assert "lossy" not in heard.verdicts
    assert [region.kind for region in heard.regions] == ["muted"]


def test_looking_changes_nothing(edited: Release, tmp_path: Path) -> None:
    """Neither the release nor the folder; the page alone appears."""
    before = state(edited.folder)
    edited.diff("1", "2", page=tmp_path / "page.html")
    assert state(edited.folder) == before
    assert (tmp_path / "page.html").stat().st_size < 2_000_000


def test_words_of_a_region_in_time(edited: Release) -> None:
    """The line across the terminal has its mark where the edit is."""
    from relkit.release import telling

    heard = row_of(edited.diff("1", "2"), "clean").heard
    assert heard is not None
    line = telling.timeline(heard, 10.0)
    marks = [place for place, sign in enumerate(line) if sign != "\u2500"]
    assert marks[0] == pytest.approx(len(line) * 0.6, abs=1)
    assert marks[-1] == pytest.approx(len(line) * 0.65, abs=1)
    assert telling.verdict(heard) == "edited in one place, and every other sample is the same"
    assert heard.rate_hz == RATE_HZ
