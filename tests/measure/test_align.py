"""Alignment against pairs that were made with a known offset, gain and polarity."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile

from example_release.render import render
from example_release.scenario import BODY_OFFSET_FRAMES
from relkit.measure.align import Alignment, align, body_in
from tests.support.example_short import SHORT_S
from tests.support.rendered_pairs import (
    RATE_HZ,
    Samples,
    delayed,
    limited,
    random_case,
    shelf,
    sixteen_bit,
    song,
    through_lame,
    through_mp3,
)


def test_two_hundred_random_pairs_are_lined_up_to_the_sample() -> None:
    """No error in offset or polarity whatever was done to the other rendering."""
    wrong = []
    for seed in range(200):
        case = random_case(seed)
        found = align(case.reference, case.other, RATE_HZ)
        if not found.alignable or (found.offset_frames, found.polarity) != (case.offset, case.polarity):
            wrong.append((seed, case.done, case.offset, found))
    assert wrong == []


@pytest.mark.parametrize("encode", [through_mp3, through_lame], ids=["libsndfile", "ffmpeg"])
@pytest.mark.parametrize("seed", range(4))
def test_through_mp3_at_most_one_sample(seed: int, encode: Callable[[Samples], Samples]) -> None:
    """320 kbit/s, decoded with its gapless data; quieter, upside down, or without the voice as well."""
    rng = np.random.default_rng(seed)
    offset, first = int(rng.integers(0, 20 * RATE_HZ)), int(rng.integers(0, 8 * RATE_HZ))
    gain_db, polarity = float(rng.uniform(-15, -6)), int(rng.choice([-1, 1]))
    other = song().music if seed == 3 else song().full
    other = other[first:] * np.float32(polarity * 10 ** (gain_db / 20))

    found = align(song().full[first:], encode(np.pad(other, ((offset, 0), (0, 0)))), RATE_HZ)

    assert found.alignable
    assert abs(found.offset_frames - offset) <= 1
    assert found.polarity == polarity
    assert found.gain_db == pytest.approx(gain_db, abs=0.1)


@pytest.mark.parametrize(
    "ratio", [48 / 44.1, 44.1 / 48, 1.001, 1 / 1.001, 0.9998, 1.0123, 0.957, 1.089, 0.912]
)
def test_a_bounce_at_a_wrong_rate_is_named(ratio: float) -> None:
    """Resampled in the spectrum, later and quieter: not alignable, its drift to 50 in a million."""
    frames = round(len(song().full) * ratio)
    slower = scipy.signal.resample(song().full, frames, axis=0).astype(np.float32)

    found = align(song().full, np.pad(0.5 * slower, ((12_345, 0), (0, 0))), RATE_HZ)

    assert not found.alignable
    assert found.drift_ppm == pytest.approx((frames / len(song().full) - 1) * 1e6, abs=50)


@pytest.mark.parametrize(("first_s", "seconds"), [(17.3, 1.0), (9.1, 3.0)])
def test_a_short_excerpt_is_found_in_the_song(first_s: float, seconds: float) -> None:
    """A second of 27; either way round."""
    first = round(first_s * RATE_HZ)
    excerpt = song().full[first : first + round(seconds * RATE_HZ)]

    assert align(song().full, excerpt, RATE_HZ).offset_frames == -first
    assert align(excerpt, song().full, RATE_HZ).offset_frames == first


def test_dj_edits_hold_the_body_where_the_example_put_it(tmp_path: Path) -> None:
    """8 bars after the start, rounded once; the clean edit's as well, found by the explicit song."""
    paths = render(tmp_path, versions=("explicit", "dj", "dj-clean"), seconds_limit=SHORT_S, artwork=False)
    explicit, dj, clean = (soundfile.read(path, dtype="float32")[0] for path in paths.values())

    assert body_in(dj, explicit, RATE_HZ) == BODY_OFFSET_FRAMES
    assert body_in(clean, explicit, RATE_HZ) == BODY_OFFSET_FRAMES


def test_what_shares_no_sound_is_not_alignable_but_each_is_to_the_full_mix() -> None:
    """Music against voice alone; their common rhythm, key and silences are no reason."""
    parts = song()

    apart = align(parts.music, parts.voice, RATE_HZ)

    assert not apart.alignable
    assert apart.confidence < 0.1
    assert apart.drift_ppm == 0
    assert body_in(parts.music, parts.voice, RATE_HZ) is None
    for part in (parts.music, parts.voice):
        found = align(parts.full, part, RATE_HZ)
        assert (found.alignable, found.offset_frames) == (True, 0)
        assert found.gain_db == pytest.approx(0, abs=0.3)


def test_another_song_is_not_alignable() -> None:
    """The same spectrum and dynamics, backwards."""
    found = align(song().full, song().full[::-1].copy(), RATE_HZ)
    assert not found.alignable
    assert found.drift_ppm == 0


def test_the_same_samples_leave_nothing() -> None:
    """Exactly: no offset, no gain, no residual."""
    found = align(song().full, song().full, RATE_HZ)

    assert (found.offset_frames, found.polarity, found.confidence) == (0, 1, 1.0)
    assert found.offset_fraction == pytest.approx(0, abs=1e-6)
    assert found.gain_db == pytest.approx(0, abs=1e-9)
    assert found.residual_db == -np.inf


@pytest.mark.parametrize("gain_db", [-18.0, -0.3, 5.0])
def test_gain_and_residual(gain_db: float) -> None:
    """The residual of rounding to 16 bits is what numpy says it is."""
    reference = song().full
    other = sixteen_bit(np.float32(-(10 ** (gain_db / 20)) * 0.5) * reference)

    found = align(reference * np.float32(0.5), other, RATE_HZ)

    exact = -(10 ** (gain_db / 20)) * 0.5 * reference.astype(np.float64)
    rest = 10 * np.log10(np.mean((other - exact * 32767 / 32768) ** 2) / np.mean(other.astype(float) ** 2))
    assert found.polarity == -1
    assert found.gain_db == pytest.approx(gain_db, abs=0.001)
    assert found.residual_db == pytest.approx(rest, abs=0.1)


def test_a_voice_in_one_of_them_does_not_move_the_gain() -> None:
    """Least squares over everything would be off by more than 1 dB."""
    found = align(song().full, song().music * np.float32(0.5), RATE_HZ)
    assert found.gain_db == pytest.approx(20 * np.log10(0.5), abs=0.1)


@pytest.mark.parametrize("fraction", [-0.4, 0.1, 0.25])
def test_below_a_sample(fraction: float) -> None:
    """A delay made in the spectrum, on 64 frames of silence that come with it."""
    found = align(song().full, delayed(song().full, fraction), RATE_HZ)
    assert found.offset_frames + found.offset_fraction == pytest.approx(64 + fraction, abs=0.05)


def test_half_of_the_song_is_enough() -> None:
    """Mutes over a third, another song's sound over a fifth, a voice on top, 12 dB down."""
    other = np.pad(song().full, ((12_345, 0), (0, 0))).copy()
    rng = np.random.default_rng(5)
    for start in range(0, len(other) - RATE_HZ, 3 * RATE_HZ):
        other[start : start + RATE_HZ] = 0
    other[4 * RATE_HZ : 10 * RATE_HZ] = 0.1 * rng.standard_normal((6 * RATE_HZ, 2))
    other = limited(shelf(other, 150, 3, high=False), 0.7) * np.float32(0.25)

    found = align(song().full, other, RATE_HZ)

    assert (found.alignable, found.offset_frames) == (True, 12_345)


def test_dtype_channels_and_way_of_reading_do_not_matter() -> None:
    """float64, mono and a recording that is read in pieces give the same offset, gain and polarity."""
    reference = song().full[: 10 * RATE_HZ]
    other = np.pad(reference, ((4321, 0), (0, 0))) * np.float32(-0.5)
    expected = align(reference, other, RATE_HZ)
    recording = _InPieces(other)

    assert expected.offset_frames == 4321
    assert align(reference.astype(np.float64), other.astype(np.float64), RATE_HZ) == expected
    assert align(reference, recording, RATE_HZ) == expected
    assert recording.longest <= 4 * RATE_HZ  # what it takes at a time does not grow with the length
    mono = align(reference, other.mean(axis=1), RATE_HZ)
    assert (mono.offset_frames, mono.polarity) == (4321, -1)
    assert mono.gain_db == pytest.approx(expected.gain_db, abs=0.01)


def test_channels_that_cancel_are_heard() -> None:
    """One channel upside down: the mono sum is silent."""
    voice = song().voice[15 * RATE_HZ :, :1] * np.array([[1, -1]], np.float32)
    assert align(voice, np.pad(voice, ((99, 0), (0, 0))), RATE_HZ).offset_frames == 99


NOTHING = Alignment(0, 0.0, 0.0, 1, 0.0, 0.0)
NOISE = np.random.default_rng(1).standard_normal((RATE_HZ, 2)).astype(np.float32)


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros((0, 2), np.float32),
        np.ones((1, 2), np.float32),
        np.zeros((RATE_HZ, 2), np.float32),
        np.full((RATE_HZ, 2), 0.5, np.float32),
        np.full((RATE_HZ, 2), 1e-41, np.float32),
        np.full((RATE_HZ, 2), np.nan, np.float32),
        np.full((RATE_HZ, 6), 1e300),
    ],
    ids=["empty", "one sample", "silence", "DC", "denormal", "NaN", "beyond float32"],
)
def test_nothing_to_hear_is_not_alignable(samples: Samples) -> None:
    """Defined, and without a warning."""
    assert align(samples, samples, RATE_HZ) == NOTHING
    assert align(samples, NOISE, RATE_HZ) == NOTHING
    assert align(NOISE, samples, RATE_HZ) == NOTHING


@pytest.mark.parametrize("rate_hz", [8_000, 48_000, 384_000])
def test_other_rates_and_50_ms(rate_hz: int) -> None:
    """The shortest that can be compared, and a full-scale square wave."""
    short = NOISE[: rate_hz // 14]
    assert align(short, short, rate_hz).offset_frames == 0
    square = np.sign(np.sin(2 * np.pi * 100 * (np.arange(rate_hz) + 0.5) / rate_hz)).astype(np.float32)
    found = align(square, square, rate_hz)
    assert np.isfinite([found.offset_fraction, found.gain_db, found.confidence]).all()


def test_callers_mistakes() -> None:
    """Integers have no scale here; rate and shape have ranges."""
    with pytest.raises(ValueError, match="floating point"):
        align(NOISE.astype(np.int16), NOISE, RATE_HZ)
    with pytest.raises(ValueError, match="shape"):
        align(NOISE, np.zeros((5, 9), np.float32), RATE_HZ)
    with pytest.raises(ValueError, match="rate_hz"):
        align(NOISE, NOISE, 4_000)


class _InPieces:
    """A recording that notes how much of it is read at a time."""

    def __init__(self, samples: Samples) -> None:
        self._samples = samples
        self.frames, self.channels = samples.shape
        self.longest = 0

    def read(self, first: int, end: int) -> Samples:
        """Return a copy."""
        assert 0 <= first <= end <= self.frames
        self.longest = max(self.longest, end - first)
        return self._samples[first:end].copy()
