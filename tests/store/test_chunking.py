"""Cut points follow the sound, not the reading."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from relkit.store.chunking import MAX_FRAMES, MIN_FRAMES, SILENCE_FRAMES, Cut, Cutter

Frames = npt.NDArray[np.uint8]


def cuts_of(frames: Frames, *splits: int) -> list[Cut]:
    """Cut frames that arrive in windows split at the given places."""
    cutter = Cutter(frames.shape[1])
    found: list[Cut] = []
    for window in np.split(frames, sorted(splits)):
        reused = window.copy()
        found += cutter.feed(reused)
        reused[:] = 0xEE  # the reader overwrites its buffer
    found += cutter.finish()
    return found


def noise(frames: int, frame_bytes: int, seed: int) -> Frames:
    """Return frames that never repeat."""
    return np.random.default_rng(seed).integers(0, 256, (frames, frame_bytes), np.uint8)


@st.composite
def streams(draw: st.DrawFn) -> Frames:
    """Sound, short and long silence, and tones without any cut point, in any order."""
    width = draw(st.sampled_from([1, 2, 3, 4, 6, 8, 12, 18, 24, 32]))
    pieces = [np.zeros((0, width), np.uint8)]
    for kind, length, seed in draw(
        st.lists(
            st.tuples(st.sampled_from("nzt"), st.integers(1, 40_000), st.integers(0, 2**32 - 1)), max_size=6
        )
    ):
        if kind == "n":
            pieces.append(noise(length, width, seed))
        elif kind == "z":
            pieces.append(np.zeros((length // 3 + 1, width), np.uint8))
        else:
            pieces.append(np.tile(noise(10, width, seed), (length // 10 + 1, 1)))
    return np.concatenate(pieces)


@settings(max_examples=80, deadline=None)
@given(streams(), st.data())
def test_how_the_stream_is_split_makes_no_difference(frames: Frames, data: st.DataObject) -> None:
    """And all chunks together are the stream."""
    splits = data.draw(st.lists(st.integers(0, len(frames)), max_size=8))
    whole = cuts_of(frames)
    assert cuts_of(frames, *splits) == whole
    width = frames.shape[1]
    joined = b"".join(bytes(cut.frames * width) if cut.data is None else cut.data for cut in whole)
    assert joined == frames.tobytes()
    assert all(cut.data is None or len(cut.data) == cut.frames * width for cut in whole)


@settings(max_examples=60, deadline=None)
@given(streams())
@example(np.concatenate([np.full((MAX_FRAMES - 1, 4), 7, np.uint8), np.zeros((4_000, 4), np.uint8)]))
def test_chunks_keep_their_bounds(frames: Frames) -> None:
    """None is over the maximum; one under the minimum ends at silence or at the end; fills are long."""
    whole = cuts_of(frames)
    for number, cut in enumerate(whole):
        if cut.data is None:
            assert cut.frames >= SILENCE_FRAMES
            assert number + 1 == len(whole) or whole[number + 1].data is not None
        else:
            assert 1 <= cut.frames <= MAX_FRAMES
            last = number + 1 == len(whole) or whole[number + 1].data is None
            assert cut.frames >= MIN_FRAMES or last


def test_window_of_one_frame_each() -> None:
    """The slowest reader there is gives the same chunks."""
    frames = np.concatenate([noise(9_000, 6, 1), np.zeros((5_000, 6), np.uint8), noise(9_000, 6, 2)])
    assert cuts_of(frames, *range(1, len(frames))) == cuts_of(frames)


@pytest.mark.parametrize("width", [2, 3, 4, 6, 8, 24])
@pytest.mark.parametrize("lead", [1, 777, 100_001])
def test_the_same_sound_after_something_else_gives_the_same_chunks(width: int, lead: int) -> None:
    """All but the chunks at the edges."""
    song = noise(1_500_000, width, 3)
    alone = [cut.data for cut in cuts_of(song)]
    behind = {cut.data for cut in cuts_of(np.concatenate([noise(lead, width, 4), song]))}
    shared = [data in behind for data in alone]
    first = shared.index(True)
    assert (
        first <= 12
    )  # cut points inside the minimum are passed over: it takes some chunks to fall into step
    assert all(shared[first:])
    assert len(shared) > 25


def test_after_silence_of_any_length_the_cuts_are_the_same() -> None:
    """Silence restarts the rule, so even the first chunk after it is shared."""
    song = noise(200_000, 6, 5)
    after = []
    for before, silence in ((0, SILENCE_FRAMES), (12_345, SILENCE_FRAMES + 1), (50_000, 300_000)):
        frames = np.concatenate([noise(before, 6, 6), np.zeros((silence, 6), np.uint8), song])
        chunks = cuts_of(frames)
        at = next(number for number, cut in enumerate(chunks) if cut.data is None)
        assert chunks[at].frames == silence
        after.append(chunks[at + 1 :])
    assert after[0] == after[1] == after[2]


def test_chunks_have_the_size_that_was_meant() -> None:
    """In noise: the minimum plus, on average, 2**14 frames; a geometric law cut off at the maximum."""
    chunks = cuts_of(noise(9_000_000, 4, 7))
    mean = 9_000_000 / len(chunks)
    assert mean == pytest.approx(MIN_FRAMES + 2**14, rel=0.2)  # some 280 chunks or more
