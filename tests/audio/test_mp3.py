"""Decoding an MP3 in a process of its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from relkit.audio.mp3 import UnplayableError, decoded

RATE_HZ = 44_100


@pytest.fixture
def mp3(tmp_path: Path) -> Path:
    """Ten seconds of noise in two channels, under a name that a careless caller would take for an option."""
    path = tmp_path / "-c mix.mp3"
    noise = np.random.default_rng(1).uniform(-0.3, 0.3, (10 * RATE_HZ, 2))
    soundfile.write(path, noise, RATE_HZ, "MPEG_LAYER_III", format="MP3")
    return path


def test_windows_put_together_are_what_libsndfile_reads(mp3: Path) -> None:
    """To the last bit, and to the frame."""
    together = np.concatenate(list(decoded(mp3, 2, 10 * RATE_HZ)))
    assert together.dtype == np.float32
    assert np.array_equal(together, soundfile.read(mp3, dtype="float32")[0])


def test_what_is_no_such_mp3_is_a_declared_fault(mp3: Path, tmp_path: Path) -> None:
    """Another number of channels, another format, a text, nothing there."""
    soundfile.write(tmp_path / "wave.wav", np.zeros((10, 2)), RATE_HZ, "PCM_16")
    (tmp_path / "text.mp3").write_text("not audio")
    for path, channels in ((mp3, 1), (tmp_path / "wave.wav", 2), (tmp_path / "text.mp3", 2)):
        with pytest.raises(UnplayableError, match="cannot be decoded"):
            list(decoded(path, channels, 10))


def test_what_the_decoder_passes_over_is_not_passed_over(mp3: Path, tmp_path: Path) -> None:
    """Two files in one: the first one's Info frame ends the decoding after half of it."""
    twice = tmp_path / "twice.mp3"
    twice.write_bytes(mp3.read_bytes() * 2)
    with pytest.raises(UnplayableError, match="cannot be decoded as a whole: 441,000 of 882,000"):
        list(decoded(twice, 2, 20 * RATE_HZ))


def test_who_stops_early_waits_for_nothing(mp3: Path) -> None:
    """The decoder is ended with its reader."""
    windows = decoded(mp3, 2, 10 * RATE_HZ)
    assert len(next(windows))
    windows.close()  # type: ignore[attr-defined]
