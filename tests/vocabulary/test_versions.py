"""Versions, keys and kinds of recipients."""

from __future__ import annotations

import re

import pytest

from relkit.vocabulary import PARTS, WELL_KNOWN, Key, RecipientKind, Version, is_slug


def test_the_well_known_versions_are_those_of_the_design_and_none_has_a_rating() -> None:
    """docs: design, section "Words"; the rating is declared, never inferred from the id."""
    assert set(WELL_KNOWN) == {
        "main",
        "explicit",
        "clean",
        "instrumental",
        "acapella",
        "acapella-clean",
        "dj",
        "dj-clean",
    }
    assert {version.rating for version in WELL_KNOWN.values()} == {None}


@pytest.mark.parametrize(
    ("rating", "may_be"), [(None, True), ("explicit", True), ("clean", False), ("no-edit-needed", False)]
)
def test_an_undeclared_rating_counts_as_explicit(rating: str | None, may_be: bool) -> None:
    """Whatever the id says."""
    assert Version("clean", rating=rating).may_be_explicit is may_be


@pytest.mark.parametrize(
    ("version_id", "label"),
    [
        ("explicit", "Explicit"),
        ("clean", "Clean"),
        ("instrumental", "Instrumental"),
        ("acapella", "Acapella"),
        ("acapella-clean", "Acapella Clean"),
        ("dj", "DJ Edit"),
        ("dj-clean", "DJ Edit Clean"),
        ("tv-short", "TV Short"),
        ("arena-2", "Arena 2"),
    ],
)
def test_labels_are_the_trades_words(version_id: str, label: str) -> None:
    """Common practice, no source."""
    assert Version(version_id).label == label
    assert Version(version_id, label="Mine").label == "Mine"


def test_songs_share_a_length_dj_edits_share_another_and_others_have_their_own() -> None:
    """The groups whose members must line up."""
    groups = {one.id: one.length_group for one in WELL_KNOWN.values()}
    assert groups["clean"] == groups["acapella"] == "song"
    assert groups["dj"] == groups["dj-clean"] == "dj-edit"
    assert Version("arena", form="short").length_group == "arena"
    assert Version("arena", form="short", length_group="cuts").length_group == "cuts"


@pytest.mark.parametrize("bad", ["", "Clean", "dj_clean", "-dj", "dj-", "dj--clean", "é", "a" * 41, "dj\n"])
def test_an_id_is_a_slug(bad: str) -> None:
    """Ids stand in file names and on command lines."""
    assert not is_slug(bad)
    with pytest.raises(ValueError, match="no version id"):
        Version(bad)


@pytest.mark.parametrize(
    "wrong", [{"parts": "ful"}, {"form": "dj"}, {"rating": "ok"}, {"removed": ("words",)}]
)
def test_a_value_must_be_on_its_axis(wrong: dict[str, str]) -> None:
    """A caller's mistake."""
    with pytest.raises(ValueError, match=r"none of|more than"):
        Version("x", **wrong)  # type: ignore[arg-type]


def test_every_legal_key_gives_a_legal_tkey() -> None:
    """ID3v2.3.0, TKEY: 43 legal strings, one of which ("o") is no key."""
    keys = [
        Key.parse(f"{tonic}{sign} {mode}")
        for tonic in "ABCDEFG"
        for sign in ("", "b", "#")
        for mode in ("major", "minor")
    ]

    assert len({key.tkey for key in keys}) == 42
    assert all(re.fullmatch("[A-G][b#]?m?", key.tkey) for key in keys)
    assert Key.parse("F# minor").tkey == "F#m"  # the example of standards and design
    assert str(Key.parse("Db minor")) == "Db minor"


@pytest.mark.parametrize(
    "bad", ["F#m", "f# minor", "F sharp minor", "H minor", "C", "C  major", "C major\n", "o"]
)
def test_a_key_is_written_in_one_way(bad: str) -> None:
    """No other code."""
    with pytest.raises(ValueError, match="no key"):
        Key.parse(bad)


def test_the_kinds_of_recipients_read_like_the_trade() -> None:
    """docs: design, section "Words"."""
    assert [kind.human_label for kind in RecipientKind] == [
        "club DJ",
        "radio programme",
        "mix show",
        "event DJ",
        "arena",
        "remixer",
        "label",
        "sync",
    ]
    assert RecipientKind("club-dj") is RecipientKind.CLUB_DJ
    assert "full" in PARTS
