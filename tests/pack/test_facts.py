"""From the sheet to what a recipient may know of the song."""

from __future__ import annotations

import dataclasses
import datetime as dt
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.filenames import fault_of_path
from relkit.manifest import VersionFacts
from relkit.pack import layout
from relkit.pack.facts import SongFacts, song_facts
from relkit.sheet import Sheet
from relkit.sheet.toml_text import as_value
from relkit.vocabulary import Key

HEAD = 'artist = "A"\ntitle = "T"\n'
FULL = """\
artist = "A"
title = "T**"
clean_title = "T"
featured = ["B"]
remixer = "R"
album = "EP"
genre = "House"
language = "en"
release_date = 2031-05-23
embargo = 2031-05-16T00:00:00Z
end_date = 2031-12-31
key = "F# minor"
composers = ["C"]
lyricists = ["D"]
publisher = "P"
label = "L"
copyright = "2031 L"
gtin = "6291041500213"
contact = "promo@example.org"
pronunciation = "tee"
promo_line = "Not for sale"
[bars]
meter = "6/8"
tempo_bpm = 60.5
tempo_counts = "dotted-quarter"
[credits]
producer = "E"
"""


def test_every_declared_fact_arrives() -> None:
    """No field of the facts is forgotten: each differs from its default."""
    facts = song_facts(Sheet.parse(FULL), clean=False)

    assert facts == SongFacts(
        artist="A",
        title="T**",
        featured=("B",),
        remixer="R",
        album="EP",
        genre="House",
        language="en",
        release_date=dt.date(2031, 5, 23),
        embargo=dt.datetime(2031, 5, 16, tzinfo=dt.UTC),
        end_date=dt.date(2031, 12, 31),
        tempo_bpm=Fraction(121, 2),
        tempo_text="60.5 BPM (dotted quarter)",
        meter="6/8",
        key=Key.parse("F# minor"),
        composers=("C",),
        lyricists=("D",),
        publisher="P",
        label="L",
        copyright="2031 L",
        gtin="6291041500213",
        credits=(("producer", ("E",)),),
        contact="promo@example.org",
        pronunciation="tee",
        promo_line="Not for sale",
    )
    untouched = SongFacts(artist="", title="")
    same = [
        one.name
        for one in dataclasses.fields(facts)
        if getattr(facts, one.name) == getattr(untouched, one.name)
    ]
    assert same == []


def test_the_clean_title_is_for_those_who_need_it() -> None:
    """And without one the title is what there is."""
    assert song_facts(Sheet.parse(FULL), clean=True).title == "T"
    assert song_facts(Sheet.parse(HEAD), clean=True).title == "T"


def test_what_is_not_declared_is_not_there() -> None:
    """But the line about use, which has a default and can be none."""
    bare = song_facts(Sheet.parse(HEAD), clean=False)
    assert bare == SongFacts(artist="A", title="T", promo_line="For promotional use only")
    assert song_facts(Sheet.parse(HEAD + 'promo_line = ""'), clean=False).promo_line is None


@pytest.mark.parametrize(
    ("bars", "tempo_bpm", "text"),
    [
        ("tempo_changes = [{bar = 1, bpm = 90}, {bar = 9, bpm = 122}]", None, "90-122 BPM (changes)"),
        ("tempo_changes = [{bar = 1, bpm = 90}, {bar = 9, bpm = 90}]", 90, "90 BPM"),
        ("tempo_live_bpm = [118, 124]", None, "118-124 BPM (live)"),
    ],
)
def test_a_tempo_is_one_number_only_where_it_stays(bars: str, tempo_bpm: int | None, text: str) -> None:
    """Tags have room for one."""
    facts = song_facts(Sheet.parse(f"{HEAD}[bars]\n{bars}"), clean=False)
    assert (facts.tempo_bpm, facts.tempo_text) == (tempo_bpm, text)


HOSTILE = st.sampled_from(
    ['"quoted"', "line\nbreak\r\n", "a/b\\c", "\u202eturned", "x" * 300, "<b>&amp;</b>", "{version}", "[red]"]
)
TEXT = (HOSTILE | st.text(max_size=300)).filter(lambda text: text.strip() != "")


@given(artist=TEXT, title=TEXT, guest=TEXT, remixer=TEXT, label=TEXT)
def test_whatever_stands_in_a_sheet_is_text_in_a_name(
    artist: str, title: str, guest: str, remixer: str, label: str
) -> None:
    """No value adds a folder, a line or a field to a name."""
    texts = {"artist": artist, "title": title, "remixer": remixer}
    lines = [f"{key} = {as_value(text)}" for key, text in texts.items()]
    sheet = Sheet.parse("\n".join([*lines, f"featured = {as_value([guest])}"]))
    song = song_facts(sheet, clean=False)
    version = VersionFacts(id="clean", label=label[:20], parts="full", form="song", length_group="song")

    paths = {
        layout.version_path(song, version, "wav"): 1,
        layout.stem_path(song, version, "kick.wav", "wav"): 2,
        layout.cover_path(song): 0,
        layout.folder(song): 0,
    }
    for path, folders in paths.items():
        assert fault_of_path(path) is None
        assert path.count("/") == folders
