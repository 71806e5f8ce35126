"""Nothing explicit reaches somebody whose kind excludes it without a recorded reason."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit import Release
from relkit.errors import FoundError, UsageError
from relkit.release.wants import NO_EXPLICIT
from relkit.vocabulary.recipients import RecipientKind
from tests.support.releases import music, state, wav, written


@pytest.fixture
def whole_pack(release: Release, tmp_path: Path) -> Release:
    """All seven versions, rated as a new sheet rates them, and one that nobody has rated."""
    names = ("explicit", "clean", "inst", "acapella", "acapella clean", "dj", "dj clean", "short")
    for seed, name in enumerate(names):
        written(tmp_path / f"Lanterns {name}.wav", wav(music(seed, 0.3)))
    release.commit(sorted(tmp_path.glob("Lanterns *.wav")))
    return release


@pytest.mark.parametrize("kind", RecipientKind)
def test_by_default(whole_pack: Release, kind: RecipientKind) -> None:
    """A kind that excludes explicit material gets what is declared clean, the unrated version not."""
    sent = whole_pack.ship("Somebody", kind=kind.value).record
    assert sent.despite is None
    may_be_explicit = {"explicit", "acapella", "dj", "short"}
    if kind in NO_EXPLICIT:
        assert not may_be_explicit.intersection(sent.versions)
    assert sent.versions
    taken = {
        "club-dj": 8,
        "radio-programme": 2,
        "mix-show": 2,
        "event-dj": 4,
        "arena": 2,
        "remixer": 8,
        "label": 8,
        "sync": 2,
    }
    assert len(sent.versions) == taken[kind.value]


@pytest.mark.parametrize("kind", sorted(NO_EXPLICIT))
@pytest.mark.parametrize(
    ("asked", "why"), [("explicit", "is explicit"), ("short", "has no rating, so it may be explicit")]
)
def test_asked_for(whole_pack: Release, kind: RecipientKind, asked: str, why: str) -> None:
    """By name it is refused, recorded nowhere; a reason is no blank; with one it goes and is recorded."""
    before = state(whole_pack.folder)
    for reason in (None, "", "  "):
        with pytest.raises(FoundError, match=f"{asked} {why}") as caught:
            whole_pack.ship("Radio Tarnquell", kind=kind.value, only=[asked], despite=reason)
        assert caught.value.exit_code == 1
    assert state(whole_pack.folder) == before
    sent = whole_pack.ship("Radio Tarnquell", kind=kind.value, only=[asked], despite="asked for by the host")
    assert (sent.record.versions, sent.record.despite) == ([asked], "asked for by the host")


def test_a_reason_that_was_not_needed(whole_pack: Release) -> None:
    """Nothing explicit went out, so the record does not claim it."""
    assert (
        whole_pack.ship("A", kind="radio-programme", only=["clean"], despite="why not").record.despite is None
    )
    assert whole_pack.ship("B", kind="club-dj", despite="why not").record.despite is None


def test_nothing_is_left(release: Release, tmp_path: Path) -> None:
    """Only explicit material: an answer, not an empty package."""
    release.commit([written(tmp_path / "Lanterns dirty.wav", wav(music(1)))])
    with pytest.raises(
        UsageError, match="nothing in this revision is for Radio Tarnquell, a radio programme"
    ):
        release.ship("Radio Tarnquell", kind="radio-programme")
    with pytest.raises(UsageError, match="no version nonsense"):
        release.ship("Ixby", kind="club-dj", only=["nonsense"])


def test_a_rating_taken_back(committed: Release) -> None:
    """The same bytes, no longer declared clean: a new revision, and the station does not get them."""
    sheet = committed.folder / "release.toml"
    text = sheet.read_text("utf-8")
    start = text.index("[versions.clean]")
    sheet.write_text(text[:start] + text[start:].replace('rating = "clean"\n', "", 1), "utf-8")
    assert committed.commit().changed
    (row,) = [row for row in committed.diff("1", "2").rows if row.what == "clean"]
    assert (row.change, row.redeclared) == ("same", True)
    assert committed.ship("Radio Tarnquell", kind="radio-programme").record.versions == ["instrumental"]
