"""Tempo against drums whose every beat was placed by arithmetic; no recorded expectations."""

from __future__ import annotations

import dataclasses
import math
import tracemalloc

import numpy as np
import pytest

from relkit.measure.course import without_leaps
from relkit.measure.tempo import DeclaredTempo, Tempo, TempoMeter
from tests.support.drum_songs import (
    BACKBEAT,
    BREAK,
    FOUR_ON_THE_FLOOR,
    HALF_TIME,
    ONE_KICK,
    SIX_EIGHT,
    WALTZ,
    Samples,
    beats_at,
    drums,
    pad,
)

RATE_HZ = 44_100
CONSTANT_MS = 20.0  # what the issue calls constant
PLACE_S = 0.5  # and how well the place of a switch must be found


def measured(
    samples: Samples, hint_bpm: float | None = None, *, rate_hz: int = RATE_HZ, beats_per_bar: int = 4
) -> Tempo:
    """Return the tempo of a whole signal."""
    meter = TempoMeter(rate_hz, samples.shape[1])
    meter.feed(samples)
    return meter.result(None if hint_bpm is None else DeclaredTempo(hint_bpm), beats_per_bar)


def steady(bpm: float, patterns: dict[str, str], beats: int = 120, **how: float) -> Samples:
    """Return a song at one tempo, its first beat at 0.2 s."""
    return drums(beats_at([bpm] * beats), patterns, **how)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("bpm", "patterns"),
    [
        (87.5, BACKBEAT),
        (122.0, FOUR_ON_THE_FLOOR),
        (126.37, FOUR_ON_THE_FLOOR),
        (104.71, BACKBEAT),
        (143.0, HALF_TIME),
    ],
)
def test_a_straight_song_has_its_tempo_to_a_hundredth(bpm: float, patterns: dict[str, str]) -> None:
    """The beat is the one of the pattern, not its half or double; 60 beats give it to 0.01 BPM."""
    beats = beats_at([bpm] * 120)
    found = measured(drums(beats, patterns))
    assert found.kind == "constant"
    assert found.bpm == pytest.approx(bpm, abs=0.0101)
    assert found.max_grid_error_ms is not None
    assert found.max_grid_error_ms < 5
    assert found.confidence > 0.5
    assert found.first_beat_s == pytest.approx(beats[0], abs=0.01)
    assert found.bpm is not None
    assert found.first_beat_s is not None
    last = found.first_beat_s + (len(beats) - 2) * 60 / found.bpm
    assert last == pytest.approx(beats[-2], abs=CONSTANT_MS / 1000)


def test_a_break_beat_alone_is_read_at_its_tempo_or_half_of_it_without_certainty() -> None:
    """Without bass and chords it may be either, until somebody says which."""
    samples = steady(174.2, BREAK)
    found = measured(samples)
    assert found.bpm is not None
    assert found.confidence < 0.8
    assert min(abs(found.bpm * factor - 174.2) for factor in (1, 2)) < 0.0201
    assert found.runner_up_bpm == pytest.approx(87.1 if found.bpm > 100 else 174.2, rel=0.01)
    assert measured(samples, 174.2).agreement == "agrees"
    assert measured(samples, 174.2).bpm == pytest.approx(174.2, abs=0.0101)


def test_behind_a_pick_up_the_downbeat_is_right_or_left_open() -> None:
    """Three quarters of a bar come before bar 1: the file's first beat is not taken for it."""
    beats = beats_at([110.0] * 123)
    turned = {voice: pattern[4:] + pattern[:4] for voice, pattern in ONE_KICK.items()}
    found = measured(drums(beats, turned)).first_downbeat_s
    assert found is None or found == pytest.approx(beats[3], abs=0.015)
    assert measured(drums(beats, ONE_KICK)).first_downbeat_s == pytest.approx(beats[0], abs=0.015)


@pytest.mark.parametrize("swing", [0.56, 0.62, 2 / 3])
def test_swung_sixteenths_leave_the_tempo_alone(swing: float) -> None:
    """Every second sixteenth comes late; the beat does not."""
    swung = {"k": "x..x......x.....", "s": "....x.......x..x", "h": "xxxxxxxxxxxxxxxx"}
    found = measured(steady(88.4, swung, swing=swing))
    assert found.kind == "constant"
    assert found.bpm == pytest.approx(88.4, abs=0.0101)


def test_loose_playing_to_a_click_is_constant() -> None:
    """Hits 8 ms off at random, as a drummer's to a click: the mean stays on the grid."""
    found = measured(steady(98.6, BACKBEAT, beats=200, loose_s=0.008))
    assert found.kind == "constant"
    # 8 ms, some 500 hits over 122 s: the slope's standard deviation is 1e-5, or 0.001 BPM
    assert found.bpm == pytest.approx(98.6, abs=0.0101)


@pytest.mark.parametrize(
    ("patterns", "parts", "bpm", "per_bar"),
    [(WALTZ, 4, 132.5, 3), (SIX_EIGHT, 3, 70.4, 2)],
    ids=["3/4", "6/8"],
)
def test_other_meters(patterns: dict[str, str], parts: int, bpm: float, per_bar: int) -> None:
    """3/4 counted in quarters, 6/8 in dotted quarters; the kick is the downbeat."""
    beats = beats_at([bpm] * 96)
    found = measured(drums(beats, patterns, parts=parts), bpm, beats_per_bar=per_bar)
    assert (found.kind, found.agreement) == ("constant", "agrees")
    assert found.bpm == pytest.approx(bpm, abs=0.0101)
    assert found.first_downbeat_s == pytest.approx(beats[0], abs=0.015)


@pytest.mark.parametrize(("before", "after"), [(120.0, 140.0), (100.0, 103.0), (87.5, 126.0), (140.0, 121.5)])
def test_a_switch_of_tempo_has_its_place(before: float, after: float) -> None:
    """Eighty beats at one tempo, eighty at another."""
    beats = beats_at([before] * 80 + [after] * 80)
    found = measured(drums(beats, BACKBEAT))
    assert found.kind == "switch"
    assert [bpm for _, bpm in found.sections] == pytest.approx([before, after], abs=0.02)
    assert found.sections[1][0] == pytest.approx(beats[80], abs=PLACE_S)


def test_two_switches() -> None:
    """Away and back."""
    beats = beats_at([124.0] * 64 + [108.0] * 64 + [124.0] * 64)
    found = measured(drums(beats, BACKBEAT))
    assert [bpm for _, bpm in found.sections] == pytest.approx([124.0, 108.0, 124.0], abs=0.02)
    places = [start_s for start_s, _ in found.sections[1:]]
    assert places == pytest.approx([beats[64], beats[128]], abs=PLACE_S)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_drifting_band_is_live(seed: int) -> None:
    """A random walk of the tempo: its range is told, and no grid is."""
    random = np.random.default_rng(seed)
    walk = np.clip(random.standard_normal(180).cumsum() * 0.004, -0.08, 0.08)
    tempi = 110 * (1 + walk)
    found = measured(drums(beats_at(list(tempi)), BACKBEAT, loose_s=0.005, seed=seed))
    assert found.kind == "live"
    assert found.max_grid_error_ms is None
    # windows of 8 s flatten the extremes of a beat-to-beat walk
    assert found.low_bpm == pytest.approx(np.percentile(tempi, 3), rel=0.015)
    assert found.high_bpm == pytest.approx(np.percentile(tempi, 97), rel=0.015)
    times_s, course = np.array(found.curve).T
    truth = np.interp(times_s, beats_at(list(tempi))[:-1], tempi)
    assert np.median(np.abs(course / truth - 1)) < 0.01


def test_a_long_ramp_is_live() -> None:
    """From 100 to 136 BPM no length repeats through the song."""
    found = measured(drums(beats_at(list(np.linspace(100, 136, 170))), BACKBEAT))
    assert found.kind == "live"
    assert found.low_bpm == pytest.approx(102, abs=3)
    assert found.high_bpm == pytest.approx(134, abs=3)


def test_dotted_notes_alone_are_no_other_tempo() -> None:
    """Four bars of drums on every third sixteenth, begun anew with each bar, amid a backbeat at one tempo."""
    bars = 12
    patterns = {voice: pattern * bars for voice, pattern in BACKBEAT.items()}
    dotted = "x..x..x..x..x..." * 4
    patterns = {
        voice: pattern + (dotted if voice == "k" else "." * len(dotted)) + pattern
        for voice, pattern in patterns.items()
    }
    found = measured(drums(beats_at([128.4] * (8 * bars + 16)), patterns))
    assert found.kind == "constant"
    assert found.bpm == pytest.approx(128.4, abs=0.0101)


def test_few_hits_under_much_sound_are_constant_all_the_same() -> None:
    """Claps on two and four, and a voice that keeps to no grid: the claps tell, and they are straight."""
    samples = steady(96.3, {"s": "....x.......x..."}, beats=112)
    random = np.random.default_rng(5)
    syllables = np.zeros(len(samples))
    for at in random.integers(0, len(samples) - RATE_HZ, 250):
        times = np.arange(int(random.uniform(0.05, 0.25) * RATE_HZ)) / RATE_HZ
        hz = random.uniform(120, 400) * (1 + 0.1 * times)
        tone = sum(np.sin(2 * np.pi * n * hz * times) / n for n in range(1, 9))
        syllables[at : at + len(times)] += 0.1 * tone * np.hanning(len(times))
    found = measured(samples + syllables[:, None].astype(np.float32))
    assert found.kind == "constant"
    assert found.bpm is not None
    assert min(abs(found.bpm * factor - 96.3) for factor in (1, 2)) < 0.0201


def test_a_song_that_leaves_its_grid_for_one_verse_is_not_constant() -> None:
    """Twelve seconds at another tempo in the beginning, then a machine."""
    played = list(np.linspace(91, 97, 20))
    found = measured(drums(beats_at([*played, *[97.0] * 150]), BACKBEAT))
    assert found.kind != "constant"
    assert found.bpm == pytest.approx(97.0, rel=0.005)


def test_a_course_that_leaps_for_a_while_is_folded_back() -> None:
    """Two thirds and four thirds of the surroundings are read as them; slow change is left alone."""
    truth = np.linspace(80, 120, 60)
    read = truth.copy()
    read[10:14] *= 2 / 3
    read[30:33] *= 4 / 3
    read[55:] *= 3 / 2
    np.testing.assert_allclose(without_leaps(read), truth)
    np.testing.assert_array_equal(without_leaps(truth), truth)


def test_a_drift_of_the_grid_is_not_called_constant() -> None:
    """A tempo 0.5 % higher in the end strays 80 ms from any straight grid."""
    assert measured(drums(beats_at(list(np.linspace(120, 120.6, 250))), BACKBEAT)).kind != "constant"


def test_music_without_a_beat_has_none() -> None:
    """Swelling tones."""
    found = measured(pad(40))
    assert found == Tempo("none")
    assert measured(pad(40), 120).agreement == "unknown"


@pytest.mark.parametrize("events_per_s", [2, 8])
def test_random_events_have_no_tempo(events_per_s: int) -> None:
    """Clicks at random times."""
    random = np.random.default_rng(7)
    samples = np.zeros((40 * RATE_HZ, 1), np.float32)
    samples[random.integers(0, len(samples), 40 * events_per_s)] = 0.8
    assert measured(samples).kind == "none"


@pytest.mark.parametrize(
    ("declared", "agreement", "grid_bpm"),
    [
        (126.0, "agrees", 126.0),
        (63.0, "half", 126.0),
        (252.0, "double", 126.0),
        (126.5, "contradicts", 126.5),
        (125.0, "contradicts", 125.0),
        (63.2, "contradicts", 126.4),
        (100.0, "contradicts", 100.0),
    ],
)
def test_a_declared_tempo_is_compared(declared: float, agreement: str, grid_bpm: float) -> None:
    """The drift is arithmetic: beats that the song has, at the declared length, against the song."""
    samples = steady(126.0, FOUR_ON_THE_FLOOR)
    found = measured(samples, declared)
    assert found.agreement == agreement
    assert found.bpm == pytest.approx(126.0, abs=0.0101)
    length_s = len(samples) / RATE_HZ
    beats = length_s * 126.0 / 60
    assert found.drift_ms == pytest.approx(
        (length_s - beats * 60 / grid_bpm) * 1000, abs=0.0001 * length_s * 1000
    )


SONGS = {
    "backbeat": (92.4, BACKBEAT),
    "house": (124.0, FOUR_ON_THE_FLOOR),
    "half time": (141.2, HALF_TIME),
    "drum and bass": (174.0, BREAK),
    "waltz": (138.4, WALTZ),
}


@pytest.mark.parametrize("name", SONGS)
def test_a_wrong_declared_tempo_is_never_believed(name: str) -> None:
    """Off by as little as 0.2 % (60 ms in half a minute), or by as much as a quarter."""
    bpm, patterns = SONGS[name]
    meter = TempoMeter(RATE_HZ, 1)
    meter.feed(steady(bpm, patterns, beats=96))
    for factor in (0.8, 0.9, 0.97, 0.998, 1.002, 1.01, 1.03, 1.1, 1.25):
        found = meter.result(DeclaredTempo(bpm * factor))
        assert found.agreement == "contradicts", factor
    for factor, words in (
        (1, {"agrees", "half", "double"}),
        (0.5, {"half", "agrees", "quarter"}),
        (2, {"double", "agrees", "quadruple"}),
    ):
        assert meter.result(DeclaredTempo(bpm * factor)).agreement in words, factor


@pytest.mark.parametrize(("factor", "word"), [(0.25, "quarter"), (4.0, "quadruple")])
def test_a_declared_tempo_two_octaves_off_is_named(factor: float, word: str) -> None:
    """It has the same grid, and so no drift."""
    found = measured(steady(120.0, FOUR_ON_THE_FLOOR), 120.0 * factor)
    assert found.agreement == word
    assert found.drift_ms == pytest.approx(0.0, abs=10)


def test_a_declared_tempo_weighs_in() -> None:
    """Drum and bass may be felt at half its tempo: who declares either gets more certainty for it."""
    samples = steady(174.2, BREAK)
    alone, right, half = measured(samples), measured(samples, 174.2), measured(samples, 87.1)
    assert right.confidence > alone.confidence
    assert half.agreement in ("half", "agrees")
    assert half.bpm == pytest.approx(174.2, abs=0.0101) or half.agreement == "agrees"


@pytest.mark.parametrize("bpm", [0.0, -1.0, math.nan, math.inf])
def test_a_declared_tempo_is_a_positive_number(bpm: float) -> None:
    """Anything else is the caller's mistake."""
    with pytest.raises(ValueError, match="must be a positive number"):
        DeclaredTempo(bpm)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 48_000, 96_000, 192_000, 384_000])
def test_every_rate_gives_the_same_tempo(rate_hz: int) -> None:
    """The same song at other rates."""
    found = measured(steady(122.0, FOUR_ON_THE_FLOOR, beats=60, rate_hz=rate_hz), rate_hz=rate_hz)
    assert found.kind == "constant"
    assert found.bpm == pytest.approx(122.0, abs=0.0101)
    assert found.first_beat_s == pytest.approx(0.2, abs=0.012)


def test_channels_of_opposite_polarity_do_not_cancel() -> None:
    """A wide mix keeps its beat; eight channels are taken too."""
    samples = steady(122.0, FOUR_ON_THE_FLOOR, beats=60, channels=2)
    samples[:, 1] *= -1
    assert measured(samples).bpm == pytest.approx(122.0, abs=0.0101)
    assert measured(steady(122.0, FOUR_ON_THE_FLOOR, beats=60, channels=8)).kind == "constant"


@pytest.mark.parametrize("gain", [1e-4, 1e-2, 30.0])
def test_level_does_not_matter(gain: float) -> None:
    """80 dB down or far above full scale: the same curve, larger or smaller."""
    found = measured(steady(122.0, FOUR_ON_THE_FLOOR, beats=60) * np.float32(gain))
    assert found.kind == "constant"
    assert found.bpm == pytest.approx(122.0, abs=0.0101)


def test_windows_may_be_cut_anywhere() -> None:
    """The result is the same to the last bit."""
    samples = steady(122.0, BACKBEAT, beats=40, channels=2)
    meter = TempoMeter(RATE_HZ, 2)
    random = np.random.default_rng(3)
    at = 0
    while at < len(samples):
        step = int(random.integers(0, 90_000))
        meter.feed(samples[at : at + step])
        at += step
    assert meter.result() == measured(samples)
    with pytest.raises(ValueError, match="at its end"):
        meter.feed(samples)


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros((0, 1), np.float32),
        np.ones((1, 1), np.float32),
        np.zeros((30 * RATE_HZ, 2), np.float32),
        np.full((30 * RATE_HZ, 1), 0.5, np.float32),
        np.full((2205, 1), 0.1, np.float32),
        np.full((10 * RATE_HZ, 1), 1e-42, np.float32),
        np.full((10 * RATE_HZ, 1), np.nan, np.float32),
        np.full((10 * RATE_HZ, 1), 1e38, np.float32),
        np.sin(np.arange(20 * RATE_HZ) * 0.06)[:, None].astype(np.float32),
        np.random.default_rng(1).standard_normal((20 * RATE_HZ, 1)).astype(np.float32),
        np.random.default_rng(2).standard_normal((5 * RATE_HZ, 1)).astype(np.float32),
    ],
    ids=["empty", "one", "silence", "dc", "short", "denormal", "nan", "huge", "sine", "noise", "short noise"],
)
def test_what_has_no_tempo_says_so(samples: Samples) -> None:
    """Never NaN, never a warning (pytest turns warnings into errors)."""
    assert measured(samples) == Tempo("none")


def test_results_hold_no_nan_with_broken_samples_in_music() -> None:
    """A burst of NaN counts as silence; a square wave's foldings beat, and may or may not have a tempo."""
    samples = steady(122.0, FOUR_ON_THE_FLOOR, beats=80)
    samples[200_000:200_100] = np.nan
    assert measured(samples).bpm == pytest.approx(122.0, abs=0.0101)
    square = np.sign(np.sin(np.arange(20 * RATE_HZ) * 0.06))[:, None].astype(np.float32)
    for found in (measured(samples), measured(square)):
        assert not any(isinstance(value, float) and math.isnan(value) for value in dataclasses.astuple(found))


@pytest.mark.parametrize(("rate_hz", "channels"), [(7_999, 1), (384_001, 1), (44_100, 0), (44_100, 9)])
def test_a_signal_that_no_meter_takes(rate_hz: int, channels: int) -> None:
    """The caller's mistake."""
    with pytest.raises(ValueError, match="must be"):
        TempoMeter(rate_hz, channels)


def test_a_bar_has_a_beat() -> None:
    """The caller's mistake."""
    with pytest.raises(ValueError, match="1 or more"):
        TempoMeter(RATE_HZ, 1).result(beats_per_bar=0)


def test_an_hour_takes_little_memory() -> None:
    """Half of what two hours may take; the number of onset values does not depend on the rate."""
    song = steady(122.0, FOUR_ON_THE_FLOOR, beats=610, rate_hz=8_000)  # 300 s to a few ms
    tracemalloc.start()  # numpy reports what it allocates
    try:
        meter = TempoMeter(8_000, 1)
        for _ in range(12):
            meter.feed(song)
        assert meter.result().bpm == pytest.approx(122.0, rel=0.001)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 75_000_000
