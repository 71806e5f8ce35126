"""What is the tempo, and can a DJ trust a straight grid to the last beat?

From one pass over the samples: the tempo to 0.01 BPM, where the first beat and
the first bar begin, and how far the music strays from that grid; or the places
where the tempo is switched; or, for played music, its range and course. A tempo
that somebody declared settles what music leaves open (87 or 174), and is compared.

Conventions
    samples    float32, C-contiguous, shape (frames, channels), full scale 1.0
    bpm        beats per minute, rounded to 0.01; the beat is the one that people would count
    error      [ms], positive when the music comes later than the grid
    constant   the music stays within 20 ms of a straight grid everywhere

Not here: the parts of the work (``onsets``, ``pulse``, ``grid``, ``course``), bars and
what a sheet declares (``relkit.bars``), verdicts (``relkit.qc``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from relkit.measure import pulse
from relkit.measure.course import Course, follow, sections, without_leaps
from relkit.measure.downbeat import first_downbeat
from relkit.measure.grid import Grid, Peaks, fit, pick, refine
from relkit.measure.onsets import BANDS, Curve, OnsetMeter, Onsets
from relkit.measure.slabs import Samples

Kind = Literal["constant", "switch", "live", "none"]
Agreement = Literal[
    "agrees",
    "half",
    "double",
    "quarter",
    "quadruple",
    "third",
    "triple",
    "two-thirds",
    "three-halves",
    "contradicts",
    "unknown",
]

MAX_ERROR_MS = 20.0  # of a constant tempo
MAX_SECTION_ERROR_MS = 6.0  # of a switch; what strays further in a few bars is played, not programmed
LEAST_LENGTH_S = 4.0  # shorter signals have no tempo
LEAST_CLARITY = 0.1  # noise and pads stay below 0.07 in a minute, music above 0.2
LEAST_LOCAL_CLARITY = 0.3  # mean over windows; noise and pads stay below 0.1, a drift is above 0.5
SHORT_CLARITY_S = 0.5  # more is asked of short signals, in which chance does more
FULL_CLARITY = 0.3  # from here on clarity does not lower the confidence
HINT_ODDS, HINT_NEAR_ODDS = 2.0, 0.4  # what a declared tempo, and its half or double, gain [log odds]
NEAR = 0.04  # tempi closer than this are meant to be the same
RESOLUTION_BPM = 0.01
LIVE_MEAN = 0.003  # a straight grid this near to the median of a live tempo is the better figure
LIVE_RANGE = (3, 97)  # percentiles of the course: single windows go astray
RATIOS: dict[Agreement, float] = {  # declared over measured
    "agrees": 1,
    "half": 1 / 2,
    "double": 2,
    "quarter": 1 / 4,
    "quadruple": 4,
    "third": 1 / 3,
    "triple": 3,
    "two-thirds": 2 / 3,
    "three-halves": 3 / 2,
}


@dataclass(frozen=True)
class DeclaredTempo:
    """What somebody says the tempo is.

    Raises:
        ValueError: not a positive, finite number.
    """

    bpm: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.bpm) and self.bpm > 0):
            raise ValueError(f"bpm is {self.bpm}, must be a positive number")


@dataclass(frozen=True)
class Tempo:
    """What was found. Fields that a kind does not have are None or empty.

    Attributes:
        kind: "none" when there is no beat, or too little of it.
        bpm: of the grid; for a switch, of the longest section; for live, the median, or the
            best straight grid's where that is within 0.3 % of it.
        confidence: 0 to 1, that ``bpm`` is the notated beat and not its half, double ... Of 602 songs of
            families left out of the fit, 0.97 were right from 0.9 upward, 0.86 from 0.7 to 0.9 and 0.54
            below. It says nothing of ``kind``.
        runner_up_bpm: the next best reading, right to 1 %.
        first_beat_s, first_downbeat_s: of the (first) grid; the downbeat only where it is clear.
        error_at_last_beat_ms, max_grid_error_ms: constant only.
        low_bpm, high_bpm: live only.
        curve: live only; (time [s], BPM), one a second.
        sections: switch only; (start [s], BPM), the first at its first beat.
        agreement: with the declared tempo; None if none was declared. "half": the declared one is half
            of what is heard. "contradicts" as soon as its grid leaves the music by 20 ms; live agrees
            when the declared tempo lies within its range.
        drift_ms: error of a grid of the declared tempo after the whole song, where its first beat is right;
            of its half, double ... if that is what is heard. None for live.
    """

    kind: Kind
    bpm: float | None = None
    confidence: float = 0.0
    runner_up_bpm: float | None = None
    first_beat_s: float | None = None
    first_downbeat_s: float | None = None
    error_at_last_beat_ms: float | None = None
    max_grid_error_ms: float | None = None
    low_bpm: float | None = None
    high_bpm: float | None = None
    curve: tuple[tuple[float, float], ...] = ()
    sections: tuple[tuple[float, float], ...] = ()
    agreement: Agreement | None = None
    drift_ms: float | None = None


class TempoMeter:
    """Takes a signal in windows of any size; the result does not depend on where they are cut.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.

    Raises:
        ValueError: rate or channels outside their range.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._onsets = OnsetMeter(rate_hz, channels)

    def feed(self, samples: Samples) -> None:
        """Take the next window.

        Args:
            samples: float32, C-contiguous, shape (frames, channels), any number of frames.

        Raises:
            ValueError: another shape, dtype or memory order; or the result was asked for already.
        """
        self._onsets.feed(samples)

    def result(self, hint: DeclaredTempo | None = None, beats_per_bar: int = 4) -> Tempo:
        """End the signal and return its tempo; may be called again, but nothing more can be fed.

        Args:
            hint: the declared tempo, if any.
            beats_per_bar: beats of the counted kind in a bar: 3 for 3/4, 2 for a 6/8 counted in
                dotted quarters.

        Raises:
            ValueError: ``beats_per_bar`` is not 1 or more.
        """
        if beats_per_bar < 1:
            raise ValueError(f"beats_per_bar is {beats_per_bar}, must be 1 or more")
        return estimate(self._onsets.result(), hint, beats_per_bar)


def estimate(onsets: Onsets, hint: DeclaredTempo | None = None, beats_per_bar: int = 4) -> Tempo:
    """Return the tempo that an onset curve holds; see ``TempoMeter.result``."""
    nothing = Tempo("none", agreement=None if hint is None else "unknown")
    if onsets.length_s < LEAST_LENGTH_S or not onsets.bands.any():
        return nothing
    curves = pulse.levelled(onsets)
    found = pulse.candidates(curves, onsets.step_s)
    clarity = max((candidate.clarity for candidate in found), default=0.0)
    if clarity < LEAST_CLARITY + SHORT_CLARITY_S / onsets.length_s:
        tempo = _drifting(curves[BANDS], onsets)
        return tempo if hint is None else _compared(tempo, hint, onsets.length_s)
    scores = np.array([candidate.score + _bonus(candidate.bpm, hint) for candidate in found])
    order = np.argsort(-scores, kind="stable")
    best, total = found[order[0]], curves[BANDS]
    odds = np.exp(scores - scores.max())
    same = np.array([abs(math.log(candidate.bpm / best.bpm)) < NEAR for candidate in found])
    confidence = float(odds[same].sum() / odds.sum()) * min(1.0, clarity / FULL_CLARITY)
    others = [found[i].bpm for i in order if not same[i]]
    peaks = pick(curves[:BANDS], onsets)
    beat_s = refine(total - total.mean(), onsets.step_s, best.beat_s)
    grid = fit(peaks, beat_s, 0.0, onsets.length_s)
    if grid is None:
        return nothing
    course = follow(total, onsets, beat_s)
    if grid.holds(MAX_ERROR_MS / 1000) and not course.leaves(60 / beat_s):
        tempo = _constant(grid, peaks, beats_per_bar)
    else:
        tempo = _changing(course, curves, onsets, peaks, beats_per_bar)
        if tempo.kind == "live" and abs(math.log((tempo.bpm or 1) / _bpm(grid))) < LIVE_MEAN:
            tempo = replace(tempo, bpm=_bpm(grid))
    tempo = replace(
        tempo, confidence=round(confidence, 3), runner_up_bpm=round(others[0], 1) if others else None
    )
    return tempo if hint is None else _compared(tempo, hint, onsets.length_s)


def _bonus(bpm: float, hint: DeclaredTempo | None) -> float:
    """Return what a candidate gains by the declared tempo."""
    if hint is None:
        return 0.0
    near = [abs(math.log(hint.bpm / ratio / bpm)) < NEAR for ratio in (1, 1 / 2, 2)]
    return HINT_ODDS if near[0] else HINT_NEAR_ODDS if any(near) else 0.0


def _constant(grid: Grid, peaks: Peaks, beats_per_bar: int) -> Tempo:
    """Return the tempo of a song that one straight grid fits."""
    last = grid.error_s[np.isfinite(grid.error_s)][-1:]
    return Tempo(
        "constant",
        bpm=_bpm(grid),
        first_beat_s=_seconds(grid.first_s),
        first_downbeat_s=_seconds(first_downbeat(peaks, grid, beats_per_bar)),
        error_at_last_beat_ms=round(float(last[0]) * 1000, 1) if len(last) else 0.0,
        max_grid_error_ms=round(grid.max_error_s * 1000, 1),
    )


def _changing(course: Course, curves: Curve, onsets: Onsets, peaks: Peaks, beats_per_bar: int) -> Tempo:
    """Return the tempo of a song that changes it, at once or freely."""
    if not len(course.bpm):
        return Tempo("none")
    found = sections(course, curves, onsets, peaks, MAX_SECTION_ERROR_MS / 1000)
    if found:
        first = found[0].grid
        before = peaks.between(0, found[1].start_s)
        longest = max(found, key=lambda section: section.grid.beats * section.grid.beat_s)
        starts = [first.first_s, *(section.start_s for section in found[1:])]
        return Tempo(
            "switch",
            bpm=_bpm(longest.grid),
            first_beat_s=_seconds(first.first_s),
            first_downbeat_s=_seconds(first_downbeat(before, first, beats_per_bar)),
            sections=tuple(
                (round(max(start_s, 0.0), 3), _bpm(section.grid))
                for start_s, section in zip(starts, found, strict=True)
            ),
        )
    return _live(course)


def _drifting(total: Curve, onsets: Onsets) -> Tempo:
    """Return the tempo of a song that repeats from bar to bar but not as a whole: a long drift."""
    course = follow(total, onsets, 60 / pulse.USUAL_BPM)
    clarity = float(course.clarity.mean()) if len(course.clarity) else 0.0
    if clarity < LEAST_LOCAL_CLARITY:
        return Tempo("none")
    return replace(_live(course), confidence=round(min(clarity, 1.0) / 2, 3))  # half or double may be meant


def _live(course: Course) -> Tempo:
    """Return the range and the course of a played tempo."""
    bpm = without_leaps(course.bpm)
    low, middle, high = np.percentile(bpm, [LIVE_RANGE[0], 50, LIVE_RANGE[1]])
    return Tempo(
        "live",
        bpm=round(float(middle), 2),
        low_bpm=round(float(low), 2),
        high_bpm=round(float(high), 2),
        curve=tuple(
            (round(float(at_s), 2), round(float(value), 2))
            for at_s, value in zip(course.time_s, bpm, strict=True)
        ),
    )


def _compared(tempo: Tempo, hint: DeclaredTempo, length_s: float) -> Tempo:
    """Return the tempo with what is to be said about the declared one."""
    if tempo.bpm is None:
        return replace(tempo, agreement="unknown")
    relation = hint.bpm / tempo.bpm
    name, ratio = min(RATIOS.items(), key=lambda item: abs(math.log(relation / item[1])))
    if abs(math.log(relation / ratio)) > NEAR:
        name, ratio = "contradicts", 1.0
    declared_bpm = hint.bpm / ratio
    if tempo.low_bpm is not None and tempo.high_bpm is not None:
        within = tempo.low_bpm - RESOLUTION_BPM <= declared_bpm <= tempo.high_bpm + RESOLUTION_BPM
        return replace(tempo, agreement=name if within else "contradicts")
    drift_ms = length_s * (1 - tempo.bpm / declared_bpm) * 1000
    close = abs(drift_ms) <= MAX_ERROR_MS or abs(declared_bpm - tempo.bpm) <= RESOLUTION_BPM * 1.001
    agrees = tempo.kind == "constant" and close
    return replace(tempo, agreement=name if agrees else "contradicts", drift_ms=round(drift_ms, 1))


def _bpm(grid: Grid) -> float:
    """Return the tempo of a grid, which is a whole number of hundredths."""
    return round(60 / grid.beat_s, 2)


def _seconds(time_s: float | None) -> float | None:
    """Return a time to the millisecond, at 0 if it lies a little before."""
    return None if time_s is None else round(max(time_s, 0.0), 3)
