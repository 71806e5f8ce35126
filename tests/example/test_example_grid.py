"""The example's bar grid and its words, against the published arithmetic."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest

from example_release import lyrics, session
from example_release.scenario import (
    BARS,
    BODY_OFFSET_FRAMES,
    RATE_HZ,
    SECTIONS,
    SONG_BARS,
    SONG_FRAMES,
    bars_within,
    frame_of_bar,
)


def test_sixteen_bars_lie_where_the_digest_says() -> None:
    """16 bars of 4/4 at 122 BPM are 1388065.574 samples at 44.1 kHz, rounded once."""
    published = 1_388_065.574  # standards digest 9.2, row "16 | 122"
    assert abs(frame_of_bar(16) - published) <= 0.5


def test_the_body_offset_is_eight_bars_rounded_once() -> None:
    """8 bars of 4/4 at 122 BPM (formula of standards digest 9.2: bars * beats * 60 / bpm * rate)."""
    exact = Fraction(8 * 4 * 60 * RATE_HZ, 122)
    assert abs(BODY_OFFSET_FRAMES - exact) <= Fraction(1, 2)


def test_bar_lines_do_not_drift() -> None:
    """No bar line is further than half a frame from its exact place."""
    assert all(
        abs(frame_of_bar(bar) - Fraction(bar * 4 * 60 * RATE_HZ, 122)) <= Fraction(1, 2) for bar in range(200)
    )


def test_sections_follow_each_other_without_gaps() -> None:
    """The arrangement covers the song in whole groups of eight bars."""
    starts = [section.first_bar for section in SECTIONS]
    assert starts == [0, *(section.end_bar for section in SECTIONS[:-1])]
    assert all(section.bars % 8 == 0 for section in SECTIONS)
    assert len(BARS) == len(SECTIONS)


def test_the_song_is_a_song() -> None:
    """Three minutes or more, as the trade's usual length for a song goes (common practice)."""
    assert 190 <= SONG_FRAMES / RATE_HZ <= 212


def test_a_limit_cuts_at_a_bar_line() -> None:
    """The limit takes whole bars and refuses to leave nothing."""
    assert bars_within(None) == bars_within(10_000) == SONG_BARS
    assert bars_within(4.0) == 2  # a bar is 1.967 s
    with pytest.raises(ValueError, match="at least one bar"):
        bars_within(1.9)


def test_every_syllable_has_a_note_and_can_be_spoken() -> None:
    """Words and melody fit, and words come in order without overlap."""
    for phrase in lyrics.lead() + lyrics.ad_libs():
        assert len(phrase.syllables) == len(phrase.notes), phrase.text
    sung = lyrics.words()
    assert all(before.end_s <= after.start_s for before, after in pairwise(sung))
    assert [word.index for word in sung] == list(range(len(sung)))


def test_edits_are_short_and_few() -> None:
    """Five to eight places of 0.25 to 0.6 s; the second take has one more than the first."""
    first, second = session.mute_spans(1), session.mute_spans(2)
    assert set(first) < set(second)
    assert len(second) - len(first) == 1
    assert 5 <= len(first) <= 8
    assert all(0.25 <= (end - start) / RATE_HZ <= 0.6 for start, end in second)
    with pytest.raises(ValueError, match="take"):
        session.mute_spans(3)
