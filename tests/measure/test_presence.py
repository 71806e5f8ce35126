"""Presence of one mix in another, on leaks made with a known time and level."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pytest

from relkit.measure.presence import Presence, presence
from tests.support.made_up_parts import beat, held_note, hits, one_pitch_notes, voice
from tests.support.rendered_pairs import RATE_HZ, Samples, limited, song

EDGE = RATE_HZ // 20  # frames at either end of a leak in which it must be heard
WITHIN_S = 10.0  # the leak and this much of the song around it


def _energy(samples: npt.NDArray[np.float32]) -> float:
    return float(np.mean(np.square(samples, dtype=np.float64)))


def _unmasked_db(leak: Samples, music: Samples) -> float:
    """Return a leak's level re the music in the 6 of 24 bands, 0.1 to 12 kHz, where it is highest."""
    taper, edges_hz = np.hanning(len(leak))[:, None], np.geomspace(100, 12_000, 25)
    bins = np.searchsorted(np.fft.rfftfreq(len(leak), 1 / RATE_HZ), edges_hz)[:-1]
    powers = [(np.abs(np.fft.rfft(each * taper, axis=0)) ** 2).sum(axis=1) for each in (leak, music)]
    ratios = [np.add.reduceat(power, bins) for power in powers]
    return float(np.sort(10 * np.log10(ratios[0] / ratios[1]))[-6:].mean())


def _leak(sung: Samples, music: Samples, rng: np.random.Generator) -> tuple[Samples, Samples, float]:
    """Put a second of the voice into the music, 30 dB quieter, at a random place.

    The voice sounds to both edges, at most 3 dB under its mean, and the music does not hide them by
    more than 17 dB: of what cannot be heard nobody can tell the time.

    Returns:
        Voice and music around the place, and the leak's start in them [s].
    """
    while True:
        start = int(rng.integers(0, len(music) - RATE_HZ))
        second = slice(start, start + RATE_HZ)
        words, under = sung[second], music[second]
        if _energy(words) < 0.1 * _energy(sung) or _energy(under) < 0.05 * _energy(music):
            continue
        leak = words * np.float32(np.sqrt(1e-3 * _energy(under) / _energy(words)))
        ends = [(leak[:EDGE], under[:EDGE]), (leak[-EDGE:], under[-EDGE:])]
        if min(_energy(part) for part, _ in ends) < _energy(leak) / 2:
            continue
        if min(_unmasked_db(*pair) for pair in ends) > -17:
            break
    leaked = music.copy()
    leaked[second] += leak
    first = max(
        0, min(start - int(rng.uniform(1, WITHIN_S - 2) * RATE_HZ), len(music) - round(WITHIN_S * RATE_HZ))
    )
    around = slice(first, first + round(WITHIN_S * RATE_HZ))
    return sung[around], leaked[around], (start - first) / RATE_HZ


@pytest.mark.parametrize("source", ["example", "made up"])
def test_a_second_of_voice_30_db_below_the_beat_is_found(source: str) -> None:
    """At 40 places each: one finding, its start and end to 50 ms."""
    wrong = []
    made_up = [
        (voice(24, seed, hz), beat(24, seed, hz / 2)) for seed, hz in enumerate((220, 196, 247, 165, 330))
    ]
    for number in range(40):
        parts = (song().voice, song().music) if source == "example" else made_up[number % 5]
        sung, leaked, start_s = _leak(*parts, np.random.default_rng(number))

        bursts = presence(sung, leaked, RATE_HZ).bursts

        near = [max(abs(each.start_s - start_s), abs(each.end_s - start_s - 1)) <= 0.05 for each in bursts]
        if near != [True]:
            wrong.append((number, start_s, bursts))
    assert wrong == []


def test_a_leaked_drum_is_found_in_the_acapella() -> None:
    """Half a second of the beat, 30 dB below the voice; the curve over time says the same."""
    sung, music = voice(10, 1), beat(10, 1)
    leaked, start_s = sung.copy(), 4.2
    place = slice(round(start_s * RATE_HZ), round((start_s + 0.5) * RATE_HZ))
    leaked[place] += music[place] * np.float32(10 ** (-30 / 20))

    found = presence(music, leaked, RATE_HZ)

    (burst,) = found.bursts
    assert burst.start_s == pytest.approx(start_s, abs=0.05)
    assert burst.end_s == pytest.approx(start_s + 0.5, abs=0.05)
    assert burst.share_db == pytest.approx(-30, abs=2)
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


def _pumped(parts: tuple[Samples, Samples]) -> tuple[Samples, Samples]:
    """Let one limiter, which hears both, work on each: as when stems are bounced through the master."""
    both = 4 * (parts[0] + parts[1])
    gain = np.abs(limited(both, 0.5)).max(axis=1) / np.maximum(np.abs(both).max(axis=1), 1e-9)
    return parts[0] * gain[:, None].astype(np.float32), parts[1] * gain[:, None].astype(np.float32)


def _unrelated() -> Iterator[tuple[str, Samples, Samples]]:
    """Yield pairs without a sound in common."""
    for seed in range(6):
        pair = (voice(12, seed, 220), beat(12, seed, 110))
        yield f"one key and tempo {seed}", *pair
        yield f"one limiter {seed}", *_pumped(pair)
        yield f"one note in both {seed}", held_note(8, seed), held_note(8, seed + 100)
        yield f"a note held in the beat {seed}", held_note(12, seed), pair[1] + held_note(12, seed + 100)
        for floor in (0.0, 1e-4):
            notes = one_pitch_notes(12, seed, 0.5, floor=floor)
            chords = one_pitch_notes(12, seed + 100, 1.0, voices=3, floor=floor)
            yield f"few exact pitches, floor {floor}, {seed}", notes, chords
        yield f"hats and consonants {seed}", hits(12, seed, 2500, 20), hits(12, seed + 100, 6000, 50)


def test_material_without_common_sound_gives_no_finding() -> None:
    """42 pairs, in either direction."""
    findings = [
        (what, way, found.bursts)
        for what, one, other in _unrelated()
        for way, found in enumerate((presence(one, other, RATE_HZ), presence(other, one, RATE_HZ)))
        if found.bursts
    ]
    assert findings == []


@pytest.mark.parametrize("level_db", [-20.0, -35.0, -45.0])
@pytest.mark.parametrize("source", ["beat in the voice", "voice in the beat", "example"])
def test_a_steady_leak_is_one_long_burst(level_db: float, source: str) -> None:
    """All through; its share comes out to 2 dB, and its level where all of both lies in 0.08 to 16 kHz."""
    of, in_ = (song().music, song().voice) if source == "example" else (beat(15, 1), voice(15, 2))
    of, in_ = (in_, of) if source == "voice in the beat" else (of, in_)

    found = presence(of, in_ + np.float32(10 ** (level_db / 20)) * of, RATE_HZ)

    longest = max(found.bursts, key=lambda burst: burst.end_s - burst.start_s)
    assert longest.end_s - longest.start_s > 0.8 * len(of) / RATE_HZ
    assert longest.share_db == pytest.approx(level_db, abs=2)
    if source == "voice in the beat":  # the voice has no bass
        level = level_db + 10 * np.log10(_energy(of) / _energy(in_))
        assert found.overall_db == pytest.approx(level, abs=2)


def test_a_louder_word_within_a_steady_leak_is_told_apart() -> None:
    """Bleed at -45 dB and, for a second, the voice at -15 dB."""
    start = 16 * RATE_HZ  # in the first line
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
