"""Presence of one mix in another, on leaks made with a known time and level."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from relkit.measure.presence import Presence, presence
from tests.support.rendered_pairs import RATE_HZ, Samples, song


def _energy(samples: npt.NDArray[np.float32]) -> float:
    return float(np.mean(np.square(samples, dtype=np.float64)))


def _places(seed: int, count: int) -> list[int]:
    """Return starts of seconds in which the voice sounds to both edges, at most 3 dB under its mean."""
    voice, rng = song().voice, np.random.default_rng(seed)
    edge, places = RATE_HZ // 20, list[int]()
    while len(places) < count:
        start = int(rng.integers(0, len(voice) - RATE_HZ))
        second = voice[start : start + RATE_HZ]
        softer = min(_energy(second[:edge]), _energy(second[-edge:]))
        if _energy(second) > 1e-4 and softer > _energy(second) / 2:
            places.append(start)
    return places


@pytest.mark.parametrize("number", range(6))
def test_a_second_of_voice_30_db_below_the_beat_is_found(number: int) -> None:
    """One finding, with its time to 50 ms and its level to 3 dB."""
    start = _places(1, 6)[number]
    music, second = song().music, slice(start, start + RATE_HZ)
    leaked = song().voice[second] * np.float32(
        np.sqrt(1e-3 * _energy(music[second]) / _energy(song().voice[second]))
    )
    instrumental = music.copy()
    instrumental[second] += leaked

    found = presence(song().voice, instrumental, RATE_HZ)

    (burst,) = found.bursts
    assert burst.start_s == pytest.approx(start / RATE_HZ, abs=0.05)
    assert burst.end_s == pytest.approx(start / RATE_HZ + 1, abs=0.05)
    assert burst.level_db == pytest.approx(10 * np.log10(_energy(leaked) / _energy(music)), abs=3)
    outside = (found.times_s < burst.start_s - 0.25) | (found.times_s > burst.end_s + 0.25)
    assert np.isneginf(found.level_db[outside]).all()
    assert np.isfinite(found.level_db[~outside]).any()


def test_clean_stems_give_no_finding() -> None:
    """Voice and music of one song, in one key and tempo, either way."""
    for of, in_ in ((song().voice, song().music), (song().music, song().voice)):
        found = presence(of, in_, RATE_HZ)
        assert found.bursts == ()
        assert found.overall_db == -np.inf
        assert np.isneginf(found.level_db).all()


@pytest.mark.parametrize("level_db", [-20.0, -45.0])
def test_a_steady_leak_is_one_long_burst(level_db: float) -> None:
    """The beat in the acapella, all through; its share comes out."""
    share = np.float32(10 ** (level_db / 20))

    found = presence(song().music, song().voice + share * song().music, RATE_HZ)

    longest = max(found.bursts, key=lambda burst: burst.end_s - burst.start_s)
    assert longest.end_s - longest.start_s > 0.8 * len(song().music) / RATE_HZ
    assert longest.share_db == pytest.approx(level_db, abs=1.5)


def test_a_louder_word_within_a_steady_leak_is_told_apart() -> None:
    """Bleed at -45 dB and, for a second, the voice at -15 dB."""
    start = _places(2, 1)[0]
    curve = np.full((len(song().voice), 1), 10 ** (-45 / 20), np.float32)
    curve[start : start + RATE_HZ] = 10 ** (-15 / 20)

    found = presence(song().voice, song().music + curve * song().voice, RATE_HZ)

    assert any(
        burst.start_s == pytest.approx(start / RATE_HZ, abs=0.05)
        and burst.end_s == pytest.approx(start / RATE_HZ + 1, abs=0.05)
        and burst.share_db == pytest.approx(-15, abs=2.5)
        for burst in found.bursts
    )


def test_noise_of_the_same_colour_is_no_finding() -> None:
    """Twenty pairs without anything in common, 30 dB quieter towards the treble."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        of, in_ = (np.convolve(rng.standard_normal(5 * RATE_HZ), 0.9 ** np.arange(99)) for _ in range(2))
        assert presence(of, in_, RATE_HZ).bursts == ()


def test_mono_against_stereo_and_dtype() -> None:
    """A mono leak of a stereo voice; float64 gives the same as float32."""
    of = song().voice[14 * RATE_HZ : 22 * RATE_HZ]
    in_ = song().music[14 * RATE_HZ : 22 * RATE_HZ] + np.float32(0.1) * of

    mono = presence(of, in_.mean(axis=1), RATE_HZ)
    both = presence(of, in_, RATE_HZ)
    wide = presence(of.astype(np.float64), in_.astype(np.float64), RATE_HZ)

    assert mono.bursts[0].share_db == pytest.approx(-20, abs=2.5)  # reads up to 2 dB low
    assert wide.bursts == both.bursts


NOISE = np.random.default_rng(1).standard_normal((RATE_HZ, 2)).astype(np.float32)


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros((0, 2), np.float32),
        np.ones((1, 2), np.float32),
        np.zeros((RATE_HZ, 2), np.float32),
        np.full((RATE_HZ, 2), 1e-41, np.float32),
        np.full((RATE_HZ, 2), np.nan, np.float32),
        np.full((RATE_HZ, 6), 1e300),
        NOISE[: RATE_HZ // 20],
    ],
    ids=["empty", "one sample", "silence", "denormal", "NaN", "beyond float32", "50 ms"],
)
def test_nothing_to_hear_is_no_finding(samples: Samples) -> None:
    """Defined, and without a warning."""
    for found in (presence(samples, NOISE, RATE_HZ), presence(NOISE, samples, RATE_HZ)):
        assert isinstance(found, Presence)
        assert found.bursts == ()
        assert found.overall_db == -np.inf


def test_callers_mistakes() -> None:
    """As for alignment."""
    with pytest.raises(ValueError, match="floating point"):
        presence(NOISE, NOISE.astype(np.int32), RATE_HZ)
    with pytest.raises(ValueError, match="rate_hz"):
        presence(NOISE, NOISE, 1_000_000)
