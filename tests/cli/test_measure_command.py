"""``relkit measure`` as a command: text for people, one document for programs."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.releases import Command, music, wav, wav_float64, written


def test_it_says_what_a_file_is(relkit: Command, tmp_path: Path) -> None:
    """One block a file, with units; the name is escaped, not obeyed."""
    song = written(tmp_path / "mix [bold]7[/].wav", wav(music(1)))
    said = relkit.done("measure", song)
    assert "mix [bold]7[/].wav" in said
    assert "wav, int24, 44100 Hz, 2 channels, 0:01.000" in said
    assert all(unit in said for unit in (" LUFS", " dBTP", " dBFS"))


def test_json_is_one_document(relkit: Command, tmp_path: Path) -> None:
    """In the order asked for; what is only kept has null for numbers."""
    song = written(tmp_path / "song.wav", wav(music(1)))
    kept = written(tmp_path / "kept.wav", wav_float64(music(1)))
    first, second = relkit.json("measure", kept, song)
    assert first["numbers"] is None
    assert second["numbers"]["true_peak_dbtp"] <= 3
    assert second["frames"] == 44_100


@pytest.mark.parametrize(
    ("words", "code"), [(("nothing.wav",), 3), (("song.wav", "--beats", "0"), 2), ((), 2)]
)
def test_faults_are_two_lines(relkit: Command, tmp_path: Path, words: tuple[str, ...], code: int) -> None:
    """A file that is not there, a meter that cannot be, no file at all."""
    written(tmp_path / "song.wav", wav(music(1)))
    relkit.refused(code, "measure", *(tmp_path / word if word.endswith("wav") else word for word in words))
