"""What a tired person overlooks: a lost history, an uncommitted bounce, an answer that was wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit import Release
from relkit.release.commit import LostRevisionsError
from relkit.release.home import Home
from tests.support.releases import music, muted, recorded, wav, written


def test_a_lost_history_is_not_begun_anew(committed: Release) -> None:
    """Without its revisions a release that has shipments would start at revision 1 again."""
    committed.ship("Ixby Marrowlet", kind="club-dj")
    store = committed.folder / ".relkit/store.git"
    (store / "refs/heads/revisions").unlink()
    before = recorded(committed.folder)
    with (
        pytest.raises(LostRevisionsError) as caught,
        Release.open(committed.folder, home=committed._workspace.home) as opened,
    ):
        opened.commit(note="anew")
    assert caught.value.exit_code == 4
    assert recorded(committed.folder) == before


def test_shipping_names_what_is_not_committed(committed: Release) -> None:
    """The revision goes out as it is, and what the folder has beside it is said."""
    assert committed.ship("Ixby Marrowlet", kind="club-dj").uncommitted == []
    written(committed.folder / "bounces/clean.wav", wav(muted(music(1), 0.1, 0.3)))
    report = committed.ship("Ixby Marrowlet")
    assert report.uncommitted == ["bounces/clean.wav"]
    assert report.record.revision == 1
    (committed.folder / "release.toml").write_text("broken", encoding="utf-8")
    assert committed.ship("Ixby Marrowlet").uncommitted == ["release.toml"]


def test_another_answer_replaces_the_remembered_one(release: Release, tmp_path: Path) -> None:
    """The second --as wins, also for names to come."""
    song = music(5)
    first = written(tmp_path / "mix11_radio edit.wav", wav(song))
    release.commit([first], version="clean")
    release.commit([first], version="short")
    [taken] = release.commit([written(tmp_path / "mix12_radio edit.wav", wav(muted(song, 0.1, 0.1)))]).taken
    assert taken.version_id == "short"


def test_a_start_that_fails_makes_no_key(tmp_path: Path) -> None:
    """Whoever gets a first key is told of it, so it must not be made before what may fail."""
    file = written(tmp_path / "cover.png", b"a file where a folder should be")
    home = Home(tmp_path / "user")
    with pytest.raises(NotADirectoryError, match=r"cover\.png"):
        Release.new(file / "lanterns", artist="Ostrel Vane", title="Lanterns", home=home)
    assert not home.key_file.exists()


def test_what_a_package_leaves_out_is_not_called_removed(committed: Release) -> None:
    """The recipient may go on using it: only what the release has no longer was removed."""
    committed.ship("Ixby Marrowlet", kind="club-dj")
    written(committed.folder / "bounces/clean.wav", wav(muted(music(1), 0.1, 0.3)))
    committed.commit()
    part = committed.ship("Ixby Marrowlet", only=["clean"])
    info = next(part.path.glob("*(Info).txt")).read_text(encoding="utf-8")
    assert "THIS PACKAGE REPLACES" in info
    assert "Removed " not in info
