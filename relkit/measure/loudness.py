"""How loud is a mix as a whole, and how far does it swing?

Integrated loudness, loudness range, momentary and short-term loudness of a
signal that arrives in windows. All of them are means over pieces of 10 ms, so
the meter keeps one number per 10 ms (800 bytes a second) and nothing else.

Conventions
    samples    float32, C-contiguous, shape (frames, channels), full scale 1.0
    loudness   [LUFS], the same scale as LKFS; silence is -inf, "cannot be told" is None, never NaN
    grid       piece i ends at frame round(i * rate / 100): 0.4 s and 3 s "to the nearest sample"
    steps      momentary every 10 ms, gating blocks and short-term every 100 ms

Sources
    [BS1770]   Recommendation ITU-R BS.1770-5 (11/2023), Annexes 1 and 3
    [T3341]    EBU Tech 3341 (November 2023)
    [T3342]    EBU Tech 3342 (November 2023), section 3.1 and the listing in section 5

Not here: peaks (``relkit.measure.peak``), the filter (``relkit.measure.kweighting``), and what
a figure should be (``relkit.qc``).
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.kweighting import SLAB_FRAMES, KWeighting
from relkit.measure.slabs import Samples, Slabs, without_absurd

Curve = npt.NDArray[np.float64]

PIECES_PER_S = 100  # 10 ms divides the 20 ms steps of [T3341] case 13 and the 100 ms of the gating blocks
PIECES_PER_STEP = 10  # 100 ms: 75 % overlap of gating blocks, [BS1770] text before equation 3
BLOCK_PIECES = 40  # 0.4 s, gating block and momentary window
SHORT_TERM_PIECES = 300  # 3 s; [T3341] section 2
OFFSET_LU = -0.691  # [BS1770] equation 2; cancels the gain of the K-weighting at 997 Hz
ABSOLUTE_GATE_LUFS = -70.0  # [BS1770] equation 6
RELATIVE_GATE_LU = -10.0  # [BS1770] equation 6
RANGE_GATE_LU = -20.0  # [T3342] section 3.1
RANGE_PERCENTILES = (10, 95)  # [T3342] section 3.1
RANGE_TAIL_PIECES = 150  # 1.5 s of silence follow a file; [T3342] section 3.1

LFE = 1 << 3  # bits of a WAV channel mask
BACK_PAIR = 1 << 4 | 1 << 5
SIDE_PAIR = 1 << 9 | 1 << 10
SURROUND_WEIGHT = 1.41  # [BS1770] Table 3


@dataclass(frozen=True)
class Loudness:
    """What the loudness meter found.

    Attributes:
        integrated_lufs: -inf if no block is above the gate; None if shorter than 0.4 s.
        range_lu: None if shorter than 3 s or nothing is above the gate.
        max_momentary_lufs: -inf for silence; None if shorter than 0.4 s.
        max_short_term_lufs: -inf for silence; None if shorter than 3 s.
    """

    integrated_lufs: float | None
    range_lu: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None


def channel_weights(channels: int, channel_mask: int) -> tuple[float, ...]:
    """Return what each channel's energy counts for.

    Surround channels count 1.41, the LFE nothing, all others 1. The side pair is
    a surround pair; the back pair is one too, unless there is a side pair, which
    moves it to the rear (135 degrees, outside the 60 to 120 that count more).
    Without a mask, 5 channels are taken for L R C Ls Rs and 6 for L R C LFE Ls Rs
    (common practice, no source). A channel without a place counts 1.

    Args:
        channels: 1 to 8.
        channel_mask: as in WAVE_FORMAT_EXTENSIBLE, lowest bit first; 0 for none.

    Source:
        [BS1770] Table 3; Annex 3, Table 4.
    """
    if channel_mask == 0 and channels in (5, 6):
        channel_mask = 0b111 | BACK_PAIR | (LFE if channels == 6 else 0)
    surround = SIDE_PAIR if channel_mask & SIDE_PAIR else BACK_PAIR
    places = [1 << bit for bit in range(channel_mask.bit_length()) if channel_mask >> bit & 1]
    places += [0] * channels
    return tuple(
        0.0 if place == LFE else SURROUND_WEIGHT if place & surround else 1.0 for place in places[:channels]
    )


class LoudnessMeter:
    """Takes a signal in windows of any size; says at the end how loud it was.

    The result does not depend on where the windows are cut.

    Args:
        rate_hz: 8000 to 384000. Nothing is resampled.
        channels: 1 to 8.
        channel_mask: see ``channel_weights``.

    Attributes:
        nonfinite: a sample was NaN, infinite or so large that its energy overflowed; it was
            counted as 0.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(self, rate_hz: int, channels: int, channel_mask: int = 0) -> None:
        self.nonfinite = False
        self._rate_hz = rate_hz
        self._slabs = Slabs(rate_hz, channels, SLAB_FRAMES)
        self._filter = KWeighting(rate_hz, channels)
        self._weights = np.array(channel_weights(channels, channel_mask))
        self._energies = array("d")  # of every finished piece: sum of squares, channels weighted
        self._open = 0.0  # energy so far of the unfinished piece
        self._position = 0  # frames that went through the filter
        self._frames: int | None = None  # length of the signal, once it is at its end

    @property
    def frames(self) -> int:
        """How many frames were fed."""
        return self._slabs.frames if self._frames is None else self._frames

    def feed(self, samples: Samples) -> None:
        """Take the next window.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), any number of frames.

        Raises:
            ValueError: another shape, dtype or memory order; or the result was asked for already.
        """
        if self._frames is not None:
            raise ValueError("the signal is at its end; use a new meter")
        for slab in self._slabs.feed(samples):
            self._take(slab)

    def result(self) -> Loudness:
        """End the signal and return its figures; may be called again, but nothing more can be fed."""
        momentary, short_term = self.momentary_lufs(), self.short_term_lufs()
        return Loudness(
            integrated_lufs=self._integrated(),
            range_lu=self._range(),
            max_momentary_lufs=float(momentary.max()) if len(momentary) else None,
            max_short_term_lufs=float(short_term.max()) if len(short_term) else None,
        )

    def momentary_lufs(self) -> Curve:
        """End the signal and return the loudness of every whole 0.4 s; entry i begins at i * 10 ms."""
        return _lufs(self._means(BLOCK_PIECES, 1, self._pieces()))

    def short_term_lufs(self) -> Curve:
        """End the signal and return the loudness of every whole 3 s; entry i begins at i * 100 ms."""
        return _lufs(self._means(SHORT_TERM_PIECES, PIECES_PER_STEP, self._pieces()))

    def _take(self, slab: Samples) -> None:
        """Add a slab's energies to the pieces that it touches."""
        before = self._filter.state
        with np.errstate(all="ignore"):  # what overflows is found by its energy
            energies = self._slab_energies(slab)
            if not np.all(energies < 1e30):  # also true of NaN
                slab, absurd = without_absurd(slab)
                self.nonfinite |= absurd
                self._filter.state = before
                energies = self._slab_energies(slab)
        energies[0] += self._open
        self._open = float(energies[-1])
        self._energies.frombytes(energies[:-1].tobytes())
        self._position += len(slab)

    def _slab_energies(self, slab: Samples) -> Curve:
        """Return the weighted energies of the pieces in a slab; the first and last may be parts."""
        first = len(self._energies) + 1
        last = self._pieces_in(self._position + len(slab))
        ends = self._edges(np.arange(first, last + 1)) - self._position
        weighted = self._filter.weigh(slab)
        squares = np.multiply(weighted, weighted, out=weighted)
        starts = np.concatenate([[0], ends[ends < len(slab)]])
        energies: Curve = self._weights @ np.add.reduceat(squares, starts, axis=1).astype(np.float64)
        return energies if len(starts) > len(ends) else np.append(energies, 0.0)

    def _edges(self, pieces: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Return the frame at which each piece ends."""
        return (pieces * self._rate_hz + PIECES_PER_S // 2) // PIECES_PER_S

    def _pieces_in(self, frames: int) -> int:
        """Return how many whole pieces lie in so many frames: the largest i whose edge is not past them."""
        return (frames * PIECES_PER_S + PIECES_PER_S // 2 - 1) // self._rate_hz

    def _pieces(self) -> int:
        """End the signal, if need be, and return the number of whole pieces in it."""
        if self._frames is None:
            self._frames = self._slabs.frames
            tenth = np.zeros((self._rate_hz // 10 + 1, len(self._weights)), np.float32)
            for _ in range(RANGE_TAIL_PIECES // PIECES_PER_STEP + 1):
                for slab in self._slabs.feed(tenth):
                    self._take(slab)
            for slab in self._slabs.rest():
                self._take(slab)
        return self._pieces_in(self._frames)

    def _means(self, width: int, step: int, pieces: int) -> Curve:
        """Return the mean square over ``width`` pieces, every ``step``, as long as they lie in ``pieces``."""
        if pieces < width:
            return np.empty(0)
        sums = np.frombuffer(self._energies)[: pieces - pieces % step].reshape(-1, step).sum(axis=1)
        sums = np.lib.stride_tricks.sliding_window_view(sums, width // step).sum(axis=1)
        starts = np.arange(len(sums)) * step
        means: Curve = sums / (self._edges(starts + width) - self._edges(starts))
        return means

    def _integrated(self) -> float | None:
        """Return the gated loudness; [BS1770] equations 3 to 7."""
        means = self._means(BLOCK_PIECES, PIECES_PER_STEP, self._pieces())
        if not len(means):
            return None
        audible = means[_lufs(means) > ABSOLUTE_GATE_LUFS]
        if not len(audible):
            return -math.inf
        threshold = max(ABSOLUTE_GATE_LUFS, float(_lufs(audible.mean())) + RELATIVE_GATE_LU)
        return float(_lufs(means[_lufs(means) > threshold].mean()))

    def _range(self) -> float | None:
        """Return the loudness range; [T3342].

        At the edges: windows begin with the first frame, and the file is followed by 1.5 s of
        silence, so that its last seconds count as the standard has it.
        """
        pieces = self._pieces()
        if pieces < SHORT_TERM_PIECES:
            return None
        means = self._means(SHORT_TERM_PIECES, PIECES_PER_STEP, pieces + RANGE_TAIL_PIECES)
        means = means[_lufs(means) >= ABSOLUTE_GATE_LUFS]
        if not len(means):
            return None
        loudness = np.sort(_lufs(means))
        loudness = loudness[loudness >= _lufs(means.mean()) + RANGE_GATE_LU]
        low, high = (
            loudness[math.floor((len(loudness) - 1) * percent / 100 + 0.5)] for percent in RANGE_PERCENTILES
        )
        return float(high - low)


def _lufs(mean_square: npt.ArrayLike) -> Curve:
    """Return loudness from the weighted mean square; 0 gives -inf without a warning."""
    with np.errstate(divide="ignore"):
        loudness: Curve = OFFSET_LU + 10 * np.log10(mean_square)
    return loudness
