"""A glance tells what two longer looks would have told, and never more."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import xxhash

from relkit.audio.reading import SteadyFile
from relkit.release.glancing import begin, essence_key, glance, mark_of
from tests.support.audio_bytes import chunk
from tests.support.releases import aiff, music, wav, written


@pytest.mark.parametrize("extra", [b"", chunk(b"LIST", b"INFOINAM\6\0\0\0Weir\0\0")])
def test_one_reading_gives_both_hashes(extra: bytes, tmp_path: Path) -> None:
    """Of the whole file, and of its essence: where that begins and ends makes no difference."""
    data = wav(music(1), extra)
    path = written(tmp_path / "clean.wav", data)
    found = glance(path, may_sound=True)
    with SteadyFile(path) as file:
        container = file.container
    assert found is not None
    assert found.whole == xxhash.xxh3_128(data).hexdigest()
    assert found.essence == essence_key(path, container)
    assert found.mark == mark_of(path)


def test_what_is_no_little_endian_sound_has_no_key(tmp_path: Path) -> None:
    """AIFF has to be turned first, a text never sounds, a cover is not asked, a lost file tells nothing."""
    turned = written(tmp_path / "clean.aiff", aiff(music(1)))
    text = written(tmp_path / "notes.wav", b"no audio at all")
    cover = written(tmp_path / "cover.wav", wav(music(1)))
    lost = tmp_path / "lost.wav"
    begun = begin([(turned, True), (text, True), (cover, False), (lost, True)])
    for path in (turned, text, cover):
        found = begun[path].result()
        assert found is not None
        assert found.whole == xxhash.xxh3_128(path.read_bytes()).hexdigest()
        assert found.essence is None
    assert begun[lost].result() is None


def test_the_mark_is_of_what_was_read(tmp_path: Path) -> None:
    """Somebody writes after the glance: the mark that goes with the hash is no longer the file's."""
    path = written(tmp_path / "clean.wav", wav(music(1)))
    found = begin([(path, True)])[path].result()
    written(path, wav(music(2)))
    os.utime(path, ns=(1, 1))
    assert found is not None
    assert found.mark != mark_of(path)
