"""Decoding an MP3 in a process of its own."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from relkit.audio.container import read_container
from relkit.audio.formats import Part
from relkit.audio.mp3 import UnplayableError, decoded
from relkit.audio.samples import Samples

RATE_HZ = 44_100


@pytest.fixture
def mp3(tmp_path: Path) -> Path:
    """Ten seconds of noise in two channels, under a name that a careless caller would take for an option."""
    path = tmp_path / "-c mix.mp3"
    noise = np.random.default_rng(1).uniform(-0.3, 0.3, (10 * RATE_HZ, 2))
    soundfile.write(path, noise, RATE_HZ, "MPEG_LAYER_III", format="MP3")
    return path


def played(path: Path, channels: int, frames: int) -> Samples:
    """Decode a whole file, all of it taken for MPEG frames if it is no MP3."""
    size = path.stat().st_size
    with path.open("rb") as file:
        essence = read_container(file, size).essence
    return np.concatenate(list(decoded(path, essence or Part("essence", 0, size), channels, frames)))


def test_windows_put_together_are_what_libsndfile_reads(mp3: Path) -> None:
    """To the last bit, and to the frame."""
    together = played(mp3, 2, 10 * RATE_HZ)
    assert together.dtype == np.float32
    assert np.array_equal(together, soundfile.read(mp3, dtype="float32")[0])


@pytest.mark.parametrize(
    "options",
    [
        ("-b:a", "320k"),
        ("-q:a", "4"),
        ("-q:a", "4", "-write_xing", "0", "-id3v2_version", "0"),
        ("-b:a", "128k", "-write_xing", "0"),
        ("-b:a", "64k", "-ac", "1", "-ar", "22050"),
        ("-b:a", "192k", "-metadata", "comment=" + "long " * 20_000),
    ],
    ids=["constant", "variable", "variable without Info", "constant without Info", "mono", "long tag"],
)
def test_every_frame_that_ffmpeg_plays(options: tuple[str, ...], tmp_path: Path) -> None:
    """Whatever a file states of its length, or does not: as many as our reader counts, and the same."""
    noise = np.random.default_rng(2).uniform(-0.3, 0.3, (10 * RATE_HZ, 2))
    noise[: 5 * RATE_HZ] *= 0.01  # so that a guess from the first frames is wrong
    soundfile.write(tmp_path / "noise.wav", noise, RATE_HZ, "PCM_16")
    quiet, coded = ["ffmpeg", "-nostdin", "-v", "error"], tmp_path / "coded.mp3"
    subprocess.run([*quiet, "-i", tmp_path / "noise.wav", *options, coded], check=True)
    raw = subprocess.run([*quiet, "-i", coded, "-f", "f32le", "-"], check=True, capture_output=True).stdout
    with coded.open("rb") as file:
        container = read_container(file, coded.stat().st_size)
    assert container.sound is not None
    reference = np.frombuffer(raw, np.float32).reshape(-1, container.sound.channels)

    ours = played(coded, container.sound.channels, container.frames or 0)

    assert ours.shape == reference.shape
    assert np.abs(ours - reference).max() < 1e-4  # two decoders, both of full precision


def test_what_is_no_such_mp3_is_a_declared_fault(mp3: Path, tmp_path: Path) -> None:
    """Another number of channels, another format, a text, nothing there."""
    soundfile.write(tmp_path / "wave.wav", np.zeros((10, 2)), RATE_HZ, "PCM_16")
    (tmp_path / "text.mp3").write_text("not audio")
    for path, channels in ((mp3, 1), (tmp_path / "wave.wav", 2), (tmp_path / "text.mp3", 2)):
        with pytest.raises(UnplayableError, match="cannot be decoded"):
            played(path, channels, 10)


def test_what_the_decoder_passes_over_is_not_passed_over(mp3: Path, tmp_path: Path) -> None:
    """Two files in one: the first one's Info frame ends the decoding after half of it."""
    twice = tmp_path / "twice.mp3"
    twice.write_bytes(mp3.read_bytes() * 2)
    with pytest.raises(UnplayableError, match="cannot be decoded as a whole: 441,000 of 882,000"):
        played(twice, 2, 20 * RATE_HZ)


def test_who_stops_early_waits_for_nothing(mp3: Path) -> None:
    """The decoder is ended with its reader."""
    windows = decoded(mp3, Part("essence", 0, mp3.stat().st_size), 2, 10 * RATE_HZ)
    assert len(next(windows))
    windows.close()  # type: ignore[attr-defined]
