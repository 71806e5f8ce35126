"""Where is sound, where do words begin, where does a song fall away? From one pass of levels.

``Envelope`` takes samples as they come and keeps one level for each 10 ms
(1.4 MB for an hour), and to the sample where sound begins and ends. The
questions are put to it afterwards, and "uncertain" is an answer.

An edge must not hang on the number that it is found with: it is looked for at
three thresholds, 6 dB apart, and where these do not agree roughly, as in a
whispered opening or a long slow fade, there is no answer. Nor is there one
where something short and loud, which may be a shout, comes well before the words.

Conventions
    samples     float32, C-contiguous, shape (frames, channels), full scale 1.0
    times       [s] from the first frame
    level       power, mean over a block, summed over channels
    body level  of the file itself: mean power of the blocks within 10 dB of the mean of all
                that are not silent, as [BS1770] gates but without its filter
    audible     a sample at -60 dBFS or above

Sources
    [BS1770]    Recommendation ITU-R BS.1770-5 (11/2023), Annex 1, the two gates
    Every threshold here: common practice, no source; tried on sung and synthetic material

Not here: whether a file is a vocal at all, and what a timer is called (``relkit.pack.timers``).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from relkit.measure.slabs import Samples, Slabs, without_absurd

Levels = npt.NDArray[np.float32]

BLOCKS_PER_SECOND = 100
AUDIBLE = 10 ** (-60 / 20)  # of full scale

_SLAB_BLOCKS = 64
_SILENT_POWER = AUDIBLE**2
_BODY_GATE = 0.1  # of the mean power of what is not silent
_THRESHOLDS_DB = (-20.0, -14.0, -26.0)  # re body level; the first one gives the time

_WORD_S = 0.25  # words last at least this long ...
_SHOUT_DB, _SHOUT_S = -14.0, 0.06  # ... and what is shorter, down to this, may be one
_FILLED = 0.7  # share of it that is above the threshold
_WORD_AGREES_S = 0.6  # a breath, a slow consonant, a swell of reverb before the word

_FALL_S = 0.1  # what still counts as the song is heard over this long
_FALL_AGREES_S = 8.0  # how long a fade may take for 12 dB


class Envelope:
    """The levels of one signal, taken in one pass.

    The same signal has the same levels, however it is cut into windows.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._block_frames = max(1, rate_hz // BLOCKS_PER_SECOND)
        self._slabs = Slabs(rate_hz, channels, _SLAB_BLOCKS * self._block_frames)
        self._levels: list[Levels] = []  # of each slab
        self._seen_frames = 0
        self._ended = False
        self._first: int | None = None
        self._last: int | None = None

    def feed(self, samples: Samples) -> None:
        """Take the next window.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), any number of frames.

        Raises:
            ValueError: another shape, dtype or memory order; or a question was asked already.
        """
        if self._ended:
            raise ValueError("the envelope was read already")
        for slab in self._slabs.feed(samples):
            self._take(slab)

    def _take(self, slab: Samples) -> None:
        sums = _block_sums(slab, self._block_frames)
        if not np.isfinite(sums).all() or float(sums.max(initial=0.0)) > 1e20:
            slab, _ = without_absurd(slab)
            sums = _block_sums(slab, self._block_frames)
        # Only where a block has as much power as one audible sample can there be one.
        candidates = np.flatnonzero(sums >= np.float32(_SILENT_POWER * 0.999))
        if self._first is None:
            self._first = self._edge(slab, candidates, 0)
        last = self._edge(slab, candidates[::-1], -1)
        self._last = self._last if last is None else last
        self._levels.append(sums / np.float32(self._block_frames))
        self._seen_frames += len(slab)

    def _edge(self, slab: Samples, blocks: npt.NDArray[np.intp], which: int) -> int | None:
        """Return the first (0) or last (-1) audible frame, looking through blocks in this order."""
        for block in blocks:
            start = int(block) * self._block_frames
            loud = np.abs(slab[start : start + self._block_frames]).max(axis=1) >= AUDIBLE
            found = np.flatnonzero(loud)
            if len(found):
                return self._seen_frames + start + int(found[which])
        return None

    def _finish(self) -> None:
        self._ended = True
        for slab in self._slabs.rest():
            self._take(slab)

    @property
    def duration_s(self) -> float:
        """How long the signal is."""
        return self._slabs.frames / self._rate_hz

    @property
    def block_s(self) -> float:
        """How long a block is: 10 ms, less where the rate does not divide."""
        return self._block_frames / self._rate_hz

    def levels(self) -> Levels:
        """End the signal and return one power for each block; the last may be filled up with zeros."""
        self._finish()
        if not self._levels:
            return np.zeros(0, np.float32)
        blocks = -(-self._slabs.frames // self._block_frames)
        return np.concatenate(self._levels)[:blocks]

    def audible_span_s(self) -> tuple[float, float] | None:
        """End the signal and return where sound begins and ends, to the frame; None if there is none."""
        self._finish()
        if self._first is None or self._last is None:
            return None
        return self._first / self._rate_hz, (self._last + 1) / self._rate_hz


def _block_sums(slab: Samples, block_frames: int) -> Levels:
    blocks = slab.reshape(-1, block_frames * slab.shape[1])
    sums: Levels = np.einsum("ij,ij->i", blocks, blocks)
    return sums


def body_level(levels: Levels) -> float:
    """Return the power of what a signal mostly is; 0.0 if it is silent."""
    heard = levels[levels >= _SILENT_POWER].astype(np.float64)
    if not len(heard):
        return 0.0
    return float(heard[heard >= _BODY_GATE * heard.mean()].mean())


def first_word_s(vocal: Envelope) -> float | None:
    """Return where the words of a vocal track begin.

    A breath, a click or a tail of reverb before the first word is no word: it is
    too short, or more than 20 dB below what is sung.

    Args:
        vocal: an acapella, at the length of the song.

    Returns:
        [s], to about 10 ms; None for a silent track, and where it cannot be told.
    """
    levels, block_s = vocal.levels(), vocal.block_s
    body = body_level(levels)
    searched = [*((db, _WORD_S) for db in _THRESHOLDS_DB), (_SHOUT_DB, _SHOUT_S)]
    found = [
        _first_sustained(levels, _times(body, db), math.ceil(seconds / block_s)) for db, seconds in searched
    ]
    return _agreed(found, block_s, _WORD_AGREES_S)


def falls_away_s(song: Envelope) -> float | None:
    """Return where the end of a song falls 20 dB below its body for good.

    Returns:
        [s], to about 10 ms; None for a silent song, where it cannot be told, and
        where what is left would be more than half of the song.
    """
    levels, block_s = song.levels(), song.block_s
    body = body_level(levels)
    length = math.ceil(_FALL_S / block_s)
    found = [_last_sustained(levels, _times(body, db), length) for db in _THRESHOLDS_DB]
    at = _agreed(found, block_s, _FALL_AGREES_S)
    if at is None or at < song.duration_s / 2:
        return None
    return min(at, song.duration_s)


def _times(power: float, db: float) -> float:
    return power * 10 ** (db / 10)


def _agreed(blocks: list[int | None], block_s: float, within_s: float) -> float | None:
    """Return the time of the first search, if all found something and agree."""
    found = [block for block in blocks if block is not None]
    if len(found) < len(blocks) or (max(found) - min(found)) * block_s > within_s:
        return None
    return found[0] * block_s


def _first_sustained(levels: Levels, threshold: float, length: int) -> int | None:
    """Return the block with which the first stretch begins that is mostly above a threshold."""
    above = levels >= threshold
    if threshold <= 0 or len(above) < length:
        return None
    sums = np.concatenate([np.zeros(1, np.int64), np.cumsum(above)])
    filled = sums[length:] - sums[:-length] >= _FILLED * length
    starts = np.flatnonzero(filled & above[: len(filled)])
    return int(starts[0]) if len(starts) else None


def _last_sustained(levels: Levels, threshold: float, length: int) -> int | None:
    """Return the block behind the last one of the last short stretch whose mean reaches a threshold."""
    if threshold <= 0 or not len(levels):
        return None
    sums = np.concatenate([np.zeros(1), np.cumsum(levels, dtype=np.float64)])
    starts = np.arange(len(levels))
    ends = np.minimum(starts + length, len(levels))
    loud = np.flatnonzero((sums[ends] - sums[starts]) / (ends - starts) >= threshold)
    if not len(loud):
        return None
    first = int(loud[-1])
    within = np.flatnonzero(levels[first : first + length] >= threshold)
    return first + int(within[-1]) + 1 if len(within) else None
