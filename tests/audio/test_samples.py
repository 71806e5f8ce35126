"""Raw frames to float32 against libsndfile and exact arithmetic; the identity's frozen form."""

from __future__ import annotations

import hashlib
import io

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.audio.formats import SAMPLE_BYTES, MpegFormat, PcmFormat
from relkit.audio.samples import sound_identity, to_float32, to_little_endian

SUBTYPES = {"int16": "PCM_16", "int24": "PCM_24", "int32": "PCM_32", "float32": "FLOAT", "float64": "DOUBLE"}


def pcm(sample_format: str, channels: int = 2, *, big_endian: bool = False) -> PcmFormat:
    """Return a format at 48 kHz."""
    return PcmFormat(sample_format, channels, 48_000, 0, big_endian)


@pytest.mark.parametrize("big_endian", [False, True], ids=["little", "big"])
@pytest.mark.parametrize("channels", [1, 2, 3, 6])
@pytest.mark.parametrize("sample_format", SUBTYPES)
def test_samples_are_those_of_libsndfile(sample_format: str, channels: int, big_endian: bool) -> None:
    """Random bytes for integers, random numbers for floats; more than one internal block."""
    frames = 70_003
    rng = np.random.default_rng(channels)
    if sample_format.startswith("float"):
        kind = np.dtype(sample_format).newbyteorder(">" if big_endian else "<")
        raw = rng.uniform(-1, 1, frames * channels).astype(kind).tobytes()
    else:
        raw = rng.bytes(frames * channels * SAMPLE_BYTES[sample_format])
    judged, _ = soundfile.read(
        io.BytesIO(raw),
        format="RAW",
        subtype=SUBTYPES[sample_format],
        endian="BIG" if big_endian else "LITTLE",
        channels=channels,
        samplerate=48_000,
        dtype="float32",
        always_2d=True,
    )
    np.testing.assert_array_equal(
        to_float32(raw, pcm(sample_format, channels, big_endian=big_endian)), judged
    )


@given(st.lists(st.integers(-(2**23), 2**23 - 1), max_size=40))
@settings(deadline=None)
def test_24_bit_integers_are_exact(numbers: list[int]) -> None:
    """Every 24-bit integer over 2**23 is a float32, so there is nothing to round."""
    raw = b"".join(number.to_bytes(3, "little", signed=True) for number in numbers)
    assert to_float32(raw, pcm("int24", 1)).ravel().tolist() == [number / 2**23 for number in numbers]


@pytest.mark.parametrize("sample_format", SAMPLE_BYTES)
def test_full_scale_is_one(sample_format: str) -> None:
    """The most negative integer, or -1.0, is exactly -1.0; uint8 is offset by 128."""
    width = SAMPLE_BYTES[sample_format]
    if sample_format.startswith("float"):
        raw = np.array([-1.0], sample_format).tobytes()
    else:
        raw = bytes(1) if sample_format == "uint8" else bytes(width - 1) + b"\x80"
    assert to_float32(raw, pcm(sample_format, 1)).tolist() == [[-1.0]]


def test_a_given_array_is_written_and_the_rest_left_alone() -> None:
    """The result is a view of it."""
    out = np.full((5, 2), 7, np.float32)
    taken = to_float32(memoryview(bytes(12)), pcm("int24"), out)
    assert taken.base is out
    assert out.tolist() == [[0, 0], [0, 0], [7, 7], [7, 7], [7, 7]]


def test_nan_and_infinity_pass() -> None:
    """Whoever measures decides about them; a float64 beyond float32 is infinite."""
    raw = np.array([np.nan, np.inf, -np.inf, 1e300], "<f8").tobytes()
    assert str(to_float32(raw, pcm("float64", 1)).ravel().tolist()) == "[nan, inf, -inf, inf]"


@pytest.mark.parametrize(
    ("raw", "out"),
    [(bytes(7), None), (bytes(6), np.empty((0, 2), np.float32)), (bytes(6), np.empty((9, 1), np.float32))],
    ids=["partial frame", "too few rows", "other channels"],
)
def test_a_callers_mistake_is_a_value_error(raw: bytes, out: np.ndarray | None) -> None:
    """No hint: nobody but a programmer can make it."""
    with pytest.raises(ValueError, match=r"frames|out"):
        to_float32(raw, pcm("int24"), out)


@pytest.mark.parametrize("width", [("int16", 2), ("int24", 3), ("int32", 4), ("float64", 8)])
def test_big_endian_frames_are_turned_sample_by_sample(width: tuple[str, int]) -> None:
    """Bytes of each sample reversed, samples in place; little-endian ones are not copied."""
    raw = bytes(range(width[1] * 4))
    turned = b"".join(raw[at : at + width[1]][::-1] for at in range(0, len(raw), width[1]))
    assert to_little_endian(raw, pcm(width[0], big_endian=True)).tobytes() == turned
    assert np.shares_memory(to_little_endian(raw, pcm(width[0])), np.frombuffer(raw, np.uint8))


def test_the_identity_is_a_frozen_form() -> None:
    """The object as the documentation writes it, hashed here by hand."""
    frames = hashlib.sha256(b"frames").hexdigest()
    text = '{"channel_mask":3,"channels":2,"frames_sha256":"?","rate_hz":44100,"sample_format":"int24"}'
    text = text.replace("?", frames)
    sound = PcmFormat("int24", 2, 44_100, 3)
    assert sound_identity(sound, frames) == hashlib.sha256(text.encode()).hexdigest()
    assert sound_identity(PcmFormat("int24", 2, 44_100, 3, big_endian=True), frames) == sound_identity(
        sound, frames
    )
    text = text.replace('mask":3', 'mask":0').replace("int24", "mpeg-layer-3")
    mpeg = MpegFormat(2, 44_100, 320_000, is_variable=False, frame_samples=1152)
    assert sound_identity(mpeg, frames) == hashlib.sha256(text.encode()).hexdigest()


def test_any_other_fact_is_another_identity() -> None:
    """Format, channels, mask, rate and frames all count."""
    digests = [hashlib.sha256(bytes([n])).hexdigest() for n in range(2)]
    sounds = [PcmFormat(*facts) for facts in (("int24", 2, 44_100, 3), ("int32", 2, 44_100, 3))]
    sounds += [
        PcmFormat("int24", 1, 44_100, 3),
        PcmFormat("int24", 2, 44_100, 0),
        PcmFormat("int24", 2, 48_000, 3),
    ]
    assert len({sound_identity(sound, digest) for sound in sounds for digest in digests}) == 10


@pytest.mark.parametrize("digest", ["", "a" * 63, "A" * 64, "g" * 64])
def test_the_identity_of_no_digest_is_a_value_error(digest: str) -> None:
    """Upper case would make another identity of the same sound."""
    with pytest.raises(ValueError, match="lower-case hex"):
        sound_identity(pcm("int24"), digest)
