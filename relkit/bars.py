"""Bars and beats of a song, from what the sheet declares; never guessed.

A bar map turns seconds into bars and back, in exact rational arithmetic: a
grid line is computed from the first downbeat and rounded once, by the caller.
A tempo that is live or not declared gives None everywhere: then time is all
that can be told.

Conventions
    bar         counted from 1, at the first downbeat; a pick-up lies in bar 0
    beat        of the meter, counted from 1: 6/8 has six beats, whatever note
                value the tempo counts
    beats       distance from the first downbeat, in beats of the meter
    note value  as a fraction of a whole note: a quarter is 1/4
    time        [s] from the start of the file, as ``Fraction``

Not here: reading the sheet (``relkit.sheet``), measuring tempo (``relkit.measure``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from types import MappingProxyType

NOTE_VALUES: Mapping[str, Fraction] = MappingProxyType(
    {
        "half": Fraction(1, 2),
        "dotted-half": Fraction(3, 4),
        "quarter": Fraction(1, 4),
        "dotted-quarter": Fraction(3, 8),
        "eighth": Fraction(1, 8),
        "dotted-eighth": Fraction(3, 16),
        "sixteenth": Fraction(1, 16),
    }
)
METER_NOTES = (1, 2, 4, 8, 16, 32)
MAX_BEATS_PER_BAR = 64
MIN_BPM, MAX_BPM = Fraction(10), Fraction(1000)  # outside, somebody has mistyped


@dataclass(frozen=True)
class Meter:
    """Beats per bar and the note that is one beat: ``Meter(6, 8)`` is 6/8.

    Raises:
        ValueError: no such meter.
    """

    beats_per_bar: int = 4
    beat_note: int = 4

    def __post_init__(self) -> None:
        if not 1 <= self.beats_per_bar <= MAX_BEATS_PER_BAR or self.beat_note not in METER_NOTES:
            raise ValueError(f"{self} is no meter")

    def __str__(self) -> str:
        return f"{self.beats_per_bar}/{self.beat_note}"


@dataclass(frozen=True)
class TempoChange:
    """From here on this tempo. Exactly one of ``bar`` and ``at_s`` is set.

    Attributes:
        bpm: note values of the tempo's own kind per minute.
        bar, beat: where, by the grid; beat is 1 or more.
        at_s: where, by the clock.
    """

    bpm: Fraction
    bar: int | None = None
    beat: Fraction = Fraction(1)
    at_s: Fraction | None = None


@dataclass(frozen=True)
class LiveTempo:
    """Played without a click, between two tempi: there is no grid."""

    low_bpm: Fraction
    high_bpm: Fraction


@dataclass(frozen=True)
class Position:
    """A place in bars: ``str()`` is "bar 33.2", the second beat of bar 33.

    A beat is shown whole. What lies within a hundredth of the next beat counts
    as that beat, so that a time rounded to frames shows the beat it was on.
    """

    bar: int
    beat: Fraction  # 1 <= beat < beats per bar + 1
    beats_per_bar: int

    def __str__(self) -> str:
        bar, beat = self.bar, math.floor(self.beat + Fraction(1, 100))
        if beat > self.beats_per_bar:
            bar, beat = bar + 1, 1
        return f"bar {bar}.{beat}"


@dataclass(frozen=True)
class _Stretch:
    """A part of the song with one tempo."""

    start_beats: Fraction
    start_s: Fraction
    beat_s: Fraction  # length of one beat of the meter [s]


class BadTempoError(ValueError):
    """A tempo change that cannot be: ``change`` is its place in the list, from 0."""

    def __init__(self, fault: str, *, change: int) -> None:
        super().__init__(fault)
        self.change = change


@dataclass(frozen=True)
class BarMap:
    """The grid of one file.

    Attributes:
        meter: beats per bar and their note.
        tempo: changes, the first at bar 1; or live; or None, not declared.
        tempo_counts: note value that the tempo counts, as part of a whole note.
        first_downbeat_s: time of bar 1, beat 1.
        pickup_beats: beats of the song before the first downbeat.

    Raises:
        BadTempoError: changes that do not start at bar 1, or do not go forward;
            a tempo outside ``MIN_BPM`` to ``MAX_BPM``.
    """

    meter: Meter = Meter()
    tempo: tuple[TempoChange, ...] | LiveTempo | None = None
    tempo_counts: Fraction = NOTE_VALUES["quarter"]
    first_downbeat_s: Fraction = Fraction(0)
    pickup_beats: Fraction = Fraction(0)

    def __post_init__(self) -> None:
        if isinstance(self.tempo, tuple):
            _ = self._stretches  # raises if the changes make no sense

    @classmethod
    def steady(
        cls,
        bpm: Fraction | int,
        *,
        meter: Meter = Meter(),
        tempo_counts: Fraction = NOTE_VALUES["quarter"],
        first_downbeat_s: Fraction = Fraction(0),
    ) -> BarMap:
        """Return the map of a song with one tempo."""
        return cls(meter, (TempoChange(Fraction(bpm), bar=1),), tempo_counts, first_downbeat_s)

    @property
    def has_grid(self) -> bool:
        """Whether bars can be told at all."""
        return isinstance(self.tempo, tuple)

    def seconds_of_bar(self, bar: int, beat: Fraction | int = 1) -> Fraction | None:
        """Return the time [s] of a beat, or None without a grid. Bars before the first are fine."""
        return self._seconds(self._beats(bar, Fraction(beat)))

    def bar_at(self, seconds: Fraction | int) -> Position | None:
        """Return the place in bars of a time [s], or None without a grid."""
        if not self.has_grid:
            return None
        stretch = self._last_stretch(lambda one: one.start_s <= seconds)
        beats = stretch.start_beats + (seconds - stretch.start_s) / stretch.beat_s
        bar, beat = divmod(beats, self.meter.beats_per_bar)
        return Position(int(bar) + 1, beat + 1, self.meter.beats_per_bar)

    def frames_of(self, bars: Fraction | int, rate_hz: int, *, from_bar: int = 1) -> Fraction | None:
        """Return the exact length in frames of some bars, or None without a grid.

        The caller rounds, once: two rounded lengths do not add up to the rounded sum.
        """
        start_beats = self._beats(from_bar, Fraction(1))
        start_s = self._seconds(start_beats)
        end_s = self._seconds(start_beats + bars * self.meter.beats_per_bar)
        return None if start_s is None or end_s is None else (end_s - start_s) * rate_hz

    def later_by(self, seconds: Fraction) -> BarMap:
        """Return the map of a file in which the same song starts later, such as a DJ edit.

        Bars keep their numbers; what was added in front has bar 0 and below.
        """
        tempo = self.tempo
        if isinstance(tempo, tuple):
            tempo = tuple(one if one.at_s is None else replace(one, at_s=one.at_s + seconds) for one in tempo)
        return replace(self, tempo=tempo, first_downbeat_s=self.first_downbeat_s + seconds)

    @property
    def song_start_s(self) -> Fraction | None:
        """Time [s] at which the song begins, pick-up included; None without a grid and with a pick-up."""
        return self.seconds_of_bar(1, 1 - self.pickup_beats) if self.pickup_beats else self.first_downbeat_s

    @property
    def tempo_text(self) -> str | None:
        """What a person reads: "122 BPM", "90-122 BPM (changes)", "118-124 BPM (live)"; None if unknown."""
        if self.tempo is None:
            return None
        if isinstance(self.tempo, LiveTempo):
            low, high, remark = self.tempo.low_bpm, self.tempo.high_bpm, " (live)"
        else:
            low, high = min(one.bpm for one in self.tempo), max(one.bpm for one in self.tempo)
            remark = " (changes)" if low != high else ""
        span = decimal_text(low) if low == high else f"{decimal_text(low)}-{decimal_text(high)}"
        counts = next((name for name, value in NOTE_VALUES.items() if value == self.tempo_counts), "")
        unit = "" if counts in {"", "quarter"} else f" ({counts.replace('-', ' ')})"
        return f"{span} BPM{unit}{remark}"

    def _beats(self, bar: int, beat: Fraction) -> Fraction:
        """Distance of a beat from the first downbeat."""
        return (bar - 1) * self.meter.beats_per_bar + beat - 1

    def _seconds(self, beats: Fraction) -> Fraction | None:
        """Return the time of a distance in beats."""
        if not self.has_grid:
            return None
        stretch = self._last_stretch(lambda one: one.start_beats <= beats)
        return stretch.start_s + (beats - stretch.start_beats) * stretch.beat_s

    def _last_stretch(self, begun: Callable[[_Stretch], bool]) -> _Stretch:
        """Return the last stretch that has begun; the first one reaches back without end."""
        return next((one for one in reversed(self._stretches) if begun(one)), self._stretches[0])

    @cached_property
    def _stretches(self) -> list[_Stretch]:
        """Lay the changes on both rulers, beats and seconds."""
        stretches: list[_Stretch] = []
        for place, change in enumerate(self.tempo if isinstance(self.tempo, tuple) else ()):
            if not MIN_BPM <= change.bpm <= MAX_BPM:
                raise BadTempoError(f"tempo {decimal_text(change.bpm)} BPM is out of range", change=place)
            # One beat of the meter lasts as many tempo notes as fit into it.
            beat_s = 60 / change.bpm * Fraction(1, self.meter.beat_note) / self.tempo_counts
            stretches.append(self._stretch(change, stretches, beat_s, place))
        if not stretches:
            raise BadTempoError("the list of tempo changes is empty", change=0)
        return stretches

    def _stretch(self, change: TempoChange, before: list[_Stretch], beat_s: Fraction, place: int) -> _Stretch:
        """Place one change after those before it."""
        if (change.bar is None) == (change.at_s is None):
            raise BadTempoError("a tempo change is at a bar or at a time", change=place)
        if change.bar is not None and not 1 <= change.beat < self.meter.beats_per_bar + 1:
            raise BadTempoError(
                f"a bar of {self.meter} has no beat {decimal_text(change.beat)}", change=place
            )
        if not before:
            if change.bar != 1 or change.beat != 1:
                raise BadTempoError("the first tempo must be at bar 1", change=place)
            return _Stretch(Fraction(0), self.first_downbeat_s, beat_s)
        last = before[-1]
        if change.at_s is not None:
            start_s = change.at_s
            beats = last.start_beats + (start_s - last.start_s) / last.beat_s
        else:
            beats = self._beats(change.bar or 0, change.beat)
            start_s = last.start_s + (beats - last.start_beats) * last.beat_s
        if beats <= last.start_beats:
            raise BadTempoError("a tempo change comes after the one before it", change=place)
        return _Stretch(beats, start_s, beat_s)


def decimal_text(number: Fraction) -> str:
    """Write a fraction as a decimal number of at most six places, without needless zeros."""
    text = f"{float(number):.6f}" if number.denominator != 1 else str(number.numerator)
    return text.rstrip("0").rstrip(".") if "." in text else text
