"""Where to cut audio, so that the same sound gives the same chunks anywhere.

A cut depends on the last sixteen frames only. The same passage in another
version, at another offset, or in the next revision is therefore cut at the
same places, and stored once. Long digital silence is split off on its own and
restarts the rule, so that what follows is cut alike however long the silence was.

Conventions
    frames     rows of bytes, shape (frames, frame_bytes), uint8, little-endian
               samples, channels interleaved
    positions  frame numbers from the start of the essence

The constants below are part of the storage format only in this sense: changing
them costs sharing with what is already stored, never the ability to read it.

Not here: coding a chunk (``relkit.store.codings``) and naming it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Frames = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint32]

CUT_BITS = 14  # a cut candidate every 16384 frames on average: 0.37 s at 44.1 kHz
CUT_PATTERN = 0x1A5B & ((1 << CUT_BITS) - 1)  # any pattern but zero, which silence would match
MIN_FRAMES = 16_384  # below this, names and small blobs cost more than sharing gains
MAX_FRAMES = 98_304  # bounds memory where nothing matches, as in a pure tone
SILENCE_FRAMES = 4_096  # digital silence at least this long is a fill
_CELL = SILENCE_FRAMES // 2  # any such run covers one aligned cell of half its length
_BLOCK = 1 << 16  # frames hashed at a time: the work stays in the cache
_REACH = 15  # frames before the current one that the hash still feels
_ODD = (0x9E3779B1, 0x85EBCA77, 0xC2B2AE3D, 0x27D4EB2F, 0x165667B1, 0xD6E8FEB9, 0xA0761D65, 0xE7037ED1)


@dataclass(frozen=True)
class Cut:
    """One chunk of the essence: ``data`` is None for a fill of zero bytes."""

    frames: int
    data: bytes | None  # None: digital silence


class FrameHasher:
    """Rolling hash over whole frames, sixteen deep, in reused memory."""

    def __init__(self, frame_bytes: int) -> None:
        self._frame_bytes = frame_bytes
        self._loads = _loads(frame_bytes)
        self._history = np.zeros(_REACH, np.uint32)
        self._words = np.empty(_BLOCK + _REACH, np.uint32)
        self._other = np.empty(_BLOCK + _REACH, np.uint32)

    def restart(self) -> None:
        """Forget what came before, as at the start of the essence."""
        self._history[:] = 0

    def candidates(self, frames: Frames) -> npt.NDArray[np.intp]:
        """Return the frames after which a cut may lie, as indexes into ``frames``."""
        blocks = range(0, len(frames), _BLOCK)
        return np.concatenate([self._in_block(frames[start : start + _BLOCK]) + start for start in blocks])

    def _in_block(self, frames: Frames) -> npt.NDArray[np.intp]:
        count = len(frames)
        words = self._words[: count + _REACH]
        other = self._other[: count + _REACH]
        words[:_REACH] = self._history
        self._mix(frames, words[_REACH:], other[_REACH:])
        self._history[:] = words[-_REACH:]
        # h[i] = sum of words[i-k] << k for k in 0..15, by doubling the span four times.
        for step in (1, 2, 4, 8):
            np.left_shift(words[:-step], step, out=other[step:])
            other[:step] = 0
            np.add(words, other, out=words)
        top = words[_REACH:]
        np.right_shift(top, 32 - CUT_BITS, out=top)
        return np.flatnonzero(top == CUT_PATTERN)

    def _mix(self, frames: Frames, out: Words, scratch: Words) -> None:
        """Turn each frame into one well-mixed 32-bit word."""
        first = True
        for (offset, kind), odd in zip(self._loads, _ODD * 4, strict=False):
            view: npt.NDArray[Any] = np.ndarray((len(frames),), kind, frames, offset, (self._frame_bytes,))
            if first:
                np.multiply(view, np.uint32(odd), out=out, dtype=np.uint32, casting="unsafe")
                first = False
            else:
                np.multiply(view, np.uint32(odd), out=scratch, dtype=np.uint32, casting="unsafe")
                np.add(out, scratch, out=out)
        np.right_shift(out, 15, out=scratch)
        np.bitwise_xor(out, scratch, out=out)
        np.multiply(out, np.uint32(0x2C1B3C6D), out=out)


def _loads(frame_bytes: int) -> list[tuple[int, str]]:
    """Cover a frame with few loads: 32-bit words, the last of which may overlap the one before.

    Unaligned words cost nothing here, while 16-bit ones would have to be widened first.
    """
    if frame_bytes < 4:
        return [(offset, "u1") for offset in range(frame_bytes)]
    offsets = range(0, frame_bytes - 3, 4)
    return [(offset, "<u4") for offset in sorted({*offsets, frame_bytes - 4})]


class Cutter:
    """Cuts a stream of frames; feed windows in order, then ``finish``.

    Memory: one chunk at most is held back, besides the window being fed. How
    the stream is split into windows makes no difference to the cuts.
    """

    def __init__(self, frame_bytes: int) -> None:
        self._frame_bytes = frame_bytes
        self._hasher = FrameHasher(frame_bytes)
        self._held: list[bytes | memoryview] = []  # the open chunk: copies, since the window is the caller's
        self._held_frames = 0
        self._silent = 0  # zero frames since then, not yet known to be a fill

    def feed(self, window: Frames) -> Iterator[Cut]:
        """Take whole frames and yield every chunk that they complete."""
        for start, stop, silent in _split_silence(window, self._frame_bytes):
            if silent:
                self._silent += stop - start
            else:
                yield from self._settle_silence()
                yield from self._sound(window[start:stop])

    def finish(self) -> Iterator[Cut]:
        """Yield what is left at the end of the essence."""
        yield from self._settle_silence()
        if self._held_frames:
            yield self._close()

    def _sound(self, frames: Frames) -> Iterator[Cut]:
        """Extend the open chunk by a run of frames, closing it wherever the rule says so."""
        raw = frames.reshape(-1).data
        width = self._frame_bytes
        done = 0  # frames of this run that are in closed chunks
        opened = -self._held_frames  # where the open chunk began, counted in this run
        for end in [*(self._hasher.candidates(frames) + 1).tolist(), None]:
            stop = len(frames) if end is None else end
            while stop - opened >= MAX_FRAMES or (end is not None and stop - opened >= MIN_FRAMES):
                here = min(stop, opened + MAX_FRAMES)
                self._held.append(raw[done * width : here * width])
                self._held_frames = here - opened
                yield self._close()
                done = opened = here
        if done < len(frames):
            self._held.append(bytes(raw[done * width :]))
        self._held_frames = len(frames) - opened

    def _settle_silence(self) -> Iterator[Cut]:
        """Decide what the zero frames before this point are: a fill, or part of the sound."""
        count, self._silent = self._silent, 0
        if count >= SILENCE_FRAMES:
            if self._held_frames:
                yield self._close()
            yield Cut(count, None)
            self._hasher.restart()
        elif count:
            yield from self._sound(np.zeros((count, self._frame_bytes), np.uint8))

    def _close(self) -> Cut:
        """Return the open chunk and begin another."""
        cut = Cut(self._held_frames, b"".join(self._held))
        self._held = []
        self._held_frames = 0
        return cut


def _split_silence(window: Frames, frame_bytes: int) -> list[tuple[int, int, bool]]:
    """Split a window into runs of sound and of zero frames: (start, stop, silent).

    A run of zeros that touches the window's edge is reported however short,
    because it may go on next door; inside, only long ones are.
    """
    count = len(window)
    flat = window.reshape(-1)
    lead = _zero_frames(flat, frame_bytes, from_end=False)
    if lead == count:
        return [(0, count, True)]
    tail = count - _zero_frames(flat, frame_bytes, from_end=True)
    runs: list[tuple[int, int]] = [(0, lead)] if lead else []
    runs += _inner_runs(flat, frame_bytes, lead, tail)
    if tail < count:
        runs.append((tail, count))
    pieces: list[tuple[int, int, bool]] = []
    at = 0
    for start, stop in runs:
        if start > at:
            pieces.append((at, start, False))
        pieces.append((start, stop, True))
        at = stop
    if at < count:
        pieces.append((at, count, False))
    return pieces


def _zero_frames(flat: Frames, frame_bytes: int, *, from_end: bool) -> int:
    """Count the whole zero frames at one end."""
    step = 4096 * frame_bytes
    size = len(flat)
    sounds = flat.view(np.bool_)  # the first true byte is found without looking further
    for done in range(0, size, step):
        block = sounds[max(0, size - done - step) : size - done] if from_end else sounds[done : done + step]
        if block.any():
            return (done + int((block[::-1] if from_end else block).argmax())) // frame_bytes
    return size // frame_bytes


def _inner_runs(flat: Frames, frame_bytes: int, first: int, last: int) -> list[tuple[int, int]]:
    """Find runs of at least ``SILENCE_FRAMES`` zero frames between two frames that sound."""
    cell_bytes = _CELL * frame_bytes
    cells = len(flat) // cell_bytes
    if not cells:
        return []
    # _CELL is a multiple of 8, so a cell is whole 64-bit words for any frame size.
    words = flat[: cells * cell_bytes].view(np.uint64).reshape(cells, -1)
    maybe = np.flatnonzero(~words[:, :: 16 * frame_bytes].any(axis=1))  # a glance shows that most cells sound
    zero = maybe[~words[maybe].any(axis=1)]
    runs: list[tuple[int, int]] = []
    done = first
    for cell in zero.tolist():
        start, stop = cell * _CELL, (cell + 1) * _CELL
        if start < done or stop > last:
            continue
        start -= _zero_frames(flat[: start * frame_bytes], frame_bytes, from_end=True)
        stop += _zero_frames(flat[stop * frame_bytes :], frame_bytes, from_end=False)
        done = stop
        if stop - start >= SILENCE_FRAMES and start >= first and stop <= last:
            runs.append((start, stop))
    return runs
