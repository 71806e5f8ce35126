"""What the band plays: chords, bass lines, strokes and fills, section by section.

Conventions
    beat    in quarter notes from the start of the song (or of the DJ edit's added bars)
    gain    linear, 1.0 for a normal stroke
    chord   one entry a bar: bass note and voicing as MIDI note numbers

The song is in F# minor. The verse rests on the tonic; the hook goes F#m D A E, and its second half
turns back through Bm and C# major, whose E# leads home.

Not here: sounds (``drums``, ``instruments``), voices (``lyrics``), levels (``session``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from example_release.scenario import BEATS_PER_BAR, Section


@dataclass(frozen=True)
class Chord:
    """A harmony: bass note and four voices."""

    root: int
    voices: tuple[int, int, int, int]


F_SHARP_M: Final = Chord(30, (57, 61, 66, 68))  # with the ninth on top
D_MAJOR: Final = Chord(26, (57, 61, 62, 66))  # major seventh
A_MAJOR: Final = Chord(33, (57, 61, 64, 69))
E_MAJOR: Final = Chord(28, (56, 59, 64, 66))  # added ninth
B_MINOR: Final = Chord(35, (57, 59, 62, 66))  # seventh
C_SHARP: Final = Chord(25, (56, 59, 61, 65))  # dominant seventh: B and E#

CHORDS: Final[dict[str, tuple[Chord, ...]]] = {
    "intro": (F_SHARP_M, F_SHARP_M, D_MAJOR, E_MAJOR),
    "verse": (F_SHARP_M, F_SHARP_M, F_SHARP_M, D_MAJOR, D_MAJOR, E_MAJOR, D_MAJOR, C_SHARP),
    "pre": (B_MINOR, B_MINOR, D_MAJOR, D_MAJOR, F_SHARP_M, F_SHARP_M, C_SHARP, C_SHARP),
    "hook": (F_SHARP_M, D_MAJOR, A_MAJOR, E_MAJOR, F_SHARP_M, D_MAJOR, B_MINOR, C_SHARP),
    "break": (B_MINOR, D_MAJOR, F_SHARP_M, E_MAJOR, B_MINOR, D_MAJOR, C_SHARP, C_SHARP),
    "outro": (F_SHARP_M, D_MAJOR, A_MAJOR, E_MAJOR, F_SHARP_M, D_MAJOR, B_MINOR, C_SHARP),
}


@dataclass(frozen=True)
class Stroke:
    """One event of the band.

    Attributes:
        sound: instrument, such as ``kick``.
        beat: when.
        gain: how loud.
        detail: pitch [MIDI or Hz], take number or length, as the sound needs it.
        length: in beats, for notes that are held.
    """

    sound: str
    beat: float
    gain: float = 1.0
    detail: float = 0.0
    length: float = 0.0


def chord_at(section: Section, bar: int) -> Chord:
    """Return the harmony of a bar (counted within the section)."""
    chords = CHORDS[section.kind]
    return chords[bar % len(chords)]


def _kicks(kind: str, bar: int, bars: int) -> Iterator[float]:
    """Beats of the kick within a bar."""
    if kind == "pre" and bar >= bars - 1:
        return
    if kind == "break":
        yield from (0.0,) if bar == 0 else ()
        return
    yield from (0.0, 1.0, 2.0, 3.0)
    if kind in ("hook", "outro") and bar % 4 == 3:
        yield 3.75
    if kind == "verse" and bar % 2 == 1:
        yield 2.75


def _build_up(bar: int, bars: int) -> Iterator[Stroke]:
    """Snare roll over the last two bars before a hook, quieter to louder."""
    if bar < bars - 2:
        return
    steps = 8 if bar == bars - 2 else 16
    for step in range(steps):
        beat = step * BEATS_PER_BAR / steps
        grown = (beat + BEATS_PER_BAR * (bar - bars + 2)) / (2 * BEATS_PER_BAR)
        yield Stroke("snare", beat, 0.25 + 0.6 * grown, step % 3)


def _fill() -> Iterator[Stroke]:
    """Toms over the last beat and a half."""
    for beat, pitch_hz, gain in ((2.5, 175.0, 0.7), (3.0, 140.0, 0.8), (3.25, 140.0, 0.6), (3.5, 105.0, 1.0)):
        yield Stroke("tom", beat, gain, pitch_hz)


def _hand_percussion(bar: int) -> Iterator[Stroke]:
    """Off-beat rims and tuned hand drums of the full groove."""
    for beat in (0.75, 1.75, 3.25) if bar % 2 == 0 else (0.75, 2.25, 2.75):
        yield Stroke("rim", beat, 0.55, bar % 3)
    for beat, pitch_hz in ((1.5, 310.0), (2.75, 233.0), (3.5, 277.0)):
        yield Stroke("block", beat, 0.4 + 0.1 * (bar % 2), pitch_hz)


def _groove(kind: str, bar: int, bars: int) -> Iterator[Stroke]:
    """Drums of one bar, beats within the bar."""
    full = kind in ("hook", "outro")
    for beat in _kicks(kind, bar, bars):
        yield Stroke("kick", beat, 0.75 if beat % 1 else 1.0)
    if full or kind == "verse":
        for beat in (1.0, 3.0):
            yield Stroke("clap", beat, 1.0 if full else 0.7)
            if full:
                yield Stroke("snare", beat, 0.55, bar % 3)
    if full:
        yield from (Stroke("open-hat", beat + 0.5, 0.9, bar % 3) for beat in range(4))
        yield from _hand_percussion(bar)
    shaking = full or kind == "pre" or (kind == "intro" and bar >= 4) or (kind == "verse" and bar >= 8)
    for step in range(16):
        accent = (0.55, 0.3, 0.8, 0.35)[step % 4]
        if shaking:
            yield Stroke("shaker", step / 4, accent * (1.0 if full else 0.75), (step + bar) % 5)
        if kind in ("verse", "intro", "pre") and step % 2 == 0:
            yield Stroke("hat", step / 4, 0.8 if step % 4 == 2 else 0.35, (step // 2 + bar) % 5)
        elif full and step % 4 != 2:
            yield Stroke("hat", step / 4, 0.4 + 0.15 * (step % 2), (step + bar) % 5)
    if kind in ("pre", "break"):
        yield from _build_up(bar, bars)
    elif bar % 8 == 7:
        yield from _fill()


def drums(section: Section) -> Iterator[Stroke]:
    """All drum strokes of a section; loudness wavers a little, the grid does not."""
    generator = np.random.default_rng(section.first_bar + 500)
    for bar in range(section.bars):
        for stroke in _groove(section.kind, bar, section.bars):
            waver = 1.0 if stroke.sound == "kick" else 1 + 0.08 * float(generator.uniform(-1, 1))
            beat = (section.first_bar + bar) * BEATS_PER_BAR + stroke.beat
            yield Stroke(stroke.sound, beat, stroke.gain * waver, stroke.detail)


# Bass figures: beat in the bar, length, semitones over the root, bite of the filter.
_BASS: Final = {
    "intro": ((0.5, 0.4, 12, 0.2), (1.5, 0.4, 12, 0.2), (2.5, 0.4, 12, 0.2), (3.5, 0.4, 12, 0.3)),
    "verse": (
        (0, 0.7, 12, 0.3),
        (0.75, 0.5, 12, 0.2),
        (1.5, 0.9, 12, 0.4),
        (2.75, 0.4, 19, 0.3),
        (3.5, 0.4, 12, 0.4),
    ),
    "pre": tuple((step / 2, 0.42, 12, 0.3 + 0.05 * step) for step in range(8)),
    "hook": (
        (0.0, 0.22, 12, 0.5),
        (0.5, 0.42, 12, 0.8),
        (1.25, 0.22, 12, 0.6),
        (1.5, 0.42, 24, 0.9),
        (2.25, 0.22, 12, 0.6),
        (2.5, 0.42, 12, 0.8),
        (3.25, 0.22, 19, 0.7),
        (3.5, 0.45, 24, 0.9),
    ),
}


def bass(section: Section) -> Iterator[Stroke]:
    """Bass notes of a section; ``detail`` is the pitch, ``gain`` the bite of the filter."""
    if section.kind == "break":
        for bar in range(section.bars):
            yield Stroke("bass", (section.first_bar + bar) * 4.0, 0.1, chord_at(section, bar).root + 12, 3.8)
        return
    figure = _BASS["hook" if section.kind == "outro" else section.kind]
    for bar in range(section.bars):
        root = chord_at(section, bar).root
        for beat, length, above, bite in figure:
            pitch = root + above
            yield Stroke("bass", (section.first_bar + bar) * 4.0 + beat, bite, pitch, length)


def keys(section: Section) -> Iterator[Stroke]:
    """Electric piano: chords on a syncopated figure; ``gain`` is the touch."""
    figure: tuple[tuple[float, float], ...] = {
        "verse": ((0.0, 1.4), (2.5, 1.3)),
        "pre": ((0.0, 1.9), (2.0, 1.9)),
        "break": ((0.0, 3.8),),
        "hook": ((0.0, 0.6), (0.75, 0.5), (1.5, 0.9), (2.75, 0.4), (3.5, 0.4)),
        "outro": ((0.0, 0.6), (0.75, 0.5), (1.5, 0.9), (2.75, 0.4), (3.5, 0.4)),
    }.get(section.kind, ())
    for bar in range(section.bars):
        for number, (beat, length) in enumerate(figure):
            for voice in chord_at(section, bar).voices:
                touch = 0.6 if number % 2 == 0 else 0.4
                yield Stroke("keys", (section.first_bar + bar) * 4.0 + beat, touch, voice, length)


_ARPEGGIO: Final = (0, 2, 1, 3, 2, 0, 3, 1, 0, 2, 3, 1, 2, 3, 0, 2)


def plucks(section: Section) -> Iterator[Stroke]:
    """Sixteenth-note figure over the chord, an octave up; ``length`` carries its openness 0..1."""
    for bar in range(section.bars):
        chord = chord_at(section, bar)
        grown = (bar + 1) / section.bars
        openness = {
            "intro": 0.25 + 0.35 * grown,
            "pre": 0.3 + 0.6 * grown,
            "hook": 0.85,
            "outro": 0.8 - 0.4 * grown,
        }
        if section.kind not in openness:
            continue
        for step in range(16):
            if section.kind == "intro" and step % 16 in (1, 5, 9, 12, 15):
                continue
            pitch = chord.voices[_ARPEGGIO[step]] + 12
            gain = 1.0 if step % 4 == 0 else 0.7
            level = round(openness[section.kind] * 8) / 8
            yield Stroke("pluck", (section.first_bar + bar) * 4.0 + step / 4, gain, pitch, level)


# Bells answer in the intro, the break and the end of each hook: beat in two bars, pitch.
_BELLS: Final = ((0.0, 85), (1.5, 81), (3.0, 80), (4.5, 81), (6.0, 78))


def bells(section: Section) -> Iterator[Stroke]:
    """A sparse tune on top."""
    if section.kind not in ("intro", "break", "outro"):
        return
    for bar in range(0, section.bars, 2):
        for beat, pitch in _BELLS:
            yield Stroke("bell", (section.first_bar + bar) * 4.0 + beat, 0.7, pitch)
