"""MP3 and FLAC: three other decoders judge length, place and level."""

from __future__ import annotations

import hashlib
import io
import json
import math
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

from relkit.audio.container import read_container
from relkit.audio.conversion import Converter, NotFiniteError, converted_frames, is_dithered
from relkit.audio.decoding import UndecodableError, mp3_samples
from relkit.audio.encoding import FlacWriter, Mp3Writer, flac_made_with, mp3_format, mp3_made_with
from relkit.audio.formats import MpegFormat, PcmFormat, default_mask

Floats = npt.NDArray[np.float64]
DECODERS = ["ffmpeg", "mpg123", "libsndfile"]
BITS = {"int16": 16, "int24": 24, "int32": 32}
DELAY_FRAMES = 576  # the encoder's; standards digest 4.4


def pcm(sample_format: str, channels: int, rate_hz: int, *, big_endian: bool = False) -> PcmFormat:
    """Return a format."""
    return PcmFormat(sample_format, channels, rate_hz, default_mask(channels), big_endian)


def as_raw(samples: Floats, fmt: PcmFormat) -> bytes:
    """Write samples of full scale 1.0 as frames."""
    order = ">" if fmt.big_endian else "<"
    if fmt.sample_format == "float32":
        return samples.astype(f"{order}f4").tobytes()
    full = 2 ** (BITS[fmt.sample_format] - 1)
    steps = np.clip(np.round(samples * full), -full, full - 1).reshape(-1)
    words = steps.astype(">i4").view(np.uint8).reshape(-1, 4)[:, 4 - fmt.sample_bytes :]
    return bytes(words.tobytes() if fmt.big_endian else words[:, ::-1].tobytes())


def music(frames: int, channels: int, rate_hz: int, seed: int = 1) -> Floats:
    """Return noise below 8 kHz that swells and fades: the channels differ, as in a mix."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal((channels + 1, max(frames, 2))), axis=1)
    spectrum[:, np.fft.rfftfreq(max(frames, 2), 1 / rate_hz) > 8_000] = 0
    parts = np.fft.irfft(spectrum, max(frames, 2), axis=1)[:, :frames]
    swell = 0.5 + 0.5 * np.sin(np.arange(frames) * 2 * np.pi * 3 / rate_hz)
    both: Floats = ((parts[:channels] + parts[channels]) * swell).T * 0.1
    return both


def mp3(raw: bytes, fmt: PcmFormat, block_frames: int = 1 << 17) -> bytes:
    """Encode in blocks of one size."""
    file = io.BytesIO()
    step = block_frames * fmt.frame_bytes
    with Mp3Writer(file, fmt) as writer:
        for start in range(0, len(raw), step):
            writer.write(raw[start : start + step])
    return file.getvalue()


def decoded(decoder: str, path: Path, channels: int) -> Floats:
    """Decode a whole MP3; shape (frames, channels)."""
    if decoder == "libsndfile":
        samples: Floats = soundfile.read(path, dtype="float64", always_2d=True)[0]
        return samples
    # Bare MPEG frames, fewer than four of them, are too little for ffmpeg to recognise the format.
    ffmpeg = ["ffmpeg", "-v", "error", "-f", "mp3", "-i", str(path), "-f", "f32le", "-"]
    tool = {"ffmpeg": ffmpeg, "mpg123": ["mpg123", "-q", "-e", "f32", "-s", str(path)]}[decoder]
    done = subprocess.run(tool, capture_output=True, check=True)
    return np.frombuffer(done.stdout, "<f4").reshape(-1, channels).astype(np.float64)


def offset_of(late: Floats, early: Floats) -> float:
    """Return by how many samples one signal lies behind the other: cross-correlation, peak by a parabola."""
    size = 2 * len(early)
    cross = np.fft.irfft(np.fft.rfft(late, size) * np.conj(np.fft.rfft(early, size)), size)
    peak = int(np.argmax(cross))
    before, here, after = (float(cross[(peak + step) % size]) for step in (-1, 0, 1))
    place = peak - size if peak > size // 2 else peak
    return place + 0.5 * (before - after) / (before - 2 * here + after)


def in_place(out: Floats, source: Floats) -> None:
    """Check that a decoded signal lies upon its source, in every channel."""
    assert out.shape == source.shape
    for channel in range(source.shape[1]):
        assert abs(offset_of(out[:, channel], source[:, channel])) < 0.01
        rest = out[:, channel] - source[:, channel]
        assert (
            10 * math.log10(np.mean(rest**2) / np.mean(source[:, channel] ** 2)) < -30
        )  # it is the same audio


@pytest.mark.parametrize("rate_hz", [32_000, 44_100, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("sample_format", ["int16", "int24", "float32"])
def test_every_decoder_gives_the_wavs_frames(
    sample_format: str, channels: int, rate_hz: int, tmp_path: Path
) -> None:
    """As many, and in the same places; 320 kbit/s in every frame, and always the same delay."""
    fmt = pcm(sample_format, channels, rate_hz)
    frames = 60_001
    source = music(frames, channels, rate_hz)
    data = mp3(as_raw(source, fmt), fmt)
    path = tmp_path / "a.mp3"
    path.write_bytes(data)
    for decoder in DECODERS:
        in_place(decoded(decoder, path, channels), source)
    own = read_container(io.BytesIO(data), len(data))
    assert own.sound == MpegFormat(channels, rate_hz, 320_000, is_variable=False, frame_samples=1_152)
    assert own.frames == frames
    assert [part.kind for part in own.parts] == ["essence"]
    info = data.index(b"Info")
    assert info == (36 if channels == 2 else 21)  # standards digest 4.4
    both = int.from_bytes(data[info + 141 : info + 144], "big")
    counted = int.from_bytes(data[info + 8 : info + 12], "big")
    assert both >> 12 == DELAY_FRAMES
    assert counted * 1_152 - DELAY_FRAMES - (both & 0xFFF) == frames


@pytest.mark.parametrize("frames", [1, 2, 576, 577, 1_000, 1_153])
@pytest.mark.parametrize("channels", [1, 2])
def test_very_short_files(frames: int, channels: int, tmp_path: Path) -> None:
    """A count-in click or a tag line: every frame is there."""
    fmt = pcm("int24", channels, 44_100)
    path = tmp_path / "a.mp3"
    path.write_bytes(mp3(as_raw(music(frames, channels, 44_100), fmt), fmt))
    for decoder in DECODERS:
        assert decoded(decoder, path, channels).shape == (frames, channels)
    with path.open("rb") as file:
        assert sum(len(block) for block in mp3_samples(file)) == frames


@pytest.mark.parametrize("channels", [1, 2])
def test_silence_stays_silent(channels: int, tmp_path: Path) -> None:
    """Digital silence decodes to zeros."""
    fmt = pcm("int24", channels, 48_000)
    path = tmp_path / "a.mp3"
    path.write_bytes(mp3(bytes(30_000 * fmt.frame_bytes), fmt))
    for decoder in DECODERS:
        out = decoded(decoder, path, channels)
        assert out.shape == (30_000, channels)
        assert not out.any()


@pytest.mark.parametrize("rate_hz", [96_000, 88_200, 192_000, 22_050])
@pytest.mark.parametrize("frames", [3, 70_001])
def test_other_rates_are_converted_first(rate_hz: int, frames: int, tmp_path: Path) -> None:
    """The length is the rounded ratio, and a pulse lies at its time."""
    source = pcm("int24", 1, rate_hz)
    target = mp3_format(source)
    wanted = converted_frames(frames, source, target)

    def signal(hz: int, count: int) -> Floats:
        t = np.arange(count) / hz
        pulses = [np.exp(-(((t - at) / 0.3e-3) ** 2)) for at in (0.02, 0.11, 0.23)]
        both: Floats = 0.5 * np.sum(pulses, axis=0)[:, np.newaxis]
        return both

    converter = Converter(source, target, bytes(32))
    path = tmp_path / "a.mp3"
    with path.open("wb") as file, Mp3Writer(file, target) as writer:
        writer.write(converter.feed(as_raw(signal(rate_hz, frames), source)))
        writer.write(converter.finish())
    for decoder in DECODERS:
        out = decoded(decoder, path, 1)
        assert len(out) == wanted
        if frames > 3:
            in_place(out, signal(target.rate_hz, wanted))


def test_only_the_rate_sends_audio_through_the_converter() -> None:
    """What MP3 can take goes in as it is; the rest as float, which needs no dither."""
    for rate_hz in (32_000, 44_100, 48_000):
        assert mp3_format(pcm("int24", 2, rate_hz)) == pcm("int24", 2, rate_hz)
    assert mp3_format(pcm("int24", 2, 176_400, big_endian=True)) == pcm("float32", 2, 44_100)
    assert not is_dithered(pcm("int24", 2, 96_000), mp3_format(pcm("int24", 2, 96_000)))


@pytest.mark.parametrize("sample_format", ["int16", "int24", "int32", "float32"])
@pytest.mark.parametrize("columns", [(1,), (1, 1), (1, 0)], ids=["mono", "both", "left"])
def test_every_format_has_the_same_level(
    sample_format: str, columns: tuple[int, ...], tmp_path: Path
) -> None:
    """997 Hz at half scale, to 0.002 dB: libsndfile takes some formats at another level (see the module)."""
    fmt = pcm(sample_format, len(columns), 48_000)
    phase = 2 * np.pi * 997 * np.arange(96_000) / 48_000  # whole cycles
    source = 0.5 * np.sin(phase)[:, np.newaxis] * np.array(columns)
    path = tmp_path / "a.mp3"
    path.write_bytes(mp3(as_raw(source, fmt), fmt))
    for decoder in DECODERS:
        out = decoded(decoder, path, len(columns))
        for column, gain in enumerate(columns):
            amplitude = 2 * abs(np.mean(out[:, column] * np.exp(-1j * phase)))
            if gain:
                assert 20 * math.log10(amplitude / 0.5) == pytest.approx(0, abs=0.002)
            else:
                assert amplitude < 0.5e-4


def test_one_signal_gives_one_mp3_whatever_holds_it() -> None:
    """16-bit values in wider integers, in floats, in the other byte order: all the same to the encoder."""
    source = np.round(music(50_000, 2, 44_100) * 2**15) / 2**15
    formats = [
        pcm(name, 2, 44_100, big_endian=order)
        for name in ("int16", "int24", "int32", "float32")
        for order in (False, True)
    ]
    assert len({mp3(as_raw(source, fmt), fmt) for fmt in formats}) == 1


def test_blocks_of_any_size_give_the_same_bytes() -> None:
    """For both encoders."""
    fmt = pcm("int24", 2, 44_100)
    raw = as_raw(music(150_000, 2, 44_100), fmt)
    assert mp3(raw, fmt, 1_001) == mp3(raw, fmt, 150_000)
    flacs = []
    for block in (1_001, 150_000):
        file = io.BytesIO()
        with FlacWriter(file, fmt) as writer:
            for start in range(0, len(raw), block * 6):
                writer.write(raw[start : start + block * 6])
        flacs.append(file.getvalue())
    assert flacs[0] == flacs[1]


def test_another_process_and_threads_give_the_same_bytes() -> None:
    """Nothing in it comes from the clock, the locale or another file that is being encoded."""
    code = (
        "import sys, hashlib, io; sys.path.insert(0, '.')\n"
        "from relkit.audio.encoding import FlacWriter, Mp3Writer\n"
        "from relkit.audio.formats import PcmFormat\n"
        "raw = bytes(i * i % 251 for i in range(240000))\n"
        "for kind in (Mp3Writer, FlacWriter):\n"
        "    file = io.BytesIO()\n"
        "    with kind(file, PcmFormat('int24', 2, 48000, 3)) as writer:\n        writer.write(raw)\n"
        "    print(hashlib.sha256(file.getvalue()).hexdigest())\n"
    )
    environment = {"LC_ALL": "tr_TR.UTF-8", "TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "7"}
    there = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment
    ).stdout.split()
    raw = bytes(i * i % 251 for i in range(240_000))
    files = [(kind, io.BytesIO()) for kind in (Mp3Writer, FlacWriter) * 2]

    def encode(kind: type[Mp3Writer | FlacWriter], file: io.BytesIO) -> None:
        with kind(file, pcm("int24", 2, 48_000)) as writer:
            writer.write(raw)

    threads = [threading.Thread(target=encode, args=pair) for pair in files]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [hashlib.sha256(file.getvalue()).hexdigest() for _, file in files] == there * 2


def test_an_mp3_behind_a_tag_is_the_same() -> None:
    """The file is taken from where it stands, for writing and for reading."""
    fmt = pcm("int16", 2, 48_000)
    raw = as_raw(music(5_000, 2, 48_000), fmt)
    file = io.BytesIO()
    file.write(b"something else")
    with Mp3Writer(file, fmt) as writer:
        writer.write(raw)
    assert file.getvalue() == b"something else" + mp3(raw, fmt)
    file.seek(len(b"something else"))
    assert sum(len(block) for block in mp3_samples(file)) == 5_000


def test_overs_of_a_float_bounce_are_left_to_the_player(tmp_path: Path) -> None:
    """True peak is measured afterwards; the encoder must not hide it."""
    fmt = pcm("float32", 2, 48_000)
    source = np.repeat(1.8 * np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000)[:, np.newaxis], 2, axis=1)
    path = tmp_path / "a.mp3"
    path.write_bytes(mp3(as_raw(source, fmt), fmt))
    with path.open("rb") as file:
        ours = np.concatenate([block.copy() for block in mp3_samples(file, 10_007)])
    assert np.abs(ours).max() == pytest.approx(1.8, abs=0.02)
    assert np.array_equal(ours, decoded("libsndfile", path, 2).astype(np.float32))
    assert np.allclose(ours, decoded("ffmpeg", path, 2), atol=1e-5)


def test_what_is_no_number_is_refused() -> None:
    """With the place, counted over blocks; the error, not the encoder's, comes out of the with."""
    fmt = pcm("float32", 2, 48_000)
    samples = np.zeros((100_000, 2), "<f4")
    samples[72_000, 1] = math.nan
    raw = bytes(96_000 * 8) + samples.tobytes()
    with (
        pytest.raises(NotFiniteError, match=r"at 3\.500 s") as refused,
        Mp3Writer(io.BytesIO(), fmt) as writer,
    ):
        writer.write(raw)
    assert refused.value.frame == 96_000 + 72_000


class FullDisk(io.BytesIO):
    """Takes some kilobytes, then no more."""

    def write(self, data: Any) -> int:
        """Write, or fail as the system does."""
        if self.tell() + len(data) > 20_000:
            raise OSError(28, "No space left on device")
        return super().write(data)


@pytest.mark.parametrize("kind", [Mp3Writer, FlacWriter])
@pytest.mark.parametrize("frames", [3_000, 200_000], ids=["at the end", "on the way"])
def test_a_full_disk_is_said(kind: type[Mp3Writer | FlacWriter], frames: int, capfd: Any) -> None:
    """Nothing is printed by the libraries, and no short file passes for a whole one."""
    fmt = pcm("int24", 2, 48_000)
    raw = np.random.default_rng(1).bytes(frames * 6)
    file = FullDisk()
    file.write(bytes(18_000))
    with pytest.raises(OSError, match="No space left"), kind(file, fmt) as writer:
        writer.write(raw)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("sample_format", ["int16", "int24"])
def test_flac_gives_back_every_frame(sample_format: str, channels: int, tmp_path: Path) -> None:
    """By the reference decoder, which also checks the MD5 of the audio, and by ffmpeg."""
    fmt = pcm(sample_format, channels, 44_100, big_endian=channels == 2)
    raw = as_raw(music(50_001, channels, 44_100), fmt)
    path = tmp_path / "a.flac"
    with path.open("wb") as file, FlacWriter(file, fmt) as writer:
        writer.write(raw)
    little = np.frombuffer(raw, np.uint8).reshape(-1, fmt.sample_bytes)
    wanted = (little[:, ::-1] if fmt.big_endian else little).tobytes()
    flac = ["flac", "-s", "-d", "-c", "--force-raw-format", "--endian=little", "--sign=signed", str(path)]
    name = f"s{BITS[sample_format]}le"
    ffmpeg = ["ffmpeg", "-v", "error", "-i", str(path), "-f", name, "-c:a", f"pcm_{name}", "-"]
    for tool in (flac, ffmpeg):
        assert subprocess.run(tool, capture_output=True, check=True).stdout == wanted
    told = subprocess.run(
        ["metaflac", "--show-total-samples", "--show-sample-rate", "--show-bps", str(path)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert told.stdout.split() == ["50001", "44100", str(BITS[sample_format])]


def test_the_encoders_are_named(tmp_path: Path) -> None:
    """As other readers find them in the files."""
    fmt = pcm("int16", 2, 44_100)
    raw = as_raw(music(44_100, 2, 44_100), fmt)
    path = tmp_path / "a.mp3"
    path.write_bytes(mp3(raw, fmt))
    told = json.loads(
        subprocess.run(["mediainfo", "--Output=JSON", path], capture_output=True, check=True).stdout
    )
    audio = told["media"]["track"][1]
    assert (audio["BitRate_Mode"], audio["BitRate"]) == ("CBR", "320000")
    library = f"libsndfile {soundfile.__libsndfile_version__}"
    assert mp3_made_with() == f"{library}, {audio['Encoded_Library'].replace('LAME', 'LAME ')}"
    with (tmp_path / "a.flac").open("wb") as file, FlacWriter(file, fmt) as writer:
        writer.write(raw)
    vendor = subprocess.run(
        ["metaflac", "--show-vendor-tag", tmp_path / "a.flac"], capture_output=True, text=True, check=True
    ).stdout.strip()
    assert flac_made_with() == f"{library}, {vendor.removeprefix('reference ')}"


@pytest.mark.parametrize(
    ("kind", "fmt"),
    [
        (Mp3Writer, pcm("int16", 2, 96_000)),
        (Mp3Writer, pcm("int16", 6, 48_000)),
        (Mp3Writer, pcm("float64", 2, 48_000)),
        (FlacWriter, pcm("float32", 2, 48_000)),
        (FlacWriter, pcm("int32", 2, 48_000)),
    ],
)
def test_formats_that_cannot_be_encoded(kind: type[Mp3Writer | FlacWriter], fmt: PcmFormat) -> None:
    """A caller's mistake: conversion comes first."""
    with pytest.raises(ValueError, match="can be made from"):
        kind(io.BytesIO(), fmt)


def test_what_cannot_be_decoded_is_refused() -> None:
    """No MP3, another format, an empty file, and one that breaks off."""
    fmt = pcm("int16", 2, 48_000)
    raw = as_raw(music(100_000, 2, 48_000), fmt)
    flac = io.BytesIO()
    with FlacWriter(flac, fmt) as writer:
        writer.write(raw)
    whole = mp3(raw, fmt)
    for data in (b"", b"no audio" * 1_000, flac.getvalue(), whole[: len(whole) // 2]):
        with pytest.raises(UndecodableError, match="cannot be decoded") as refused:
            for _ in mp3_samples(io.BytesIO(data)):
                pass
        assert refused.value.hint


class Torn(io.BytesIO):
    """Fails on reading behind some place."""

    def read(self, count: int | None = -1, /) -> bytes:
        """Read, or fail as the system does."""
        if self.tell() > 20_000:
            raise OSError(5, "Input/output error")
        return super().read(count)


def test_a_read_error_is_said() -> None:
    """It is not taken for the end of the file."""
    fmt = pcm("int16", 2, 48_000)
    file = Torn(mp3(as_raw(music(100_000, 2, 48_000), fmt), fmt))
    with pytest.raises(OSError, match="Input/output"):
        for _ in mp3_samples(file):
            pass
