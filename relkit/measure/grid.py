"""Does one straight grid of beats fit a whole song, and where does it lie?

Given a rough beat length, finds the exact one from every onset of the song,
and says how far the music strays from the grid. Onsets are gathered by their
place within the beat and by band, and each such group may sit early or late by
a constant of its own: a swung sixteenth or a slow snare then says nothing about
the tempo, and only what changes over the song does.

Conventions
    time       [s] from the first frame
    beat       length [s]; ``rough`` means right to 1 %
    error      [s], positive when the music comes later than the grid

Not here: which of several pulses is the beat (``relkit.measure.pulse``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relkit.measure.onsets import BANDS, Curve, Onsets

SLOTS = 12  # places in a beat: sixteenths and triplets both fall on one
HARMONICS = (1, 2, 3, 4)  # of the beat: eighths, triplets, sixteenths
SEARCH = 0.012  # about the rough beat length
BLOCK_S = 0.5  # short against the beat between the search's edge and its middle, 2 s at 250 BPM
PEAK = 0.5  # least height of an onset, in units of the curve's own size nearby
HEAVIEST = 4.0  # height above which an onset counts no more
WINDOW_STEPS, STEP_S = 6, 1.0  # local errors are means over 6 s
OUTLIER_S = 0.018  # an onset further from its group than this counts nothing
PASSES = 12  # a real band needs ten from a beat 0.03 % off
PATTERN_S = 8.0  # about: windows whose patterns of onsets are compared
BIN_S, BLUR_S = 0.004, 0.007  # of such a pattern; the blur is a standard deviation
FARTHEST_S, FARTHEST = 0.07, 0.125  # shift that is looked for; [s] and [beats]: hats alone return sooner
BETTER = 0.1  # likeness that a shift must gain to be told
UNLIKE = 0.25  # likeness of a window that has left the grid; those of straight songs stay above 0.35
FEW = 0.2  # of the usual weight of onsets: windows with less tell nothing
LOUD = 2.0  # height of an onset that may open the song
OPENING_SHARE = 0.15  # of all onsets: what the first one counts
SHARP = 0.25  # share of onsets on the beat that come before it: drums, ahead of slower attacks
EARLIEST_S = 0.02  # a beat this little before a stretch still counts as its first
ON_BEAT = (1.5, 1.0, 1.2, 0.2)  # how much a band says about where the beat is; hats like to sit between


@dataclass(frozen=True)
class Peaks:
    """Single onsets: time [s], weight and band of each, in order of time."""

    time_s: Curve
    weight: Curve
    band: npt.NDArray[np.intp]

    def between(self, start_s: float, end_s: float) -> Peaks:
        """Return those in a stretch."""
        inside = (self.time_s >= start_s) & (self.time_s < end_s)
        return Peaks(self.time_s[inside], self.weight[inside], self.band[inside])


@dataclass(frozen=True)
class Grid:
    """A straight grid and how it fits.

    Attributes:
        beat_s: length of a beat.
        first_s: the first beat within the stretch.
        beats: how many fall within the stretch.
        error_s: local error, one value per second of the stretch; NaN where nothing can be told.
        shift_s: how much later than elsewhere the pattern of onsets within the beat comes, one value per
            window: unlike ``error_s`` it sees what strays beyond a part of a beat.
    """

    beat_s: float
    first_s: float
    beats: int
    error_s: Curve
    shift_s: Curve

    @property
    def max_error_s(self) -> float:
        """The largest local error, whatever the sign."""
        return _largest(self.error_s)

    def holds(self, max_error_s: float) -> bool:
        """Tell whether the music stays within an error of the grid."""
        return max(self.max_error_s, _largest(self.shift_s)) <= max_error_s


def _largest(values: Curve) -> float:
    """Return the largest magnitude, NaN left out; 0 if there is none."""
    finite = np.abs(values[np.isfinite(values)])
    return float(finite.max()) if len(finite) else 0.0


def pick(curves: Curve, onsets: Onsets) -> Peaks:
    """Return the peaks of the curves, placed between values by a parabola.

    Args:
        curves: shape (BANDS, values), from ``pulse.levelled``.
        onsets: what they were made of.
    """
    before, here, after = curves[:, :-2], curves[:, 1:-1], curves[:, 2:]
    band, at = np.nonzero((here > PEAK) & (here >= before) & (here > after))
    a, b, c = before[band, at], here[band, at], after[band, at]
    shift = 0.5 * (a - c) / (a - 2 * b + c)
    time_s = onsets.first_s + (at + 1 + shift) * onsets.step_s
    order = np.argsort(time_s, kind="stable")
    return Peaks(time_s[order], np.minimum(b, HEAVIEST)[order], band[order])


def refine(total: Curve, step_s: float, rough_s: float) -> float:
    """Return the beat length at which the spectrum of the whole curve is strongest.

    Only the neighbourhood of the beat's rate and its harmonics is looked at: turned down to 0 Hz and
    summed over blocks, an hour is a few thousand numbers.

    Args:
        total: one curve without its mean.
        step_s: time between its values.
        rough_s: rough beat length.
    """
    block = max(1, round(BLOCK_S / step_s))
    blocks = -(-len(total) // block)
    parts = np.pad(total, (0, blocks * block - len(total))).reshape(blocks, block)
    inside_s, starts_s = np.arange(block) * step_s, np.arange(blocks) * (block * step_s)
    size = 8 << int(blocks).bit_length()
    shifts = np.fft.fftshift(np.fft.fftfreq(size, block * step_s))
    width = 1 / (len(total) * step_s * HARMONICS[-1])  # of the finest line [Hz]
    rates = np.arange((1 - SEARCH) / rough_s, (1 + SEARCH) / rough_s + width, width / 6)
    power = np.zeros(len(rates))
    for k in HARMONICS:
        middle = -2j * np.pi * k / rough_s
        turned = (parts @ np.exp(middle * inside_s)) * np.exp(middle * starts_s)
        spectrum = np.abs(np.fft.fftshift(np.fft.fft(turned, size))) ** 2
        power += np.interp((rates - 1 / rough_s) * k, shifts, spectrum)
    return float(1 / rates[np.argmax(power)])


def fit(peaks: Peaks, beat_s: float, start_s: float, end_s: float) -> Grid | None:
    """Return the grid that fits a stretch best; None if there are not enough onsets.

    Args:
        peaks: onsets of the stretch.
        beat_s: from ``refine``.
        start_s, end_s: the stretch.
    """
    if len(peaks.time_s) < 2 * len(HARMONICS):
        return None
    exact_s, origin_s, slots = _least_squares(peaks, beat_s)
    beat_s = 60 / round(60 / exact_s, 2)  # the grid that people will type in; its errors are reported
    middle = np.average(slots, weights=peaks.weight) / SLOTS
    origin_s += middle * (exact_s - beat_s)
    late = peaks.time_s - origin_s - slots / SLOTS * beat_s
    late -= _group_means(late, peaks, slots)[0]
    weight = peaks.weight * (np.abs(late) < beat_s / SLOTS)
    total = _sums(peaks, weight, start_s, end_s)
    error = np.full(len(total), np.nan)
    told = total > 0.2 * np.median(total)
    error[told] = _sums(peaks, weight * late, start_s, end_s)[told] / total[told]
    origin_s += _on_beat(peaks, slots, beat_s, origin_s)
    first_s = origin_s + beat_s * np.ceil((start_s - EARLIEST_S - origin_s) / beat_s)
    beats = int((end_s - first_s) / beat_s) + 1
    return Grid(float(beat_s), float(first_s), beats, error, _pattern_shifts(peaks, beat_s, start_s, end_s))


def _sums(peaks: Peaks, values: npt.NDArray[np.float64], start_s: float, end_s: float) -> Curve:
    """Return sums of values over windows, one window per step; the window ends are soft."""
    steps = max(1, int(np.ceil((end_s - start_s) / STEP_S)))
    index = np.clip(((peaks.time_s - start_s) / STEP_S).astype(int), 0, steps - 1)
    soft = np.hanning(WINDOW_STEPS + 3)[1:-1]
    return np.convolve(np.bincount(index, values, steps), soft, "full")[len(soft) // 2 :][:steps]


def _pattern_shifts(peaks: Peaks, beat_s: float, start_s: float, end_s: float) -> Curve:
    """Return how far the pattern within the beat is shifted in every window; all of it where it is lost."""
    windows = max(2, round((end_s - start_s) / PATTERN_S))
    bins = round(beat_s / BIN_S)
    window = np.minimum((peaks.time_s - start_s) / (end_s - start_s) * windows, windows - 1).astype(int)
    place = (peaks.time_s / beat_s % 1 * bins).astype(int) % bins
    index = (window * BANDS + peaks.band) * bins + place
    counts = np.bincount(index, peaks.weight, windows * BANDS * bins).reshape(windows, BANDS, bins)
    rates = 2 * np.pi * np.fft.rfftfreq(bins, BIN_S)
    patterns = np.fft.rfft(counts) * np.exp(-0.5 * (rates * BLUR_S) ** 2)
    patterns[:, :, 0] = 0
    others = patterns.sum(axis=0) - patterns
    products = np.fft.irfft((patterns * others.conj()).sum(axis=1), bins)
    energies = [np.fft.irfft((np.abs(part) ** 2).sum(axis=1), bins)[:, :1] for part in (patterns, others)]
    likeness = products / np.sqrt(np.maximum(energies[0] * energies[1], 1e-24))
    reach = int(min(FARTHEST_S, FARTHEST * beat_s) / BIN_S)
    near = likeness[:, np.arange(-reach, reach + 1)]
    best = near.argmax(axis=1)
    shift = (best - reach) * BIN_S
    shift[near[np.arange(windows), best] - likeness[:, 0] < BETTER] = 0.0
    shift[likeness[:, 0] < UNLIKE] = FARTHEST_S
    weight = counts.sum(axis=(1, 2))
    return np.where(weight > FEW * np.median(weight), shift, np.nan)


def _least_squares(peaks: Peaks, beat_s: float) -> tuple[float, float, npt.NDArray[np.int64]]:
    """Return the exact beat, the time of slot 0, and the slot of every onset."""
    turns = [
        (k, complex(np.sum(peaks.weight * np.exp(-2j * np.pi * k * peaks.time_s / beat_s))))
        for k in HARMONICS[1:]
    ]
    k, turn = max(turns, key=lambda item: abs(item[1]))
    origin_s = -np.angle(turn) / (2 * np.pi * k) * beat_s
    for _ in range(PASSES):
        slots = np.rint((peaks.time_s - origin_s) / beat_s * SLOTS).astype(np.int64)
        late = peaks.time_s - origin_s - slots / SLOTS * beat_s
        means, weight = _group_means(late, peaks, slots)
        along = slots / SLOTS
        along = along - _means_by(_groups(peaks, slots), along, weight)
        spread = np.sum(weight * along**2)
        if spread > 0:
            trend = np.sum(weight * along * (late - means)) / spread
            middle = np.average(slots, weights=peaks.weight) / SLOTS
            beat_s, origin_s = beat_s + trend, origin_s - middle * trend
    return float(beat_s), float(origin_s), slots


def _groups(peaks: Peaks, slots: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return the number of each onset's group: its band and its place in the beat."""
    return peaks.band * SLOTS + slots % SLOTS


def _means_by(groups: npt.NDArray[np.int64], values: Curve, weight: Curve) -> Curve:
    """Return, for every onset, the weighted mean of its group."""
    size = BANDS * SLOTS
    total = np.maximum(np.bincount(groups, weight, size), 1e-12)
    means: Curve = (np.bincount(groups, weight * values, size) / total)[groups]
    return means


def _group_means(late: Curve, peaks: Peaks, slots: npt.NDArray[np.int64]) -> tuple[Curve, Curve]:
    """Return how late each onset's group is, and the weights with outliers taken out."""
    groups, weight = _groups(peaks, slots), peaks.weight
    for _ in range(3):
        means = _means_by(groups, late, weight)
        weight = peaks.weight * np.maximum(1 - ((late - means) / OUTLIER_S) ** 2, 0) ** 2
    return means, weight


def _quantile(values: Curve, weight: Curve, share: float) -> float:
    """Return the value below which a share of the weight lies."""
    order = np.argsort(values)
    sums = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(sums, share * sums[-1])])


def _on_beat(peaks: Peaks, slots: npt.NDArray[np.int64], beat_s: float, origin_s: float) -> float:
    """Return how far after slot 0 the beat lies: at the slot that holds most, by what bands play there.

    A bounce mostly starts on a beat (common practice, no source): the first loud onset has a say.
    """
    counts = peaks.weight * np.array(ON_BEAT)[peaks.band]
    place = slots % SLOTS
    held = np.bincount(place, counts, SLOTS)
    opening = place[int(np.argmax(peaks.weight >= LOUD))]
    held[opening] += OPENING_SHARE * held.sum()
    best = int(np.argmax(held))
    there = place == best
    if not there.any():
        return float(best / SLOTS * beat_s)
    late = peaks.time_s[there] - origin_s - slots[there] / SLOTS * beat_s
    return float(best / SLOTS * beat_s + _quantile(late, counts[there], SHARP))
