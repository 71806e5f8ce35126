"""Bars, beats, seconds and frames, in exact arithmetic."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.bars import NOTE_VALUES, BadTempoError, BarMap, LiveTempo, Meter, TempoChange, decimal_text


@pytest.mark.parametrize(
    ("bars", "bpm", "seconds", "at_44100", "at_48000"),
    [
        (8, "120", "16.0", "705600", "768000"),
        (8, "128", "15.0", "661500", "720000"),
        (8, "100", "19.2", "846720", "921600"),
        (8, "90", "21.333333", "940800", "1024000"),
        (8, "140", "13.714286", "604800", "658285.714"),
        (8, "174", "11.034483", "486620.690", "529655.172"),
        (8, "126.5", "15.177866", "669343.874", "728537.549"),
        (4, "96", "10.0", "441000", "480000"),
        (16, "122", "31.475410", "1388065.574", "1510819.672"),
        (1, "120", "2.0", "88200", "96000"),
    ],
)
def test_bars_have_the_published_lengths(
    bars: int, bpm: str, seconds: str, at_44100: str, at_48000: str
) -> None:
    """seconds = bars * beats per bar * 60 / bpm; standards digest, section 9.2 (arithmetic)."""
    song = BarMap.steady(Fraction(bpm))

    start, end = song.seconds_of_bar(1), song.seconds_of_bar(1 + bars)
    assert start is not None
    assert end is not None
    assert abs(end - start - Fraction(seconds)) <= Fraction(1, 2_000_000)  # printed to six decimals
    for rate_hz, printed in ((44_100, at_44100), (48_000, at_48000)):
        frames = song.frames_of(bars, rate_hz)
        assert frames is not None
        assert abs(frames - Fraction(printed)) <= Fraction(1, 2000)  # printed to three decimals


def test_eight_bars_of_three_four_are_24_beats() -> None:
    """docs: design, section "Words"; at 120 BPM a beat is half a second."""
    waltz = BarMap.steady(120, meter=Meter(3, 4))

    assert waltz.seconds_of_bar(9) == Fraction(24, 2)


@pytest.mark.parametrize(
    ("counts", "bar_s"), [("dotted-quarter", Fraction(2)), ("eighth", Fraction(6)), ("quarter", Fraction(3))]
)
def test_six_eight_lasts_what_its_tempo_counts(counts: str, bar_s: Fraction) -> None:
    """At 60 BPM a bar of 6/8 is two dotted quarters, six eighths or three quarters: 2, 6 or 3 s."""
    song = BarMap.steady(60, meter=Meter(6, 8), tempo_counts=NOTE_VALUES[counts])

    assert song.seconds_of_bar(2) == bar_s
    assert song.seconds_of_bar(1, 4) == bar_s / 2  # the fourth of six eighths


def test_places_are_read_as_bar_and_beat() -> None:
    """At 120 BPM and 0.25 s to the first downbeat, beat 2 of bar 33 is at 0.25 + 32 * 2 + 0.5 s."""
    song = BarMap.steady(120, first_downbeat_s=Fraction(1, 4))

    assert str(song.bar_at(Fraction("64.75"))) == "bar 33.2"
    assert str(song.bar_at(Fraction("64.9"))) == "bar 33.2"
    assert str(song.bar_at(0)) == "bar 0.4"  # half a beat before the first downbeat
    # One frame early at 44.1 kHz is still that beat, also across the bar line.
    assert str(song.bar_at(Fraction("64.75") - Fraction(1, 44_100))) == "bar 33.2"
    assert str(song.bar_at(Fraction("64.25") - Fraction(1, 44_100))) == "bar 33.1"


def test_a_tempo_change_moves_what_comes_after_it_and_nothing_before() -> None:
    """120 BPM for 8 bars (16 s), then 60 BPM: bar 10 begins at 16 + 4 s."""
    song = BarMap(tempo=(TempoChange(Fraction(120), bar=1), TempoChange(Fraction(60), bar=9)))

    assert [song.seconds_of_bar(bar) for bar in (1, 9, 10)] == [0, 16, 20]
    assert song.frames_of(2, 48_000, from_bar=8) == (2 + 4) * 48_000
    by_clock = BarMap(tempo=(TempoChange(Fraction(120), bar=1), TempoChange(Fraction(60), at_s=Fraction(16))))
    assert [by_clock.seconds_of_bar(bar) for bar in (1, 9, 10)] == [0, 16, 20]
    assert by_clock.later_by(Fraction(5)).seconds_of_bar(10) == 25
    mid_bar = BarMap(
        tempo=(TempoChange(Fraction(120), bar=1), TempoChange(Fraction(60), bar=1, beat=Fraction(3)))
    )
    assert mid_bar.seconds_of_bar(2) == 1 + 2  # two beats of half a second, two of one second


def test_a_pick_up_lies_before_the_first_downbeat() -> None:
    """One beat at 120 BPM."""
    song = BarMap(
        tempo=(TempoChange(Fraction(120), bar=1),), first_downbeat_s=Fraction(2), pickup_beats=Fraction(1)
    )

    assert song.song_start_s == Fraction(3, 2)


@pytest.mark.parametrize("song", [BarMap(), BarMap(tempo=LiveTempo(Fraction(118), Fraction(124)))])
def test_without_a_grid_there_are_no_bars(song: BarMap) -> None:
    """Nothing is guessed for live playing or an undeclared tempo."""
    assert not song.has_grid
    assert song.seconds_of_bar(9) is None
    assert song.bar_at(10) is None
    assert song.frames_of(8, 48_000) is None


@pytest.mark.parametrize(
    ("tempo", "text"),
    [
        (None, None),
        (LiveTempo(Fraction(118), Fraction(124)), "118-124 BPM (live)"),
        ((TempoChange(Fraction(122), bar=1),), "122 BPM"),
        ((TempoChange(Fraction("126.5"), bar=1),), "126.5 BPM"),
        ((TempoChange(Fraction(122), bar=1), TempoChange(Fraction(90), bar=9)), "90-122 BPM (changes)"),
    ],
)
def test_a_tempo_reads_as_people_write_it(
    tempo: tuple[TempoChange, ...] | LiveTempo | None, text: str | None
) -> None:
    """The note and the folder name show this."""
    assert BarMap(tempo=tempo).tempo_text == text


def test_a_tempo_that_counts_another_note_says_so() -> None:
    """60 dotted quarters are not 60 quarters."""
    song = BarMap.steady(60, meter=Meter(6, 8), tempo_counts=NOTE_VALUES["dotted-quarter"])
    assert song.tempo_text == "60 BPM (dotted quarter)"
    assert decimal_text(Fraction(1, 3)) == "0.333333"


@pytest.mark.parametrize(
    ("changes", "at", "fault"),
    [
        ([], 0, "empty"),
        ([TempoChange(Fraction(120), bar=2)], 0, "must be at bar 1"),
        ([TempoChange(Fraction(120), at_s=Fraction(0))], 0, "must be at bar 1"),
        ([TempoChange(Fraction(120), bar=1), TempoChange(Fraction(90), bar=1)], 1, "after the one before"),
        ([TempoChange(Fraction(120), bar=1), TempoChange(Fraction(90))], 1, "at a bar or at a time"),
        ([TempoChange(Fraction(120), bar=1), TempoChange(Fraction(5), bar=2)], 1, "out of range"),
        (
            [TempoChange(Fraction(120), bar=1), TempoChange(Fraction(90), bar=2, beat=Fraction(5))],
            1,
            "no beat 5",
        ),
    ],
)
def test_changes_that_make_no_sense_are_refused(changes: list[TempoChange], at: int, fault: str) -> None:
    """The error says which of them."""
    with pytest.raises(BadTempoError, match=fault) as caught:
        BarMap(tempo=tuple(changes))
    assert caught.value.change == at


@pytest.mark.parametrize("meter", [(0, 4), (65, 4), (4, 3), (4, 0)])
def test_a_meter_has_beats_and_a_note(meter: tuple[int, int]) -> None:
    """A caller's mistake."""
    with pytest.raises(ValueError, match="no meter"):
        Meter(*meter)


_BPM = st.fractions(min_value=20, max_value=300, max_denominator=100)


@given(
    st.lists(_BPM, min_size=1, max_size=4),
    st.integers(1, 12),
    st.sampled_from([4, 8]),
    st.integers(-20, 200),
    st.fractions(min_value=0, max_value=1, max_denominator=64),
)
def test_there_and_back_is_exact(
    tempi: list[Fraction], beats: int, note: int, bar: int, within: Fraction
) -> None:
    """Seconds of a place, asked for their place again, give the same fraction."""
    changes = tuple(TempoChange(bpm, bar=1 + 8 * place) for place, bpm in enumerate(tempi))
    song = BarMap(Meter(beats, note), changes, first_downbeat_s=Fraction(1, 3))
    beat = 1 + within * beats * Fraction(63, 64)

    seconds = song.seconds_of_bar(bar, beat)

    assert seconds is not None
    position = song.bar_at(seconds)
    assert position is not None
    assert (position.bar, position.beat) == (bar, beat)
