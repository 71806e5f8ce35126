"""``measure``: every meter over one file, once per sound, whatever the file is called."""

from __future__ import annotations

import math
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from relkit import Release
from relkit.audio.container import BadBounceError
from relkit.audio.reading import UnreadableFileError
from relkit.bars import NOTE_VALUES, BarMap, LiveTempo, Meter, TempoChange
from relkit.errors import UsageError
from relkit.release import measure as measuring
from relkit.release.declared import Declared, tempo_of
from relkit.release.home import Home
from relkit.release.measure import measure
from tests.support.audio_bytes import chunk
from tests.support.drum_songs import beats_at, drums
from tests.support.measuring import tone
from tests.support.releases import music, wav, written

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
    measured = watched(monkeypatch)
    again = measure([tmp_path / "same sound.aiff", song, tmp_path / "wrong rate.wav"], home)
    assert measured == ["wrong rate.wav"]
    assert [answer.numbers for answer in again[:2]] == [first[0].numbers] * 2
    assert [answer.path.name for answer in again] == ["same sound.aiff", "drums.wav", "wrong rate.wav"]
    assert again[2].sound_identity != again[1].sound_identity


def test_new_tags_and_names_are_no_new_sound(
    home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twins in one call are measured once; so is a file with other tags, in a later call."""
    samples = music(1)
    tags = chunk(b"LIST", b"INFOINAM" + (5).to_bytes(4, "little") + b"title\0")
    one = written(tmp_path / "one.wav", wav(samples))
    two = written(tmp_path / "two.wav", wav(samples))
    three = written(tmp_path / "three.wav", wav(samples, tags))
    measured = watched(monkeypatch)
    answers = measure([one, two], home) + measure([three], home)
    assert len(measured) == 1
    assert len({answer.sound_identity for answer in answers}) == 1
    assert all(answer.numbers and answer.numbers == answers[0].numbers for answer in answers)


def test_a_first_call_remembers_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody who never made a key or a release has no folder yet; it is made."""
    one = written(tmp_path / "one.wav", wav(music(1)))
    measured = watched(monkeypatch)
    for _ in range(2):
        measure([one], Home(tmp_path / "new home"))
    assert measured == ["one.wav"]


def watched(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list that grows by the name of every file that is really measured."""
    measured: list[str] = []
    numbers = measuring._numbers

    def noted(named: Any, *rest: Any) -> dict[str, Any]:
        measured.append(named.path.name)
        return numbers(named, *rest)

    monkeypatch.setattr(measuring, "_numbers", noted)
    return measured


@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_any_format_has_its_loudness(
    home: Home, tmp_path: Path, subtype: str, rate_hz: int, channels: int
) -> None:
    """997 Hz at -6.02 dBFS in the first channel, whatever holds it."""
    samples = np.zeros((rate_hz, channels))
    samples[:, 0] = 0.5 * np.sin(2 * np.pi * 997 * np.arange(rate_hz) / rate_hz)
    soundfile.write(tmp_path / "tone.wav", samples, rate_hz, subtype)
    [answer] = measure([tmp_path / "tone.wav"], home)
    numbers = answer.numbers
    assert numbers is not None
    published = -3.01 - 6.02  # LKFS; ITU-R BS.1770-5 (11/2023), Annex 1, for full scale
    assert numbers["integrated_loudness_lufs"] == pytest.approx(published, abs=0.1)
    assert numbers["dead_channels"] == list(range(1, channels))
    bits = {"PCM_U8": 8, "PCM_16": 16, "PCM_24": 24}
    assert numbers["effective_bits"] == bits.get(subtype)  # a sine in finer formats is in no 24 bits
    assert (answer.frames, answer.channels, answer.sample_rate_hz) == (rate_hz, channels, rate_hz)


def test_what_is_only_kept_has_no_numbers(home: Home, tmp_path: Path) -> None:
    """More than eight channels are stored as they are, and not measured."""
    soundfile.write(tmp_path / "many.wav", np.zeros((100, 9)), RATE_HZ, "PCM_16")
    [answer] = measure([tmp_path / "many.wav"], home)
    assert (answer.numbers, answer.error, answer.sample_format, answer.frames) == (None, None, "int16", 100)


def test_an_mp3_is_decoded(home: Home, tmp_path: Path) -> None:
    """Its numbers are those of what ffmpeg decodes; it has no bits, and the coder's edge."""
    rng = np.random.default_rng(5)
    soundfile.write(tmp_path / "noise.wav", 0.2 * rng.standard_normal((5 * RATE_HZ, 2)), RATE_HZ, "PCM_24")
    quiet = ["ffmpeg", "-nostdin", "-v", "error"]
    coded, decoded = tmp_path / "coded.mp3", tmp_path / "decoded.wav"
    subprocess.run([*quiet, "-i", tmp_path / "noise.wav", "-b:a", "128k", coded], check=True)
    subprocess.run([*quiet, "-i", coded, "-c:a", "pcm_f32le", decoded], check=True)
    mp3, wave = measure([coded, decoded], home)
    assert mp3.numbers
    assert wave.numbers
    assert (mp3.frames, mp3.sample_format) == (wave.frames, "mpeg-layer-3")
    for name in ("integrated_loudness_lufs", "true_peak_dbtp", "sample_peak_dbfs"):
        assert mp3.numbers[name] == pytest.approx(wave.numbers[name], abs=0.02)
    assert 16_000 <= mp3.numbers["low_pass_hz"] <= 17_500  # see tests/measure/test_faults.py
    assert mp3.numbers["effective_bits"] is None


def test_the_curve_can_be_drawn(home: Home, tmp_path: Path) -> None:
    """One value of short-term loudness for every half second, each of 3 s; null where it is silent."""
    tones = np.concatenate([tone(RATE_HZ, 6, [-20.0, -20.0]), tone(RATE_HZ, 6, [-math.inf, -math.inf])])
    soundfile.write(tmp_path / "tone.wav", tones, RATE_HZ, "FLOAT")
    [answer] = measure([tmp_path / "tone.wav"], home)
    assert answer.numbers
    curve = answer.numbers["loudness_curve"]
    assert (curve["window_s"], curve["step_s"]) == (3.0, 0.5)
    assert len(curve["short_term_lufs"]) == 19  # windows that begin at 0, 0.5 ... 9 s
    assert curve["short_term_lufs"][:7] == pytest.approx([-20.0] * 7, abs=0.1)  # EBU Tech 3341, case 1
    half = -20 + 10 * math.log10(0.5)
    assert curve["short_term_lufs"][9] == pytest.approx(half, abs=0.1)  # 4.5 to 7.5 s: half of it sounds
    assert curve["short_term_lufs"][-5:] == [None] * 5


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
    """A text, nothing at all; the good file between them is measured. An impossible tempo or meter."""
    (tmp_path / "text.wav").write_text("not audio")
    (tmp_path / "broken.mp3").write_bytes(b"\xff\xfb\x90\x00" * 50)
    good = written(tmp_path / "good.wav", wav(music(1)))
    names = [tmp_path / "text.wav", tmp_path / "nothing.wav", good, tmp_path / "broken.mp3"]
    text, nothing, fine, mp3 = measure(names, home)
    assert isinstance(text.error, BadBounceError)
    assert isinstance(nothing.error, UnreadableFileError)
    assert isinstance(mp3.error, BadBounceError)
    assert (text.numbers, nothing.container) == (None, None)
    assert fine.error is None
    assert fine.numbers
    with pytest.raises(UsageError, match="bpm"):
        measure([], home, tempo_bpm=-1)
    with pytest.raises(UsageError, match="beats in a bar"):
        measure([], home, beats_per_bar=0)


def test_the_sheet_declares_tempo_and_key(home: Home, release: Release, song: Path) -> None:
    """For files in its folder, at any depth; what the caller says goes first; elsewhere nobody says it."""
    inside = release.folder / "bounces" / "takes" / "drums.wav"
    inside.parent.mkdir(parents=True)
    shutil.copy(song, inside)
    [by_sheet] = measure([inside], home)
    assert by_sheet.declared == Declared(122.0, 4, "F# minor", "sheet")
    assert by_sheet.numbers
    assert by_sheet.numbers["tempo_agreement"] == "agrees"
    [by_caller] = measure([inside], home, tempo_bpm=61)
    assert (by_caller.declared.tempo_bpm, by_caller.declared.by) == (61, "caller")
    assert by_caller.numbers
    assert by_caller.numbers["tempo_agreement"] == "half"
    assert measure([song], home)[0].declared == Declared()


def test_a_sheet_that_cannot_be_read_stops_no_measuring(home: Home, release: Release) -> None:
    """The numbers do not need it; the answer says that it was not asked."""
    inside = written(release.folder / "bounces" / "song.wav", wav(music(1)))
    (release.folder / "release.toml").write_text("tempo = = 1")
    [answer] = measure([inside], home)
    assert answer.numbers
    assert answer.declared.by is None
    assert answer.declared.sheet_fault
    assert "release.toml" in answer.declared.sheet_fault


@pytest.mark.parametrize(
    ("meter", "counts", "expected"),
    [("4/4", "quarter", 4), ("3/4", "quarter", 3), ("6/8", "dotted-quarter", 2), ("6/8", "eighth", 6)],
)
def test_a_bar_has_the_beats_that_the_tempo_counts(meter: str, counts: str, expected: int) -> None:
    """6/8 has two dotted quarters."""
    beats, note = (int(part) for part in meter.split("/"))
    bars = BarMap.steady(120, meter=Meter(beats, note), tempo_counts=NOTE_VALUES[counts])
    assert tempo_of(bars) == (120.0, expected)


def test_a_tempo_that_is_no_single_number_is_no_hint() -> None:
    """Live, changing or undeclared."""
    change = TempoChange(Fraction(100), bar=1), TempoChange(Fraction(120), bar=9)
    for tempo in (LiveTempo(Fraction(118), Fraction(124)), change, None):
        assert tempo_of(BarMap(tempo=tempo)) == (None, 4)


def test_progress_adds_up(home: Home, tmp_path: Path) -> None:
    """It never goes back within a phase and ends at the total: once for reading, once for measuring."""
    files = [written(tmp_path / f"{seed}.wav", wav(music(seed, 20.0))) for seed in (1, 2)]
    heard: dict[str, list[tuple[int, int]]] = {"reading": [], "measuring": []}
    measure(files, home, progress=lambda what, done, total: heard[what.split()[0]].append((done, total)))
    size = sum(path.stat().st_size for path in files)
    for phase in heard.values():
        assert phase == sorted(phase)
        assert len(phase) >= 4
        assert phase[-1] == (size, size)


def test_an_interruption_does_not_wait_for_the_rest(home: Home, tmp_path: Path) -> None:
    """Whatever was begun gives up at the next window."""
    files = [written(tmp_path / f"{seed}.wav", wav(music(seed, 60.0))) for seed in (1, 2, 3)]
    told: list[str] = []

    def interrupt(what: str, _done: int, _total: int) -> None:
        told.append(what)
        if what.startswith("measuring"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure(files, home, progress=interrupt)
    assert sum(what.startswith("measuring") for what in told) <= 3
