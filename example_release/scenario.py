"""Who and what the example is about: invented names, tempo, key and the bar grid.

Conventions
    bar, beat   counted from 0; bar 0, beat 0 is the first frame of every song-length file
    frame       one sample per channel at ``RATE_HZ``
    grid        every line is computed from the origin in exact arithmetic and rounded once;
                rounded bar lengths are never added up

Every name is a coinage. None of them is meant to be, and none of them is known to us as, a person,
a record, a company or a place.

Not here: notes and words (``score``, ``lyrics``), sound, or anything that relkit does with the files.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

ARTIST: Final = "Ostrel Vane"
TITLE: Final = "Lanterns on the Weir"
LABEL: Final = "Ninefathom Kettle"
RADIO_STATION: Final = "Radio Tarnquell"
CLUB_DJ: Final = "Ixby Marrowlet"
REMIXER: Final = "Pellucine Docket"
ARENA: Final = "Skarnvolt Dome"
SESSION: Final = "lanterns mix 11"  # what the desk called the session that all versions come from

RATE_HZ: Final = 44_100
BIT_DEPTH: Final = 24
TEMPO_BPM: Final = 122
BEATS_PER_BAR: Final = 4
KEY: Final = "F# minor"


@dataclass(frozen=True)
class Section:
    """A stretch of the arrangement.

    Attributes:
        name: unique in the song, such as ``hook-2``.
        kind: what is played: intro, verse, pre, hook, break or outro.
        first_bar: counted from 0.
        bars: its length.
    """

    name: str
    kind: str
    first_bar: int
    bars: int

    @property
    def end_bar(self) -> int:
        """The bar after the last one."""
        return self.first_bar + self.bars


def _arrange(*parts: tuple[str, str, int]) -> tuple[Section, ...]:
    sections: list[Section] = []
    for name, kind, bars in parts:
        sections.append(Section(name, kind, sections[-1].end_bar if sections else 0, bars))
    return tuple(sections)


SECTIONS: Final = _arrange(
    ("intro", "intro", 8),
    ("verse-1", "verse", 16),
    ("pre", "pre", 8),
    ("hook-1", "hook", 16),
    ("verse-2", "verse", 8),
    ("hook-2", "hook", 16),
    ("break", "break", 8),
    ("hook-3", "hook", 16),
    ("outro", "outro", 8),
)
BARS: Final = {section.name: section for section in SECTIONS}
SONG_BARS: Final = SECTIONS[-1].end_bar  # the body: what a DJ edit holds bit for bit
RING_OUT_BARS: Final = 2  # the last chord dies away here, after the body
DJ_BARS: Final = 8  # rhythmic intro and outro of the DJ edits; common practice, no source


def frame_of_beat(beat: Fraction | float) -> int:
    """Return the frame nearest to a beat of the song, counted from 0."""
    return round(Fraction(beat) * 60 * RATE_HZ / TEMPO_BPM)


def frame_of_bar(bar: int) -> int:
    """Return the frame nearest to a bar line, counted from 0."""
    return frame_of_beat(bar * BEATS_PER_BAR)


def seconds_of_beat(beat: float) -> float:
    """Return the exact time of a beat [s]."""
    return beat * 60.0 / TEMPO_BPM


SONG_FRAMES: Final = frame_of_bar(SONG_BARS + RING_OUT_BARS)  # every version but the DJ edits
BODY_FRAMES: Final = frame_of_bar(SONG_BARS)
BODY_OFFSET_FRAMES: Final = frame_of_bar(DJ_BARS)  # 694032.787 rounded once: 694033


def bars_within(seconds_limit: float | None) -> int:
    """Return how many bars of the song a shortened render plays.

    Args:
        seconds_limit: [s], or ``None`` for the whole song.

    Raises:
        ValueError: the limit is shorter than one bar.
    """
    if seconds_limit is None:
        return SONG_BARS
    bars = int(seconds_limit / seconds_of_beat(BEATS_PER_BAR))
    if bars < 1:
        raise ValueError("seconds_limit must leave at least one bar (1.97 s)")
    return min(bars, SONG_BARS)
