"""Bytes out are bytes in; the same audio is stored once."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path

import numpy as np
import pytest
import xxhash
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.audio.reading import SteadyFile
from relkit.store.chunk_index import ChunkIndex
from relkit.store.content import Intake
from tests.support.audio_bytes import (
    Planted,
    aiff_files,
    chunk,
    fmt,
    id3_tag,
    mpeg_frames,
    picture,
    riff,
    wav_files,
)
from tests.support.stores import Store, aiff, as_bytes, feed, music, swapped, wav


def through_a_store(*files: bytes, window_bytes: int = 1 << 20) -> list[bytes]:
    """Commit files to a new store, open it again, and return what it gives back."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder))
        _, stored = store.commit(*files, window_bytes=window_bytes)
        store.close()
        for each, data in zip(stored, files, strict=True):
            assert each.sha256 == hashlib.sha256(data).hexdigest()
            assert each.xxh3_128 == xxhash.xxh3_128_hexdigest(data)
        opened = Store(Path(folder))
        back = [opened.restored(each) for each in stored]
        opened.close()
        return back


@settings(max_examples=25, deadline=None)
@given(st.lists(st.binary(max_size=5000), max_size=4, unique=True))
def test_any_bytes_come_back(files: list[bytes]) -> None:
    """Whatever a file is, also nothing at all."""
    assert through_a_store(*files) == files


@settings(max_examples=40, deadline=None)
@given(st.lists(st.one_of(wav_files(), aiff_files()), min_size=1, max_size=3), st.integers(1, 20_000))
def test_any_container_comes_back(planted: list[Planted], window_bytes: int) -> None:
    """WAV, RF64, AIFF and AIFF-C of all sample formats, with anything around, in windows of any size."""
    files = [each.file for each in planted]
    assert through_a_store(*files, window_bytes=window_bytes) == files


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 2**32 - 1), min_size=2, max_size=2000), st.integers(1, 2))
def test_a_float_file_of_any_bits_comes_back(bits: list[int], channels: int) -> None:
    """NaN of both kinds, infinity, -0.0 and denormals are bit patterns like any other."""
    file = wav(np.array(bits, "<u4").tobytes()[: len(bits) // channels * channels * 4], "float32", channels)
    assert through_a_store(file) == [file]


@pytest.mark.parametrize("sample_format", ["uint8", "int16", "int24", "int32", "float32", "float64"])
@pytest.mark.parametrize("channels", [1, 2, 6, 8, 9])
def test_long_audio_with_silence_comes_back(sample_format: str, channels: int) -> None:
    """Several chunks and a fill between them, in both byte orders, more channels than FLAC can hold too."""
    samples = music(1.2, seed=channels, channels=channels)
    samples[20_000:30_000] = 0
    essence = as_bytes(samples, sample_format)
    files = [wav(essence, sample_format, channels)]
    if sample_format not in {"uint8", "float64"}:
        files.append(aiff(essence, sample_format, channels))
    assert through_a_store(*files, window_bytes=50_000) == files


@pytest.mark.parametrize("sample_format", ["int16", "int24", "int32", "float32"])
def test_the_smallest_and_oddest_bounces_come_back(sample_format: str) -> None:
    """Two samples, a partial frame, an odd chunk without its pad byte, a fmt with extra bytes, full scale."""
    bits = int(sample_format[-2:])
    two = as_bytes(np.array([[1.0, -1.0], [-1.0, 1.0]]), sample_format)
    tag = 3 if sample_format == "float32" else 1
    files = [
        wav(two, sample_format),
        wav(two, sample_format, 1),
        wav(two + b"!", sample_format),
        riff(chunk(b"fmt ", fmt(2, 44_100, bits, tag=tag, extra=b"\2\0ab")), chunk(b"data", two)),
        riff(chunk(b"fmt ", fmt(2, 44_100, bits, tag=tag)), chunk(b"data", two), chunk(b"odd ", b"abc")[:-1]),
        riff(chunk(b"fmt ", fmt(2, 44_100, bits, tag=tag)), chunk(b"data", b"")),
        b"RIFF",
        b"",
    ]
    assert through_a_store(*files) == files


def test_a_file_read_from_disk_is_taken_whole(store: Store, tmp_path: Path) -> None:
    """The reader that commits use and the store agree on what a window is."""
    file = tmp_path / "bounce.wav"
    file.write_bytes(wav(as_bytes(music(3, 1), "int24")))
    with (
        store.repository.writer() as pack,
        Intake(pack, ChunkIndex(store.repository, store.cache)) as intake,
        SteadyFile(file) as steady,
    ):
        taking = intake.file(steady.container)
        for part, window in steady.windows(buffers=3):
            taking.feed(part, window)
        stored = taking.finish()
        intake.settle()
    assert store.restored(stored) == file.read_bytes()


def test_the_sound_of_wav_and_aiff_is_one(store: Store) -> None:
    """The digest of the frames is of little-endian frames; the chunks are shared; only headers are added."""
    essence = as_bytes(music(10, 2), "int24")
    _, [first] = store.commit(wav(essence))
    before = store.size_bytes()
    _, [_, second] = store.commit(wav(essence), aiff(essence))
    assert first.frames_sha256 == second.frames_sha256 == hashlib.sha256(essence).hexdigest()
    assert second.sha256 != first.sha256
    assert store.size_bytes() - before < 12_000  # a layout, a tree and a commit; the audio is 1.3 MB
    assert store.restored(second) == aiff(essence)


def test_a_file_is_stored_once(store: Store) -> None:
    """Under two names, in two revisions: the second time only a commit is added."""
    file = wav(as_bytes(music(5, 3), "int24"))
    _, [first] = store.commit(file)
    before = store.size_bytes()
    _, [second, third] = store.commit(file, file)
    assert first.tree == second.tree == third.tree
    assert store.size_bytes() - before < 2_500  # a commit's own objects, and the index of their pack


def test_the_same_files_always_give_the_same_objects(tmp_path: Path) -> None:
    """Threads race, but the commit's name does not depend on them."""
    files = [wav(as_bytes(music(3, seed), "int24")) for seed in range(3)]
    made = set()
    for number in range(4):
        store = Store(tmp_path / str(number))
        made.add((store.commit(*files)[0], tuple(pack.name for pack in store.packs())))
        store.close()
    assert len(made) == 1


def test_an_edit_adds_little(store: Store) -> None:
    """A word of 0.45 s is muted in three files: at most three times its FLAC size and 100 KB are added.

    The bound is the project's own target for a revision.
    """
    song = music(60, 4)
    song[-44_100 * 5 :] = 0
    takes = [as_bytes(song * gain, "int24") for gain in (1.0, 0.7, 0.3)]
    store.commit(*[wav(take) for take in takes])
    before = store.size_bytes()
    at, length = 25 * 44_100 * 6, int(0.45 * 44_100) * 6
    edited = [take[:at] + bytes(length) + take[at + length :] for take in takes]
    _, stored = store.commit(*[wav(take) for take in edited])
    changed_bytes = 3 * length
    assert store.size_bytes() - before <= 3 * changed_bytes + 100_000
    assert [store.restored(each) for each in stored] == [wav(take) for take in edited]


def test_the_same_passage_elsewhere_is_stored_once(store: Store) -> None:
    """A DJ edit: eight bars, then the song as it was. The song costs nothing again."""
    song, intro = as_bytes(music(40, 5), "int24"), as_bytes(music(15.74, 6), "int24")
    store.commit(wav(song))
    before = store.size_bytes()
    store.commit(wav(song), wav(intro + song + intro))
    alone = Store(store.folder.parent / "alone")
    alone.commit(wav(intro))
    assert store.size_bytes() - before < alone.size_bytes() + 0.1 * before  # edge chunks and names
    alone.close()


@pytest.mark.parametrize("sample_format", ["int16", "int24", "int32", "float32"])
def test_an_hour_of_silence_costs_nothing(store: Store, sample_format: str) -> None:
    """Less than 1 KB of pack, whatever the sample format (measured beside a revision without it)."""
    store.commit(b"a note")
    one = store.size_bytes()
    store.commit(b"another")
    empty_revision = store.size_bytes() - one
    sample_bytes = int(sample_format[-2:]) // 8
    file = wav(bytes(3600 * 8_000 * sample_bytes), sample_format, 1, 8_000)
    before = store.size_bytes()
    _, [stored] = store.commit(file)
    assert store.size_bytes() - before < empty_revision + 1024
    assert store.restored(stored) == file


def test_a_retag_of_an_mp3_costs_a_few_hundred_bytes(store: Store) -> None:
    """Its frames are not cut by content, but the same frames and picture are still the same objects."""
    frames = mpeg_frames(6_000)
    store.commit(id3_tag(picture(), padding=200) + frames)
    before = store.size_bytes()
    file = id3_tag(picture(), padding=999) + frames
    _, [stored] = store.commit(file)
    assert store.size_bytes() - before < 4_000  # a commit, its index and a layout; frames are 2.5 MB
    assert store.restored(stored) == file


def test_samples_of_another_format_are_not_the_same_sound(store: Store) -> None:
    """The same bytes as int16, as int32 and in other channels: each comes back as it was."""
    essence = as_bytes(music(2, 8), "int16")
    files = [wav(essence), wav(essence, "int16"), wav(essence, "int32"), wav(essence, "int16", 1)]
    _, stored = store.commit(*files)
    assert [store.restored(each) for each in stored] == files
    assert swapped(swapped(essence, 2), 2) == essence


def test_a_reading_that_fails_leaves_nothing(store: Store) -> None:
    """An error in the middle of an intake: no new file in the store, and the next commit works."""
    file = wav(as_bytes(music(30, 9), "int24"))
    store.commit(b"before")
    before = sorted(path for path in store.path.rglob("*") if path.is_file())

    def take_in_half() -> None:
        with (
            store.repository.writer() as pack,
            Intake(pack, ChunkIndex(store.repository, store.cache)) as intake,
        ):
            feed(intake, file)
            raise ConnectionError

    with pytest.raises(ConnectionError):
        take_in_half()
    assert sorted(path for path in store.path.rglob("*") if path.is_file()) == before
    _, [stored] = store.commit(file)
    assert store.restored(stored) == file
