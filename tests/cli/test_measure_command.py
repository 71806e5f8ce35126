"""``relkit measure`` as a command: text for people, one document for programs."""

from __future__ import annotations

import io
import itertools
import json
import math
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from relkit.cli.measure import measure
from tests.support.releases import Command, music, two_lines, wav, written

RATE_HZ = 44_100


def test_it_says_what_a_file_is(relkit: Command, tmp_path: Path) -> None:
    """One block a file, with units; the name is escaped, not obeyed."""
    song = written(tmp_path / "mix [bold]7[/].wav", wav(music(1)))
    said = relkit.done("measure", song)
    assert "mix [bold]7[/].wav" in said
    assert "wav, int24, 44100 Hz, 2 channels, 0:01.000" in said
    assert all(unit in said for unit in (" LUFS", " dBTP at 0:00.", " dBFS", "correlation "))


def test_json_is_one_document(relkit: Command, tmp_path: Path) -> None:
    """In the order asked for; what is only kept has null for numbers."""
    song = written(tmp_path / "song.wav", wav(music(1)))
    soundfile.write(tmp_path / "kept.wav", np.zeros((100, 9)), RATE_HZ, "PCM_16")
    first, second = relkit.json("measure", tmp_path / "kept.wav", song)
    assert first["numbers"] is None
    assert second["numbers"]["true_peak_dbtp"] <= 3
    assert (second["frames"], second["duration_s"]) == (44_100, 1.0)


# What a name ends in: a unit; a count; or what needs no unit, being a word, a yes or no, or a share of 1.
UNITS = ("_hz", "_s", "_ms", "_bpm", "_lufs", "_lu", "_dbtp", "_dbfs", "_db", "_cents", "_full_scale")
COUNTS = ("frames", "channels", "_bits", "_runs", "beats_per_bar")
WORDS: tuple[str, ...] = (
    "path",
    "fault",
    "hint",
    "container",
    "identity",
    "format",
    "declared",
    "by",
    "numbers",
    "curve",
)
WORDS += (
    "tempo",
    "agreement",
    "key",
    "runner_up",
    "confidence",
    "correlation",
    "dual_mono",
    "nonfinite",
    "undithered",
)


def names_in(document: Any) -> set[str]:
    """Return every key at any depth."""
    if isinstance(document, dict):
        return set(document) | {name for value in document.values() for name in names_in(value)}
    return {name for each in document for name in names_in(each)} if isinstance(document, list) else set()


def test_every_key_has_its_unit_in_its_name(relkit: Command, tmp_path: Path) -> None:
    """Or is a count, a word, or a share between -1 and 1."""
    names = names_in(relkit.json("measure", written(tmp_path / "song.wav", wav(music(1)))))
    assert {name for name in names if not name.endswith(UNITS + COUNTS + WORDS)} == set()
    assert {"tempo_curve_s_bpm", "true_peak_at_s", "short_term_lufs", "duration_s"} <= names


SQUARE = np.where(np.arange(RATE_HZ) % 100 < 50, 1.0, -1.0)
EDGES: dict[str, tuple[np.ndarray, str]] = {
    "silence": (np.zeros((RATE_HZ, 2)), "PCM_24"),
    "one sample": (np.full((1, 1), 0.5), "PCM_24"),
    "50 ms": (0.5 * np.sin(np.arange(2205) / 7)[:, None], "PCM_16"),
    "DC": (np.full((5 * RATE_HZ, 2), 0.25), "PCM_24"),
    "square": (np.column_stack([SQUARE, SQUARE]), "PCM_16"),
    "denormals": (np.full((RATE_HZ, 2), 1e-42), "FLOAT"),
    "loud floats": (np.full((RATE_HZ, 1), 1e30), "FLOAT"),
    "not a number": (np.full((RATE_HZ, 2), np.nan), "FLOAT"),
    "double beyond float": (np.full((RATE_HZ, 2), 1e300), "DOUBLE"),
    "5.1": (np.random.default_rng(1).uniform(-0.1, 0.1, (RATE_HZ, 6)), "PCM_24"),
    "out of phase": (np.column_stack([SQUARE, -SQUARE]) * 0.1, "PCM_24"),
}


def test_odd_signals_have_results(relkit: Command, tmp_path: Path) -> None:
    """Text and JSON; null, never NaN or infinity; nothing on stderr (``done`` sees to it)."""
    for name, (samples, subtype) in EDGES.items():
        soundfile.write(tmp_path / f"{name}.wav", samples, RATE_HZ, subtype)
    files = [tmp_path / f"{name}.wav" for name in EDGES]

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    document = json.loads(relkit.done("measure", "--json", *files), parse_constant=refuse)
    by_name = {Path(answer["path"]).stem: answer["numbers"] for answer in document}
    said = relkit.done("measure", *files)
    assert "nan" not in re.sub(r"\S*\.wav", "", said).lower()
    assert "inf" not in re.sub(r"\S*\.wav", "", said).lower().replace("infinite", "")
    for name in ("silence", "not a number"):
        assert by_name[name]["integrated_loudness_lufs"] is None
        assert by_name[name]["true_peak_dbtp"] is None
        assert by_name[name]["true_peak_at_s"] is None
    for name in ("one sample", "50 ms"):  # less than one gating block of 0.4 s
        assert by_name[name]["integrated_loudness_lufs"] is None
        assert by_name[name]["true_peak_dbtp"] >= -6.1
    assert by_name["DC"]["dc_offsets_full_scale"] == [0.25, 0.25]
    assert by_name["square"]["clipped_runs"] == 4 * 441
    assert by_name["5.1"]["correlation"] is None
    assert by_name["out of phase"]["correlation"] == -1
    assert "mono sum loses everything" in said
    for name, numbers in by_name.items():
        odd = name in {"loud floats", "not a number", "double beyond float"}
        assert numbers["nonfinite"] is odd, name
        assert not any(isinstance(value, float) and math.isnan(value) for value in numbers.values())


@pytest.mark.parametrize(
    ("words", "code"), [(("nothing.wav",), 3), (("song.wav", "--beats", "0"), 2), ((), 2)]
)
def test_faults_are_two_lines(relkit: Command, tmp_path: Path, words: tuple[str, ...], code: int) -> None:
    """A file that is not there, a meter that cannot be, no file at all."""
    written(tmp_path / "song.wav", wav(music(1)))
    relkit.refused(code, "measure", *(tmp_path / word if word.endswith("wav") else word for word in words))


def test_a_bad_file_stops_no_other(relkit: Command, tmp_path: Path) -> None:
    """The good ones on stdout; then every fault with its hint, and exit code 3."""
    good = [written(tmp_path / f"good {seed}.wav", wav(music(seed))) for seed in (1, 2)]
    text = written(tmp_path / "text.wav", b"not audio")
    files = [text, good[0], tmp_path / "nothing.wav", good[1]]

    answer = relkit("measure", *files)
    assert answer.code == 3
    assert all(path.name in answer.out for path in good)
    assert "text.wav" not in answer.out
    lines = answer.err.splitlines(keepends=True)
    assert "text.wav is not audio" in two_lines("".join(lines[:2]))
    assert "nothing.wav is not there" in two_lines("".join(lines[2:]))

    answer = relkit("measure", "--json", *files)
    assert answer.code == 3
    document = answer.json()
    assert [row["fault"] is None for row in document] == [False, True, False, True]
    assert [row["numbers"] is None for row in document] == [True, False, True, False]
    assert document[0]["hint"]


def test_a_damaged_mp3_has_numbers_or_a_declared_fault(relkit: Command, tmp_path: Path) -> None:
    """Whatever the decoder makes of it, nothing but our own lines is on stderr."""
    rng = np.random.default_rng(3)
    path = tmp_path / "whole.mp3"
    soundfile.write(path, rng.uniform(-0.3, 0.3, (RATE_HZ, 2)), RATE_HZ, "MPEG_LAYER_III", format="MP3")
    whole = np.frombuffer(path.read_bytes(), np.uint8)
    files = []
    for number in range(12):
        damaged = whole.copy()
        at = rng.integers(4, len(damaged), 1 + 40 * number)
        damaged[at] = rng.integers(0, 256, len(at))
        cut = len(damaged) if number % 2 else int(rng.integers(500, len(damaged)))
        files.append(written(tmp_path / f"damaged {number}.mp3", damaged[:cut].tobytes()))
    answer = relkit("measure", "--json", path, *files)
    document = answer.json()
    bad = [row for row in document if row["fault"]]
    assert document[0]["fault"] is None
    assert len(document) == 13
    assert answer.code == (3 if bad else 0)
    assert len(answer.err.splitlines()) == 2 * len(bad)
    assert "mistake in relkit" not in answer.err


def test_the_release_sheet_is_asked(relkit: Command, tmp_path: Path) -> None:
    """Inside a release folder; the text says who says what; --tempo goes first."""
    relkit.done(
        "new", tmp_path / "other", "--artist", "A", "--title", "T", "--tempo", "122", "--key", "C major"
    )
    clicks = np.zeros((20 * RATE_HZ, 1))
    for beat in range(40):
        start = round(beat * RATE_HZ * 60 / 122)
        clicks[start : start + 2000, 0] = 0.5 * np.exp(-np.arange(2000) / 300) * np.sin(np.arange(2000) / 3)
    inside = tmp_path / "other" / "bounces" / "main.wav"
    soundfile.write(inside, clicks, RATE_HZ, "PCM_16")
    said = relkit.done("measure", inside)
    assert "the release sheet says 122 BPM: the music agrees" in said
    assert "the release sheet says C major" in said
    assert "declared 61 BPM: half of what is heard" in relkit.done("measure", inside, "--tempo", "61")
    assert relkit.json("measure", inside)[0]["declared"] == {
        "tempo_bpm": 122.0,
        "beats_per_bar": 4,
        "key": "C major",
        "by": "sheet",
        "sheet_fault": None,
    }


class Terminal(io.StringIO):
    """Where somebody looks."""

    def isatty(self) -> bool:
        """It is one."""
        return True


def test_progress_is_shown_to_somebody_who_looks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """On stderr alone, after a second (every look at the clock lasts one here), wiped away at the end."""
    written(tmp_path / "song.wav", wav(music(1)))
    monkeypatch.setenv("RELKIT_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    clock = itertools.count()
    monkeypatch.setattr(time, "monotonic", lambda: float(next(clock)))
    measure([tmp_path / "song.wav"])
    shown = terminal.getvalue()
    assert re.search(r"reading song\.wav +\d+ %", shown)
    assert re.search(r"measuring song\.wav +100 %", shown)
    assert not shown.rpartition("\r")[0].rpartition("\r")[2].strip()
    said = capsys.readouterr().out
    assert " LUFS" in said
    assert "%" not in said


def test_nothing_imports_scipy(relkit: Command, tmp_path: Path) -> None:
    """``scipy.signal`` alone would cost 0.9 s; the meters of a commit and of this command do without."""
    song = written(tmp_path / "song.wav", wav(music(1)))
    program = (
        "import sys; from relkit.cli import main\n"
        f"sys.argv = ['relkit', 'measure', {str(song)!r}]\n"
        "try: main()\n"
        "except SystemExit as leaving: print('left with', leaving.code)\n"
        "import relkit.release.metering, relkit.release.scanning\n"
        "print('scipy:', sorted(name for name in sys.modules if name.partition('.')[0] == 'scipy'))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=relkit.folder,
        env=relkit.environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    assert " LUFS" in done.stdout
    assert "left with 0" in done.stdout
    assert "scipy: []" in done.stdout
