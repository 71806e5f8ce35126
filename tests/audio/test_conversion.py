"""Converting rate and depth: against definitions, analytic signals and the theory of dither.

Theory: Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical
Survey", JAES 40 (1992) 355 (from memory). With triangular dither of 2 LSB, the error
has zero mean and a power of 3 LSB²/12 = LSB²/4, whatever the signal is, and is white.
"""

from __future__ import annotations

import hashlib
import math
import subprocess
import sys
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.audio.conversion import (
    Converter,
    NotFiniteError,
    converted_frames,
    describe,
    is_dithered,
    mp3_rate_hz,
    needs,
    recipe,
)
from relkit.audio.formats import PcmFormat, default_mask

Floats = npt.NDArray[np.float64]
SEED = hashlib.sha256(b"a seed for tests").digest()
BITS = {"int16": 16, "int24": 24, "int32": 32}


def pcm(
    sample_format: str, rate_hz: int = 48_000, channels: int = 1, *, big_endian: bool = False
) -> PcmFormat:
    """Return a format."""
    return PcmFormat(sample_format, channels, rate_hz, default_mask(channels), big_endian)


def as_raw(values: npt.ArrayLike, fmt: PcmFormat) -> bytes:
    """Write integers (in steps) or floats as frames, by the definition of the format."""
    order = ">" if fmt.big_endian else "<"
    if fmt.sample_format == "float32":
        return np.asarray(values, f"{order}f4").tobytes()
    side = "big" if fmt.big_endian else "little"
    flat = np.asarray(values).reshape(-1)
    if fmt.sample_format == "int24":
        four = flat.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3]
        return (four if side == "little" else four[:, ::-1]).tobytes()
    return flat.astype(f"{order}i{fmt.sample_bytes}").tobytes()


def steps(raw: bytes, fmt: PcmFormat) -> npt.NDArray[np.int64]:
    """Read little-endian integers, in steps; shape (samples,)."""
    if fmt.sample_format == "int24":
        three = np.frombuffer(raw, np.uint8).reshape(-1, 3).astype(np.int64)
        value = three[:, 0] | three[:, 1] << 8 | three[:, 2] << 16
        return np.where(value >= 1 << 23, value - (1 << 24), value)
    return np.frombuffer(raw, f"<i{fmt.sample_bytes}").astype(np.int64)


def converted(
    raw: bytes, source: PcmFormat, target: PcmFormat, *, seed: bytes = SEED, block_frames: int = 1 << 16
) -> bytes:
    """Convert in blocks of one size."""
    converter = Converter(source, target, seed)
    step = block_frames * source.frame_bytes
    out = [converter.feed(raw[start : start + step]) for start in range(0, len(raw), step)]
    return b"".join([*out, converter.finish()])


def resampled(samples: Floats, old_hz: int, new_hz: int) -> Floats:
    """Resample float mono; full scale 1.0."""
    source, target = pcm("float32", old_hz), pcm("float32", new_hz)
    return np.frombuffer(converted(as_raw(samples, source), source, target), "<f4").astype(np.float64)


@pytest.mark.parametrize(
    ("source", "target", "said"),
    [
        (pcm("float32", 96_000), pcm("int24"), "96 kHz to 48 kHz, 32-bit float to 24-bit, dithered"),
        (pcm("int24"), pcm("int16"), "24-bit to 16-bit, dithered"),
        (pcm("int24", 88_200), pcm("int24", 44_100), "88.2 kHz to 44.1 kHz, dithered"),
        (pcm("int24", 22_050), pcm("float32", 44_100), "22.05 kHz to 44.1 kHz, 24-bit to 32-bit float"),
        (pcm("int16"), pcm("int24"), "16-bit to 24-bit"),
        (pcm("int16", big_endian=True), pcm("int16"), ""),
        (pcm("int24"), pcm("int24"), ""),
    ],
)
def test_what_happens_is_said_in_words(source: PcmFormat, target: PcmFormat, said: str) -> None:
    """The note that goes out with a package quotes this."""
    assert describe(source, target) == said
    assert needs(source, target) == (source != target)
    assert is_dithered(source, target) == ("dithered" in said)


def test_recipes_keep_their_names() -> None:
    """Golden: stored files are found by them."""
    assert recipe(pcm("int16", 44_100)) == "pcm-int16-44100-1"
    assert recipe(pcm("int24", 48_000, 2)) == "pcm-int24-48000-1"


@pytest.mark.parametrize(
    ("rate_hz", "mp3_hz"),
    [
        *((rate_hz, rate_hz) for rate_hz in (32_000, 44_100, 48_000)),
        *((rate_hz, 44_100) for rate_hz in (11_025, 22_050, 88_200, 176_400, 352_800)),
        *((rate_hz, 48_000) for rate_hz in (8_000, 16_000, 24_000, 64_000, 96_000, 192_000, 384_000)),
    ],
)
def test_mp3_keeps_to_the_family_of_the_rate(rate_hz: int, mp3_hz: int) -> None:
    """Layer III of MPEG-1 has three rates (ISO/IEC 11172-3, 2.4.2.3)."""
    assert mp3_rate_hz(rate_hz) == mp3_hz


@pytest.mark.parametrize("order", [False, True], ids=["little", "big"])
@pytest.mark.parametrize(("narrow", "wide"), [("int16", "int24"), ("int16", "int32"), ("int24", "int32")])
def test_widening_is_exact(narrow: str, wide: str, order: bool) -> None:
    """Every value gets zeros behind its last bit, and no dither."""
    full = 1 << (BITS[narrow] - 1)
    values = np.array([0, 1, -1, 2, full - 1, -full, 12_345, -12_345])
    source, target = pcm(narrow, channels=2, big_endian=order), pcm(wide, channels=2, big_endian=not order)
    wanted = as_raw(values * (1 << (BITS[wide] - BITS[narrow])), target)
    assert converted(as_raw(values, source), source, target) == wanted


@pytest.mark.parametrize("sample_format", ["int16", "int24", "int32", "float32"])
def test_the_same_format_gives_the_same_bytes(sample_format: str) -> None:
    """Even what is no number: a float file passes bit for bit, in either byte order."""
    little, big = pcm(sample_format, channels=2), pcm(sample_format, channels=2, big_endian=True)
    raw = np.random.default_rng(5).integers(0, 256, 999 * little.frame_bytes, np.uint8).tobytes()
    turned = np.frombuffer(raw, np.uint8).reshape(-1, little.sample_bytes)[:, ::-1].tobytes()
    assert converted(raw, little, little) == raw
    assert converted(raw, little, big) == turned
    assert converted(turned, big, little) == raw
    assert not needs(little, little)
    assert needs(little, big)


@pytest.mark.parametrize("sample_format", ["int16", "int24"])
def test_integers_become_floats_exactly(sample_format: str) -> None:
    """A 32-bit float has 24 bits of precision."""
    source, target = pcm(sample_format), pcm("float32")
    full = 1 << (BITS[sample_format] - 1)
    values = np.random.default_rng(6).integers(-full, full, 5_000)
    floats = np.frombuffer(converted(as_raw(values, source), source, target), "<f4")
    assert np.array_equal(floats.astype(np.float64) * full, values)


def philox_words(key: tuple[int, int], place: tuple[int, int], count: int) -> list[int]:
    """Return the words of Philox4x64-10 from the paper's definition (Salmon et al., 2011), in plain integers.

    numpy counts up before it makes the first block, so that begins at 1.
    """
    mask = (1 << 64) - 1
    words: list[int] = []
    block = 0
    while len(words) < count:
        block += 1
        a, b, c, d = block, 0, *place
        k0, k1 = key
        for _ in range(10):
            left, right = a * 0xD2E7470EE14C6C93, c * 0xCA5A826395121157
            a, b, c, d = right >> 64 ^ b ^ k0, right & mask, left >> 64 ^ d ^ k1, left & mask
            k0, k1 = k0 + 0x9E3779B97F4A7C15 & mask, k1 + 0xBB67AE8584CAA73B & mask
        words += [a, b, c, d]
    return words[:count]


def test_the_dither_is_what_the_recipe_says() -> None:
    """Made a second time from the written rule, with a generator of its own: exact, for every sample."""
    source, target = pcm("float32"), pcm("int16")
    values = np.random.default_rng(7).uniform(-4, 4, 4_000).astype(np.float32) * np.float32(2.0**-15)
    quarters = [int.from_bytes(SEED[start : start + 8], "little") for start in range(0, 32, 8)]
    words = philox_words((quarters[0], quarters[1]), (quarters[2], quarters[3]), len(values))
    wanted = [
        math.floor(
            Fraction(float(value)) * 2**15
            + Fraction((word & 0xFFFFFFFF) - (word >> 32), 2**32)
            + Fraction(1, 2)
        )
        for value, word in zip(values, words, strict=True)
    ]
    # float64 carries 53 bits, so a sum within 2**-38 of a half could round otherwise: none here.
    assert steps(converted(values.tobytes(), source, target), target).tolist() == wanted


@pytest.mark.parametrize(
    ("source_format", "target_format"),
    [("int24", "int16"), ("int32", "int24"), ("float32", "int16"), ("float32", "int24")],
)
@pytest.mark.parametrize("offset", [0.0, 0.25, 0.5], ids=lambda offset: f"{offset} LSB")
def test_the_dithers_power_is_that_of_theory(source_format: str, target_format: str, offset: float) -> None:
    """Zero mean and LSB²/4, wherever between two steps the signal lies: no noise modulation."""
    source, target = pcm(source_format), pcm(target_format)
    lsb = 2.0 ** (1 - BITS[target_format])
    count = 1 << 20
    if source_format == "float32":
        level: float = offset * lsb
    else:
        level = round(offset * 2 ** (BITS[source_format] - BITS[target_format]))
    raw = as_raw(np.full(count, level), source)
    error = steps(converted(raw, source, target), target) - offset
    # Mean: 4.5 standard deviations of 0.5 / sqrt(count). Power: the error's kurtosis is below 3, so
    # 4.5 standard deviations are below 0.62 %.
    assert abs(error.mean()) < 4.5 * 0.5 / 2**10
    assert np.mean(error**2) == pytest.approx(1 / 4, rel=0.0062)  # 3 LSB²/12


def test_the_error_is_white_and_knows_nothing_of_the_signal() -> None:
    """Flat in 16 bands; no correlation with the signal, its square or the other channel."""
    source, target = pcm("float32", channels=2), pcm("int16", channels=2)
    rng = np.random.default_rng(8)
    signal = rng.uniform(-3, 3, (1 << 19, 2)).astype(np.float32) * np.float32(2.0**-15)
    out = steps(converted(signal.tobytes(), source, target), target).reshape(-1, 2)
    exact = signal.astype(np.float64) * 2**15
    error = out - exact
    power = np.abs(np.fft.rfft(error[:, 0])[1:-1]) ** 2 / len(error)
    bands = power[: len(power) // 16 * 16].reshape(16, -1).mean(axis=1)
    assert bands == pytest.approx(np.full(16, 1 / 4), rel=4.5 / math.sqrt(power.size / 16))
    limit = 4.5 / math.sqrt(len(error))
    for other in (exact[:, 0], exact[:, 0] ** 2, error[:, 1]):
        assert abs(np.corrcoef(error[:, 0], other)[0, 1]) < limit


def test_a_very_soft_sine_has_no_harmonics() -> None:
    """-90 dBFS is about one step of 16 bits: rounding alone makes a square of it, dither makes none."""
    source, target = pcm("float32"), pcm("int16")
    count, cycle = 1 << 18, 5_441  # 996.3 Hz; whole cycles, an odd number
    sine = 10 ** (-90 / 20) * np.sin(2 * np.pi * cycle * np.arange(count) / count)
    out = steps(converted(as_raw(sine, source), source, target), target)

    def harmonics(steps_out: npt.NDArray[Any]) -> Floats:
        spectrum = np.abs(np.fft.rfft(steps_out)) * 2 / count
        return np.array([spectrum[cycle * number] for number in range(2, 12)])

    floor = 0.5 * 2 / math.sqrt(count)  # amplitude of one line of noise of 0.5 LSB rms [LSB]
    assert harmonics(out).max() < 4 * floor  # a line beyond 4 is met once in e**16 (Rayleigh)
    assert harmonics(np.round(sine * 2**15)).max() > 40 * floor  # the test can see them
    own = 2 * abs(np.mean(out * np.exp(-2j * np.pi * cycle * np.arange(count) / count))) * 2.0**-15
    assert 20 * math.log10(own) == pytest.approx(-90, abs=0.05)  # the floor is 54 dB below the tone


@pytest.mark.parametrize(("old_hz", "new_hz"), [(48_000, 48_000), (96_000, 44_100)])
@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 5_000), max_size=12))
def test_blocks_of_any_size_give_the_same_bytes(old_hz: int, new_hz: int, cuts: list[int]) -> None:
    """Also empty ones, and single frames."""
    source, target = pcm("float32", old_hz, 2), pcm("int16", new_hz, 2)
    raw = np.random.default_rng(9).uniform(-1, 1, (5_000, 2)).astype("<f4").tobytes()
    places = [0, *sorted(cuts), 5_000]
    converter = Converter(source, target, SEED)
    out = [converter.feed(raw[a * source.frame_bytes : b * source.frame_bytes]) for a, b in pairwise(places)]
    assert b"".join([*out, converter.finish()]) == converted(raw, source, target)


@pytest.mark.parametrize(("old_hz", "new_hz"), [(96_000, 48_000), (44_100, 48_000), (22_050, 44_100)])
def test_long_streams_do_not_depend_on_blocks_either(old_hz: int, new_hz: int) -> None:
    """The resampler works in blocks of its own, much longer than those above."""
    source, target = pcm("int24", old_hz, 2), pcm("int24", new_hz, 2)
    raw = np.random.default_rng(10).integers(0, 256, 300_000 * 6, np.uint8).tobytes()
    assert converted(raw, source, target, block_frames=7_777) == converted(
        raw, source, target, block_frames=300_000
    )


def test_another_process_gives_the_same_bytes() -> None:
    """Nothing in it comes from the clock, the locale or the hash seed."""
    code = (
        "import sys, hashlib; sys.path.insert(0, '.')\n"
        "from relkit.audio.conversion import Converter\nfrom relkit.audio.formats import PcmFormat\n"
        "c = Converter(PcmFormat('int24', 1, 96000, 4), PcmFormat('int16', 1, 44100, 4), bytes(range(32)))\n"
        "raw = bytes(i * i % 251 for i in range(60000))\n"
        "print(hashlib.sha256(c.feed(raw) + c.finish()).hexdigest())\n"
    )
    raw = bytes(i * i % 251 for i in range(60_000))
    here = converted(raw, pcm("int24", 96_000), pcm("int16", 44_100), seed=bytes(range(32)))
    environment = {"LC_ALL": "tr_TR.UTF-8", "TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "7"}
    there = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment
    ).stdout
    assert there.strip() == hashlib.sha256(here).hexdigest()


def test_versions_share_what_they_shared_if_they_share_the_seed() -> None:
    """The clean version is the explicit one but for a word; after conversion it still is."""
    source, target = pcm("float32", 96_000), pcm("int16")
    explicit = np.random.default_rng(11).uniform(-0.5, 0.5, 200_000).astype("<f4")
    clean = explicit.copy()
    clean[90_000:100_000] = 0
    one, two = (steps(converted(v.tobytes(), source, target), target) for v in (explicit, clean))
    differ = np.flatnonzero(one != two)
    assert 44_000 < differ.min() < 45_100 < 49_900 < differ.max() < 51_000  # and the filter's ringing
    other = steps(converted(clean.tobytes(), source, target, seed=bytes(32)), target)
    assert np.mean(other != two) > 0.4


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 146, 147, 1_000, 44_101])
@pytest.mark.parametrize(
    ("old_hz", "new_hz"),
    [
        (96_000, 48_000),
        (88_200, 44_100),
        (192_000, 48_000),
        (22_050, 44_100),
        (48_000, 44_100),
        (44_100, 48_000),
    ],
)
def test_the_length_is_the_rounded_ratio(old_hz: int, new_hz: int, frames: int) -> None:
    """Half a frame is rounded up."""
    source, target = pcm("int16", old_hz, 2), pcm("int24", new_hz, 2)
    wanted = math.floor(Fraction(frames * new_hz, old_hz) + Fraction(1, 2))
    assert converted_frames(frames, source, target) == wanted
    assert len(converted(bytes(frames * 4), source, target)) == wanted * target.frame_bytes


def sine_fit(samples: Floats, frequency_hz: float, rate_hz: int) -> tuple[float, float, float]:
    """Fit a sine: return (amplitude, delay against sin(2 pi f t) [samples], rms of the rest)."""
    angle = 2 * np.pi * frequency_hz * np.arange(len(samples)) / rate_hz
    basis = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    (sine, cosine), *_ = np.linalg.lstsq(basis, samples, rcond=None)
    rest = samples - basis @ np.array([sine, cosine])
    delay = -math.atan2(cosine, sine) / (2 * np.pi * frequency_hz) * rate_hz
    return math.hypot(sine, cosine), delay, float(np.sqrt(np.mean(rest**2)))


PAIRS = [
    (96_000, 48_000),
    (88_200, 44_100),
    (192_000, 48_000),
    (48_000, 44_100),
    (44_100, 48_000),
    (22_050, 44_100),
]


@pytest.mark.parametrize(("old_hz", "new_hz"), PAIRS)
@pytest.mark.parametrize("frequency_hz", [20.0, 997.0, 9_000.0, 20_000.0])
def test_the_passband_is_flat_and_in_time(old_hz: int, new_hz: int, frequency_hz: float) -> None:
    """Level to 0.01 dB, time to 0.01 sample; image, alias and noise together 120 dB below the sine."""
    frequency_hz = min(frequency_hz, 0.45 * min(old_hz, new_hz))
    seconds = 2
    source = 0.5 * np.sin(2 * np.pi * frequency_hz * np.arange(seconds * old_hz) / old_hz)
    out = resampled(source, old_hz, new_hz)
    edge = new_hz // 10  # where the sine begins and ends, the filter rings
    middle = out[edge:-edge]
    start = 2 * np.pi * frequency_hz * edge / new_hz
    amplitude, delay, rest = sine_fit(middle, frequency_hz, new_hz)
    lag = delay + start / (2 * np.pi * frequency_hz) * new_hz  # against the sine that began at frame 0
    period = new_hz / frequency_hz
    lag = (lag + period / 2) % period - period / 2
    assert 20 * math.log10(amplitude / 0.5) == pytest.approx(0, abs=0.01)
    assert abs(lag) < 0.01
    assert 20 * math.log10(rest / (0.5 / math.sqrt(2))) < -120


@pytest.mark.parametrize(
    ("old_hz", "new_hz", "frequency_hz"),
    [
        (96_000, 48_000, 26_000),
        (96_000, 48_000, 40_000),
        (192_000, 48_000, 90_000),
        (48_000, 44_100, 23_000),
        (88_200, 44_100, 30_000),
    ],
)
def test_what_the_new_rate_cannot_hold_is_gone(old_hz: int, new_hz: int, frequency_hz: float) -> None:
    """A tone above half the new rate would come back as another tone: it is 120 dB down."""
    source = 0.5 * np.sin(2 * np.pi * frequency_hz * np.arange(2 * old_hz) / old_hz)
    out = resampled(source, old_hz, new_hz)[new_hz // 10 : -new_hz // 10]
    assert 20 * math.log10(np.sqrt(np.mean(out**2)) / (0.5 / math.sqrt(2))) < -120


@pytest.mark.parametrize(("old_hz", "new_hz"), PAIRS)
def test_the_first_and_last_frames_are_in_their_places(old_hz: int, new_hz: int) -> None:
    """Pulses near both ends, whose values at the new instants are known: every frame agrees."""
    seconds = 0.5

    def signal(rate_hz: int) -> Floats:
        t = np.arange(round(seconds * rate_hz)) / rate_hz
        pulses = [np.exp(-(((t - at) / 0.4e-3) ** 2)) for at in (3e-3, 0.1, seconds - 3e-3)]
        both: Floats = 0.5 * np.sum(pulses, axis=0)  # -200 dB at 4.3 kHz
        return both

    assert np.abs(resampled(signal(old_hz), old_hz, new_hz) - signal(new_hz)).max() < 1e-6  # -120 dBFS


def test_overs_are_counted_and_clipped() -> None:
    """Full scale itself is no over, though the highest step lies just below it."""
    source, target = pcm("float32", channels=2), pcm("int16", channels=2)
    converter = Converter(source, target, SEED)
    out = converter.feed(as_raw([[1.5, -1.0], [-2.0, 1.0], [0.0, 1.25]], source))
    assert converter.clipped == 3
    assert converter.over_db == pytest.approx(20 * math.log10(2.0))
    out += converter.feed(as_raw([[1.75, 0.0]], source)) + converter.finish()
    assert converter.clipped == 4
    assert converter.over_db == pytest.approx(20 * math.log10(2.0))
    values = steps(out, target)
    assert values[[0, 5, 6]].tolist() == [32_767] * 3
    assert values[2] == -32_768


def test_a_file_without_overs_has_none() -> None:
    """And a float target clips nothing."""
    converter = Converter(pcm("int24"), pcm("int16"), SEED)
    converter.feed(as_raw([(1 << 23) - 1, -(1 << 23)], pcm("int24")))
    assert (converter.clipped, converter.over_db) == (0, 0.0)
    floats = Converter(pcm("float32", 96_000), pcm("float32"), SEED)
    loud = as_raw(np.full(20_000, 2.0), pcm("float32"))
    out = np.frombuffer(floats.feed(loud) + floats.finish(), "<f4")
    assert (floats.clipped, floats.over_db) == (0, 0.0)
    assert out[4_000:6_000] == pytest.approx(2.0, abs=1e-5)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("target", [pcm("int24", channels=2), pcm("float32", 44_100, 2)])
def test_what_is_no_number_is_refused(value: float, target: PcmFormat) -> None:
    """With the place, counted over blocks."""
    source = pcm("float32", channels=2)
    converter = Converter(source, target, SEED)
    converter.feed(bytes(48_000 * 8))
    samples = np.zeros((48_000, 2), "<f4")
    samples[24_000, 1] = value
    with pytest.raises(NotFiniteError, match=r"at 1\.500 s") as refused:
        converter.feed(samples.tobytes())
    assert refused.value.frame == 72_000
    assert refused.value.hint


def test_mistakes_of_the_caller() -> None:
    """Each is a ValueError."""
    fmt = pcm("int16", channels=2)
    with pytest.raises(ValueError, match="32 bytes"):
        Converter(fmt, fmt, b"short")
    with pytest.raises(ValueError, match="cannot convert"):
        Converter(fmt, pcm("int16"), SEED)
    with pytest.raises(ValueError, match="cannot convert"):
        Converter(pcm("float64"), pcm("int16"), SEED)
    converter = Converter(fmt, pcm("int24", channels=2), SEED)
    with pytest.raises(ValueError, match="whole frames"):
        converter.feed(bytes(3))
    assert converter.finish() == b""
    with pytest.raises(ValueError, match="finished"):
        converter.feed(bytes(4))
    with pytest.raises(ValueError, match="finished"):
        converter.finish()
