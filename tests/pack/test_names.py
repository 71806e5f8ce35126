"""Names of files and folders: readable, and without a fault on any system."""

from __future__ import annotations

import unicodedata
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.errors import UsageError
from relkit.filenames import fault_of_name
from relkit.manifest import VersionFacts
from relkit.pack.facts import SongFacts
from relkit.pack.names import (
    MAX_FILE_UNITS,
    MAX_FOLDER_UNITS,
    LongLabelError,
    LongPatternError,
    SameNameError,
    component,
    distinct,
    file_name,
    folder_name,
    one_line,
    plain,
)

# Every code point, lone surrogates included, and the characters that names stumble over more often.
AWKWARD = st.sampled_from(
    [*'"*/:<>?\\|. \t\n\x00\x7f', "\u202e", "\ud800", "\u0338", "\u200d", "e\u0301", "con", "."]
)
ANY_TEXT = st.one_of(
    st.text(st.characters()),
    st.lists(st.one_of(AWKWARD, st.characters()), max_size=300).map("".join),
    st.sampled_from(["con", "CON.", "Aux.mix", "nul", "COM\u00b9", "lpt9", "...", "  ", ".con"]),
)
LABELS = st.text(st.characters(), max_size=30)
FIELDS = ["{artist}", "{title}", "{featured}", "{remixer}", "{language}"]
PATTERNS = (
    st.lists(st.one_of(st.sampled_from([*FIELDS, "(", ")", "[", "]", " - "]), AWKWARD), max_size=8)
    .map(lambda parts: "".join(dict.fromkeys(parts)))
    .map(lambda text: f"{text} {{version}}")
)


def song(artist: str = "A", title: str = "Song", **more: Any) -> SongFacts:
    """Return a song of which little is declared."""
    return SongFacts(artist=artist, title=title, **more)


def version(label: str = "Clean", language: str | None = None) -> VersionFacts:
    """Return a version of that label."""
    return VersionFacts(
        id="clean", label=label, parts="full", form="song", language=language, length_group="song"
    )


def units(text: str) -> int:
    """Count UTF-16 units by asking the codec."""
    return len(text.encode("utf-16-le")) // 2


@given(
    facts=st.builds(
        SongFacts,
        artist=ANY_TEXT,
        title=ANY_TEXT,
        featured=st.lists(ANY_TEXT, max_size=3).map(tuple),
        remixer=st.none() | ANY_TEXT,
    ),
    label=LABELS,
    suffix=st.sampled_from([".wav", ".aiff", ".jpg"]),
)
def test_any_text_makes_a_file_name_without_a_fault(facts: SongFacts, label: str, suffix: str) -> None:
    """Whatever a person typed, the name survives everywhere and keeps version and extension."""
    name = file_name(facts, label, suffix)

    assert fault_of_name(name) is None
    assert unicodedata.is_normalized("NFC", name)
    assert units(name) <= MAX_FILE_UNITS
    assert name.endswith((f"({plain(label)})" if plain(label) else "") + suffix)
    assert not name.startswith((".", " "))


@given(PATTERNS, ANY_TEXT, ANY_TEXT, LABELS, st.none() | st.sampled_from(["es", "deu"]))
def test_any_pattern_makes_a_name_without_a_fault(
    pattern: str, artist: str, title: str, label: str, language: str | None
) -> None:
    """Also one with forbidden signs and half a pair of brackets; the version is always in it."""
    name = file_name(song(artist, title), version(label, language), ".wav", pattern=pattern)

    assert fault_of_name(name) is None
    assert unicodedata.is_normalized("NFC", name)
    assert units(name) <= MAX_FILE_UNITS
    assert plain(label, otherwise="clean").rstrip(" .") in name
    assert not name.startswith((".", " "))


@given(ANY_TEXT, ANY_TEXT, st.none() | ANY_TEXT, st.none() | ANY_TEXT)
def test_any_text_makes_a_folder_name_without_a_fault(
    artist: str, title: str, tempo: str | None, key: str | None
) -> None:
    """The same for the package's folder."""
    name = folder_name(artist, title, tempo, key)

    assert fault_of_name(name) is None
    assert unicodedata.is_normalized("NFC", name)
    assert units(name) <= MAX_FOLDER_UNITS


@given(ANY_TEXT)
def test_one_line_is_one_line_and_settles(text: str) -> None:
    """No line break of any kind survives, and a second pass changes nothing."""
    line = one_line(text)

    assert len(line.splitlines()) <= 1
    assert one_line(line) == line
    line.encode()


@pytest.mark.parametrize(
    ("artist", "title", "label", "expected"),
    [
        ("Example Artist", "Song", "Clean", "Example Artist - Song (Clean).wav"),
        ("Example Artist", "Part: Two", "Explicit", "Example Artist - Part - Two (Explicit).wav"),
        ("Example Artist", "12:30 / 1", "Explicit", "Example Artist - 12-30 - 1 (Explicit).wav"),
        ("A/B", 'The "Long" Way?', "Clean", "A-B - The 'Long' Way (Clean).wav"),
        ("Example Artist", "D**n", "Clean", "Example Artist - D__n (Clean).wav"),
        ("Example Artist", "Line\r\nTwo", "Clean", "Example Artist - Line Two (Clean).wav"),
        ("Example Artist", "\u202egnos", "Clean", "Example Artist - gnos (Clean).wav"),
        (".hidden", "Song...", "", "hidden - Song....wav"),
        ("???", "\u200b", "Clean", "Unnamed Artist - Untitled (Clean).wav"),
        ("Nul.", "Song", "Clean", "Nul_. - Song (Clean).wav"),
        ("E\u0301xample", "Cafe\u0301", "Clean", "\u00c9xample - Caf\u00e9 (Clean).wav"),
        ("\u6771\u4eac", "\u6c34", "Clean", "\u6771\u4eac - \u6c34 (Clean).wav"),
    ],
)
def test_names_read_as_a_person_would_write_them(artist: str, title: str, label: str, expected: str) -> None:
    """Awkward characters become the nearest plain ones (our own choice; common practice, no source)."""
    assert file_name(song(artist, title), label, ".wav") == expected


@pytest.mark.parametrize(
    ("facts", "of", "expected"),
    [
        (song(featured=("B",)), version(), "A feat. B - Song (Clean).wav"),
        (song(featured=("B", "C", "D")), version(), "A feat. B, C & D - Song (Clean).wav"),
        (song(featured=("?", "C")), version(), "A feat. C - Song (Clean).wav"),
        (song(remixer="R"), version(), "A - Song (R Remix) (Clean).wav"),
        (song(remixer="R"), version("Extended"), "A - Song (R Remix) (Extended).wav"),
        (song(language="en"), version(language="es"), "A - Song (Clean, ES).wav"),
        (song(language="en"), version(language="en"), "A - Song (Clean).wav"),
        (song(language="en"), version("Clean Es", "es"), "A - Song (Clean Es).wav"),
        (song(), version("???"), "A - Song (clean).wav"),
        (song("{title}", "{artist} ({version})"), version(), "{title} - {artist} ({version}) (Clean).wav"),
        (
            song(featured=("B",), remixer="R", language="en"),
            version(language="deu"),
            "A feat. B - Song (R Remix) (Clean, DEU).wav",
        ),
    ],
)
def test_guests_remixer_and_language_have_their_place(
    facts: SongFacts, of: VersionFacts, expected: str
) -> None:
    """What is not declared leaves no trace; what a field holds is no pattern."""
    assert file_name(facts, of, ".wav") == expected


def test_the_same_song_has_the_same_name_whatever_is_measured_or_promised() -> None:
    """Names stay the same from one package to the next (design, section 1)."""
    early = song(tempo_text=None, promo_line="Not for sale")
    assert file_name(early, version(), ".wav") == file_name(song(tempo_text="122 BPM"), version(), ".wav")


def test_a_pattern_with_too_much_text_of_its_own_is_refused() -> None:
    """Nothing that a version needs is cut away for it."""
    with pytest.raises(LongPatternError, match="pattern") as caught:
        file_name(song(), version("x" * 60), ".wav", pattern="word " * 20 + "{version}")
    assert isinstance(caught.value, UsageError)
    with pytest.raises(ValueError, match="no field"):
        file_name(song(), version(), ".wav", pattern="{bpm} {version}")


def test_guests_give_way_before_the_artist_and_the_remixer() -> None:
    """Twenty guests are cut, and the one whom a remix is by stays."""
    facts = song(
        "Example Artist", "Song", featured=tuple(f"Guest {n}" for n in range(20)), remixer="Somebody"
    )
    name = file_name(facts, version(), ".wav")

    assert name.startswith("Example Artist feat. Guest 0, Guest 1, ")
    assert name.endswith("... - Song (Somebody Remix) (Clean).wav")


@given(ANY_TEXT)
def test_any_text_makes_a_subfolder_without_a_fault(text: str) -> None:
    """Reserved names and full stops at the end included."""
    assert fault_of_name(component(text[:80], otherwise="x")) is None


def test_the_folder_says_tempo_and_key_when_they_are_declared() -> None:
    """Common practice, no source: tempo and key in the folder's name."""
    assert (
        folder_name("Example Artist", "Song", "122 BPM", "F# minor")
        == "Example Artist - Song (122 BPM, F# minor)"
    )
    assert folder_name("Example Artist", "Song", None, "F# minor") == "Example Artist - Song (F# minor)"
    assert folder_name("Example Artist", "Wait...") == "Example Artist - Wait"


def test_a_long_title_gives_way_and_the_version_stays() -> None:
    """Only the title is shortened while that is enough, and it says so."""
    name = file_name(song("Example Artist", "word " * 100), "DJ Edit Clean", ".wav")

    assert name.startswith("Example Artist - word word")
    assert name.endswith(" word... (DJ Edit Clean).wav")
    assert units(name) > MAX_FILE_UNITS - 6


def test_a_composed_character_is_not_split() -> None:
    """Cutting between a base and its mark would make another letter."""
    title = "q\u0323" * 100  # q with dot below has no composed form

    name = file_name(song("A", title), "Clean", ".wav")

    assert name.removesuffix("... (Clean).wav").endswith("q\u0323")


def test_a_label_that_leaves_no_room_is_refused() -> None:
    """A version is never shortened; the sheet must give a shorter label."""
    with pytest.raises(LongLabelError, match="too long") as caught:
        file_name(song(), version("x" * 65), ".wav")
    assert isinstance(caught.value, UsageError)


@pytest.mark.parametrize("suffix", ["wav", ".WAV", "", ".", ".a/b", ".toolong"])
def test_a_suffix_of_another_form_is_the_callers_mistake(suffix: str) -> None:
    """Suffixes come from code, not from people."""
    with pytest.raises(ValueError, match="suffix"):
        file_name(song(), version(), suffix)


@pytest.mark.parametrize(
    "paths",
    [
        ["WAV/a (Clean).wav", "WAV/A (clean).wav"],
        ["caf\u00e9.wav", "cafe\u0301.wav"],
        ["WAV/a", "wav/b"],
        ["a", "a/b"],
        ["stra\u00dfe.wav", "STRASSE.wav"],
    ],
)
def test_versions_that_would_be_one_file_are_refused(paths: list[str]) -> None:
    """They are never numbered apart in silence."""
    with pytest.raises(SameNameError) as caught:
        distinct(paths)
    assert [second for _, second in caught.value.pairs] == paths[1:]
    assert "\n" not in str(caught.value)


def test_labels_that_differ_in_punctuation_only_are_refused() -> None:
    """The collision that substitution makes is found as well."""
    with pytest.raises(SameNameError):
        distinct(file_name(song(), version(label), ".wav") for label in ["Short/Clean", "Short-Clean"])


def test_distinct_paths_pass_in_their_order() -> None:
    """What does not collide comes back as it was."""
    assert distinct(["b", "a"]) == ["b", "a"]


def test_a_title_of_any_length_and_an_artist_too_long_for_it() -> None:
    """The title goes down to a few letters, then the artist gives way; the rest stays."""
    name = file_name(song("artist " * 50, "title " * 50), "Clean", ".wav")
    folder = folder_name(
        "Example Artist", "Song", "between 118 and 126 BPM, played live throughout", "F# minor"
    )

    assert name.startswith("artist artist")
    assert name.endswith("... - title ti... (Clean).wav")
    assert folder.startswith("Example Artist - Song (between 118 and 126 BPM")
    assert folder.endswith("...)")


def test_noncharacters_and_stacked_marks_do_no_harm() -> None:
    """U+FFFE and U+FDD0 are no characters (Unicode, D14); a thousand accents are cut like letters."""
    assert file_name(song("A\ufffe\ufdd0", "B"), "Clean", ".wav") == "A - B (Clean).wav"
    assert fault_of_name(file_name(song("A", "e" + "\u0323" * 1000), "Clean", ".wav")) is None
