"""``measure``: every meter over one file, once per sound, whatever the file is called."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from relkit.audio.container import BadBounceError
from relkit.audio.reading import UnreadableFileError
from relkit.errors import UsageError
from relkit.release import measure as measuring
from relkit.release.home import Home
from relkit.release.measure import measure
from tests.support.drum_songs import beats_at, drums

RATE_HZ = 44_100


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty seconds of drums at 122 BPM, 24 bit."""
    path = tmp_path_factory.mktemp("measure") / "drums.wav"
    mono = drums(beats_at([122.0] * 61), {"k": "x...", "s": "....x...", "h": "x.x."}, channels=2)
    soundfile.write(path, mono * 0.5, RATE_HZ, "PCM_24")
    return path


def test_a_tone_has_the_loudness_that_the_standard_gives_it(home: Home, tmp_path: Path) -> None:
    """997 Hz at full scale in one front channel."""
    samples = np.zeros((5 * RATE_HZ, 2))
    samples[:, 0] = np.sin(2 * np.pi * 997 * np.arange(5 * RATE_HZ) / RATE_HZ) * (1 - 2**-23)
    soundfile.write(tmp_path / "tone.wav", samples, RATE_HZ, "PCM_24")
    [answer] = measure([tmp_path / "tone.wav"], home)
    assert answer.numbers is not None
    published = -3.01  # LKFS; ITU-R BS.1770-5 (11/2023), Annex 1
    assert answer.numbers["integrated_loudness_lufs"] == pytest.approx(published, abs=0.01)
    assert answer.numbers["dead_channels"] == [1]
    assert answer.duration_s == 5


def test_tempo_is_compared_with_the_declared_one(home: Home, song: Path) -> None:
    """122 BPM by construction; 61 is half of it; 128 is another song."""
    said = {
        bpm: answer.numbers["tempo_agreement"]
        for bpm in (122.0, 61.0, 128.0)
        for answer in measure([song], home, tempo_bpm=bpm)
        if answer.numbers
    }
    assert said == {122.0: "agrees", 61.0: "half", 128.0: "contradicts"}
    [answer] = measure([song], home)
    assert answer.numbers
    assert answer.numbers["tempo_bpm"] == pytest.approx(122, abs=0.01)
    assert answer.numbers["tempo_agreement"] is None


def test_a_sound_is_measured_once(
    home: Home, song: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under another name and in another container it is the same sound; at another rate it is not."""
    samples, _ = soundfile.read(song, dtype="int32")
    soundfile.write(tmp_path / "same sound.aiff", samples, RATE_HZ, "PCM_24")
    soundfile.write(tmp_path / "wrong rate.wav", samples, 48_000, "PCM_24")
    first = measure([song], home)
    measured: list[str] = []
    numbers = measuring._numbers

    def noted(path: Path, *rest: Any) -> dict[str, Any] | None:
        measured.append(path.name)
        return numbers(path, *rest)

    monkeypatch.setattr(measuring, "_numbers", noted)
    again = measure([tmp_path / "same sound.aiff", song, tmp_path / "wrong rate.wav"], home)
    assert measured == ["wrong rate.wav"]
    assert [answer.numbers for answer in again[:2]] == [first[0].numbers] * 2
    assert [answer.path.name for answer in again] == ["same sound.aiff", "drums.wav", "wrong rate.wav"]
    assert again[2].sound_identity != again[1].sound_identity


def test_what_is_only_kept_has_no_numbers(home: Home, tmp_path: Path) -> None:
    """64-bit float is stored as it is, and not measured."""
    soundfile.write(tmp_path / "double.wav", np.zeros((100, 1)), RATE_HZ, "DOUBLE")
    [answer] = measure([tmp_path / "double.wav"], home)
    assert (answer.numbers, answer.sample_format, answer.frames) == (None, "float64", 100)


def test_silence_has_null_and_never_a_nan(home: Home, tmp_path: Path) -> None:
    """What a silent file does not have is null in JSON."""
    soundfile.write(tmp_path / "silence.wav", np.zeros((RATE_HZ, 2)), RATE_HZ, "PCM_16")
    [answer] = measure([tmp_path / "silence.wav"], home)
    assert answer.numbers
    assert answer.numbers["integrated_loudness_lufs"] is None
    assert answer.numbers["tempo"] == "none"
    assert answer.numbers["key"] is None
    assert not any(isinstance(value, float) and value != value for value in answer.numbers.values())


def test_what_cannot_be_measured_is_a_declared_fault(home: Home, tmp_path: Path) -> None:
    """A text, nothing at all, an impossible tempo or meter."""
    (tmp_path / "text.wav").write_text("not audio")
    with pytest.raises(BadBounceError):
        measure([tmp_path / "text.wav"], home)
    with pytest.raises(UnreadableFileError):
        measure([tmp_path / "nothing.wav"], home)
    with pytest.raises(UsageError, match="bpm"):
        measure([], home, tempo_bpm=-1)
    with pytest.raises(UsageError, match="beats in a bar"):
        measure([], home, beats_per_bar=0)
