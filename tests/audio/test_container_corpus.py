"""Files written by sox, ffmpeg and libsndfile: facts, essence and samples as stock decoders see them.

The judge of a file is never the program that this project uses: facts come
from ffprobe, raw samples from ffmpeg and libsndfile.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

from relkit.audio.container import MpegFormat, PcmFormat
from relkit.audio.reading import SteadyFile
from relkit.audio.samples import sound_identity, to_float32, to_little_endian

FRAMES = 20_011  # odd, so that odd-sized chunks occur
RATE_HZ = 48_000


@dataclass(frozen=True)
class Case:
    """How one file of the corpus is written, and what it should turn out to be."""

    suffix: str
    name: str
    sample_format: str
    channels: int
    write: Callable[[Path, Path], None]  # (source WAV, target)


def run(*command: str | Path) -> bytes:
    """Run a stock tool and return what it prints."""
    return subprocess.run([str(word) for word in command], check=True, capture_output=True).stdout


def ffmpeg(*options: str) -> Callable[[Path, Path], None]:
    """Write with ffmpeg."""
    return lambda source, target: void(run("ffmpeg", "-v", "error", "-i", source, *options, target))


def sox(*options: str) -> Callable[[Path, Path], None]:
    """Write with sox."""
    return lambda source, target: void(run("sox", "-D", source, *options, target))


def sndfile(kind: str, subtype: str) -> Callable[[Path, Path], None]:
    """Write with libsndfile."""

    def write(source: Path, target: Path) -> None:
        samples, rate_hz = soundfile.read(source, dtype="float32", always_2d=True)
        soundfile.write(target, samples, rate_hz, format=kind, subtype=subtype)

    return write


def void(_output: bytes) -> None:
    """Drop what a tool printed."""


CASES = [
    Case(".wav", "wav", "int16", 2, ffmpeg("-c:a", "pcm_s16le")),
    Case(".wav", "wav", "int24", 2, ffmpeg("-c:a", "pcm_s24le")),
    Case(".wav", "wav", "int32", 2, ffmpeg("-c:a", "pcm_s32le")),
    Case(".wav", "wav", "float32", 2, ffmpeg("-c:a", "pcm_f32le")),
    Case(".wav", "wav", "float64", 2, ffmpeg("-c:a", "pcm_f64le")),
    Case(".wav", "wav", "uint8", 1, ffmpeg("-c:a", "pcm_u8")),
    Case(
        ".wav", "wav", "int24", 1, ffmpeg("-c:a", "pcm_s24le", "-write_bext", "1", "-metadata", "title=Test")
    ),
    Case(".wav", "rf64", "int24", 2, ffmpeg("-c:a", "pcm_s24le", "-rf64", "always")),
    Case(".wav", "wav", "int24", 6, ffmpeg("-c:a", "pcm_s24le")),
    Case(".wav", "wav", "float32", 8, ffmpeg("-c:a", "pcm_f32le")),
    Case(".aiff", "aiff", "int16", 2, ffmpeg("-c:a", "pcm_s16be")),
    Case(
        ".aiff",
        "aiff",
        "int24",
        2,
        ffmpeg("-c:a", "pcm_s24be", "-write_id3v2", "1", "-metadata", "title=Test"),
    ),
    Case(".aifc", "aifc", "int16", 2, ffmpeg("-c:a", "pcm_s16le", "-f", "aiff")),
    Case(".aifc", "aifc", "float32", 2, ffmpeg("-c:a", "pcm_f32be", "-f", "aiff")),
    Case(".wav", "wav", "int16", 2, sox("-b", "16")),
    Case(".wav", "wav", "int24", 1, sox("-b", "24")),
    Case(".wav", "wav", "float32", 2, sox("-b", "32", "-e", "floating-point")),
    Case(".aiff", "aiff", "int24", 2, sox("-b", "24")),
    Case(".aifc", "aifc", "int16", 2, sox("-b", "16")),
    Case(".wav", "wav", "int24", 2, sndfile("WAVEX", "PCM_24")),
    Case(".wav", "wav", "float32", 6, sndfile("WAVEX", "FLOAT")),
    Case(".wav", "rf64", "float32", 2, sndfile("RF64", "FLOAT")),
    Case(".wav", "rf64", "int16", 1, sndfile("RF64", "PCM_16")),
    Case(".aiff", "aifc", "float32", 2, sndfile("AIFF", "FLOAT")),
    Case(".aiff", "aiff", "int8", 2, sndfile("AIFF", "PCM_S8")),
]
IDS = [f"{number}-{case.name}-{case.sample_format}-{case.channels}" for number, case in enumerate(CASES)]


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    """Noise and tone below full scale from a seed, by number of channels, as float WAV."""
    folder = tmp_path_factory.mktemp("sources")
    made = {}
    for channels in (1, 2, 6, 8):
        noise = np.random.default_rng(channels).uniform(-0.9, 0.9, (FRAMES, channels)).astype(np.float32)
        made[channels] = folder / f"{channels}.wav"
        soundfile.write(made[channels], noise, RATE_HZ, subtype="FLOAT")
    return made


def essence_of(path: Path) -> tuple[SteadyFile, bytes, bytes]:
    """Return the closed file, its essence, and all its bytes as the windows gave them."""
    with SteadyFile(path) as file:
        essence = bytearray()
        everything = bytearray()
        for part, window in file.windows(4096):
            everything += window
            if part.kind == "essence":
                essence += window
    return file, bytes(essence), bytes(everything)


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_a_stock_file_is_read_as_stock_decoders_read_it(
    case: Case, sources: dict[int, Path], tmp_path: Path
) -> None:
    """Facts after ffprobe, raw frames after ffmpeg, samples after libsndfile."""
    path = tmp_path / f"bounce{case.suffix}"
    case.write(sources[case.channels], path)

    file, essence, everything = essence_of(path)

    container = file.container
    assert everything == path.read_bytes()
    assert (container.name, container.fault, container.frames) == (case.name, None, FRAMES)
    sound = container.sound
    assert isinstance(sound, PcmFormat)
    assert (sound.sample_format, sound.channels) == (case.sample_format, case.channels)
    assert sound.is_measurable == (case.sample_format in {"int16", "int24", "int32", "float32"})
    stream = json.loads(run("ffprobe", "-v", "error", "-show_streams", "-of", "json", path))["streams"][0]
    assert (int(stream["sample_rate"]), stream["channels"]) == (sound.rate_hz, sound.channels)
    assert stream["duration_ts"] == container.frames
    assert stream["codec_name"] == _ffmpeg_codec(sound)
    little = _ffmpeg_codec(PcmFormat(sound.sample_format, sound.channels, sound.rate_hz, 0, big_endian=False))
    raw = run("ffmpeg", "-v", "error", "-i", path, "-c:a", little, "-f", little.removeprefix("pcm_"), "-")
    assert to_little_endian(essence, sound).tobytes() == raw
    judged: npt.NDArray[np.float32] = soundfile.read(path, dtype="float32", always_2d=True)[0]
    np.testing.assert_array_equal(to_float32(essence, sound), judged)


def _ffmpeg_codec(sound: PcmFormat) -> str:
    letter = {"u": "u", "i": "s", "f": "f"}[sound.sample_format[0]]
    order = "" if sound.sample_bytes == 1 else "be" if sound.big_endian else "le"
    return f"pcm_{letter}{8 * sound.sample_bytes}{order}"


@pytest.mark.parametrize(
    ("channels", "layout", "mask"),
    [(6, "5.1", 0x3F), (6, "5.1(side)", 0x60F), (8, "7.1", 0x63F), (2, "stereo", 0x3), (1, "mono", 0x4)],
)
def test_the_channel_mask_is_the_files_own(
    channels: int, layout: str, mask: int, sources: dict[int, Path], tmp_path: Path
) -> None:
    """Masks 0x3F, 0x60F, 0x3 and 0x4: standards digest 3.1; 7.1 adds the two side bits (0x600) to 0x3F."""
    path = tmp_path / "bounce.wav"
    relabelled = f"channelmap=map={'|'.join(map(str, range(channels)))}:channel_layout={layout}"
    run("ffmpeg", "-v", "error", "-i", sources[channels], "-af", relabelled, "-c:a", "pcm_s24le", path)
    sound = essence_of(path)[0].container.sound
    assert sound is not None
    assert sound.channel_mask == mask


def test_the_identity_is_two_hashes_that_anybody_can_take(sources: dict[int, Path], tmp_path: Path) -> None:
    """Raw frames by sox, both hashes by sha256sum; the same for plain WAV, WAVEX, RF64 and AIFF."""
    plain = tmp_path / "plain.wav"
    sox("-b", "24", "-t", "wavpcm")(sources[2], plain)
    raw = tmp_path / "frames.raw"
    run("sox", "-D", plain, "-t", "raw", "-e", "signed-integer", "-b", "24", "-L", raw)
    frames_sha256 = run("sha256sum", raw).split()[0].decode()
    line = tmp_path / "identity.json"
    line.write_text(
        '{"channel_mask":3,"channels":2,"frames_sha256":"' + frames_sha256 + '",'
        '"rate_hz":48000,"sample_format":"int24"}'
    )
    outside = run("sha256sum", line).split()[0].decode()
    others = {"wavex.wav": "-f wav", "long.wav": "-rf64 always -f wav", "big.aiff": "-f aiff"}
    for name, options in others.items():
        codec = "pcm_s24be" if name.endswith("aiff") else "pcm_s24le"
        ffmpeg("-c:a", codec, *options.split())(plain, tmp_path / name)
    for path in [plain, *(tmp_path / name for name in others)]:
        file, essence, _ = essence_of(path)
        sound = file.container.sound
        assert isinstance(sound, PcmFormat)
        digest = hashlib.sha256(to_little_endian(essence, sound).data).hexdigest()
        assert sound_identity(sound, digest) == outside, path.name


@pytest.fixture(scope="module")
def cover(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A JPEG over 4 KB."""
    path = tmp_path_factory.mktemp("cover") / "cover.jpg"
    picture = ("-f", "lavfi", "-i", "testsrc2=s=640x640", "-frames:v", "1", "-q:v", "4")
    run("ffmpeg", "-v", "error", *picture, path)
    return path


@pytest.mark.parametrize("version", ["3", "4"])
@pytest.mark.parametrize(
    "options",
    [
        ["-b:a", "320k"],
        ["-q:a", "2"],
        ["-b:a", "128k", "-ac", "1"],
        ["-b:a", "64k", "-ar", "22050"],
        ["-b:a", "16k", "-ar", "11025", "-ac", "1"],
        ["-b:a", "128k", "-write_xing", "0"],
    ],
    ids=" ".join,
)
def test_an_mp3_has_as_many_frames_as_decoders_give_back(
    options: list[str], version: str, sources: dict[int, Path], cover: Path, tmp_path: Path
) -> None:
    """With ID3v2.3 and 2.4, a cover, and ID3v1 behind one; the cover is a part of exactly its own bytes.

    mpg123 judges both. ffmpeg 5.1 trims a file that ends in ID3v1 by up to one
    packet too little (seen at 11 kHz: 58 samples), so it judges the other.
    """
    path = tmp_path / "bounce.mp3"
    tags = [
        "-map",
        "0",
        "-map",
        "1",
        "-c:v",
        "copy",
        "-id3v2_version",
        version,
        "-write_id3v1",
        str(int(version == "3")),
    ]
    ffmpeg("-i", str(cover), *tags, "-metadata", "title=Lantern", "-c:a", "libmp3lame", *options)(
        sources[2], path
    )

    file, essence, everything = essence_of(path)

    container = file.container
    assert everything == path.read_bytes()
    assert (container.name, container.fault) == ("mp3", None)
    assert isinstance(container.sound, MpegFormat)
    frame_bytes = 2 * container.sound.channels
    assert container.frames == len(run("mpg123", "-q", "-s", path)) // frame_bytes
    if version == "4":
        decoded = run("ffmpeg", "-v", "error", "-i", path, "-map", "0:a", "-f", "s16le", "-")
        assert container.frames == len(decoded) // frame_bytes
    pictures = [everything[part.offset : part.end] for part in container.parts if part.kind == "opaque"]
    assert pictures == [cover.read_bytes()]
    packets = run(
        "ffmpeg",
        "-v",
        "error",
        "-i",
        path,
        "-map",
        "0:a",
        "-c",
        "copy",
        "-write_xing",
        "0",
        "-f",
        "mp3",
        "-id3v2_version",
        "0",
        "-",
    )
    assert essence.endswith(packets)  # ffmpeg's copy drops the Info frame, which is essence here
    assert len(essence) - len(packets) in (0, *range(100, 1442))  # one frame at most: standards digest 4.3


def test_an_mp3_by_libsndfile_has_its_exact_length(sources: dict[int, Path], tmp_path: Path) -> None:
    """The LAME tag's delay and padding are taken off: as many frames as went in."""
    path = tmp_path / "bounce.mp3"
    sndfile("MP3", "MPEG_LAYER_III")(sources[2], path)
    container = essence_of(path)[0].container
    assert (container.name, container.frames) == ("mp3", FRAMES)


def test_a_coding_that_is_only_kept_is_no_fault(sources: dict[int, Path], tmp_path: Path) -> None:
    """ADPCM in WAV and A-law in AIFF-C: audio as one opaque part, no sound."""
    for name, codec in (("adpcm.wav", "adpcm_ms"), ("alaw.aiff", "pcm_alaw")):
        path = tmp_path / name
        ffmpeg("-c:a", codec)(sources[2], path)
        container = essence_of(path)[0].container
        assert (container.sound, container.fault, container.essence) == (None, None, None)
        assert max(container.parts, key=lambda part: part.length).kind == "opaque"
