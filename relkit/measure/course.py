"""How does the tempo run when one straight grid does not fit: in steps, or freely?

The tempo is followed in windows of 8 s by the path that is strongest as a
whole, small moves being cheap and leaps dear. Where the path stands on two
levels, one after the other, and each has a grid that fits, the tempo was switched.

Conventions
    course     tempo over time: [s] of the window's middle, and [BPM]
    section    from its first beat to the next section's

Not here: the grid itself (``relkit.measure.grid``), what to call the result
(``relkit.measure.tempo``).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from relkit.measure.grid import Grid, Peaks, fit, refine
from relkit.measure.onsets import Curve, Onsets
from relkit.measure.pulse import MULTIPLES, candidates

WINDOW_S, STEP_S = 8.0, 1.0
REACH = 1.5  # the course stays within this factor of the whole song's tempo
FINE = 0.005  # steps of tempo that a path can take
MOVE_COST, LEAP_COST = 8.0, 0.8  # per unit of log tempo; for any leap; strengths are up to 2.9
TOGETHER = 64  # windows
SILENT = 0.01  # mean square below which a window of the levelled curve holds nothing to follow
LEVEL_WINDOWS = 7  # a level is the median over so many
BREAK = 0.006  # least change of level, of the tempo
APART_S = 8.0  # sections shorter than this are not told
SAME = 0.02  # tempi closer than this may be one
CLEAR_LEAD = 0.5  # of one tempo over another in a window; strengths are up to 2.9
MAX_SECTIONS = 6
LEAP = 0.1  # of the logarithm, from one window to the next
FOLDS = (2 / 3, 3 / 4, 4 / 3, 3 / 2)
MARGIN_S = 2.5  # around a break, where both tempi may sound
CHANCE = 0.8  # a fifth of a loud onset: what a place must gain to be better than an earlier one
SHARED_S = 0.012  # beats of two grids as near as this are one
RINGING = 0.3  # of a beat: the last onset before a switch may be its first beat, or ring on a little after
SEARCH_S = 6.0  # a break is looked for so far around the place that the path gives


@dataclass(frozen=True)
class Course:
    """The tempo over time.

    Attributes:
        time_s, bpm: one value per window.
        clarity: how well the window repeats, 0 to about 1.
        lead: how much more strongly the window repeats at this tempo than at the whole song's; 0 where
            four beats of this tempo do not repeat better than four of the whole song's: notes of three
            quarters of a beat within the same bars are no other tempo.
    """

    time_s: Curve
    bpm: Curve
    clarity: Curve
    lead: Curve

    def leaves(self, bpm: float) -> bool:
        """Tell whether there is a stretch that clearly has another tempo than the given one."""
        other = (np.abs(np.log(self.bpm / bpm)) > SAME) & (self.lead > CLEAR_LEAD)
        runs = np.convolve(other, np.ones(LEVEL_WINDOWS), "valid") if len(other) >= LEVEL_WINDOWS else other
        return bool(np.any(runs >= LEVEL_WINDOWS))


@dataclass(frozen=True)
class Section:
    """A part of a song with a straight grid."""

    start_s: float
    grid: Grid


def follow(total: Curve, onsets: Onsets, beat_s: float) -> Course:
    """Return the course of the tempo near a given one.

    Args:
        total: the onset curve of all bands, levelled.
        onsets: what it was made of.
        beat_s: of the whole song.

    Returns:
        one value per second; none if the signal is shorter than a window.
    """
    step_s, width = onsets.step_s, round(WINDOW_S / onsets.step_s)
    if len(total) < width:
        return Course(*(np.empty(0) for _ in range(4)))
    hop = round(STEP_S / step_s)
    windows = np.lib.stride_tricks.sliding_window_view(total, width)[::hop]
    reach = round(np.log(REACH) / FINE)
    tempi = 60 / beat_s * np.exp(np.arange(-reach, reach + 1) * FINE)
    strength, bars = np.empty((2, len(windows), len(tempi)), np.float32)
    for i in range(0, len(windows), TOGETHER):  # memory stays small however long the song is
        part = slice(i, i + TOGETHER)
        strength[part], bars[part] = _strengths(windows[part], 60 / tempi / step_s)
    path = np.clip(_best_path(strength), 1, len(tempi) - 2)
    rows = np.arange(len(path))
    a, b, c = (strength[rows, path + shift].astype(np.float64) for shift in (-1, 0, 1))
    bend = np.minimum(a - 2 * b + c, -1e-9)
    shift = np.clip(0.5 * (a - c) / bend, -1, 1)
    time_s = np.float64(onsets.first_s) + (rows * hop + width / 2) * np.float64(step_s)
    around = slice(reach - 2, reach + 3)
    lead = np.where(bars[rows, path] > bars[:, around].max(axis=1), b - strength[:, around].max(axis=1), 0)
    return Course(time_s, tempi[path] * np.exp(FINE * shift), b / sum(MULTIPLES), lead)


def without_leaps(bpm: Curve) -> Curve:
    """Return a course whose stretches at 2/3, 3/4, 4/3 or 3/2 of their surroundings are folded back.

    Nobody plays so; for a while the notes repeat so.
    """
    folded = bpm.copy()
    start = int(np.argmin(np.abs(np.log(bpm / np.median(bpm)))))
    ways = [range(start + 1, len(bpm)), range(start - 1, -1, -1)]
    for way in ways:
        for i in way:
            before = folded[i - way.step]
            if abs(np.log(folded[i] / before)) > LEAP:
                readings = folded[i] * np.array(FOLDS)
                apart = np.abs(np.log(readings / before))
                if apart.min() < LEAP / 2:
                    folded[i] = readings[apart.argmin()]
    return folded


def sections(
    course: Course, curves: Curve, onsets: Onsets, peaks: Peaks, max_error_s: float
) -> list[Section]:
    """Return the parts with straight grids that make up the song; empty if it is not made so."""
    breaks = _breaks(course)
    if not 1 <= len(breaks) < MAX_SECTIONS:
        return []
    edges = [0.0, *breaks, onsets.length_s]
    found: list[Section] = []
    for start_s, end_s in pairwise(edges):
        a = start_s + MARGIN_S * (start_s > 0)
        b = end_s - MARGIN_S * (end_s < onsets.length_s)
        grid = _grid(course, a, b, curves, onsets, peaks)
        if grid is None or not grid.holds(max_error_s):
            return []
        found.append(Section(start_s, grid))
    for i in range(1, len(found)):
        found[i] = Section(_border(found[i - 1].grid, found[i], peaks), found[i].grid)
    return found


def _grid(
    course: Course, start_s: float, end_s: float, curves: Curve, onsets: Onsets, peaks: Peaks
) -> Grid | None:
    """Return the grid of a stretch; its beat is judged anew, since the course may run at half or double."""
    inside = (course.time_s >= start_s) & (course.time_s <= end_s)
    if end_s - start_s < APART_S - 2 * MARGIN_S or not inside.any():
        return None
    rough_s = 60 / float(np.median(course.bpm[inside]))
    first, last = (int(max(0, (edge - onsets.first_s) / onsets.step_s)) for edge in (start_s, end_s))
    for candidate in candidates(curves[:, first:last], onsets.step_s):
        factor = 2.0 ** round(np.log2(candidate.beat_s / rough_s))
        if factor in (0.5, 1, 2) and abs(np.log(candidate.beat_s / rough_s / factor)) < SAME:
            rough_s *= factor
            break
    part = curves[-1, first:last]
    beat_s = refine(part - part.mean(), onsets.step_s, rough_s)
    return fit(peaks.between(start_s, end_s), beat_s, start_s, end_s)


def _strengths(windows: Curve, delays: Curve) -> tuple[Curve, Curve]:
    """Return how strongly every window repeats after one to four times each delay, and after four alone."""
    windows = windows - windows.mean(axis=1, keepdims=True)
    values = windows.shape[1]
    size = 1 << int(2 * values - 1).bit_length()
    likeness = np.fft.irfft(np.abs(np.fft.rfft(windows, size)) ** 2, size)[:, :values]
    likeness /= np.maximum(likeness[:, :1], SILENT * values) * (1.05 - np.arange(values) / values)
    strength = np.zeros((len(windows), len(delays)))
    for multiple, share in enumerate(MULTIPLES, 1):
        place = np.minimum(multiple * delays, values - 2.0)
        index = place.astype(int)
        part = place - index
        after = likeness[:, index] * (1 - part) + likeness[:, index + 1] * part
        strength += share * after
    return strength, after


def _best_path(strength: npt.NDArray[np.float32]) -> npt.NDArray[np.int64]:
    """Return the state in every window of the path with the largest sum of strength less costs."""
    windows, states = strength.shape
    apart = np.abs(np.subtract.outer(np.arange(states), np.arange(states))) * FINE
    cost = np.minimum(MOVE_COST * apart, LEAP_COST)
    came = np.zeros((windows, states), np.int16)
    best = strength[0].astype(np.float64)
    for i in range(1, windows):
        sums = best[:, None] - cost
        came[i] = np.argmax(sums, axis=0)
        best = sums[came[i], np.arange(states)] + strength[i]
    path = np.zeros(windows, np.int64)
    path[-1] = np.argmax(best)
    for i in range(windows - 1, 0, -1):
        path[i - 1] = came[i, path[i]]
    return path


def _breaks(course: Course) -> list[float]:
    """Return the places [s] where the level of the tempo changes."""
    bpm, reach = course.bpm, LEVEL_WINDOWS
    change = np.zeros(len(bpm))
    for i in range(3, len(bpm) - 2):
        change[i] = abs(np.log(np.median(bpm[i : i + reach]) / np.median(bpm[max(0, i - reach) : i])))
    breaks: list[float] = []
    while len(change) and change.max() > BREAK:
        at = int(np.argmax(change))
        same = np.flatnonzero(change > 0.98 * change[at])
        same = same[np.abs(same - at) <= reach]
        breaks.append(float(course.time_s[same].mean() - STEP_S / 2))
        change[np.abs(course.time_s - course.time_s[at]) < APART_S] = 0
    return sorted(breaks)


def _border(before: Grid, after: Section, peaks: Peaks) -> float:
    """Return the beat from which the onsets fit the later grid better than the earlier one.

    Where the tempo changes on a beat, as it does in a sequencer, both grids have that beat: of the
    beats next to the best place, one that they share is taken.
    """
    near, grid = peaks.between(after.start_s - SEARCH_S, after.start_s + SEARCH_S), after.grid
    if not len(near.time_s):
        return after.start_s
    gain = np.concatenate([[0], np.cumsum(_fits(before, near) - _fits(grid, near))])
    best = int(np.argmax(gain >= gain.max() - CHANCE))
    last_s = float(near.time_s[max(best - 1, 0)])
    beat = int(np.ceil((last_s - grid.first_s) / grid.beat_s - RINGING))
    beats_s = grid.first_s + (beat + np.arange(-1, 2)) * grid.beat_s
    apart_s = np.abs((beats_s - before.first_s + before.beat_s / 2) % before.beat_s - before.beat_s / 2)
    return float(beats_s[np.argmin(apart_s)] if apart_s.min() < SHARED_S else beats_s[1])


def _fits(grid: Grid, peaks: Peaks) -> Curve:
    """Return for every onset how well it falls on parts of the beat, from -1 to 1, weighted."""
    turns = 2 * np.pi * (peaks.time_s - grid.first_s) / grid.beat_s
    fits = np.mean([np.cos(parts * turns) for parts in (1, 2, 4, 8)], axis=0)
    result: Curve = peaks.weight * fits
    return result
