"""What is wrong with a bounce before anybody listens: clipping, offset, silence, channels, bits, source.

Conventions
    samples    float32, C-contiguous, shape (frames, channels), full scale 1.0
    silence    digital: every channel exactly 0; below a threshold: no sample's magnitude above it
    stereo     level difference, correlation, mono-sum loss and dual mono are told of two channels only;
               None for any other number, and where a power they need is 0
    powers     mean squares over the whole signal, offset included, as meters show them

Exactness: counts, lengths and places are exact; means and powers are float32 sums over 4096 frames, added up
in float64, right to six digits or so. Nothing depends on how the signal was cut into windows.

Sources
    definitions: common practice, no source, unless a module it is built from names one

Not here: how much of a fault is too much (``relkit.qc``), levels (``relkit.measure.levels``), how clipping
(``clipping``), a low-pass (``band_edge``) and missing dither (``dither``) are told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.band_edge import BandEdge
from relkit.measure.clipping import FlatTops
from relkit.measure.dither import WINDOW_FRAMES, DitherWatch
from relkit.measure.slabs import ABSURD, Samples, Slabs, without_absurd

SLAB_FRAMES = 32_768
BLOCK_FRAMES = 4_096  # of a float32 product; small enough that OpenBLAS starts no threads
FIRST_CLIPS = 10  # how many places are listed
SILENCE_DBFS = -60.0
DEAD_DBFS, ALIVE_DBFS = -80.0, -60.0
DITHERED_BITS = 16  # at 24 bits nobody hears the difference
FLOAT_BITS = 24  # float32 holds integers of so many bits exactly
MOST_HEADROOM = 256.0  # of an int32 over full scale at 24 bits; floats that go higher hold no integers

JsonValue = int | float | bool | str | None | list[int] | list[float]


@dataclass(frozen=True)
class BounceFaults:
    """Facts about one bounce that may be faults.

    Attributes:
        clipped_runs: flat tops of 3 samples or more, all channels together (``relkit.measure.clipping``).
        longest_clipped_run_frames: 0 if there is none.
        first_clipped_s: starts of the first ten, in order.
        dc_offsets_full_scale: mean of each channel, full scale 1.0.
        leading_zero_frames: digital silence before the first other frame; all frames if there is none.
        trailing_zero_frames: digital silence after the last other frame; 0 if there is none.
        leading_silence_s: before the first frame above the threshold; the whole length if there is none.
        trailing_silence_s: after the last one; 0 if there is none.
        silence_threshold_dbfs: what the two before refer to.
        level_difference_db: power of the left channel over that of the right.
        correlation: of left and right, -1 to 1.
        mono_loss_db: mean power of the channels over that of their mean, (left + right) / 2: 0 for equal
            channels, 3.01 for unrelated ones, infinite where they cancel.
        dual_mono: two equal channels, not silent.
        dead_channels: those that stay below -80 dBFS while another exceeds -60 dBFS, from 0.
        effective_bits: the fewest bits per sample that hold the signal exactly, 0 for silence; None if no
            24 do. A 24-bit file with 16 here has nothing in its lowest 8.
        undithered: whether quiet passages rest as they do where 16 bits were reached without dither
            (``relkit.measure.dither``); None where ``effective_bits`` is not 16 or nothing is quiet.
        undithered_at_s: the first such place.
        low_pass_hz: where the spectrum ends as if cut off, to 100 Hz (``relkit.measure.band_edge``);
            None where it does not.
        low_pass_drop_db: by how much it falls there within about 1 kHz, or None.
        nonfinite: a sample was NaN, infinite or beyond ±1e15; it was counted as 0.
    """

    clipped_runs: int
    longest_clipped_run_frames: int
    first_clipped_s: tuple[float, ...]
    dc_offsets_full_scale: tuple[float, ...]
    leading_zero_frames: int
    trailing_zero_frames: int
    leading_silence_s: float
    trailing_silence_s: float
    silence_threshold_dbfs: float
    level_difference_db: float | None
    correlation: float | None
    mono_loss_db: float | None
    dual_mono: bool | None
    dead_channels: tuple[int, ...]
    effective_bits: int | None
    undithered: bool | None
    undithered_at_s: float | None
    low_pass_hz: int | None
    low_pass_drop_db: float | None
    nonfinite: bool

    def rounded(self) -> dict[str, JsonValue]:
        """Return the values under their names, ready for JSON; infinite ones are null.

        Times to 1 ms, decibels to 0.01, correlation to 0.001, offsets to 0.000001.
        """
        return {
            "clipped_runs": self.clipped_runs,
            "longest_clipped_run_frames": self.longest_clipped_run_frames,
            "first_clipped_s": [round(time, 3) for time in self.first_clipped_s],
            "dc_offsets_full_scale": [round(offset, 6) + 0.0 for offset in self.dc_offsets_full_scale],
            "leading_zero_frames": self.leading_zero_frames,
            "trailing_zero_frames": self.trailing_zero_frames,
            "leading_silence_s": round(self.leading_silence_s, 3),
            "trailing_silence_s": round(self.trailing_silence_s, 3),
            "silence_threshold_dbfs": self.silence_threshold_dbfs,
            "level_difference_db": _rounded(self.level_difference_db, 2),
            "correlation": _rounded(self.correlation, 3),
            "mono_loss_db": _rounded(self.mono_loss_db, 2),
            "dual_mono": self.dual_mono,
            "dead_channels": list(self.dead_channels),
            "effective_bits": self.effective_bits,
            "undithered": self.undithered,
            "undithered_at_s": _rounded(self.undithered_at_s, 3),
            "low_pass_hz": self.low_pass_hz,
            "low_pass_drop_db": _rounded(self.low_pass_drop_db, 2),
            "nonfinite": self.nonfinite,
        }


def _rounded(value: float | None, digits: int) -> float | None:
    """Round; -0.0 becomes 0.0, what is infinite becomes None."""
    return None if value is None or math.isinf(value) else round(value, digits) + 0.0


class FaultMeter:
    """Takes a signal in windows of any size; knows what may be wrong with it.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.
        bits: of an integer sample in the file, None for floats. Only saves time: once a sample
            uses all of them, and they are 24 or fewer, nobody has to look further.
        silence_dbfs: threshold for ``leading_silence_s`` and ``trailing_silence_s``.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(
        self, rate_hz: int, channels: int, bits: int | None = None, silence_dbfs: float = SILENCE_DBFS
    ) -> None:
        self._rate_hz = rate_hz
        self._slabs = Slabs(rate_hz, channels, SLAB_FRAMES)
        self._result: BounceFaults | None = None
        self._position = 0
        self._nonfinite = False
        self._silence_dbfs = silence_dbfs
        self._sounding = _Extent(0.0)
        self._loud = _Extent(10 ** (silence_dbfs / 20))
        self._rows = np.zeros((channels, SLAB_FRAMES), np.float32)
        self._negative = np.empty(SLAB_FRAMES, np.float32)
        self._tops = [(FlatTops(), FlatTops()) for _ in range(channels)]
        self._peaks = np.zeros(channels)
        self._sums = np.zeros(channels)
        self._products = np.zeros((channels, channels))
        self._equal = channels == 2
        self._bits = _Bits(bits)
        self._dither = DitherWatch()
        self._edge = BandEdge(rate_hz)

    def feed(self, samples: Samples) -> None:
        """Take the next window.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), any number of frames.

        Raises:
            ValueError: another shape, dtype or memory order; or the result was asked for already.
        """
        if self._result is not None:
            raise ValueError("the signal is at its end; use a new meter")
        for slab in self._slabs.feed(samples):
            self._take(slab, SLAB_FRAMES)

    def result(self) -> BounceFaults:
        """End the signal and return what was found."""
        if self._result is None:
            for slab in self._slabs.rest():
                self._take(slab, self._slabs.frames - self._position)
            self._result = self._summed_up()
        return self._result

    def _take(self, slab: Samples, frames: int) -> None:
        """Look at a slab, of which ``frames`` belong to the signal and the rest is 0."""
        rows = self._rows
        rows[:] = slab.T
        highest, lowest = rows[:, :frames].max(axis=1), rows[:, :frames].min(axis=1)
        peaks = np.maximum(highest, -lowest)
        if not peaks.max() <= ABSURD:  # also true of NaN
            rows[:], self._nonfinite = without_absurd(rows)
            highest, lowest = rows[:, :frames].max(axis=1), rows[:, :frames].min(axis=1)
            peaks = np.maximum(highest, -lowest)
        self._peaks = np.maximum(self._peaks, peaks)
        peak = float(peaks.max())
        for extent in (self._sounding, self._loud):
            extent.take(rows[:, :frames], peak, self._position)
        for row, (above, below), high, low in zip(rows, self._tops, highest, lowest, strict=True):
            above.feed(row[:frames], float(high))
            below.feed(np.negative(row, out=self._negative)[:frames], -float(low))
        self._add(rows)
        self._bits.take(rows, peak)
        if (self._bits.effective() or FLOAT_BITS) <= DITHERED_BITS:
            self._dither.take(rows[:, : frames - frames % WINDOW_FRAMES], self._position)
        if self._edge.frames <= frames:
            self._edge.feed(rows[:, : self._edge.frames])
        self._position += frames

    def _add(self, rows: npt.NDArray[np.float32]) -> None:
        """Add up sums and products of the channels."""
        blocks = rows.reshape(len(rows), -1, BLOCK_FRAMES)
        self._sums += blocks.sum(axis=2).sum(axis=1, dtype=np.float64)
        by_block = blocks.swapaxes(0, 1)
        self._products += (by_block @ by_block.swapaxes(1, 2)).sum(axis=0, dtype=np.float64)
        self._equal = self._equal and np.array_equal(rows[0], rows[1])

    def _summed_up(self) -> BounceFaults:
        """Return the result."""
        frames, rate_hz = self._slabs.frames, self._rate_hz
        clips = np.concatenate([top.runs() for pair in self._tops for top in pair])
        starts = np.sort(clips[:, 0])[:FIRST_CLIPS]
        edge = self._edge.edge()
        difference_db, correlation, loss_db = self._stereo()
        alive = bool(self._peaks.max() > 10 ** (ALIVE_DBFS / 20))
        dead = np.flatnonzero(self._peaks < 10 ** (DEAD_DBFS / 20)) if alive else ()
        judged = self._bits.effective() == DITHERED_BITS
        undithered_from = self._dither.undithered_from if judged else None
        return BounceFaults(
            clipped_runs=len(clips),
            longest_clipped_run_frames=int(clips[:, 1].max(initial=0)),
            first_clipped_s=tuple(float(start) / rate_hz for start in starts),
            dc_offsets_full_scale=tuple(float(total) / max(frames, 1) for total in self._sums),
            leading_zero_frames=self._sounding.before(frames),
            trailing_zero_frames=self._sounding.after(frames),
            leading_silence_s=self._loud.before(frames) / rate_hz,
            trailing_silence_s=self._loud.after(frames) / rate_hz,
            silence_threshold_dbfs=self._silence_dbfs,
            level_difference_db=difference_db,
            correlation=correlation,
            mono_loss_db=loss_db,
            dual_mono=(self._equal and bool(self._peaks[0] > 0)) if len(self._sums) == 2 else None,
            dead_channels=tuple(int(channel) for channel in dead),
            effective_bits=self._bits.effective(),
            undithered=self._dither.undithered() if judged else None,
            undithered_at_s=None if undithered_from is None else undithered_from / rate_hz,
            low_pass_hz=edge.hz if edge else None,
            low_pass_drop_db=edge.drop_db if edge else None,
            nonfinite=self._nonfinite,
        )

    def _stereo(self) -> tuple[float | None, float | None, float | None]:
        """Return level difference [dB], correlation and mono-sum loss [dB] of two channels."""
        if len(self._sums) != 2:
            return None, None, None
        left, right, both = self._products[0, 0], self._products[1, 1], self._products[0, 1]
        if not left + right > 0:
            return None, None, None
        difference = correlation = None
        if left > 0 and right > 0:
            difference = 10 * math.log10(left / right)
            correlation = min(1.0, max(-1.0, float(both / math.sqrt(left) / math.sqrt(right))))
        # Rounding leaves some 1e-7 of the powers where channels cancel exactly.
        mono = (left + right + 2 * both) / 4
        loss = 10 * math.log10((left + right) / 2 / mono) if mono > 1e-7 * (left + right) else math.inf
        return difference, correlation, loss


class _Extent:
    """First and last frame in which any channel exceeds a threshold."""

    def __init__(self, threshold: float) -> None:
        self._threshold = threshold
        self._first: int | None = None
        self._last = -1

    def take(self, rows: npt.NDArray[np.float32], peak: float, position: int) -> None:
        """Look at the frames from ``position``."""
        if not peak > self._threshold:
            return
        if self._first is None:
            self._first = position + int((np.abs(rows) > self._threshold).any(axis=0).argmax())
        end, width = rows.shape[1], 64
        while True:  # from the end, in growing steps: usually the first holds it
            start = max(0, end - width)
            above = np.flatnonzero((np.abs(rows[:, start:end]) > self._threshold).any(axis=0))
            if len(above):
                self._last = position + start + int(above[-1])
                return
            end, width = start, 4 * width

    def before(self, frames: int) -> int:
        """Return how many frames come before the first."""
        return frames if self._first is None else self._first

    def after(self, frames: int) -> int:
        """Return how many frames come after the last."""
        return 0 if self._first is None else frames - 1 - self._last


class _Bits:
    """Which of 24 bits are in use."""

    def __init__(self, declared: int | None) -> None:
        # Integers of so many bits cannot need more. Floats, and finer integers, may: look to the end.
        self._enough = declared if declared is not None and declared <= FLOAT_BITS else None
        self._used = 0
        self._integers = True

    def take(self, rows: npt.NDArray[np.float32], peak: float) -> None:
        """Look at samples, unless the answer is known."""
        if not self._integers or self.effective() == self._enough:
            return
        if peak >= MOST_HEADROOM:
            self._integers = False
            return
        scaled = rows * np.float32(2 ** (FLOAT_BITS - 1))
        whole = scaled.astype(np.int32)
        self._integers = bool((whole == scaled).all())
        self._used |= int(np.bitwise_or.reduce(whole, axis=None))

    def effective(self) -> int | None:
        """Return the bits from the highest to the lowest in use."""
        if not self._integers:
            return None
        lowest = self._used & -self._used
        return FLOAT_BITS + 1 - lowest.bit_length() if lowest else 0
