"""How large a store and how much memory a commit may take, at most. Nothing here is about time.

The limits are what the project promises for the whole example song and for a
bounce of two hours; the benchmark (``tests/bench``) shows them at that length.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from example_release.render import CLEAN_VERSIONS
from tests.bench.contenders import WholeCommand
from tests.bench.material import Pack, long_bounce, pack
from tests.bench.sizes import of_pack, of_shipping, of_silence
from tests.support.example_short import SHORT_S

MB = 1_000_000
LAYOUTS_BYTES = 200_000  # of the notes, the manifest, the JPEG in two sizes, and what describes the files
FIRST_SHARE = 0.40  # of all WAV bytes
ADDED_SHARE = 0.01  # of all WAV bytes, for one more word in three files of the whole song
CONSTANT_BYTES = 500_000  # what an edit costs whatever the song's length: the chunks that it touches


@pytest.fixture(scope="module")
def short_song(tmp_path_factory: pytest.TempPathFactory) -> Pack:
    """Both takes of the first bars of the example song, long enough for the edited words."""
    rendered = tmp_path_factory.getbasetemp() / "rendered"  # shared with the test of the benchmark
    return pack("take", rendered, SHORT_S)


def test_the_first_commit_takes_at_most_two_fifths(short_song: Pack, tmp_path: Path) -> None:
    """Sharing between versions, and FLAC, bring the pack below 0.40 of its WAV bytes."""
    assert of_pack(short_song, tmp_path / "kept").first <= FIRST_SHARE * short_song.wav_bytes


def test_a_new_clean_edit_adds_little(short_song: Pack, tmp_path: Path) -> None:
    """One more muted word in three files adds 1 % of the WAV bytes and a constant."""
    assert len(short_song.edits) == len(CLEAN_VERSIONS)
    changed = [
        name
        for name, path in short_song.edits.items()
        if path.read_bytes() != short_song.first[name].read_bytes()
    ]
    assert len(changed) == len(CLEAN_VERSIONS)  # otherwise this test would show nothing

    added = of_pack(short_song, tmp_path / "kept").added

    assert 0 < added <= ADDED_SHARE * short_song.wav_bytes + CONSTANT_BYTES


def test_shipping_to_a_further_recipient_adds_only_a_record(short_song: Pack, tmp_path: Path) -> None:
    """The package is stored once: its MP3s, and no PCM again, which is in the store already."""
    release = WholeCommand(tmp_path / "whole")
    release.commit(short_song.first)

    first, second, *_ = of_shipping(release, tmp_path / "shipped")

    cover_bytes = (release.folder / "artwork" / "cover.png").stat().st_size
    mp3s = [path.stat().st_size for path in (tmp_path / "shipped" / "0").rglob("*.mp3")]
    assert len(mp3s) == 7
    assert first.added < sum(mp3s) + cover_bytes + LAYOUTS_BYTES
    assert second.added < 10_000


def test_an_hour_of_digital_silence_costs_almost_nothing(tmp_path: Path) -> None:
    """A fill has no data, however long it is."""
    size, added = of_silence(3_600, tmp_path / "silence")

    assert size > 900 * MB
    assert added < 10_000


def test_memory_does_not_grow_with_the_bounce(tmp_path: Path) -> None:
    """The whole command stays below 400 MB, and four times the length makes no difference."""
    peaks = []
    for minutes in (3, 12):
        release = WholeCommand(tmp_path / f"{minutes} min")
        bounce = long_bounce(release.folder / "bounces" / "explicit.wav", minutes * 60)
        peaks.append(release.peak_of_commit())
        bounce.unlink()

    short, long = peaks
    assert long < 400 * MB
    assert long - short < 60 * MB
