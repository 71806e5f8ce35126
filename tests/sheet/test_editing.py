"""Changing one thing in a sheet: nothing else may move."""

from __future__ import annotations

import difflib
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.sheet import Sheet, SheetError, add_version, new_sheet_text, remember_answer, set_version_file
from relkit.vocabulary import Version

MINE = """\
# my song

artist   =   "A"    # odd spaces stay
title = 'T'

# --- answers ---
[names]   # what I said
"radio edit" = "clean"   # asked in May
# remark about the next line

# --- versions ---
[versions.clean]
file = 'bounces/clean.wav'   # single quotes
rating = "clean"
# a last remark of clean

# the DJ one
[versions.dj]

# --- limits ---
[limits]
intro_bars = 16
"""


def changed(old: str, new: str) -> list[str]:
    """Return the lines that differ, with their sign."""
    rows = difflib.ndiff(old.splitlines(keepends=True), new.splitlines(keepends=True))
    return [row.rstrip("\n") for row in rows if row[0] in "+-"]


def test_a_file_is_changed_on_its_line_only() -> None:
    """The remark behind it stays."""
    assert changed(MINE, set_version_file(MINE, "clean", "bounces/c 2.wav")) == [
        "- file = 'bounces/clean.wav'   # single quotes",
        '+ file = "bounces/c 2.wav"   # single quotes',
    ]


def test_a_file_is_added_below_its_own_header() -> None:
    """Not below the remark that introduces the next table."""
    new = set_version_file(MINE, "dj", "bounces/dj.aiff")

    assert changed(MINE, new) == ['+ file = "bounces/dj.aiff"']
    assert '[versions.dj]\nfile = "bounces/dj.aiff"\n\n# --- limits' in new


def test_an_answer_is_added_behind_the_others_or_replaces_its_own() -> None:
    """The phrase is kept as the sheet has it."""
    new = remember_answer(MINE, "Beat", "dj")
    assert changed(MINE, new) == ['+ beat = "dj"']
    assert new.index("beat =") < new.index("# --- versions")
    assert changed(MINE, remember_answer(MINE, "RADIO_edit", "dj")) == [
        '- "radio edit" = "clean"   # asked in May',
        '+ "radio edit" = "dj"   # asked in May',
    ]


def test_a_version_is_added_behind_the_others() -> None:
    """With its axes, and without a rating that nobody declared."""
    new = add_version(MINE, Version("tv", parts="tv"), path="bounces/tv.wav")

    assert changed(MINE, new) == [
        "+ [versions.tv]",
        '+ file = "bounces/tv.wav"',
        '+ parts = "tv"',
        '+ form = "song"',
        "+ ",
    ]
    assert new.index("[versions.tv]") < new.index("# --- limits")
    entry = Sheet.parse(new).versions["tv"]
    assert (entry.version.parts, entry.version.rating) == ("tv", None)
    assert "# a last remark of clean\n\n# the DJ one\n[versions.dj]\n" in new


def test_a_folder_version_keeps_being_a_folder() -> None:
    """Stems are one folder."""
    new = add_version(MINE, Version("stems", parts="stems"), path="bounces/stems", is_folder=True)
    new = set_version_file(new, "stems", "bounces/stems 2")

    assert Sheet.parse(new).versions["stems"].path == "bounces/stems 2"
    assert Sheet.parse(new).versions["stems"].is_folder


@pytest.mark.parametrize(
    "text",
    [
        'artist="A"\ntitle="T"',  # no versions at all, no line end
        'artist="A"\ntitle="T"\n\n\n',
        'artist="A"\ntitle="T"\nversions = {main = {file="m.wav"}, "dj"={file="d.wav"}}\n# end',
        'artist="A"\ntitle="T"\nversions.main.file="m.wav"\nversions.dj.file="d.wav"\ngenre="x"\n[limits]\n',
        'artist="A"\ntitle="T"\n[versions]\nmain.file="m.wav"\ndj={file="d.wav"}\n\n# r\n[limits]\n',
        'artist="A"\ntitle="T"\n[versions.main]\nfile="m.wav"\n[names]\n[versions.dj]\nfile="d.wav"\n[limits]\na=1',
        'artist="A"\ntitle="T"\n["versions"."main"]\n\'file\'="m.wav"\n[ versions . dj ]\nfile="d.wav"\n',
        'artist="A"\ntitle="T"\nnames."radio edit"="dj"\n[versions.main]\n[versions.dj]\n',
        'names = {"radio edit"="dj"}\nartist="A"\ntitle="T"\n[versions.main]\n[versions.dj]\n',
        'artist="A"\ntitle="""\n[names]\n"""\n[versions.main]\n[versions.dj]\nremoved = [\n  "sex", # r\n]\n',
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_however_tables_are_written_the_change_is_what_was_meant(text: str, end: str) -> None:
    """Read again by tomllib: one value differs, no line that was there is lost, line ends stay."""
    text = text.replace("\n", end)
    for new, path, value in (
        (set_version_file(text, "main", "x/n.wav"), ("versions", "main", "file"), "x/n.wav"),
        (remember_answer(text, "beat", "dj"), ("names", "beat"), "dj"),
        (add_version(text, Version("tv", parts="tv", rating="clean")), ("versions", "tv", "rating"), "clean"),
    ):
        assert ("\r\n" in new) == (end == "\r\n")
        assert end == "\n" or "\n" not in new.replace("\r\n", "")
        found: Any = tomllib.loads(new)
        for step in path:
            found = found[step]
        assert found == value
        gone = [row for row in changed(text.rstrip(), new.rstrip()) if row.startswith("-")]
        assert len(gone) <= 1, gone
        Sheet.parse(new)


def test_writing_versions_out_keeps_what_a_sheet_without_them_means() -> None:
    """Adding one must not take away the well-known ones."""
    bare = 'artist="A"\ntitle="T"\n'
    new = add_version(bare, Version("tv", parts="tv"))

    before, after = Sheet.parse(bare).versions, Sheet.parse(new).versions
    assert {name: entry for name, entry in after.items() if name != "tv"} == before


def test_what_would_spoil_the_sheet_is_refused() -> None:
    """The error names the line in the sheet as it would have been."""
    with pytest.raises(SheetError, match=r"line \d+: .* climbs out"):
        set_version_file(MINE, "clean", "../x.wav")
    with pytest.raises(SheetError, match="point to one file"):
        add_version(MINE, Version("tv", parts="tv"), path="bounces/clean.wav")
    with pytest.raises(SheetError, match='version "nothing" is not known'):
        remember_answer(MINE, "beat", "nothing")
    with pytest.raises(SheetError, match="Invalid value"):
        remember_answer("artist = A", "beat", "clean")
    with pytest.raises(ValueError, match="no version 'tv'"):
        set_version_file(MINE, "tv", "x.wav")
    with pytest.raises(ValueError, match="has a version 'dj'"):
        add_version(MINE, Version("dj"))
    with pytest.raises(ValueError, match="no words"):
        remember_answer(MINE, "--", "clean")


def test_a_change_that_would_not_hold_is_never_handed_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the editor gets wrong, the sheet is compared with what was meant."""
    monkeypatch.setattr("relkit.sheet.editing._replace", lambda text, *_: text)
    with pytest.raises(SheetError, match=r"line 13: versions\.clean\.file cannot be changed safely here"):
        set_version_file(MINE, "clean", "x.wav")


@given(st.text(alphabet=st.characters(codec="utf-8"), min_size=1, max_size=30))
@settings(max_examples=200, deadline=None)
def test_any_title_survives_every_edit(title: str) -> None:
    """Quotes, line ends and brackets in a value never become structure."""
    if not title.strip():
        return
    text = new_sheet_text("A", title)
    text = remember_answer(text, "radio edit", "clean")
    text = set_version_file(text, "clean", "bounces/c.wav")
    text = add_version(text, Version("tv", parts="tv"))

    sheet = Sheet.parse(text)
    assert sheet.title == title
    assert sheet.names == {"radio edit": "clean"}
    assert list(sheet.versions)[-1] == "tv"
