"""Heads and tails of WAV and AIFF: read back by our own readers, libsndfile, sox and ffmpeg."""

from __future__ import annotations

import io
import json
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from mutagen.id3 import ID3, TIT2

from relkit.audio.container import read_container
from relkit.audio.formats import PcmFormat, default_mask
from relkit.audio.heads import ChunkBytes, TooLongForAiffError, aiff_head, wav_head

FRAMES = [1, 1_000]  # with one channel of 24 bits: an odd and an even size
SURROUND_MASK = 0x3F  # 5.1: front left, right, centre, LFE, back left, right (mmreg.h)
RAW_NAMES = {"int16": "s16", "int24": "s24", "int32": "s32", "float32": "f32"}
ODD, EVEN = (b"bext", b"b" * 605), (b"cart", b"c" * 2048)


def pcm(
    sample_format: str, channels: int, rate_hz: int, *, mask: int | None = None, big_endian: bool = False
) -> PcmFormat:
    """Return a format."""
    return PcmFormat(
        sample_format, channels, rate_hz, default_mask(channels) if mask is None else mask, big_endian
    )


def essence(fmt: PcmFormat, frames: int) -> bytes:
    """Return random frames; floats are numbers."""
    rng = np.random.default_rng(frames)
    if fmt.sample_format == "float32":
        return rng.uniform(-1, 1, frames * fmt.channels).astype("<f4").tobytes()
    return rng.bytes(frames * fmt.frame_bytes)


def chunks_of(data: bytes, order: str) -> list[ChunkBytes]:
    """Walk the chunks of a whole RIFF or FORM file; sizes must come out even."""
    assert struct.unpack(f"{order}I", data[4:8])[0] == len(data) - 8
    found = []
    at = 12
    while at < len(data):
        (size,) = struct.unpack(f"{order}I", data[at + 4 : at + 8])
        found.append((data[at : at + 4], data[at + 8 : at + 8 + size]))
        at += 8 + size
        assert data[at : at + size % 2] == bytes(size % 2)
        at += size % 2
    assert at == len(data)
    return found


# Said of every float in WAVE_FORMAT_EXTENSIBLE, that of ffmpeg and libsndfile included.
SOX_GRUMBLES = b"WARN wav: wave header missing extended part of fmt chunk\n"


def decoded(tool: list[str]) -> bytes:
    """Return what a stock tool gives on standard output; it must have nothing to say."""
    done = subprocess.run(tool, capture_output=True, check=True)
    assert done.stderr in (b"", tool[0].encode() + b" " + SOX_GRUMBLES)
    return done.stdout


def judges_agree(path: Path, fmt: PcmFormat, raw: bytes) -> None:
    """Check format and every frame with our reader, libsndfile, sox and ffmpeg; ``raw`` is little-endian."""
    data = path.read_bytes()
    own = read_container(io.BytesIO(data), len(data))
    assert own.fault is None
    assert own.sound == fmt
    assert own.frames == len(raw) // fmt.frame_bytes
    assert own.essence is not None

    info = soundfile.info(path)
    assert (info.frames, info.channels, info.samplerate) == (own.frames, fmt.channels, fmt.rate_hz)
    with soundfile.SoundFile(path) as stream:
        left_justified = stream.read(dtype="float32" if fmt.sample_format == "float32" else "int32")
    words = np.frombuffer(left_justified.tobytes(), np.uint8).reshape(-1, 4)
    assert words[:, 4 - fmt.sample_bytes :].tobytes() == raw

    name = RAW_NAMES[fmt.sample_format]
    ffmpeg = [
        "ffmpeg",
        "-v",
        "warning",
        "-guess_layout_max",
        "0",
        "-i",
        str(path),
        "-f",
        f"{name}le",
        "-c:a",
        f"pcm_{name}le",
        "-",
    ]
    assert decoded(ffmpeg) == raw
    encoding = "floating-point" if fmt.sample_format == "float32" else "signed-integer"
    bits = str(8 * fmt.sample_bytes)
    sox = ["sox", "-D", str(path), "-t", "raw", "-e", encoding, "-b", bits, "-L", "-"]
    if fmt.sample_format == "float32":  # sox works on integers inside
        assert np.allclose(
            np.frombuffer(decoded(sox), "<f4"), np.frombuffer(raw, "<f4"), atol=2.0**-24, rtol=0
        )
    else:
        assert decoded(sox) == raw
    assert decoded(["soxi", "-r", str(path)]).decode().strip() == str(fmt.rate_hz)


@pytest.mark.parametrize("frames", FRAMES)
@pytest.mark.parametrize(
    ("fmt", "tag"),
    [
        (pcm("int16", 1, 44_100), 1),
        (pcm("int24", 1, 48_000), 1),  # odd frames of an odd size: a pad byte
        (pcm("int16", 2, 48_000), 1),
        (pcm("int24", 2, 44_100), 1),
        (pcm("int32", 2, 96_000), 1),
        (pcm("float32", 1, 44_100), 3),
        (pcm("float32", 2, 192_000), 3),
        (pcm("int24", 6, 48_000, mask=SURROUND_MASK), 0xFFFE),
        (pcm("float32", 6, 48_000, mask=SURROUND_MASK), 0xFFFE),
        (pcm("int16", 3, 48_000, mask=0x7), 0xFFFE),
    ],
    ids=lambda value: (
        f"{value.sample_format}x{value.channels}" if isinstance(value, PcmFormat) else hex(value)
    ),
)
def test_every_reader_takes_a_wav(fmt: PcmFormat, tag: int, frames: int, tmp_path: Path) -> None:
    """Plain format tags for mono and stereo; chunks of odd and even size on both sides, in their order."""
    raw = essence(fmt, frames)
    before, after = [ODD, EVEN], [(b"LIST", b"INFO"), (b"id3 ", b"x" * 33), (b"zzzz", b"")]
    head, tail = wav_head(fmt, frames, before, after)
    path = tmp_path / "a.wav"
    path.write_bytes(head + raw + tail)
    judges_agree(path, fmt, raw)
    chunks = chunks_of(path.read_bytes(), "<")
    assert [c for c in chunks if c[0] not in (b"fmt ", b"fact")] == [*before, (b"data", raw), *after]
    assert chunks[0][0] == b"fmt "
    assert struct.unpack_from("<H", chunks[0][1])[0] == tag
    facts = [struct.unpack("<I", content)[0] for name, content in chunks if name == b"fact"]
    assert facts == ([frames] if fmt.sample_format == "float32" else [])


def test_the_smallest_head_is_the_classical_one() -> None:
    """44 bytes, as the 1991 document lays them out: no reader is too old for it."""
    head, tail = wav_head(pcm("int16", 2, 44_100), 3)
    wanted = (
        b"RIFF"
        + struct.pack("<I", 36 + 12)
        + b"WAVEfmt "
        + struct.pack("<IHHIIHH", 16, 1, 2, 44_100, 176_400, 4, 16)
    )
    assert head == wanted + b"data" + struct.pack("<I", 12)
    assert tail == b""


def test_another_mask_is_kept() -> None:
    """Mono on the left is not mono in the centre: the sound identity tells them apart."""
    fmt = pcm("int16", 1, 48_000, mask=0x1)
    head, tail = wav_head(fmt, 5)
    data = head + bytes(10) + tail
    assert read_container(io.BytesIO(data), len(data)).sound == fmt


@pytest.mark.parametrize("frames", FRAMES)
@pytest.mark.parametrize(
    "fmt", [pcm("int24", 1, 48_000), pcm("float32", 2, 96_000)], ids=["int24", "float32"]
)
def test_rf64_is_read_alike(fmt: PcmFormat, frames: int, tmp_path: Path) -> None:
    """With a limit that makes any file large; sox has no RF64, libsndfile wants even chunks before data."""
    raw = essence(fmt, frames)
    head, tail = wav_head(fmt, frames, [EVEN], [ODD], limit_bytes=100)
    data = head + raw + tail
    assert data[:8] == b"RF64\xff\xff\xff\xff"
    riff_bytes, data_bytes, counted, entries = struct.unpack_from("<QQQI", data, 20)
    assert (riff_bytes, data_bytes, counted, entries) == (len(data) - 8, len(raw), frames, 0)
    path = tmp_path / "a.wav"
    path.write_bytes(data)
    own = read_container(io.BytesIO(data), len(data))
    assert (own.name, own.sound, own.frames) == ("rf64", fmt, frames)
    with soundfile.SoundFile(path) as stream:
        assert stream.format == "RF64"
        assert stream.frames == frames
    name = RAW_NAMES[fmt.sample_format]
    ffmpeg = [
        "ffmpeg",
        "-v",
        "warning",
        "-guess_layout_max",
        "0",
        "-i",
        str(path),
        "-f",
        f"{name}le",
        "-c:a",
        f"pcm_{name}le",
        "-",
    ]
    assert decoded(ffmpeg) == raw


def test_the_limit_is_met_exactly() -> None:
    """One byte more, and it is RF64."""
    fmt = pcm("int16", 1, 48_000)
    head, tail = wav_head(fmt, 10, [EVEN], [ODD])
    riff_bytes = len(head) + 20 + len(tail) - 8
    assert wav_head(fmt, 10, [EVEN], [ODD], limit_bytes=riff_bytes)[0][:4] == b"RIFF"
    assert wav_head(fmt, 10, [EVEN], [ODD], limit_bytes=riff_bytes - 1)[0][:4] == b"RF64"


def test_a_wav_over_four_gib(tmp_path: Path) -> None:
    """A sparse file of real size, with the real limit."""
    fmt = pcm("float32", 2, 192_000)
    frames = (1 << 32) // fmt.frame_bytes + 12_345
    head, tail = wav_head(fmt, frames, after=[ODD])
    path = tmp_path / "long.wav"
    with path.open("wb") as file:
        file.write(head)
        file.seek(frames * fmt.frame_bytes, io.SEEK_CUR)
        file.write(tail)
    with path.open("rb") as file:
        own = read_container(file, path.stat().st_size)
    assert (own.name, own.sound, own.frames) == ("rf64", fmt, frames)
    assert soundfile.info(path).frames == frames
    probe = ["ffprobe", "-v", "error", "-show_entries", "stream=duration_ts", "-of", "json", str(path)]
    assert json.loads(decoded(probe))["streams"][0]["duration_ts"] == frames


@pytest.mark.parametrize("frames", FRAMES)
@pytest.mark.parametrize(
    "fmt",
    [
        pcm("int16", 2, 44_100, big_endian=True),
        pcm("int24", 1, 48_000, big_endian=True),
        pcm("int24", 2, 192_000, big_endian=True),
        pcm("int32", 1, 22_050, big_endian=True),
        pcm("int16", 6, 96_000, big_endian=True),
    ],
    ids=lambda fmt: f"{fmt.sample_format}x{fmt.channels}",
)
def test_every_reader_takes_an_aiff(fmt: PcmFormat, frames: int, tmp_path: Path) -> None:
    """With a tag behind the audio, which another library reads."""
    raw = essence(fmt, frames)
    tag = io.BytesIO()
    tags = ID3()
    tags.add(TIT2(encoding=1, text="Тихий дождь"))
    tags.save(tag, v2_version=3, padding=lambda _: 0)
    before, after = [(b"NAME", b"odd")], [(b"ID3 ", tag.getvalue())]
    head, tail = aiff_head(fmt, frames, before, after)
    path = tmp_path / "a.aiff"
    little = np.frombuffer(raw, np.uint8).reshape(-1, fmt.sample_bytes)[:, ::-1].tobytes()
    path.write_bytes(head + raw + tail)
    judges_agree(path, fmt, little)
    chunks = chunks_of(path.read_bytes(), ">")
    assert [c[0] for c in chunks] == [b"COMM", b"NAME", b"SSND", b"ID3 "]
    assert [c for c in chunks if c[0] not in (b"COMM", b"SSND")] == [*before, *after]
    told = json.loads(decoded(["exiftool", "-j", "-ID3:Title", str(path)]))
    assert told[0]["Title"] == "Тихий дождь"


def test_a_rate_in_eighty_bits() -> None:
    """44100 Hz, as printed in many descriptions of the format (common practice): 400E AC44 and zeros."""
    head, _ = aiff_head(pcm("int16", 2, 44_100, big_endian=True), 1)
    assert head[28:38] == bytes.fromhex("400eac44000000000000")


def test_what_is_too_long_for_aiff_is_refused() -> None:
    """There is no 64-bit form; a person can ask for another one."""
    with pytest.raises(TooLongForAiffError, match=r"4,294,967,3\d\d bytes") as refused:
        aiff_head(pcm("int16", 2, 44_100, big_endian=True), (1 << 32) // 4 + 1)
    assert "WAV" in refused.value.hint


@pytest.mark.parametrize(
    "mistake",
    [
        lambda: wav_head(pcm("int16", 2, 44_100, big_endian=True), 1),
        lambda: wav_head(pcm("int16", 2, 44_100), 0),
        lambda: wav_head(pcm("float64", 2, 44_100), 1),
        lambda: wav_head(pcm("int16", 2, 44_100), 1, [(b"abc", b"")]),
        lambda: aiff_head(pcm("int16", 2, 44_100), 1),
        lambda: aiff_head(pcm("float32", 2, 44_100, big_endian=True), 1),
    ],
)
def test_mistakes_of_the_caller(mistake: Callable[[], object]) -> None:
    """Each is a ValueError."""
    with pytest.raises(ValueError, match=r"no head|chunk id|integers"):
        mistake()
