"""Files of a package as the programs read them that recipients have, from bounces of every format.

Sources of expected values: the length after resampling is the exact ratio, rounded half up (issue
text, "the rounded ratio"); what club players and playout systems take: common practice, no source.
"""

from __future__ import annotations

import shutil
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from relkit import Release
from relkit.audio.conversion import NotFiniteError
from relkit.pack.wav_chunks import NO_FIGURE
from relkit.release.home import Home
from relkit.release.ship import ShipReport
from tests.support import libsndfile_chunks
from tests.support.packages import (
    DECODERS,
    SHEET,
    chunks_of,
    decoded,
    files,
    noise,
    note_of,
    offset_of,
    started,
    version_lines,
    wav_of,
)


@dataclass(frozen=True)
class Bounce:
    """How a bounce is written, and at which rate players get it."""

    sample_format: str
    channels: int
    rate_hz: int
    played_hz: int
    frames: int
    large: bool = False


BOUNCES = {
    "cd": Bounce("int24", 2, 44_100, 44_100, 44_101),
    "old-cd": Bounce("int16", 2, 44_100, 44_100, 30_011),
    "video-mono": Bounce("int16", 1, 48_000, 48_000, 40_007),
    "float": Bounce("float32", 2, 48_000, 48_000, 40_009),
    "long-words": Bounce("int32", 2, 44_100, 44_100, 30_013),
    "rf64": Bounce("int24", 2, 44_100, 44_100, 30_017, large=True),
    "phone": Bounce("int16", 1, 8_000, 48_000, 7_001),
    "half": Bounce("int16", 2, 22_050, 44_100, 20_001),
    "low": Bounce("int24", 2, 32_000, 48_000, 20_003),
    "double": Bounce("int24", 2, 88_200, 44_100, 60_001),
    "high": Bounce("float32", 2, 96_000, 48_000, 60_013),
    "highest": Bounce("int24", 2, 192_000, 48_000, 120_007),
    "surround": Bounce("int24", 6, 48_000, 48_000, 20_011),
}
PLAYED = [name for name in BOUNCES if name != "surround"]


@dataclass(frozen=True)
class Shipped:
    """Packages of the same bounces."""

    club: ShipReport
    radio: ShipReport
    arena: ShipReport
    remixer: ShipReport


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory, signing_home: Path) -> Iterator[Shipped]:
    """A release with a bounce of every format, and what four recipients get."""
    folder = tmp_path_factory.mktemp("formats")
    bounces = {
        name: wav_of(
            noise(seed, bounce.frames, bounce.channels, bounce.rate_hz),
            bounce.sample_format,
            bounce.rate_hz,
            large=bounce.large,
        )
        for seed, (name, bounce) in enumerate(BOUNCES.items())
    }
    sheet = SHEET + "".join(version_lines(name, f'label = "{name}"') for name in BOUNCES)
    home = Home(Path(shutil.copytree(signing_home, folder / "home")))
    with started(folder / "release", home, sheet, bounces) as release:
        every = list(BOUNCES)
        yield Shipped(
            release.ship("Club", kind="label", only=every, formats=["mp3", "wav"]),
            release.ship("Radio", kind="label", another=True, only=every, formats=["wav-radio", "flac"]),
            release.ship("Arena", kind="label", another=True, only=every, formats=["wav-48k24", "aiff"]),
            release.ship("Remixer", kind="label", another=True, only=every, formats=["wav-native"]),
        )


def converted_frames(bounce: Bounce, rate_hz: int) -> int:
    """Return the rounded ratio."""
    return (2 * bounce.frames * rate_hz + bounce.rate_hz) // (2 * bounce.rate_hz)


@pytest.mark.parametrize("decoder", DECODERS)
def test_every_mp3_is_its_wav_to_the_sample(shipped: Shipped, decoder: str) -> None:
    """As long as the bounce, or as the rounded ratio; and nothing comes earlier or later than in the WAV."""
    mp3s, wavs = files(shipped.club, ".mp3"), files(shipped.club, ".wav")
    assert sorted(mp3s) == sorted(PLAYED)
    heard = decoded(decoder, [*mp3s.values()], [BOUNCES[name].channels for name in mp3s])
    for (name, path), samples in zip(mp3s.items(), heard, strict=True):
        bounce = BOUNCES[name]
        whole, rate_hz = soundfile.read(wavs[name], always_2d=True)
        if bounce.rate_hz == 32_000:  # MP3 has this rate, players of WAV have not
            assert len(samples) == bounce.frames
            continue
        assert rate_hz == bounce.played_hz == soundfile.info(path).samplerate
        assert len(samples) == len(whole) == converted_frames(bounce, bounce.played_hz), name
        assert offset_of(samples, whole) == 0, name


@pytest.mark.parametrize("tool", ["sox", "ffmpeg", "libsndfile"])
def test_every_lossless_file_is_read_to_its_end(shipped: Shipped, tool: str) -> None:
    """WAV for the club, radio, arena and remixer, FLAC and AIFF: every program finds every frame."""
    wanted: dict[Path, int] = {}
    channels = []
    for report, suffix in (
        (shipped.club, ".wav"),
        (shipped.radio, ".wav"),
        (shipped.radio, ".flac"),
        (shipped.arena, ".wav"),
        (shipped.arena, ".aiff"),
        (shipped.remixer, ".wav"),
    ):
        entries = {entry.name: entry for entry in report.package.files}
        for name, path in files(report, suffix).items():
            sound = entries[path.relative_to(report.path).as_posix()].sound
            assert sound is not None
            wanted[path] = converted_frames(BOUNCES[name], sound.sample_rate_hz)
            assert sound.frames == wanted[path]
            channels.append(BOUNCES[name].channels)
    heard = decoded(tool, [*wanted], channels)
    assert {path: len(samples) for path, samples in zip(wanted, heard, strict=True)} == wanted


def test_every_flac_passes_the_reference_decoder(shipped: Shipped) -> None:
    """Which also checks the MD5 of the audio."""
    found = files(shipped.radio, ".flac")
    assert sorted(found) == sorted(BOUNCES)
    subprocess.run(["flac", "-t", "-s", *map(str, found.values())], check=True)


def test_wavs_for_the_club_play_everywhere(shipped: Shipped) -> None:
    """Format tag 1, 16 or 24 bit, 44.1 or 48 kHz, and nothing but the format before the audio."""
    for name, path in files(shipped.club, ".wav").items():
        found = chunks_of(path)
        if name == "surround":  # no player of the kind takes it: it is the bounce's own
            continue
        tag, channels, rate_hz, _, _, bits = struct.unpack_from("<HHIIHH", found.content(b"fmt "))
        assert (tag, channels) == (1, BOUNCES[name].channels)
        assert rate_hz == BOUNCES[name].played_hz
        assert bits == (16 if BOUNCES[name].sample_format == "int16" else 24)
        assert found.names[:2] == [b"fmt ", b"data"]
        assert found.place(b"data") == 44


@pytest.mark.parametrize("who", ["radio", "arena"])
def test_wavs_for_radio_have_their_chunks_before_the_audio(shipped: Shipped, who: str) -> None:
    """``bext`` and ``cart``, of even size; libsndfile reads both. Arenas get 48 kHz and 24 bit."""
    for name, path in files(getattr(shipped, who), ".wav").items():
        if name == "surround":
            continue
        found = chunks_of(path)
        assert found.names[:4] == [b"fmt ", b"bext", b"cart", b"data"]
        assert all(size % 2 == 0 for _, _, size in found.rows[:3])
        tag, _, rate_hz, _, _, bits = struct.unpack_from("<HHIIHH", found.content(b"fmt "))
        assert tag == 1
        if who == "arena":
            assert (rate_hz, bits) == (48_000, 24)
        else:
            assert rate_hz == BOUNCES[name].played_hz
        assert libsndfile_chunks.cart(path).artist == b"Ostrel Vane"
        read = libsndfile_chunks.broadcast(path)
        assert read.version == 2
        if rate_hz == BOUNCES[name].rate_hz and BOUNCES[name].frames > 0.4 * rate_hz:
            assert 0 >= read.max_momentary_loudness >= read.loudness_value > -10_000
        else:
            assert read.max_momentary_loudness == NO_FIGURE


def test_what_remixers_get_is_the_bounces_own(shipped: Shipped) -> None:
    """Its samples to the byte, whatever the format; nothing is said to be converted."""
    for name, path in files(shipped.remixer, ".wav").items():
        bounce = BOUNCES[name]
        seed = list(BOUNCES).index(name)
        samples = noise(seed, bounce.frames, bounce.channels, bounce.rate_hz)
        own = chunks_of_bytes(wav_of(samples, bounce.sample_format, bounce.rate_hz))
        assert chunks_of(path).content(b"data") == own
    assert "Converted" not in note_of(shipped.remixer)


def chunks_of_bytes(data: bytes) -> bytes:
    """Return the audio of a WAV without chunks behind it."""
    start = data.index(b"data") + 8
    return data[start : start + int.from_bytes(data[start - 4 : start], "little")]


def test_resampled_wavs_lie_where_sox_puts_them(shipped: Shipped, tmp_path: Path) -> None:
    """An independent resampler gives the same sound at the same place."""
    for name in ("phone", "half", "double", "high", "highest"):
        bounce = BOUNCES[name]
        source, target = tmp_path / "source.wav", tmp_path / "target.wav"
        samples = noise(list(BOUNCES).index(name), bounce.frames, bounce.channels, bounce.rate_hz)
        source.write_bytes(wav_of(samples, bounce.sample_format, bounce.rate_hz))
        command = ["sox", "-V1", str(source), "-e", "float", "-b", "32", str(target)]
        subprocess.run([*command, "rate", "-v", str(bounce.played_hz)], check=True)
        theirs = soundfile.read(target, always_2d=True)[0]
        ours = soundfile.read(files(shipped.club, ".wav")[name], always_2d=True)[0]
        assert offset_of(ours, theirs) == 0
        common = slice(500, min(len(ours), len(theirs)) - 500)  # the ends are silence to one, not the other
        assert np.abs(ours[common] - theirs[common]).max() < 1e-3, name


def test_conversions_are_named_in_the_note(shipped: Shipped) -> None:
    """In words, with the version where not all are converted alike."""
    said = note_of(shipped.club)
    assert "WAV of high: 96 kHz to 48 kHz, 32-bit float to 24-bit, dithered" in said
    assert "MP3 of double: 88.2 kHz to 44.1 kHz" in said
    assert "WAV of cd" not in said


def test_surround_becomes_no_mp3(shipped: Shipped) -> None:
    """It is said, and the WAV goes out as it was bounced."""
    (remark,) = (remark for remark in shipped.club.remarks if "channels" in remark.fault)
    assert remark.fault.startswith("surround is not in the package as mp3: it has 6 channels")
    assert "stereo" in remark.hint
    assert "surround" in files(shipped.club, ".wav")


@pytest.fixture
def loud(tmp_path: Path, home: Home) -> Iterator[Release]:
    """A float bounce 3 dB over full scale, and one that only its MP3 lifts over it."""
    hot = noise(1, 40_000, 2, 44_100) * 4 * 10 ** (3 / 20)
    square = np.sign(noise(2, 40_000, 2, 44_100)) * 0.999
    bounces = {"hot": wav_of(hot, "float32", 44_100), "square": wav_of(square, "int24", 44_100)}
    sheet = SHEET + version_lines("hot") + version_lines("square")
    with started(tmp_path / "loud", home, sheet, bounces) as release:
        yield release


def test_what_is_too_loud_is_said_and_never_turned_down(loud: Release) -> None:
    """How many samples an integer WAV cannot hold, and how much lower a bounce would have to be."""
    report = loud.ship("Club", kind="club-dj", only=["hot", "square"], formats=["mp3", "wav"])
    hot = noise(1, 40_000, 2, 44_100) * 4 * 10 ** (3 / 20)
    over = int(np.count_nonzero(np.abs(hot.astype("<f4")) > 1))
    faults = {remark.fault: remark.hint for remark in report.remarks}
    (clipped,) = (fault for fault in faults if "WAV/" in fault)
    assert f": {over} samples lay up to 3.0 dB over full scale and were cut off" in clipped
    (encoded,) = (fault for fault in faults if "MP3/" in fault and "Square" in fault.title())
    decoded_peak = np.abs(decoded("ffmpeg", [files(report, ".mp3")["square"]], [2])[0]).max()
    assert decoded_peak > 1
    told = float(encoded.split(" to ")[1].split(" dBTP")[0])
    assert told >= round(20 * np.log10(decoded_peak), 2) - 0.01
    assert f"{told:.2f} dB lower" in faults[encoded]
    assert f"true peak {told:.2f} dBTP, above full scale" in note_of(report)


def test_what_is_no_number_is_a_fault_with_its_place(
    tmp_path: Path, home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bounce that came into the store all the same: nothing is shipped, and the hint says what to do."""
    broken = noise(1, 44_100, 2, 44_100)
    broken[22_050, 1] = np.nan
    from relkit.measure.levels import Meter

    monkeypatch.setattr(Meter, "nonfinite", False)
    sheet = SHEET + version_lines("broken") + version_lines("whole")
    bounces = {
        "broken": wav_of(broken, "float32", 44_100),
        "whole": wav_of(noise(2, 400_000, 2, 44_100), "int24", 44_100),
    }
    with started(tmp_path / "broken", home, sheet, bounces) as release:
        for formats in (["mp3"], ["wav"]):
            with pytest.raises(NotFiniteError, match=r"at 0\.500 s") as refused:
                release.ship("Club", kind="club-dj", only=["whole", "broken"], formats=formats)
            assert "render the bounce again" in refused.value.hint
        assert not any(event.record for event in release.history().events)
