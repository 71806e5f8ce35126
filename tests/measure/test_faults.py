"""Faults of a bounce against signals with known faults, SoX and ffmpeg."""

from __future__ import annotations

import json
import math
import re
import subprocess
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import scipy.signal
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.measure.faults import SLAB_FRAMES, BounceFaults, FaultMeter
from tests.support.measuring import Samples, tone, varied

RATE_HZ = 44_100


def faults(samples: Samples, rate_hz: int = RATE_HZ, bits: int | None = None) -> BounceFaults:
    """Measure a whole signal."""
    meter = FaultMeter(rate_hz, samples.shape[1], bits)
    meter.feed(samples)
    return meter.result()


def in_bits(
    samples: npt.NDArray[np.floating], bits: int, dither: np.random.Generator | None = None
) -> Samples:
    """Round to integers of so many bits, with triangular dither or without; clip as a converter does."""
    steps = samples.astype(np.float64) * 2 ** (bits - 1)
    if dither:
        steps += dither.uniform(-0.5, 0.5, samples.shape) + dither.uniform(-0.5, 0.5, samples.shape)
    rounded = np.clip(np.round(steps), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    return np.ascontiguousarray(rounded / 2 ** (bits - 1), np.float32)


def written(folder: Path, samples: Samples, subtype: str = "PCM_16", rate_hz: int = RATE_HZ) -> Path:
    """Write a WAV file."""
    path = folder / "signal.wav"
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return path


def sox_stats(path: Path) -> dict[str, list[str]]:
    """Return what ``sox stats`` prints: by name, overall first, then every channel."""
    done = subprocess.run(["sox", path, "-n", "stats"], capture_output=True, text=True, check=True)
    rows = (re.match(r"(\S.*?)\s{2,}(.+)", line) for line in done.stderr.splitlines())
    return {row[1]: row[2].split() for row in rows if row}


def music(seconds: float = 20.0, rate_hz: int = RATE_HZ) -> Samples:
    """Return noise that falls by 6 dB per octave from 1 kHz and swells four times a second."""
    rng = np.random.default_rng(7)
    frames = round(seconds * rate_hz)
    noise = (
        rng.standard_normal((frames, 2))
        * (0.6 + 0.4 * np.sin(np.arange(frames) * 8 * np.pi / rate_hz))[:, None]
    )
    pole = math.exp(-2 * math.pi * 1000 / rate_hz)
    shaped = scipy.signal.lfilter([1 - pole], [1, -pole], noise, axis=0)
    return np.ascontiguousarray(shaped / np.abs(shaped).max() * 0.8, np.float32)


# Clipping


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("ceiling", [1.0, 0.89, 0.3])
def test_every_clipped_crest_is_found(ceiling: float, bits: int) -> None:
    """A sine driven 3 dB into a ceiling has two flat tops per cycle, each a quarter of a cycle long."""
    sine = tone(RATE_HZ, 1.0, [3.0103], hz=441.0) * np.float32(ceiling)  # cycles of 100 frames
    found = faults(in_bits(np.clip(sine, -ceiling, ceiling), bits))

    assert found.clipped_runs == 2 * 441
    assert found.longest_clipped_run_frames == pytest.approx(25, abs=1)  # arcsin 0.7071: 45 to 135 degrees
    assert found.first_clipped_s[0] * RATE_HZ == pytest.approx(12.5, abs=1)
    assert np.diff(found.first_clipped_s) * RATE_HZ == pytest.approx(50, abs=1)
    assert len(found.first_clipped_s) == 10


def test_dither_after_a_clipper_does_not_hide_it() -> None:
    """Triangular dither moves a flat top by a step of 16 bits, up or down."""
    sine = np.clip(tone(RATE_HZ, 1.0, [3.0], hz=441.0) * np.float32(0.9), -0.9, 0.9)

    found = faults(in_bits(sine, 16, dither=np.random.default_rng(3)))

    assert found.clipped_runs == pytest.approx(2 * 441, rel=0.01)


@pytest.mark.parametrize("dbfs", [0.0, -6.0, -30.0, -60.0])
@pytest.mark.parametrize("hz", [10.0, 30.0, 55.0, 441.0, 5000.0])
def test_a_slow_wave_in_16_bits_is_not_clipped(hz: float, dbfs: float) -> None:
    """Its crests are flat for up to a hundred samples, without a corner."""
    assert faults(in_bits(tone(RATE_HZ, 2.0, [dbfs, dbfs], hz), 16)).clipped_runs == 0


@pytest.mark.parametrize("seed", range(6))
def test_noise_and_music_are_not_clipped(seed: int) -> None:
    """Nor is what only reaches full scale."""
    for signal in (varied(seed, RATE_HZ, 5.0, 2), music(5.0)):
        loudest = signal / np.abs(signal).max()
        assert faults(in_bits(loudest, 16)).clipped_runs == 0


@pytest.mark.parametrize("length", [1, 2, 3, 4, 500, SLAB_FRAMES + 7])
@pytest.mark.parametrize("place", [0, 1, 999, SLAB_FRAMES - 2, SLAB_FRAMES - 1, SLAB_FRAMES, SLAB_FRAMES + 1])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_run_is_found_wherever_it_lies(place: int, length: int, sign: int) -> None:
    """At the start, across a slab's border, over a whole slab; from three samples on."""
    samples = varied(4, RATE_HZ, 3.0, 2) * np.float32(0.5)
    samples[place : place + length, 1] = sign

    found = faults(samples)

    expected = (1, length, (place / RATE_HZ,)) if length >= 3 else (0, 0, ())
    assert (found.clipped_runs, found.longest_clipped_run_frames, found.first_clipped_s) == expected


def test_a_higher_ceiling_later_takes_earlier_runs_back() -> None:
    """A run is clipped only at the ceiling of the whole signal."""
    samples = varied(4, RATE_HZ, 3.0, 1) * np.float32(0.1)
    samples[100:110] = 0.5
    samples[70_000:70_005] = 0.6

    found = faults(samples)

    assert (found.clipped_runs, found.first_clipped_s) == (1, (70_000 / RATE_HZ,))


def test_floats_beyond_full_scale_would_clip() -> None:
    """Three samples above 1.0 are flat once they are made integers."""
    samples = np.zeros((1000, 1), np.float32)
    samples[500:504, 0] = 1.1, 1.4, 1.3, 1.2

    assert (faults(samples).clipped_runs, faults(samples).longest_clipped_run_frames) == (1, 4)


def test_agrees_with_flat_tops_that_ffmpeg_counts(tmp_path: Path) -> None:
    """The peak count is the number of samples at both extremes; in hard clipping all of them are in runs."""
    sine = np.clip(tone(RATE_HZ, 1.0, [6.0], hz=441.0) * np.float32(0.5), -0.5, 0.5)
    path = written(tmp_path, in_bits(sine, 16))
    done = subprocess.run(
        ["ffmpeg", "-hide_banner", "-i", path, "-af", "astats", "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    counted = float(re.findall(r"Peak count: ([\d.]+)", done.stderr)[0])

    found = faults(in_bits(sine, 16))

    assert found.clipped_runs * found.longest_clipped_run_frames == pytest.approx(counted, rel=0.04)


@pytest.mark.parametrize("rate_hz", [8_000, 96_000, 384_000])
@pytest.mark.parametrize("channels", [1, 3, 6, 8])
def test_every_fault_at_odd_rates_and_layouts(channels: int, rate_hz: int) -> None:
    """Each of them put into the last channel, or all around, and found to the frame; floats, not integers."""
    samples = varied(3, rate_hz, 1.0, channels) * np.float32(0.3)
    samples -= samples.mean(axis=0)
    samples[: rate_hz // 8] = 0
    samples[-rate_hz // 16 :] = 0
    samples[rate_hz // 2 : rate_hz // 2 + 5, -1] = 1.25
    sounding = slice(rate_hz // 8, rate_hz - rate_hz // 16)
    samples[sounding, -1] += np.float32(0.01)
    samples[rate_hz // 8] = samples[-rate_hz // 16 - 1] = 0.1
    if channels > 1:
        samples[:, 0] = 0

    found = faults(samples, rate_hz)

    assert (found.clipped_runs, found.longest_clipped_run_frames) == (1, 5)
    assert found.first_clipped_s == pytest.approx([(rate_hz // 2) / rate_hz])
    assert (found.leading_zero_frames, found.trailing_zero_frames) == (rate_hz // 8, rate_hz // 16)
    assert found.leading_silence_s == pytest.approx(1 / 8)
    assert found.trailing_silence_s == pytest.approx(1 / 16)
    expected = samples.mean(axis=0, dtype=np.float64)
    assert found.dc_offsets_full_scale == pytest.approx(expected.tolist(), abs=1e-6)
    assert found.dead_channels == ((0,) if channels > 1 else ())
    assert found.effective_bits is None
    assert (found.correlation, found.level_difference_db, found.mono_loss_db, found.dual_mono) == (None,) * 4


# Offset, channels


@pytest.mark.parametrize("seed", range(4))
def test_offset_and_bits_as_sox_has_them(seed: int, tmp_path: Path) -> None:
    """SoX prints offsets to 1e-6 and, after the stroke, bits without those that are always zero."""
    samples = in_bits(varied(seed, RATE_HZ, 3.0, 2), 16)
    stats = sox_stats(written(tmp_path, samples, "PCM_24"))

    found = faults(samples, bits=24)

    assert found.dc_offsets_full_scale == pytest.approx(
        [float(value) for value in stats["DC offset"][1:]], abs=1.01e-6
    )
    assert stats["Bit-depth"][0].partition("/")[2] == str(found.effective_bits)


def test_offset_as_ffmpeg_has_it(tmp_path: Path) -> None:
    """ffmpeg prints offsets to 1e-6."""
    samples = in_bits(varied(5, RATE_HZ, 3.0, 2), 16)
    done = subprocess.run(
        ["ffmpeg", "-hide_banner", "-i", written(tmp_path, samples), "-af", "astats", "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    printed = [float(value) for value in re.findall(r"DC offset: (-?[\d.]+)", done.stderr)[:2]]

    assert faults(samples).dc_offsets_full_scale == pytest.approx(printed, abs=1.01e-6)


@pytest.mark.parametrize("degrees", [0, 60, 90, 120, 180])
@pytest.mark.parametrize("difference_db", [0.0, 1.5, -12.0])
def test_two_tones_with_a_known_phase(degrees: int, difference_db: float) -> None:
    """Correlation is the cosine of the phase; the power of the sum follows from it."""
    phase = 2 * np.pi * 441 * np.arange(RATE_HZ) / RATE_HZ
    gain = 10 ** (difference_db / 20)
    samples = np.column_stack([gain * np.sin(phase), np.sin(phase + np.radians(degrees))]) * 0.2

    found = faults(samples.astype(np.float32))

    mono = (gain**2 + 1 + 2 * gain * math.cos(math.radians(degrees))) / 4
    assert found.level_difference_db == pytest.approx(difference_db, abs=1e-4)
    assert found.correlation == pytest.approx(math.cos(math.radians(degrees)), abs=1e-6)
    if mono > 1e-9:
        assert found.mono_loss_db == pytest.approx(10 * math.log10((gain**2 + 1) / 2 / mono), abs=1e-3)
    else:
        assert found.mono_loss_db == math.inf


def test_correlation_is_that_of_numpy() -> None:
    """Without an offset it is the usual coefficient."""
    samples = music(3.0)
    samples[:, 1] += samples[:, 0]
    samples -= samples.mean(axis=0)

    expected = float(np.asarray(np.corrcoef(samples.T))[0, 1])
    assert faults(samples).correlation == pytest.approx(expected, abs=1e-6)


def test_dual_mono_and_dead_channels() -> None:
    """Equal to the last bit, or one sample apart; nothing but noise of -90 dBFS; nothing at all."""
    samples = varied(2, RATE_HZ, 2.0, 2)
    samples[:, 1] = samples[:, 0]
    assert faults(samples).dual_mono is True
    samples[80_000, 1] += np.float32(1e-4)
    assert faults(samples).dual_mono is False
    samples[:, 1] = tone(RATE_HZ, 2.0, [-90.0])[:, 0]
    assert faults(samples).dead_channels == (1,)
    samples[:, 1] = 0
    dead = faults(samples)
    assert (dead.dead_channels, dead.correlation, dead.level_difference_db) == ((1,), None, None)
    assert dead.mono_loss_db == pytest.approx(10 * math.log10(2), abs=1e-6)


# Silence


@pytest.mark.parametrize("before", [0, 1, 5000, SLAB_FRAMES, 2 * SLAB_FRAMES + 3])
@pytest.mark.parametrize("after", [0, 1, 5000, SLAB_FRAMES, 70_000])
def test_silence_at_both_ends(before: int, after: int) -> None:
    """Digital silence to the frame; a fade counts as silence below the threshold only."""
    middle = np.full((9000, 2), 0.5, np.float32)
    middle[:1000, 0], middle[:1000, 1] = 0.0005, 0
    middle[-2000:] = -0.0005  # -66 dBFS
    samples = np.concatenate([np.zeros((before, 2), np.float32), middle, np.zeros((after, 2), np.float32)])

    found = faults(samples)

    assert (found.leading_zero_frames, found.trailing_zero_frames) == (before, after)
    assert found.leading_silence_s * RATE_HZ == pytest.approx(before + 1000)
    assert found.trailing_silence_s * RATE_HZ == pytest.approx(after + 2000)


def test_silence_as_ffmpeg_detects_it(tmp_path: Path) -> None:
    """silencedetect prints where no channel is above its threshold, to 1e-6 s or so."""
    rng = np.random.default_rng(8)
    rise = np.linspace(0, 1, 2 * RATE_HZ)[:, None] ** 4
    samples = in_bits(rng.uniform(-1, 1, (4 * RATE_HZ, 2)) * np.concatenate([rise, rise[::-1]]), 24)
    path = written(tmp_path, samples, "PCM_24")
    done = subprocess.run(
        ["ffmpeg", "-hide_banner", "-i", path, "-af", "silencedetect=n=-60dB:d=0.1", "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    starts = [float(value) for value in re.findall(r"silence_start: (-?[\d.]+)", done.stderr)]
    ends = [float(value) for value in re.findall(r"silence_end: (-?[\d.]+)", done.stderr)]

    found = faults(samples)

    assert found.leading_silence_s == pytest.approx(ends[0], abs=1.5 / RATE_HZ)
    assert found.trailing_silence_s == pytest.approx(4 - starts[-1], abs=1.5 / RATE_HZ)


# Bits


@pytest.mark.parametrize("bits", [4, 8, 15, 16, 17, 20, 23, 24])
@pytest.mark.parametrize("declared", [None, 24, 32])
def test_effective_bits(bits: int, declared: int | None) -> None:
    """Whatever the file could hold."""
    assert faults(in_bits(music(2.0), bits), bits=declared).effective_bits == bits


def test_one_finer_sample_is_enough() -> None:
    """A dithered fade at the very end makes a 24-bit file one."""
    samples = in_bits(varied(1, RATE_HZ, 3.0, 2), 16)
    samples[-1, 1] = 2.0**-23

    assert faults(samples, bits=24).effective_bits == 24


def test_true_floats_have_no_number_of_bits() -> None:
    """Nor have floats beyond what an integer of 24 bits and some headroom holds."""
    assert faults(in_bits(varied(1, RATE_HZ, 1.0, 2), 24) * np.float32(0.7)).effective_bits is None
    assert faults(np.full((10, 1), 1000.0, np.float32)).effective_bits is None


@pytest.mark.parametrize("declared", [None, 32])
def test_floats_are_looked_at_to_the_end(declared: int | None) -> None:
    """An intro of 24-bit integers, or a 32-bit file that begins like one, does not settle it."""
    samples = in_bits(varied(1, RATE_HZ, 3.0, 2), 24)
    samples[-1, 0] = np.float32(0.1)

    assert faults(samples, bits=declared).effective_bits is None


# Dither


def fading(samples: Samples, rate_hz: int = RATE_HZ, length_s: float = 8.0) -> Samples:
    """Fade out over the last seconds, as the end of a song does."""
    frames = round(length_s * rate_hz)
    faded = samples.copy()
    faded[-frames:] *= (np.linspace(1, 0, frames, dtype=np.float32) ** 3)[:, None]
    return faded


def by_sox(samples: Samples, folder: Path, effect: tuple[str, ...], rate_hz: int = RATE_HZ) -> Samples:
    """Let SoX bring a signal to 16 bits."""
    source = written(folder, samples, "PCM_24", rate_hz)
    subprocess.run(["sox", "-D", source, "-b", "16", folder / "16 bit.wav", *effect], check=True)
    read: Samples = soundfile.read(folder / "16 bit.wav", dtype="float32", always_2d=True)[0]
    return read


@pytest.mark.parametrize("rate_hz", [32_000, 44_100, 96_000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(("effect", "undithered"), [((), True), (("dither",), False)])
def test_a_fade_without_dither_is_told_from_one_with_it(
    effect: tuple[str, ...], undithered: bool, channels: int, rate_hz: int, tmp_path: Path
) -> None:
    """SoX rounds, or adds triangular dither; the place is in the last part of the fade."""
    song = fading(music(14.0, rate_hz)[:, :channels], rate_hz, length_s=12.0)

    found = faults(by_sox(song, tmp_path, effect, rate_hz), rate_hz, bits=16)

    assert found.undithered is undithered
    if undithered:
        assert found.undithered_at_s is not None
        assert 12 < found.undithered_at_s < 14
    else:
        assert found.undithered_at_s is None


def test_shaped_dither_is_not_taken_for_none(tmp_path: Path) -> None:
    """It moves so far that nothing is quiet, so nothing is said."""
    assert faults(by_sox(fading(music(10.0)), tmp_path, ("dither", "-s"))).undithered is None


@pytest.mark.parametrize("seed", range(4))
def test_mutes_after_dither_are_no_missing_dither(seed: int) -> None:
    """A clean edit is muted after the last bit was made; the edges rest, and are few."""
    rng = np.random.default_rng(seed)
    dithered = in_bits(fading(music(20.0)), 16, dither=rng)
    for start in rng.integers(0, len(dithered) - 20_000, 30):
        dithered[start : start + rng.integers(1000, 20_000)] = 0

    assert faults(dithered, bits=16).undithered is False


def test_noise_of_the_recording_does_the_same_service() -> None:
    """Rounded without dither, but it carries noise of half a step, as a microphone's room does."""
    rng = np.random.default_rng(1)
    song = fading(music(10.0)) + rng.normal(0, 2.0**-16, (10 * RATE_HZ, 2))

    assert faults(in_bits(song, 16)).undithered is False


@pytest.mark.parametrize("bits", [8, 15, 20, 24])
def test_only_16_bits_are_judged(bits: int) -> None:
    """At 24 bits nobody hears it; of other depths nobody asked."""
    assert faults(in_bits(fading(music(10.0)), bits), bits=24).undithered is None


def test_a_loud_song_says_nothing_about_dither() -> None:
    """Nor do silence and a steady offset."""
    assert faults(in_bits(music(5.0), 16)).undithered is None
    assert faults(np.full((5 * RATE_HZ, 1), 3 * 2.0**-15, np.float32)).undithered is None


# Low-pass


def through_mp3(samples: Samples, kbits: int, folder: Path, rate_hz: int) -> Samples:
    """Encode and decode with ffmpeg; 24-bit WAV."""
    source = written(folder, samples, "PCM_24", rate_hz)
    coded, decoded = folder / "coded.mp3", folder / "decoded.wav"
    quiet = ["ffmpeg", "-y", "-v", "error"]
    subprocess.run([*quiet, "-i", source, "-b:a", f"{kbits}k", coded], check=True)
    subprocess.run([*quiet, "-i", coded, "-c:a", "pcm_s24le", decoded], check=True)
    read: Samples = soundfile.read(decoded, dtype="float32")[0]
    return read


# The edges that LAME prints ("polyphase lowpass filter, transition band") for these rates at 44.1 and 48 kHz.
EDGES_HZ = {128: (16_538, 17_249), 192: (18_600, 19_383), 320: (19_800, 20_627)}


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize("kbits", EDGES_HZ)
def test_an_mp3_in_a_wav_is_betrayed(kbits: int, rate_hz: int, tmp_path: Path) -> None:
    """The edge lies where the encoder puts it, and is steep; 16 bits do not hide it."""
    decoded = through_mp3(music(10.0, rate_hz), kbits, tmp_path, rate_hz)
    lowest, highest = EDGES_HZ[kbits]
    for found in (faults(decoded, rate_hz), faults(in_bits(decoded, 16), rate_hz)):
        assert found.low_pass_hz is not None
        assert lowest - 200 <= found.low_pass_hz <= highest + 200
        assert found.low_pass_drop_db is not None
        assert found.low_pass_drop_db > 30


@pytest.mark.parametrize("kbits", [128, 320])
def test_the_codec_of_libsndfile_too(kbits: int, tmp_path: Path) -> None:
    """Compression level 0 is 320 kbit/s; the other one is what 0.8 of the way down gives."""
    path = tmp_path / "coded.mp3"
    with soundfile.SoundFile(
        path, "w", RATE_HZ, 2, subtype="MPEG_LAYER_III", format="MP3",
        bitrate_mode="CONSTANT", compression_level=0.0 if kbits == 320 else 0.66,
    ) as coded:  # fmt: skip
        coded.write(music(10.0))
    decoded = soundfile.read(path, dtype="float32")[0]

    found = faults(decoded)

    assert found.low_pass_hz is not None
    assert 15_000 <= found.low_pass_hz <= 20_700


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("order", [1, 2, 4, 8])
@pytest.mark.parametrize("corner_hz", [2000, 10_000, 16_000, 20_000])
def test_ordinary_filters_leave_no_edge(corner_hz: int, order: int, rate_hz: int) -> None:
    """Up to 48 dB per octave, in 24 bits."""
    sections = scipy.signal.butter(order, corner_hz, fs=rate_hz, output="sos")
    filtered = scipy.signal.sosfilt(sections, music(4.0, rate_hz), axis=0)

    assert faults(in_bits(filtered, 24), rate_hz).low_pass_hz is None


def test_a_sample_rate_converter_leaves_no_edge_of_that_kind(tmp_path: Path) -> None:
    """From 96 to 44.1 kHz and from 44.1 to 96 kHz: the edge lies above any coder's."""
    target = tmp_path / "converted.wav"
    for source_hz, target_hz in ((96_000, 44_100), (44_100, 96_000)):
        path = written(tmp_path, music(5.0, source_hz), "PCM_24", source_hz)
        subprocess.run(["sox", path, target, "rate", "-v", str(target_hz)], check=True)
        converted = soundfile.read(target, dtype="float32")[0]
        assert faults(converted, target_hz).low_pass_hz is None


# Any signal


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 150_000), max_size=8), seed=st.integers(0, 5))
def test_windows_make_no_difference(cuts: list[int], seed: int) -> None:
    """The same to the last bit, however the signal is cut."""
    samples = np.clip(varied(seed, RATE_HZ, 3.4, 2) * np.float32(4), -0.8, 0.8)
    samples[:10_000] = samples[-3:] = 0
    whole = faults(samples)
    meter = FaultMeter(RATE_HZ, 2)
    for window in np.split(samples, sorted(cuts)):
        meter.feed(np.ascontiguousarray(window))

    assert meter.result() == whole


EDGE_CASES: dict[str, Samples] = {
    "nothing": np.zeros((0, 2), np.float32),
    "one sample": np.full((1, 1), 0.5, np.float32),
    "50 ms": tone(RATE_HZ, 0.05, [-6.0, -6.0]),
    "silence": np.zeros((RATE_HZ, 2), np.float32),
    "direct current": np.full((RATE_HZ, 2), 0.25, np.float32),
    "full-scale square": np.where(np.arange(RATE_HZ) % 100 < 50, 1, -1).astype(np.float32)[:, None],
    "denormals": np.full((RATE_HZ, 2), 1e-42, np.float32),
    "5.1": varied(1, RATE_HZ, 1.0, 6),
    "huge": varied(1, RATE_HZ, 1.0, 2) * np.float32(1e14),
}


@pytest.mark.parametrize("name", EDGE_CASES)
@pytest.mark.parametrize("rate_hz", [8000, 44_100, 384_000])
def test_any_signal_has_a_result_without_nan(name: str, rate_hz: int) -> None:
    """And JSON for it; warnings are errors here."""
    found = faults(EDGE_CASES[name], rate_hz)

    text = json.dumps(found.rounded(), allow_nan=False)
    assert json.loads(text)["silence_threshold_dbfs"] == -60.0
    assert "nan" not in repr(found)


def test_known_results_of_edge_cases() -> None:
    """Silence is all leading; a square is all flat; a constant is its offset."""
    silence = faults(EDGE_CASES["silence"])
    assert (silence.leading_zero_frames, silence.trailing_zero_frames) == (RATE_HZ, 0)
    assert (silence.leading_silence_s, silence.trailing_silence_s, silence.effective_bits) == (1.0, 0.0, 0)
    assert (silence.correlation, silence.dual_mono, silence.dead_channels) == (None, False, ())
    square = faults(EDGE_CASES["full-scale square"])
    assert (square.clipped_runs, square.longest_clipped_run_frames) == (2 * 441, 50)
    constant = faults(EDGE_CASES["direct current"])
    assert constant.dc_offsets_full_scale == (0.25, 0.25)
    assert (constant.correlation, constant.mono_loss_db, constant.effective_bits) == (1.0, 0.0, 3)
    assert faults(EDGE_CASES["5.1"]).correlation is None


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e30])
def test_what_is_no_number_is_noticed_and_counts_as_zero(bad: float) -> None:
    """The rest is as before."""
    samples = varied(1, RATE_HZ, 2.0, 2)
    samples[[5, 40_000], [0, 1]] = 0
    clean = faults(samples)
    samples[[5, 40_000], [0, 1]] = bad
    dirty = faults(samples)

    assert (clean.nonfinite, dirty.nonfinite) == (False, True)
    assert dirty.dc_offsets_full_scale == clean.dc_offsets_full_scale
    assert dirty.correlation == clean.correlation


def test_a_meter_is_used_once() -> None:
    """After the result, feeding is a mistake; asking again is not."""
    meter = FaultMeter(RATE_HZ, 2)
    meter.feed(EDGE_CASES["50 ms"])

    assert meter.result() is meter.result()
    with pytest.raises(ValueError, match="at its end"):
        meter.feed(EDGE_CASES["50 ms"])
