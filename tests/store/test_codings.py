"""Codings give every bit back, and a broken or hostile blob gives one kind of error."""

from __future__ import annotations

import contextlib
import shutil
import struct
import subprocess
import sys
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.store import codings
from relkit.store.codings import DamagedChunkError, coding_for, decode, encode
from relkit.store.layout import CODINGS, FLAC, FLOAT32, INT32, PLAIN
from tests.support.stores import as_bytes, music

SAMPLE_BYTES = {"int16": 2, "int24": 3, "int32": 4, "float32": 4}


def coded(raw: bytes, sample_format: str, channels: int) -> tuple[str, bytes]:
    """Code a chunk the way that suits its format."""
    return encode(coding_for(sample_format, channels), raw, channels, SAMPLE_BYTES[sample_format])


def is_exact(raw: bytes, sample_format: str, channels: int) -> bool:
    """Say whether a chunk survives, also without the way out of storing it plain."""
    used, blob = coded(raw, sample_format, channels)
    width = SAMPLE_BYTES[sample_format]
    return decode(used, blob, len(raw), channels, width) == raw


SPECIAL_BITS = [
    0x00000000,  # 0.0
    0x80000000,  # -0.0
    0x00000001,  # smallest denormal
    0x807FFFFF,  # largest negative denormal
    0x3F800000,  # 1.0
    0xBF800000,  # -1.0
    0x3F7FFFFF,  # just below 1.0
    0x3F800001,  # just above
    0x7F7FFFFF,  # largest number
    0x7F800000,  # infinity
    0xFF800000,  # -infinity
    0x7FC00000,  # quiet NaN
    0x7F800001,  # signalling NaN
    0xFFFFFFFF,  # NaN, all ones
]


def test_special_floats_inside_music_are_exact() -> None:
    """Written in among ordinary samples, so that the coding is really used and not the way out of it."""
    bits = np.frombuffer(as_bytes(music(1, 1), "float32"), "<u4").copy()
    bits[100 : 100 + len(SPECIAL_BITS)] = SPECIAL_BITS
    raw = bits.tobytes()
    used, blob = coded(raw, "float32", 2)
    assert used == FLOAT32
    assert decode(used, blob, len(raw), 2, 4) == raw


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=64), st.integers(0, 2**32 - 1))
def test_every_float_is_exact(bits: list[int], seed: int) -> None:
    """Any bit patterns, alone and between samples of music."""
    raw = np.array(bits, "<u4").tobytes()
    assert is_exact(raw, "float32", 1)
    around = np.frombuffer(as_bytes(music(0.02, seed % 50, channels=1), "float32"), "<u4").copy()
    around[:: max(1, len(around) // len(bits))][: len(bits)] = bits
    assert is_exact(around.tobytes(), "float32", 1)


def test_a_sweep_through_all_exponents_is_exact() -> None:
    """Every exponent and sign with a few mantissas: 512 x 64 patterns, coded by force."""
    high = np.arange(512, dtype=np.uint32) << 23
    low = np.random.default_rng(2).integers(0, 2**23, 64, np.uint32)
    raw = (high[:, None] | low[None, :]).astype("<u4").tobytes() + bytes(4 * 300_000)
    used, blob = coded(raw, "float32", 1)
    assert used == FLOAT32  # the silence behind makes the coding worth it
    assert decode(used, blob, len(raw), 1, 4) == raw


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(["int16", "int24", "int32"]), st.integers(1, 8), st.binary(min_size=32, max_size=4000))
def test_every_integer_is_exact(sample_format: str, channels: int, data: bytes) -> None:
    """Any bytes are samples."""
    frame_bytes = SAMPLE_BYTES[sample_format] * channels
    raw = data[: len(data) // frame_bytes * frame_bytes] + bytes(frame_bytes * 4_000)
    assert is_exact(raw, sample_format, channels)
    assert coded(raw, sample_format, channels)[0] != PLAIN


def test_sizes_are_what_was_promised() -> None:
    """The project's targets for 32-bit float, on sound that FLAC codes as well as it codes music.

    True float at most 0.80 of its size; where the float holds 24-bit integers 0.62, 16-bit 0.40.
    """
    smooth = np.cumsum(music(4, 3), axis=0)
    song = smooth[8:] - smooth[:-8]
    song *= 0.9 / np.abs(song).max()
    as_24_bit = as_bytes(song, "int24")
    assert 0.70 < len(coded(as_24_bit, "int24", 2)[1]) / len(as_24_bit) < 0.80  # music: 0.75
    for bits, most in ((32, 0.80), (24, 0.62), (16, 0.40)):
        steps = 2.0 ** (bits - 1)
        raw = as_bytes(song if bits == 32 else np.round(song * steps) / steps, "float32")
        used, blob = coded(raw, "float32", 2)
        assert used == FLOAT32
        assert len(blob) / len(raw) <= most, bits


def test_what_flac_cannot_hold_is_plain() -> None:
    """Nine channels, 8 bits, 64-bit float; and noise, which no coding makes smaller."""
    assert coding_for("int24", 9) == coding_for("uint8", 2) == coding_for("float64", 2) == PLAIN
    raw = np.random.default_rng(4).bytes(60_000)
    assert coded(raw, "int24", 2) == (PLAIN, raw)


@pytest.fixture(params=["plibflac", "libsndfile"])
def coder(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways to make a FLAC stream: the one for most systems, and the one where that has no wheel."""
    name: str = request.param
    if name == "libsndfile":
        monkeypatch.setitem(sys.modules, "plibflac", None)  # importing it fails now
    else:
        monkeypatch.delattr(codings, "_flac_by_libsndfile")
    return name


@pytest.mark.usefixtures("coder")
@pytest.mark.parametrize(("sample_format", "bits"), [("int16", 16), ("int24", 24)])
@pytest.mark.parametrize("channels", [1, 2, 8])
def test_stock_flac_reads_our_streams(sample_format: str, bits: int, channels: int, tmp_path: Path) -> None:
    """``flac -t`` accepts them without a warning, and ``flac -d`` gives the raw frames back."""
    raw = as_bytes(music(0.7, 5, channels=channels), sample_format)
    used, blob = coded(raw, sample_format, channels)
    assert used == FLAC
    file = tmp_path / "chunk.flac"
    file.write_bytes(blob)
    subprocess.run(["flac", "-t", "-s", "-w", str(file)], check=True)
    options = ["--force-raw-format", "--endian=little", "--sign=signed"]
    back = subprocess.run(
        ["flac", "-d", "-s", "-c", *options, str(file)], check=True, stdout=subprocess.PIPE
    ).stdout
    assert back == raw
    shown = subprocess.run(
        ["metaflac", "--show-bps", "--show-channels", "--show-sample-rate", str(file)],
        check=True,
        stdout=subprocess.PIPE,
    ).stdout.split()
    assert [int(value) for value in shown] == [bits, channels, 44_100]


@pytest.mark.usefixtures("coder")
@pytest.mark.parametrize("sample_format", SAMPLE_BYTES)
@pytest.mark.parametrize("channels", [1, 2, 3, 8])
@pytest.mark.parametrize("frames", [1, 2, 15, 4_097, 40_000])
def test_both_coders_keep_every_bit(sample_format: str, channels: int, frames: int) -> None:
    """Also the extreme samples, which the first of a stream is, and streams of less than a block."""
    raw = bytearray(as_bytes(music(1, 7, channels=channels)[:frames], sample_format))
    raw[: SAMPLE_BYTES[sample_format]] = bytes(SAMPLE_BYTES[sample_format] - 1) + b"\x80"
    assert is_exact(bytes(raw), sample_format, channels)


@pytest.mark.parametrize(("sample_format", "bits"), [("int16", 16), ("int24", 24)])
def test_streams_of_stock_flac_are_read(sample_format: str, bits: int, tmp_path: Path) -> None:
    """What another encoder made of the same samples is decoded too: the coding is FLAC, not a library."""
    raw = as_bytes(music(0.7, 6), sample_format)
    file = tmp_path / "chunk.raw"
    file.write_bytes(raw)
    form = ["--endian=little", "--sign=signed", "--channels=2", "--sample-rate=44100", f"--bps={bits}"]
    command = ["flac", "-8", "-s", "-c", "--force-raw-format", *form, str(file)]
    blob = subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout
    assert decode(FLAC, blob, len(raw), 2, SAMPLE_BYTES[sample_format]) == raw
    assert shutil.which("flac")


# --- hostile blobs


_SAMPLES = {
    FLAC: coded(as_bytes(music(0.1, 7), "int24"), "int24", 2),
    INT32: coded(as_bytes(music(0.1, 7), "int32"), "int32", 2),
    FLOAT32: coded(as_bytes(music(0.1, 7), "float32"), "float32", 2),
}


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from([*CODINGS, "flac-2"]),
    st.binary(max_size=300),
    st.integers(0, 5000),
    st.integers(1, 9),
    st.integers(1, 8),
)
def test_any_blob_decodes_or_is_refused(
    coding: str, blob: bytes, size: int, channels: int, sample_bytes: int
) -> None:
    """Nothing but the declared error."""
    with contextlib.suppress(DamagedChunkError):
        assert len(decode(coding, blob, size, channels, sample_bytes)) == size


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(sorted(_SAMPLES)), st.data())
def test_a_changed_blob_decodes_or_is_refused(coding: str, data: st.DataObject) -> None:
    """Flip bytes, cut, and lie about size, channels and sample width."""
    blob = bytearray(_SAMPLES[coding][1])
    for at in data.draw(st.lists(st.integers(0, len(blob) - 1), max_size=5)):
        blob[at] ^= data.draw(st.integers(1, 255))
    cut = data.draw(st.one_of(st.just(len(blob)), st.integers(0, len(blob))))
    size = data.draw(st.one_of(st.just(4410 * 8), st.just(4410 * 6), st.integers(0, 1 << 20)))
    channels, sample_bytes = data.draw(st.integers(1, 9)), data.draw(st.integers(1, 8))
    with contextlib.suppress(DamagedChunkError):
        assert len(decode(coding, bytes(blob[:cut]), size, channels, sample_bytes)) == size


@pytest.mark.parametrize("size", [0, 4, 400])
@pytest.mark.parametrize("coding", [INT32, FLOAT32])
def test_a_decompression_bomb_is_refused_in_little_memory(coding: str, size: int) -> None:
    """200 MB in 200 KB behind the FLAC stream."""
    flac = encode(FLAC, bytes(3 * 100), 1, 3)[1]
    blob = struct.pack("<I", len(flac)) + flac + zlib.compress(bytes(200_000_000), 9)
    tracemalloc.start()
    with pytest.raises(DamagedChunkError):
        decode(coding, blob, size, 1, 4)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 5_000_000


def test_a_stream_that_claims_more_is_refused_unread() -> None:
    """A FLAC header of 2**36 - 1 samples does not get memory for them."""
    raw = as_bytes(music(0.1, 8), "int24")
    blob = bytearray(coded(raw, "int24", 2)[1])
    blob[21] |= 0x0F  # STREAMINFO: the 36 bits of "total samples" end at byte 25; RFC 9639 section 8.2
    blob[22:26] = b"\xff" * 4
    with pytest.raises(DamagedChunkError):
        decode(FLAC, bytes(blob), len(raw), 2, 3)


def test_other_audio_in_place_of_flac_is_refused() -> None:
    """The library behind would open a WAV as well."""
    from tests.support.stores import wav

    raw = as_bytes(music(0.1, 9), "int24")
    with pytest.raises(DamagedChunkError):
        decode(FLAC, wav(raw), len(raw), 2, 3)
