"""What a sheet says, and what every faulty sheet is told."""

from __future__ import annotations

import datetime as dt
import pickle
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.bars import LiveTempo, Meter
from relkit.errors import BadInputError
from relkit.sheet import BadFactsError, NoSheetError, Sheet, SheetError, new_sheet_text

HEAD = 'artist = "A"\ntitle = "T"\n'


def test_artist_and_title_are_enough() -> None:
    """Defaults: the well-known versions at their usual places, and nothing declared for them."""
    sheet = Sheet.parse(HEAD)

    assert (sheet.artist, sheet.title) == ("A", "T")
    assert sheet.versions["dj-clean"].path == "bounces/dj-clean.wav"
    assert sheet.versions["dj-clean"].version.form == "dj-edit"
    assert all(entry.version.rating is None for entry in sheet.versions.values())
    assert sheet.versions["clean"].version.may_be_explicit  # undeclared counts as explicit
    assert sheet.cover == "artwork/cover.png"
    assert sheet.bars.tempo_text is None
    assert sheet.key_tkey() is None


def test_every_field_is_read() -> None:
    """One sheet with all of them."""
    sheet = Sheet.parse("""
format = 1
artist = "A"
title = "T"
featured = ["B", "C"]
clean_title = "T*"
remixer = "R"
album = "EP"
label = "L"
publisher = "P"
genre = "House"
release_date = 2031-05-23
embargo = 2031-05-16T09:30:00+02:00
end_date = 2031-12-31
language = "en"
composers = ["D"]
lyricists = ["E", "F"]
copyright = "2031 L"
gtin = "6291 0415 0021-3"
pronunciation = "tee"
promo_line = "Not for sale"
contact = "promo@example.org"
key = "F# minor"
[bars]
meter = "3/4"
tempo_bpm = 126.5
first_downbeat_s = 0.1
[versions.explicit]
rating = "explicit"
isrc = "AA-6Q7-20-00047"
[versions.clean]
file = "bounces/Lanterns (Clean).wav"
rating = "clean"
removed = ["swearing", "sound-alikes"]
label = "Radio Edit"
ending = "fade"
last_words = "good night"
talk_up_s = 12.4
[credits]
"Mixed by" = "G"
producer = ["H", "G"]
[versions.stems]
folder = "bounces/stems"
parts = "stems"
language = "deu"
length_group = "long"
[artwork]
cover = "artwork/front.jpeg"
clean_cover = "artwork/front-clean.tif"
size_px = 1500
embedded_px = 500
[names]
"Radio_Edit" = "clean"
[package]
pattern = "{artist} - {title} ({version})"
[limits]
true_peak_dbtp = -0.5
intro_bars = 16
""")

    assert sheet.featured == ("B", "C")
    assert (sheet.remixer, sheet.label, sheet.genre, sheet.language) == ("R", "L", "House", "en")
    assert sheet.release_date == dt.date(2031, 5, 23)
    assert sheet.embargo == dt.datetime(2031, 5, 16, 7, 30, tzinfo=dt.UTC)
    assert sheet.embargo.utcoffset() == dt.timedelta(hours=2)  # the zone is kept
    assert sheet.end_date == dt.date(2031, 12, 31)
    assert (sheet.clean_title, sheet.album, sheet.publisher) == ("T*", "EP", "P")
    assert sheet.lyricists == ("E", "F")
    assert sheet.gtin == "6291041500213"  # GS1's worked example, 6291041500213
    assert (sheet.pronunciation, sheet.promo_line) == ("tee", "Not for sale")
    assert sheet.credits == (("Mixed by", ("G",)), ("producer", ("H", "G")))
    assert (sheet.cover, sheet.clean_cover) == ("artwork/front.jpeg", "artwork/front-clean.tif")
    assert (sheet.cover_size_px, sheet.cover_embedded_px) == (1500, 500)
    assert (sheet.composers, sheet.copyright, sheet.contact) == (("D",), "2031 L", "promo@example.org")
    assert str(sheet.key) == "F# minor"
    assert sheet.key_tkey() == "F#m"
    assert sheet.bars.meter == Meter(3, 4)
    assert sheet.bars.first_downbeat_s == Fraction(1, 10)  # exact, not the nearest binary float
    assert sheet.bars.seconds_of_bar(2) == Fraction(1, 10) + Fraction(180 * 10, 1265)
    assert sheet.versions["explicit"].isrc == "AA6Q72000047"  # ISRC agency's made-up example, hyphens gone
    clean = sheet.versions["clean"]
    assert (clean.version.label, clean.version.removed) == ("Radio Edit", ("swearing", "sound-alikes"))
    assert (clean.ending, clean.last_words, clean.talk_up_s) == ("fade", "good night", Fraction(62, 5))
    stems = sheet.versions["stems"]
    assert (stems.is_folder, stems.path, stems.version.length_group) == (True, "bounces/stems", "long")
    assert sheet.version_at("bounces/stems/kick.wav") is stems
    assert sheet.version_at("bounces/stemsx.wav") is None
    assert sheet.names == {"radio edit": "clean"}
    assert sheet.limits == {"true_peak_dbtp": -0.5, "intro_bars": 16.0}
    assert sheet.package_pattern == "{artist} - {title} ({version})"
    assert sheet.line_of("versions", "clean", "rating") == 33


def test_tempo_can_change_or_be_live() -> None:
    """The other two ways to declare it."""
    changing = Sheet.parse(
        HEAD
        + "[bars]\ntempo_changes = "
        + "[{bar = 1, bpm = 120}, {bar = 9, beat = 3, bpm = 90}, {at_s = 90.5, bpm = 100}]"
    )
    live = Sheet.parse(HEAD + "[bars]\ntempo_live_bpm = [118, 124.5]")

    assert changing.bars.seconds_of_bar(9) == 16
    assert live.bars.tempo == LiveTempo(Fraction(118), Fraction("124.5"))
    assert live.bars.bar_at(3) is None


def test_a_pick_up_starts_the_file_unless_the_first_downbeat_is_declared() -> None:
    """One beat at 120 BPM."""
    bars = "[bars]\ntempo_bpm = 120\npickup_beats = 1\n"
    assert Sheet.parse(HEAD + bars).bars.first_downbeat_s == Fraction(1, 2)
    assert Sheet.parse(HEAD + bars + "first_downbeat_s = 2").bars.first_downbeat_s == 2


FAULTS = [
    # text after HEAD, line, fault, hint
    ('genr = "x"', 3, 'key "genr" is not known here', 'Did you mean "genre"?'),
    ("[verions.clean]", 3, 'key "verions" is not known here', 'Did you mean "versions"?'),
    ("zzzzzz = 1", 3, 'key "zzzzzz" is not known here', "a sheet has: format, artist"),
    ("format = 2", 3, "sheet format 2 is not known", "newer relkit"),
    ('format = "1"', 3, "format must be a number, not text", "without quotes"),
    ("genre = 3", 3, "genre must be text, not a number", 'genre = "..."'),
    ('genre = " "', 3, "genre is empty", "delete the line"),
    ('featured = "B"', 3, "featured must be a list, not text", "["),
    ('featured = [\n"B",\n3]', 5, "featured must be text, not a number", "quotes"),
    ('featured = ["B", "B"]', 3, 'featured has "B" twice', "Delete"),
    ('release_date = "soon"', 3, "release_date is not a date", "2031-05-23"),
    ("release_date = 2031-05-23T10:00:00", 3, "release_date is not a date", "2031-05-23"),
    ('release_date = "2031-02-30"', 3, "release_date is not a date", "2031-05-23"),
    ("embargo = 2031-05-23T10:00:00", 3, "embargo has no time zone", "embargo = 2031-05-23T10:00:00+01:00"),
    ('embargo = "2031-05-23 10:00:00"', 3, "embargo has no time zone", "Z for UTC"),
    ("embargo = 2031-05-23", 3, "embargo is not a moment", "Write day, time and zone"),
    ("embargo = 10:00:00", 3, "embargo is not a moment", "Write day, time and zone"),
    ('embargo = "2031-02-30T10:00:00Z"', 3, "embargo is not a moment", "Write day, time and zone"),
    ("embargo = 0001-01-01T00:00:00+01:00", 3, "embargo is not a moment", "Write day, time and zone"),
    ('end_date = "never"', 3, "end_date is not a date", "2031-05-23"),
    ('gtin = "6291041500214"', 3, 'gtin "6291041500214" has a wrong check digit', "mistyped"),
    ('gtin = "629104150021"', 3, "has a wrong check digit", "mistyped"),
    ('gtin = "62910415002"', 3, "is not a GTIN", "8, 12, 13 or 14 digits"),
    ('gtin = "\u0661234567890123"', 3, "is not a GTIN", "8, 12, 13 or 14 digits"),
    ("gtin = 6291041500213", 3, "gtin must be text, not a number", "quotes"),
    ("promo_line = 3", 3, "promo_line must be text, not a number", "quotes"),
    ("credits = 3", 3, "credits must be a table, not a number", "[credits]"),
    ('[credits]\n"Mixed by" = 3', 4, "Mixed by must be text, not a number", "quotes"),
    ('[credits]\nproducer = ["A",\n"A"]', 5, 'producer has "A" twice', "Delete"),
    ('[credits]\n" " = "A"', 4, "a credit has no role", '"Mixed by"'),
    ('[credits]\na.b = "A"', 4, "a must be text, not a table", "quotes"),
    ('language = "English"', 3, 'language "English" is not a language code', "ISO 639"),
    ('key = "F#m"', 3, 'key "F#m" is not a musical key', '"F# minor"'),
    ("bars = 3", 3, "bars must be a table, not a number", "[bars]"),
    ('[bars]\nmeter = "4/5"', 4, 'meter "4/5" is not a meter', '"6/8"'),
    ('[bars]\nmeter = "0/4"', 4, 'meter "0/4" is not a meter', '"6/8"'),
    ('[bars]\ntempo_bpm = "122"', 4, "tempo_bpm must be a number, not text", "without quotes"),
    ("[bars]\ntempo_bpm = 0", 4, "tempo_bpm 0 is out of range", "from 10 to 1000"),
    ("[bars]\ntempo_bpm = true", 4, "tempo_bpm must be a number, not true or false", "digits"),
    ("[bars]\ntempo_bpm = nan", 4, "tempo_bpm is not a usable number", "decimals"),
    ("[bars]\ntempo_bpm = 1e999999999", 4, "tempo_bpm is not a usable number", "decimals"),
    ("[bars]\ntempo_bpm = 1e-999999999", 4, "tempo_bpm is not a usable number", "decimals"),
    ("[bars]\ntempo_bpm = 120\ntempo_live_bpm = [1, 2]", 5, "tempo_live_bpm 1 is out of range", "from 10"),
    ("[bars]\ntempo_bpm = 120\ntempo_live_bpm = [90, 99]", 5, "the tempo is declared twice", "Keep one"),
    ("[bars]\ntempo_live_bpm = [124, 118]", 4, "tempo_live_bpm goes from 124 to 118", "[118, 124]"),
    ("[bars]\ntempo_live_bpm = 120", 4, "tempo_live_bpm must be a list of two", "[118, 124]"),
    ('[bars]\nmeter = "6/8"\ntempo_bpm = 60', 4, "leaves open which note the tempo counts", "tempo_counts"),
    ('[bars]\ntempo_counts = "quater"', 4, 'tempo_counts "quater" is not known', 'Did you mean "quarter"?'),
    (
        "[bars]\ntempo_changes = [\n{bar = 1, bpm = 120},\n{bar = 1, bpm = 90}]",
        6,
        "after the one before",
        "bar = 1",
    ),
    ("[bars]\ntempo_changes = [{bar = 2, bpm = 120}]", 4, "must be at bar 1", "bar = 1"),
    ("[bars]\ntempo_changes = [{bar = 1}]", 4, "needs bpm", "{bar = 33"),
    ("[bars]\ntempo_changes = [\n{bar = 1, bpm = 120, x = 1}]", 5, 'key "x" is not known', "{bar = 33"),
    (
        "[[bars.tempo_changes]]\nbar = 1\nbpm = 120\n[[bars.tempo_changes]]\nbar = 0\nbpm = 90",
        7,
        "bar must be a whole",
        "33",
    ),
    ("bars.meter = 3", 3, "meter must be text, not a number", "quotes"),
    (
        '[versions.clean]\nrating = "claen"',
        4,
        'rating "claen" is not known',
        "Use explicit, clean or no-edit-needed.",
    ),
    ('versions = {clean = {rating = "claen"}}', 3, 'rating "claen" is not known', 'Did you mean "clean"?'),
    ('versions.clean."rating" = "claen"', 3, 'rating "claen" is not known', 'Did you mean "clean"?'),
    (
        '[versions.clean]\nremoved = ["swearing",\n"sexx"]',
        5,
        'removed "sexx" is not known',
        'Did you mean "sex"?',
    ),
    ('[versions.Clean_1]\nparts = "full"', 3, 'version "Clean_1" is not a short id', "hyphens"),
    ("[versions.arena]", 3, "arena does not say its parts", "Add parts"),
    ('[versions.clean]\nisrc = "AA6Q7200004"', 4, 'isrc "AA6Q7200004" is not an ISRC', "7 digits"),
    ('[versions.clean]\nending = "hard"', 4, 'ending "hard" is not known', "Use cold or fade."),
    ("[versions.clean]\ntalk_up_s = -1", 4, "talk_up_s -1 is out of range", "seconds"),
    ('[versions.clean]\nlength_group = "A B"', 4, 'length_group "A B" is not a short id', "hyphens"),
    (
        '[versions]\nclean = "bounces/clean.wav"',
        4,
        "versions.clean must be a table, not text",
        "[versions.clean]",
    ),
    (
        '[versions.clean]\nfile = "/tmp/x.wav"',
        4,
        'file "/tmp/x.wav" is absolute',
        "inside the release folder",
    ),
    ('[versions.clean]\nfile = "C:/x.wav"', 4, 'file "C:/x.wav" contains', "inside the release folder"),
    ('[versions.clean]\nfile = "../x.wav"', 4, 'file "../x.wav" climbs out', "inside the release folder"),
    ('[versions.clean]\nfile = "a/../../x.wav"', 4, "climbs out", "inside the release folder"),
    (r"[versions.clean]" + "\nfile = 'bounces\\x.wav'", 4, "uses a backslash", "forward slashes"),
    ('[versions.clean]\nfile = ".relkit/x.wav"', 4, "belongs to relkit itself", "your own"),
    ('[versions.clean]\nfile = "Release.toml"', 4, "belongs to relkit itself", "your own"),
    ('[versions.clean]\nfile = "bounces/con.wav"', 4, "is a reserved name on Windows", "inside"),
    ('[versions.clean]\nfile = "a.wav"\nfolder = "b"', 5, "clean has both file and folder", "Keep the one"),
    (
        '[versions.clean]\nfile = "a.wav"\n[versions.dj]\nfile = "a.wav"',
        6,
        "point to one file",
        "its own file",
    ),
    (
        '[versions.clean]\nfile = "a.wav"\n[versions.dj]\nfile = "A.wav"',
        6,
        "differ only in case or accents",
        "rename",
    ),
    (
        '[versions.clean]\nfile = "é.wav"\n[versions.dj]\nfile = "e\u0301.wav"',
        6,
        "differ only in case",
        "rename",
    ),
    (
        '[versions.clean]\nfile = "x/a.wav"\n[versions.dj]\nfile = "X/b.wav"',
        6,
        "differ only in case",
        "Spell both alike",
    ),
    (
        '[versions.stems]\nparts = "stems"\nfolder = "s"\n[versions.dj]\nfile = "s/d.wav"',
        7,
        "cannot both exist",
        "Put no file",
    ),
    ('[versions.clean]\nfile = "artwork/cover.png"', 1, "point to one file", "its own file"),
    ('[artwork]\ncover = "a\\u0000b"', 4, "contains", "inside the release folder"),
    (
        '[artwork]\ncover = "a.png"\nclean_cover = "a.png"',
        5,
        "the cover and the clean cover point",
        "own file",
    ),
    ("[artwork]\nsize_px = 100", 4, "size_px 100 is out of range", "pixels: from 300 to 8000"),
    ("[artwork]\nembedded_px = 600.5", 4, "embedded_px 600.5 is not whole", "leave out the point"),
    ('[artwork]\ncovr = "a"', 4, 'key "covr" is not known here', 'Did you mean "cover"?'),
    ('[names]\n"radio edit" = "claen"', 4, 'version "claen" is not known', 'Did you mean "clean"?'),
    ('[names]\n"-" = "clean"', 4, '"-" has no words', "Delete"),
    ('[package]\npattern = "{artist}"', 4, "pattern lacks {version}", "add {version}"),
    ('[package]\npattern = "{version} {bpm}"', 4, 'unknown field "{bpm}"', "{artist}"),
    ('[package]\npattern = "{version}/{title}"', 4, "stray brace or a slash", "one file name"),
    ('[limits]\nintro_bars = "8"', 4, "intro_bars must be a number, not text", "without quotes"),
    ("[limits]\nintro_bars = inf", 4, "intro_bars is not a usable number", "decimals"),
    ("genre = House", 3, "Invalid value (column 9)", "Text stands in quotes"),
    ('artist = "B"', 3, "Cannot overwrite a value", "keep one"),
    ('genre = """a\nb\n', 3, "Unterminated string (to the end of the sheet)", "quotes"),
    ("x = " + "9" * 5000, 3, "this cannot be read", "quotes"),
    ("x = " + "[" * 5000, 3, "this cannot be read", "quotes"),
    ("a" + ".a" * 20_000 + " = 1", 3, "too many dots", "quotes"),
]


@pytest.mark.parametrize(("more", "line", "fault", "hint"), FAULTS, ids=range(len(FAULTS)))
def test_every_fault_names_its_line_and_a_way_out(more: str, line: int, fault: str, hint: str) -> None:
    """One fault in an otherwise good sheet."""
    with pytest.raises(SheetError) as caught:
        Sheet.parse(HEAD + more)

    error = caught.value
    assert len(error.faults) == 1, error.faults
    assert str(error).startswith(f"release.toml line {line}: ")
    assert error.line == line
    assert fault in str(error)
    assert hint in error.hint
    assert "\n" not in str(error) + error.hint


def test_all_faults_are_found_at_once_and_the_first_is_shown() -> None:
    """A person mends the sheet once."""
    with pytest.raises(SheetError) as caught:
        Sheet.parse(
            'title = "T"\nkey = "x"\n[versions.clean]\nrating = "claen"\nfile = "/a"\n', Path("a/s.toml")
        )

    error = caught.value
    assert [fault.line for fault in error.faults] == [1, 2, 4, 5]
    assert str(error) == "s.toml line 1: artist is missing (and 3 more)"
    assert error.hint == 'Add a line artist = "...".'
    assert isinstance(error, BadInputError)
    copy = pickle.loads(pickle.dumps(error))  # noqa: S301  (our own bytes: work may go to other processes)
    assert (str(copy), copy.faults, copy.hint) == (str(error), error.faults, error.hint)


def test_a_misspelt_key_is_one_fault_not_two() -> None:
    """ "artst" is not also a missing artist."""
    with pytest.raises(SheetError) as caught:
        Sheet.parse('artst = "A"\ntitle = "T"\n')
    assert [fault.fault for fault in caught.value.faults] == ['key "artst" is not known here']


@pytest.mark.parametrize("data", [b"\xef\xbb\xbf" + HEAD.encode(), HEAD.replace("\n", "\r\n").encode()])
def test_a_byte_order_mark_and_windows_line_ends_are_fine(data: bytes, tmp_path: Path) -> None:
    """Editors on Windows write both."""
    (tmp_path / "release.toml").write_bytes(data)
    assert Sheet.read(tmp_path / "release.toml").title == "T"


def test_a_file_that_is_no_sheet_is_refused(tmp_path: Path) -> None:
    """Another encoding, another size, or not there."""
    path = tmp_path / "release.toml"
    with pytest.raises(NoSheetError, match=r"there is no release\.toml here"):
        Sheet.read(path)
    path.write_bytes(HEAD.encode() + 'genre = "Café"'.encode("latin-1"))
    with pytest.raises(SheetError, match=r"release\.toml line 3: the text is not UTF-8"):
        Sheet.read(path)
    path.write_bytes(b"#" * 1_000_001)
    with pytest.raises(SheetError, match="larger than"):
        Sheet.read(path)


@pytest.mark.parametrize("explicit", [True, False])
def test_a_new_sheet_reads_back_and_declares_every_rating(explicit: bool) -> None:
    """The default pack: design, section 1."""
    text = new_sheet_text('A "quoted" \\ name\n', "Ünïcode {title}", "126.50", "Bb major", explicit=explicit)
    sheet = Sheet.parse(text)

    assert sheet.artist == 'A "quoted" \\ name\n'
    assert sheet.title == "Ünïcode {title}"
    assert sheet.bars.tempo_text == "126.5 BPM"
    assert str(sheet.key) == "Bb major"
    wanted = ["main", "instrumental", "acapella", "dj"]
    if explicit:
        wanted = ["explicit", "clean", "instrumental", "acapella", "acapella-clean", "dj", "dj-clean"]
    assert list(sheet.versions) == wanted
    ratings = {one.version.id: one.version.rating for one in sheet.versions.values()}
    assert None not in ratings.values()
    assert all(ratings[one] == "clean" for one in ratings if "clean" in one)
    assert all(entry.path == f"bounces/{one}.wav" for one, entry in sheet.versions.items())


def test_every_remark_of_a_new_sheet_can_be_switched_on() -> None:
    """A commented fact is an example that works."""
    text = new_sheet_text("A", "T")
    on = "\n".join(
        line[2:] if line.startswith("# [") or (line.startswith("# ") and " = " in line) else line
        for line in text.splitlines()
    )
    sheet = Sheet.parse(on.replace('"..."', '"x"'))

    assert sheet.remixer == "x"
    assert sheet.credits == (("Mixed by", ("x",)),)
    assert sheet.embargo == dt.datetime(2031, 5, 15, 23, tzinfo=dt.UTC)
    assert str(sheet.key) == "F# minor"
    assert sheet.bars.tempo_text == "120 BPM"


@pytest.mark.parametrize(
    ("facts", "fault"),
    [
        (("", "T", None, None), "artist is empty"),
        (("A", "T", "fast", None), "tempo_bpm must be a number"),
        (("A", "T", "1\nx = 2", None), "tempo_bpm must be a number"),
        (("A", "T", 5000, None), "out of range"),
        (("A", "T", None, "F#m"), "not a musical key"),
    ],
)
def test_facts_that_cannot_be_are_refused_before_there_is_a_sheet(
    facts: tuple[str, str, str | float | None, str | None], fault: str
) -> None:
    """No line is named, as nobody has seen the sheet."""
    with pytest.raises(BadFactsError, match=fault) as caught:
        new_sheet_text(*facts)
    assert "line" not in str(caught.value)


@given(st.text(max_size=80) | st.text(alphabet="[]{}=\"'#.\n ab1,-\\", max_size=80))
@settings(max_examples=500, deadline=None)
def test_any_text_is_a_sheet_or_a_declared_error(text: str) -> None:
    """Parsing arbitrary text succeeds or raises the declared error, no other."""
    for whole in (text, HEAD + text, HEAD + "[versions.clean]\n" + text):
        line = 1
        try:
            Sheet.parse(whole)
        except SheetError as error:
            line = error.line
        assert 1 <= line <= whole.count("\n") + 1


@pytest.mark.parametrize(
    "code",
    # GS1, "How to calculate a check digit manually", and its Swedish, Indian and British examples.
    [
        "036000291452",
        "012345678905",
        "4006381333931",
        "96385074",
        "5012345678900",
        "7300011000017",
        "8904000210037",
    ],
)
def test_published_gtins_are_taken_and_no_digit_may_be_wrong(code: str) -> None:
    """The check digit finds every single mistyped digit."""
    assert Sheet.parse(f'{HEAD}gtin = "{code}"').gtin == code
    for place, digit in enumerate(code):
        wrong = code[:place] + str((int(digit) + 1) % 10) + code[place + 1 :]
        with pytest.raises(SheetError, match="check digit"):
            Sheet.parse(f'{HEAD}gtin = "{wrong}"')


def test_a_promo_line_has_a_default_and_can_be_none() -> None:
    """Packages for labels or film need none."""
    assert Sheet.parse(HEAD).promo_line == "For promotional use only"
    assert Sheet.parse(HEAD + 'promo_line = ""').promo_line == ""
