"""Edges in levels: material with a known truth, synthetic and sung."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from example_release.lyrics import words
from example_release.session import stems
from relkit.measure.audible import AUDIBLE, Envelope, body_level, falls_away_s, first_word_s
from tests.support.example_short import SHORT_S

RATE_HZ = 48_000
Track = npt.NDArray[np.float64]


def enveloped(track: Track, rate_hz: int = RATE_HZ, *, window: int = 100_000) -> Envelope:
    """Return the levels of a mono or stereo track."""
    samples = np.ascontiguousarray(track if track.ndim == 2 else track[:, None], np.float32)
    envelope = Envelope(rate_hz, samples.shape[1])
    for start in range(0, len(samples), window):
        envelope.feed(samples[start : start + window])
    return envelope


def silence(seconds: float) -> Track:
    """Return nothing for a while."""
    return np.zeros(round(seconds * RATE_HZ))


def sung(seconds: float, seed: int = 1, gain: float = 0.3) -> Track:
    """Return words: syllables of 0.1 to 0.4 s that rise in 15 ms, with short stops between them."""
    rng = np.random.default_rng(seed)
    parts: list[Track] = []
    while sum(map(len, parts)) < seconds * RATE_HZ:
        frames = round(rng.uniform(0.1, 0.4) * RATE_HZ)
        phase = 2 * np.pi * rng.uniform(150, 400) * np.arange(frames) / RATE_HZ
        tone = sum(np.sin(number * phase) / number for number in range(1, 9))
        ramp = np.minimum(1, np.minimum(np.arange(frames), np.arange(frames)[::-1]) / (0.015 * RATE_HZ))
        parts += [np.asarray(gain * tone * ramp), silence(rng.uniform(0.0, 0.06))]
    return np.concatenate(parts)[: round(seconds * RATE_HZ)]


def noise(seconds: float, level_db: float, seed: int = 2) -> Track:
    """Return noise at a level re the RMS of ``sung``'s own body."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal(round(seconds * RATE_HZ))
    return np.asarray(white * np.sqrt(body_level(enveloped(sung(8)).levels())) * 10 ** (level_db / 20))


def shaped(track: Track) -> Track:
    """Return a track that swells and fades like a breath."""
    return track * np.sin(np.pi * np.arange(len(track)) / len(track))


def band(seconds: float, seed: int = 3) -> Track:
    """Return a groove: a decaying stroke on every half second over a quiet bed."""
    rng = np.random.default_rng(seed)
    track = 0.08 * rng.standard_normal(round(seconds * RATE_HZ))
    stroke = rng.standard_normal(12_000) * np.exp(-np.arange(12_000) / 3_000) * 0.5
    for start in range(0, len(track) - len(stroke), RATE_HZ // 2):
        track[start : start + len(stroke)] += stroke
    return track


# --- the first and last sound


@given(st.integers(0, 9_000), st.integers(1, 9_000), st.integers(0, 9_000), st.booleans())
@settings(max_examples=60, deadline=None)
def test_the_span_of_sound_is_exact(before: int, during: int, after: int, stereo: bool) -> None:
    """To the frame, in whichever channel it is."""
    track = np.zeros((before + during + after, 2 if stereo else 1))
    track[before, -1] = AUDIBLE * 1.001
    track[before + during - 1, 0] = -AUDIBLE * 1.001
    track[:before] = AUDIBLE * 0.99
    span = enveloped(track, window=1_234).audible_span_s()
    assert span is not None
    assert (round(span[0] * RATE_HZ), round(span[1] * RATE_HZ)) == (before, before + during)


@pytest.mark.parametrize("track", [silence(0), silence(1), silence(1) + AUDIBLE * 0.99])
def test_a_silent_track_has_no_edges(track: Track) -> None:
    """Nor a word, nor an end."""
    envelope = enveloped(track)
    assert envelope.audible_span_s() is None
    assert first_word_s(envelope) is None
    assert falls_away_s(envelope) is None


def test_a_window_can_be_of_any_size() -> None:
    """The levels are the same to the last bit."""
    track = sung(3)
    whole, pieces = enveloped(track), enveloped(track, window=777)
    np.testing.assert_array_equal(whole.levels(), pieces.levels())
    assert whole.audible_span_s() == pieces.audible_span_s()


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 192_000])
def test_blocks_follow_the_rate(rate_hz: int) -> None:
    """About 10 ms each, and none is missing."""
    envelope = enveloped(np.full(rate_hz * 2, 0.5), rate_hz)
    levels = envelope.levels()
    assert envelope.block_s == pytest.approx(0.01, rel=0.01)
    assert len(levels) * envelope.block_s == pytest.approx(2, abs=0.01)
    np.testing.assert_allclose(levels[:-1], 0.25, rtol=1e-5)


def test_a_broken_sample_does_no_harm() -> None:
    """Not a number, infinite or absurd: counted as silence."""
    track = sung(3)
    track[[5, 70_000, 90_000]] = np.nan, np.inf, 1e30
    assert first_word_s(enveloped(np.concatenate([silence(1), track]))) == pytest.approx(1, abs=0.02)


def test_what_was_read_takes_no_more() -> None:
    """Levels that somebody has would no longer be those of the signal."""
    envelope = enveloped(sung(1))
    envelope.levels()
    with pytest.raises(ValueError, match="already"):
        envelope.feed(np.zeros((10, 1), np.float32))


# --- the first word


@pytest.mark.parametrize("start_s", [0.0, 0.37, 15.884, 61.2])
@pytest.mark.parametrize("gain", [0.3, 0.01])
def test_the_first_word_is_found(start_s: float, gain: float) -> None:
    """At any level of the whole: the thresholds follow the file's own."""
    found = first_word_s(enveloped(np.concatenate([silence(start_s), sung(20, gain=gain)])))
    assert found == pytest.approx(start_s, abs=0.02)  # two blocks


BEFORE: dict[str, Callable[[], Track]] = {
    "a breath": lambda: shaped(noise(0.35, -24)),
    "a loud but short breath": lambda: shaped(noise(0.15, -12)),
    "a click": lambda: np.full(240, 0.9),
    "room noise": lambda: noise(5, -45),
    "a tail of reverb": lambda: noise(3, -24) * np.exp(-np.arange(3 * RATE_HZ) / (0.4 * RATE_HZ)),
    "a headphone's leak": lambda: band(5) * 0.008,
}


@pytest.mark.parametrize("kind", BEFORE)
def test_what_comes_before_the_first_word_is_none(kind: str) -> None:
    """It is too short or too quiet to be sung."""
    before = np.concatenate([silence(4), BEFORE[kind](), silence(0.3)])
    found = first_word_s(enveloped(np.concatenate([before, sung(20)])))
    assert found == pytest.approx(len(before) / RATE_HZ, abs=0.02)


UNCERTAIN: dict[str, Callable[[], Track]] = {
    "a whispered verse": lambda: sung(6) * 10 ** (-22 / 20),
    "a choir that fades in": lambda: sung(8) * np.linspace(0, 1, 8 * RATE_HZ),
    "a long loud noise": lambda: noise(3, -17),
    "a shout": lambda: np.concatenate([sung(0.12), silence(2)]),
}


@pytest.mark.parametrize("kind", UNCERTAIN)
def test_what_may_be_a_word_leaves_the_question_open(kind: str) -> None:
    """A wrong time is worse than none: somebody would talk over the words."""
    assert first_word_s(enveloped(np.concatenate([silence(4), UNCERTAIN[kind](), sung(20)]))) is None


def test_a_loud_breath_makes_it_early_never_late() -> None:
    """Within 20 dB of the words and long: then it counts as theirs."""
    breath = shaped(noise(0.4, -14))
    found = first_word_s(enveloped(np.concatenate([silence(4), breath, silence(0.1), sung(20)])))
    assert found is None or 4 <= found <= 4.52


@lru_cache(maxsize=1)
def example_voice() -> Track:
    """Return the example song's vocal with its effects, as its acapella has it."""
    source = stems(SHORT_S)
    return np.asarray((source.voice + source.voice_wet).T, np.float64)


def test_the_example_song_begins_to_sing_where_its_score_says() -> None:
    """The score knows when the first consonant begins."""
    truth = words()[0].start_s
    found = first_word_s(enveloped(example_voice(), 44_100))
    assert found == pytest.approx(truth, abs=0.02)


@pytest.mark.parametrize("word", range(1, 12))
def test_every_word_of_the_example_song_would_do_as_the_first(word: int) -> None:
    """Other consonants, vowels and levels: the vocal is let in where the score has that word."""
    start = round((words()[word].start_s - 0.01) * 44_100)
    pause = np.zeros((8 * 44_100, 2))
    found = first_word_s(enveloped(np.concatenate([pause, example_voice()[start:]]), 44_100))
    assert found == pytest.approx(8.01, abs=0.03)


# --- where a song falls away


def test_a_cold_end_is_the_end() -> None:
    """Cut off at full level."""
    track = np.concatenate([band(30), silence(2)])
    # The bed between the strokes is less than 20 dB below the whole.
    assert falls_away_s(enveloped(track)) == pytest.approx(30, abs=0.02)


def test_a_cold_end_of_a_steady_sound_is_exact() -> None:
    """Without strokes between which it is quieter."""
    track = np.concatenate([noise(30, 0), silence(2)])
    assert falls_away_s(enveloped(track)) == pytest.approx(30, abs=0.02)


@pytest.mark.parametrize("fade_s", [4.0, 10.0, 20.0])
def test_a_fade_is_left_where_it_is_20_db_down(fade_s: float) -> None:
    """A straight fade of the amplitude is 20 dB down when a tenth of it is left."""
    track = noise(60, 0)
    frames = round(fade_s * RATE_HZ)
    track[-frames:] *= np.linspace(1, 0, frames)
    assert falls_away_s(enveloped(track)) == pytest.approx(60 - fade_s / 10, abs=0.01 * fade_s + 0.05)


def test_a_ringing_chord_is_left_after_20_db() -> None:
    """An exponential decay loses 20 dB in 2.3 time constants."""
    ring = noise(8, 0, seed=5) * np.exp(-np.arange(8 * RATE_HZ) / (1.0 * RATE_HZ))
    assert falls_away_s(enveloped(np.concatenate([noise(30, 0), ring]))) == pytest.approx(32.3, abs=0.15)


def test_a_break_in_the_middle_is_no_end() -> None:
    """Only what does not come back has fallen for good."""
    track = np.concatenate([noise(20, 0), noise(10, -30), noise(20, 0), silence(1)])
    assert falls_away_s(enveloped(track)) == pytest.approx(50, abs=0.02)


@pytest.mark.parametrize(
    "tail",
    [
        lambda: noise(60, -22),  # a quiet outro that may or may not be talked over
        lambda: noise(120, -40),  # more than half of the song
        lambda: noise(60, 0) * np.logspace(0, -2, 60 * RATE_HZ),  # a fade of 40 dB in a minute
    ],
)
def test_an_end_that_cannot_be_told_is_none(tail: Callable[[], Track]) -> None:
    """An uncertain timer is left out."""
    assert falls_away_s(enveloped(np.concatenate([noise(40, 0), tail()]))) is None
