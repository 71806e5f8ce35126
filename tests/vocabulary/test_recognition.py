"""File names as people write them, and what they must and must not decide.

The tables are common practice, no source: names of the kind that mix
engineers give to bounces, written down before the code was run on them.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.vocabulary import (
    WELL_KNOWN,
    Ambiguous,
    Recognised,
    Unrecognised,
    Version,
    is_slug,
    phrase_of,
    recognise,
)

ARTIST, TITLE = "The Weir Keepers", "Lanterns on the Weir"

SAYS_SO = [
    # explicit
    ("Lanterns on the Weir (Explicit).wav", "explicit"),
    ("01 - Lanterns On The Weir - Dirty.aiff", "explicit"),
    ("lanterns_on_the_weir_EXPLICIT_96k24b.wav", "explicit"),
    ("LanternsOnTheWeirDirty.wav", "explicit"),
    ("lanterns dirty v3 FINAL.wav", "explicit"),
    ("weir.main.explicit.wav", "explicit"),
    ("uncensored mix 12.wav", "explicit"),
    ("lanterns (not clean).wav", "explicit"),
    ("expl_2024-11-03.wav", "explicit"),
    ("street version.wav", "explicit"),
    # clean
    ("Lanterns on the Weir (Clean).wav", "clean"),
    ("lanterns_clean_mx3.wav", "clean"),
    ("lanterns-CLEAN-FINAL_final2.wav", "clean"),
    ("Lanterns clean (1).wav", "clean"),
    ("Lanterns clean - Copy.wav", "clean"),
    ("clean radio edit.wav", "clean"),
    ("Radio Edit (Clean).wav", "clean"),
    ("radio_clean_edit_24bit.wav", "clean"),
    ("lanterns cln.wav", "clean"),
    ("LANTERNS CENSORED 44.1.wav", "clean"),
    ("clean master.wav", "clean"),
    ("cleanmaster.wav", "clean"),
    ("CleanEdit_mix7.wav", "clean"),
    ("non-explicit.wav", "clean"),
    ("ＣＬＥＡＮ.wav", "clean"),
    ("clean.wav.wav", "clean"),
    ("bounces/final/clean.wav", "clean"),
    ("C:\\bounces\\clean.wav", "clean"),
    ("the weir keepers & lanterns on the weir, clean.wav", "clean"),
    # instrumental
    ("Lanterns on the Weir (Instrumental).wav", "instrumental"),
    ("lanterns_inst.wav", "instrumental"),
    ("LANTERNS_INST_122bpm_F#m.wav", "instrumental"),
    ("03_lanterns_instr_v2_48k.wav", "instrumental"),
    ("InstrumentalMIX7.wav", "instrumental"),
    ("INSTRUMENTALmix.wav", "instrumental"),
    ("instFinal.wav", "instrumental"),
    ("inst2.wav", "instrumental"),
    ("lanterns - no vocals.wav", "instrumental"),
    ("main instrumental.wav", "instrumental"),
    ("lanterns instrumental no intro.wav", "instrumental"),
    # acapella
    ("Lanterns on the Weir (Acapella).wav", "acapella"),
    ("lanterns a cappella.wav", "acapella"),
    ("lanterns A-Capella.wav", "acapella"),
    ("À Cappella.wav", "acapella"),
    ("ACappella.wav", "acapella"),
    ("lanterns_acap_96k24b.wav", "acapella"),
    ("acca v3.wav", "acapella"),
    ("accapella dirty.wav", "acapella"),
    ("explicit acapella.wav", "acapella"),
    ("vox only.wav", "acapella"),
    ("acapella vocals.wav", "acapella"),
    ("Lanterns Acapella Clean.wav", "acapella-clean"),
    ("clean_acap_mix 7.wav", "acapella-clean"),
    ("acapellaClean.wav", "acapella-clean"),
    ("cleanacap.wav", "acapella-clean"),
    # DJ edit
    ("Lanterns on the Weir (DJ Edit).wav", "dj"),
    ("lanterns_dj_intro.wav", "dj"),
    ("LanternsDJIntro.wav", "dj"),
    ("lanterns dj edit dirty.wav", "dj"),
    ("Lanterns (Intro-Outro).wav", "dj"),
    ("Lanterns (Intro & Outro) [Dirty].wav", "dj"),
    ("intro_outro_explicit.wav", "dj"),
    ("djedit.wav", "dj"),
    ("DJedit 2024_02_29.wav", "dj"),
    ("Lanterns (DJ Intro Clean).wav", "dj-clean"),
    ("lanterns_clean_dj_intro-outro_bounce.wav", "dj-clean"),
    ("djintroclean.wav", "dj-clean"),
    ("DJ Edit - Clean - 96k24b - v3.wav", "dj-clean"),
    ("clean club intro dj.wav", "dj-clean"),
    # main
    ("Lanterns on the Weir (Main).wav", "main"),
    ("main mix 4.wav", "main"),
    ("lanterns_full_mix_FINAL.wav", "main"),
    ("FullMix.wav", "main"),
    ("Original Mix.wav", "main"),
    ("main_master_24bit.wav", "main"),
    # beyond the well-known ids
    ("Lanterns TV.wav", "tv"),
    ("lanterns TV track v2.wav", "tv"),
    ("TVMix.wav", "tv"),
    ("tv_mix_clean.wav", "tv-clean"),
    ("no lead vocal.wav", "tv"),
    ("Lanterns Short.wav", "short"),
    ("short edit clean.wav", "short-clean"),
    ("lanterns clean 30s.wav", "short-clean"),
    ("lanterns 60 sec.wav", "short"),
    ("Extended Mix.wav", "extended"),
    ("extended instrumental.wav", "extended-instrumental"),
    ("stems.wav", "stems"),
]


def ask(name: str, **more: object) -> Recognised | Ambiguous | Unrecognised:
    """Recognise a name for the invented song, unless another one is given."""
    settings: dict[str, object] = {"known": {}, "artist": ARTIST, "title": TITLE, **more}
    return recognise(name, **settings)  # type: ignore[arg-type]


@pytest.mark.parametrize(("name", "version_id"), SAYS_SO)
def test_a_name_that_says_its_version_is_believed(name: str, version_id: str) -> None:
    """No question where a colleague would have none."""
    answer = ask(name)

    assert isinstance(answer, Recognised), answer
    assert answer.version_id == version_id
    assert answer.because


@pytest.mark.parametrize(
    ("name", "candidates"),
    [
        ("Lanterns on the Weir (Radio Edit).wav", {"clean", "short", "short-clean"}),
        ("radio_edit_v3.wav", {"clean", "short", "short-clean"}),
        ("RadioMix.wav", {"clean", "short", "short-clean"}),
        ("radio edit dirty.wav", {"explicit", "short"}),
        ("clean instrumental.wav", {"instrumental", "instrumental-clean"}),
        ("clean 2 min.wav", {"short-clean", "clean"}),
        (
            "instrumental radio edit.wav",
            {"instrumental-clean", "short-instrumental", "short-instrumental-clean"},
        ),
        ("lanterns edit 2.wav", {"clean", "short", "short-clean"}),
        ("edited.wav", {"clean", "short", "short-clean"}),
        ("clean dirty.wav", {"clean", "explicit"}),
        ("DJ intro (Clean & Dirty).wav", {"dj-clean", "dj"}),
        ("instrumental acapella.wav", {"instrumental", "acapella"}),
        ("tv instrumental.wav", {"tv", "instrumental"}),
        ("short extended.wav", {"short", "extended"}),
        ("intro clean.wav", {"dj-clean", "intro-only-clean"}),
        ("club mix.wav", {"dj", "extended"}),
        ("vox.wav", {"acapella", "main"}),
        ("karaoke.wav", {"instrumental", "tv"}),
        ("clean guitar.wav", {"clean", "stems-clean"}),
        ("instrumental with hook.wav", {"instrumental"}),
        ("DJ Rolo edit clean.wav", {"dj-clean", "clean"}),
        ("clean (spanish).wav", {"clean"}),
        ("lanterns FINAL master.wav", {"main", "explicit"}),
    ],
)
def test_a_name_that_says_two_things_or_half_a_thing_leaves_a_question(
    name: str, candidates: set[str]
) -> None:
    """Guessing wrong here sends the wrong file to a station."""
    answer = ask(name)

    assert isinstance(answer, Ambiguous), answer
    assert set(answer.candidates) == candidates
    assert answer.question
    assert answer.phrase == phrase_of(answer.phrase)


@pytest.mark.parametrize(
    "name",
    [
        "Lanterns on the Weir.wav",
        "lanterns_on_the_weir_mix7_FINAL.wav",
        "mixdown-7.wav",
        "bounce.wav",
        "FINAL_final2.wav",
        "01.wav",
        "2024-11-03 96k24b.wav",
        "The Weir Keepers - Lanterns on the Weir v3.wav",
        "beat.wav",
        "cleanup 3.wav",
        ".wav",
        "",
        "夜.wav",
    ],
)
def test_a_name_that_says_nothing_is_never_taken_for_the_main_version(name: str) -> None:
    """The title alone is no version."""
    assert isinstance(ask(name), Unrecognised)


@pytest.mark.parametrize(
    ("artist", "title", "name", "version_id"),
    [
        ("A", "Clean Slate", "Clean Slate (Instrumental).wav", "instrumental"),
        ("A", "Clean Slate", "clean_slate_dirty.wav", "explicit"),
        ("A", "Clean Slate", "CleanSlate_Acap.wav", "acapella"),
        ("A", "Clean Slate", "clean slate clean.wav", "clean"),
        ("A", "Clean Slate", "clean.wav", "clean"),
        ("A", "Dirty Water", "02 Dirty Water - Clean.wav", "clean"),
        ("A", "Dirty Water", "DIRTYWATER_dj_intro.wav", "dj"),
        ("A", "TV Dinner", "TV Dinner Inst.wav", "instrumental"),
        ("A", "TV", "TV (TV Mix).wav", "tv"),
        ("A", "Radio", "Radio - Clean.wav", "clean"),
        ("A", "Don't Clean Up (Part 2)", "Dont Clean Up inst.wav", "instrumental"),
        ("A", "Clean Up This House", "clean up this - acapella.wav", "acapella"),
        ("A", "Salt & Clean Water", "Salt and Clean Water dirty.wav", "explicit"),
        ("The Dirty Halves", "Rain", "Dirty Halves - Rain - Clean.wav", "clean"),
        ("DJ Example", "Rain", "DJ Example - Rain (Clean).wav", "clean"),
        ("Example", "Rain", "DJ Example - Rain (Clean).wav", "clean"),
        ("Example", "Rain", "rain dj.wav", "dj"),
        ("Clean", "Dirty", "Clean - Dirty - Instrumental.wav", "instrumental"),
        ("Éxplicit", "Rain", "explicit rain clean.wav", "clean"),
    ],
)
def test_words_of_artist_and_title_do_not_decide(artist: str, title: str, name: str, version_id: str) -> None:
    """A song may be called like a version."""
    answer = ask(name, artist=artist, title=title)

    assert isinstance(answer, Recognised), answer
    assert answer.version_id == version_id


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Clean Slate", "Clean Slate.wav"),
        ("Dirty Water", "01 - dirty_water mix 3.wav"),
        ("TV Dinner", "TVDinner-FINAL.wav"),
        ("Instrumental", "Instrumental.wav"),
    ],
)
def test_a_title_made_of_version_words_says_nothing_alone(title: str, name: str) -> None:
    """Nothing is left once the title is gone."""
    assert isinstance(ask(name, title=title), Unrecognised)


def test_a_shortened_title_beside_another_word_leaves_a_question() -> None:
    """ "clean_inst" of a song called Clean Slate may be the plain instrumental."""
    answer = ask("clean_inst.wav", title="Clean Slate")

    assert isinstance(answer, Ambiguous)
    assert set(answer.candidates) == {"instrumental", "instrumental-clean"}


def test_an_answer_is_remembered_for_the_phrase_and_only_for_it() -> None:
    """Asked once for "radio edit"; an instrumental radio edit is another question."""
    known = {"radio edit": "clean", "beat": "instrumental"}

    again = ask("07 Lanterns RADIO_EDIT mix 9.wav", known=known)
    assert isinstance(again, Recognised)
    assert (again.version_id, again.because) == ("clean", "radio edit (remembered)")
    beat = ask("lanterns_beat_v4.wav", known=known)
    assert isinstance(beat, Recognised)
    assert beat.version_id == "instrumental"
    assert isinstance(ask("instrumental radio edit.wav", known=known), Ambiguous)
    assert isinstance(ask("beat tape.wav", known=known), Unrecognised)


def test_a_remembered_answer_never_overrules_a_clear_name() -> None:
    """Phrases are looked up only where a question is left."""
    answer = ask("clean.wav", known={"clean": "explicit"})

    assert isinstance(answer, Recognised)
    assert answer.version_id == "clean"


def test_a_version_of_the_sheet_is_recognised_by_its_axes_id_and_label() -> None:
    """A declared version has a name that no list of words can know."""
    versions = {
        "tv-full": Version("tv-full", parts="tv", rating="explicit"),
        "arena": Version("arena", form="short", rating="clean", label="Stadium Chop"),
        "clean": Version("clean", rating="clean", label="Radio Edit"),
        "explicit": Version("explicit", rating="explicit"),
    }

    for name, version_id in {
        "lanterns TV track.wav": "tv-full",
        "Lanterns stadium_chop 3.wav": "arena",
        "arena.wav": "arena",
        "short clean.wav": "arena",
        "Lanterns (Radio Edit).wav": "clean",
        "main mix.wav": "explicit",
    }.items():
        answer = ask(name, versions=versions)
        assert isinstance(answer, Recognised), (name, answer)
        assert answer.version_id == version_id
    assert isinstance(ask("arena instrumental.wav", versions=versions), Ambiguous)


def test_a_name_that_says_dirty_never_becomes_a_version_declared_clean() -> None:
    """The sheet says that the DJ edit is clean, the name says that it is not: ask."""
    versions = {**WELL_KNOWN, "dj": Version("dj", form="dj-edit", rating="clean")}

    answer = ask("dj edit dirty.wav", versions=versions)

    assert isinstance(answer, Ambiguous)
    assert "declares dj as clean" in answer.question


def test_the_reason_quotes_the_name_as_it_was_written() -> None:
    """People trust an answer that shows its ground."""
    answer = ask("01_LanternsDJIntro_CLEAN_v3.wav")

    assert isinstance(answer, Recognised)
    assert answer.because == "DJ Intro, CLEAN"
    assert (answer.parts, answer.form) == ("full", "dj-edit")


@given(st.text(max_size=60), st.none() | st.text(max_size=12), st.none() | st.text(max_size=12))
@settings(max_examples=300, deadline=None)
def test_any_name_gets_an_answer(name: str, artist: str | None, title: str | None) -> None:
    """No name, artist or title breaks the reading, and every id that comes out can stand in a sheet."""
    answer = ask(name, artist=artist, title=title)

    if isinstance(answer, Recognised):
        assert is_slug(answer.version_id)
        Version(answer.version_id, parts=answer.parts, form=answer.form)
    elif isinstance(answer, Ambiguous):
        assert all(is_slug(one) for one in answer.candidates)
        assert answer.phrase


@given(
    st.lists(
        st.sampled_from(
            [
                "clean",
                "dirty",
                "dj",
                "inst",
                "tv",
                "radio",
                "edit",
                "intro",
                "acap",
                "mix",
                "7",
                "short",
                "spanish",
                "vox",
                "master",
            ]
        ),
        min_size=1,
        max_size=5,
    ),
    st.sampled_from([" ", "_", "-", ".", ""]),
)
@settings(max_examples=300, deadline=None)
def test_separators_do_not_change_the_answer(words: list[str], separator: str) -> None:
    """ "dj_intro-clean", "dj intro clean" and "djintroclean" are one name, if the words can be told apart."""
    plain, written = ask(" ".join(words)), ask(separator.join(words))

    if separator:
        assert type(plain) is type(written)
    if isinstance(plain, Recognised) and isinstance(written, Recognised):
        assert plain.version_id == written.version_id


def test_a_long_hostile_name_takes_no_time() -> None:
    """A name of 4,000 letters is read in one go; the time limit is pytest's patience."""
    assert isinstance(ask("djdjdj" * 700 + "x"), Unrecognised)
    ask("dj " * 1300 + "clean")
