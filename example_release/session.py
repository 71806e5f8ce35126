"""The session that every version comes from: the band, the voices with their effects, the edits.

One call synthesises the stems once; a version is a sum of stems. Two decisions make the versions
line up to the sample:

- Words that a clean edit drops are never sent to reverb or echo, in no version. A mute of the dry
  voice therefore leaves nothing of the word behind and changes nothing outside it.
- The edits are gains on the dry vocal stem after all its processing, exactly 1 elsewhere.

Conventions
    stem    float32, stereo shape (2, frames), after the bus equaliser and before the limiter

Not here: limiter and loudness (``mastering``), files (``render``).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from example_release import mastering, score
from example_release.dsp import Signal, add_at, bell, equalise, highpass, reverberate, room, shelf, stereo
from example_release.instruments import pad
from example_release.lyrics import Phrase, ad_libs, lead, words
from example_release.mixing import ducking, level_out, perform, ping_pong
from example_release.scenario import (
    BARS,
    BEATS_PER_BAR,
    DJ_BARS,
    RATE_HZ,
    RING_OUT_BARS,
    SECTIONS,
    Section,
    bars_within,
    frame_of_bar,
    frame_of_beat,
    seconds_of_beat,
)
from example_release.score import Stroke
from example_release.voice import Singer, sing

EDITED_WORDS: Final = (3, 8, 17, 47, 72, 77, 121)  # numbers in ``lyrics.words()``
STILL_HEARD_IN_TAKE_1: Final = 8  # the one that the first clean edit let through
RAMP_S: Final = 0.005  # [s] of each mute's edges
_MUTE_LEAD_S = 0.008  # [s] a consonant fades in this much before its time
_MUTE_REACH_S = 0.028  # [s] a word's release, where no other word follows


@dataclass(frozen=True)
class Stems:
    """What the desk holds when the song has been played.

    Attributes:
        bars: length of the body.
        music: the band with its effects.
        voice: lead, doubles, harmonies and calls, dry.
        voice_wet: their reverb and echo.
        dj_groove: drums and bass of the hook, ``DJ_BARS`` bars and their decay.
    """

    bars: int
    music: Signal
    voice: Signal
    voice_wet: Signal
    dj_groove: Signal

    @property
    def frames(self) -> int:
        """Length of every version but the DJ edits."""
        return int(self.music.shape[1])

    @property
    def body_frames(self) -> int:
        """Length of the body, which a DJ edit holds unchanged."""
        return frame_of_bar(self.bars)


def mute_spans(take: int | None = None) -> tuple[tuple[int, int], ...]:
    """Return where the voice is dropped, as (first, end) frames with the ramps inside.

    Args:
        take: 1 for the first clean edit, 2 for the second; ``None`` for every edited word.

    Raises:
        ValueError: another take.
    """
    if take not in (None, 1, 2):
        raise ValueError("take is 1 or 2")
    sung = words()
    spans = []
    for index in EDITED_WORDS:
        if take == 1 and index == STILL_HEARD_IN_TAKE_1:
            continue
        following_s = sung[index + 1].start_s if index + 1 < len(sung) else np.inf
        end_s = min(sung[index].end_s + _MUTE_REACH_S, following_s)
        spans.append((round((sung[index].start_s - _MUTE_LEAD_S) * RATE_HZ), round(end_s * RATE_HZ)))
    return tuple(spans)


def mute_curve(spans: Iterable[tuple[int, int]], frames: int) -> Signal:
    """Return the gain of the dry voice: 1, and 0 inside each span, with raised-cosine ramps."""
    ramp = round(RAMP_S * RATE_HZ)
    fall = 0.5 + 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / ramp)
    curve = np.ones(frames, dtype=np.float32)
    for first, end in spans:
        dip = np.concatenate([fall, np.zeros(end - first - 2 * ramp), fall[::-1]])
        part = curve[first:end]
        part[:] = dip[: part.size]
    return curve


def _played(bars: int) -> list[Section]:
    """The arrangement, cut off after a number of bars."""
    kept = [section for section in SECTIONS if section.first_bar < bars]
    return [replace(section, bars=min(section.bars, bars - section.first_bar)) for section in kept]


def _transitions(sections: list[Section]) -> Iterator[Stroke]:
    """Cymbals, booms and risers around the seams of the arrangement."""
    for section in sections:
        start, end = section.first_bar * float(BEATS_PER_BAR), section.end_bar * float(BEATS_PER_BAR)
        if section.kind == "hook":
            yield Stroke("impact", start)
            yield from (Stroke("crash", start + beat) for beat in (0.0, 32.0))
        elif section.kind in ("break", "outro", "verse"):
            yield Stroke("crash", start, 0.8)
        if section.first_bar:
            yield Stroke("reverse", start, 1.0, length=3.0)
        if section.kind in ("pre", "break") and section.bars >= 4:
            yield Stroke("riser", end - 16, 1.0, length=16.0)


def _close(bars: int) -> Iterator[Stroke]:
    """The last chord, after the body: it rings out."""
    beat = float(bars * BEATS_PER_BAR)
    yield from (Stroke("kick", beat), Stroke("crash", beat, 0.9))
    yield Stroke("bass", beat, 0.4, score.F_SHARP_M.root + 12, 3.0)
    yield from (Stroke("keys", beat, 0.6, pitch, 4.0) for pitch in score.F_SHARP_M.voices)
    yield from (Stroke("bell", beat, 0.8, pitch) for pitch in (78, 85))


_PADS: Final = {"intro": (0.35, 700.0), "verse": (0.35, 900.0), "pre": (0.6, 1500.0), "hook": (0.75, 2600.0)}
_PADS_LATE: Final = {"break": (0.9, 1600.0), "outro": (0.6, 1400.0)}


def _pads(sections: list[Section], bus: Signal, send: Signal) -> None:
    """Hold the chords; bars with the same chord are joined."""
    for section in sections:
        level, cutoff_hz = (_PADS | _PADS_LATE)[section.kind]
        bar = 0
        while bar < section.bars:
            chord, length = score.chord_at(section, bar), 1
            while bar + length < section.bars and score.chord_at(section, bar + length) == chord:
                length += 1
            sound = pad(chord.voices, seconds_of_beat(length * BEATS_PER_BAR), cutoff_hz)
            frame = frame_of_bar(section.first_bar + bar)
            add_at(bus, sound, frame, 0.7 * level)
            add_at(send, sound.mean(axis=0), frame, 0.12 * level)
            bar += length


def _band(sections: list[Section], frames: int, *, rhythm_only: bool, closing_bar: int | None) -> Signal:
    """Play sections with the band; drums and bass alone for the DJ edits' added bars."""
    drums, tones = (np.zeros((2, frames), dtype=np.float32) for _ in range(2))
    send = np.zeros(frames, dtype=np.float32)
    strokes = [stroke for section in sections for stroke in score.drums(section)]
    closing = [] if closing_bar is None else list(_close(closing_bar))
    perform(strokes + [stroke for stroke in closing if stroke.sound in ("kick", "crash")], drums, send)
    kicks = [stroke.beat for stroke in strokes if stroke.sound == "kick"]
    perform((stroke for section in sections for stroke in score.bass(section)), tones, send)
    perform((stroke for stroke in closing if stroke.sound == "bass"), tones, send)
    tones *= ducking(kicks, frames, 0.75)
    drums += tones
    if not rhythm_only:
        perform(_transitions(sections), drums, send)
        tones[:] = 0.0
        for play in (score.keys, score.plucks, score.bells):
            perform((stroke for section in sections for stroke in play(section)), tones, send)
        _pads(sections, tones, send)
        perform((stroke for stroke in closing if stroke.sound in ("keys", "bell")), tones, send)
        tones = highpass(tones, 130.0).astype(np.float32)
        tones *= ducking(kicks, frames, 0.55)
        drums += tones
        drums += ping_pong(send, beats=0.75, repeats=3, fall=0.5)
    drums += reverberate(highpass(send, 220.0), room(1.7, dark_hz=5200, pre_delay_s=0.012, seed=301))
    return drums


_SCALE: Final = (54, 56, 57, 59, 61, 62, 64)  # F# natural minor


def _thirds(phrase: Phrase) -> list[int]:
    """Semitones from each note to the scale's third above it."""
    steps = []
    for _, _, pitch in phrase.notes:
        above = [
            step + 12 * octave for octave in range(-1, 4) for step in _SCALE if step + 12 * octave > pitch
        ]
        steps.append(above[1] - pitch)
    return steps


def _lay(takes: Iterable[tuple[Phrase, Singer, list[int] | None, float]], frames: int) -> Signal:
    """Sing takes into one mono track."""
    track = np.zeros(frames, dtype=np.float32)
    for phrase, singer, transpose, gain in takes:
        first, sound = sing(phrase, singer, transpose)
        add_at(track, sound, first, gain)
    return track


def _choir(bars: int, frames: int) -> list[tuple[Signal, float, float]]:
    """All vocal tracks with pan and level."""
    main = [phrase for phrase in lead() if phrase.bar < bars]
    hooks = [phrase for phrase in main if phrase.kind in ("hook", "pre")]
    late = [phrase for phrase in main if phrase.kind == "hook" and phrase.bar >= BARS["hook-2"].first_bar]
    calls = [phrase for phrase in ad_libs() if phrase.bar < bars]
    solo = [
        (phrase, Singer(1000 + phrase.bar, breath=0.05 if phrase.kind == "break" else 0.035), None, 1.0)
        for phrase in main
    ]
    tracks = [(_lay(solo, frames), 0.0, 1.0)]
    for number, (cents, late_s, pan) in enumerate(((-11.0, 0.008, -0.75), (9.0, 0.012, 0.75))):
        double = Singer(0, cents, late_s, 1.03 + 0.05 * number, 0.05, 7500.0)
        takes = [
            (phrase, replace(double, seed=2000 + 500 * number + phrase.bar), None, 1.0) for phrase in hooks
        ]
        tracks.append((_lay(takes, frames), pan, 0.34))
    for number, pan in enumerate((-0.5, 0.5)):
        third = Singer(0, 6.0 - 12 * number, 0.012, 1.1, 0.05, 7500.0)
        takes_up = [
            (phrase, replace(third, seed=4000 + 500 * number + phrase.bar), _thirds(phrase), 1.0)
            for phrase in late
        ]
        tracks.append((_lay(takes_up, frames), pan, 0.26))
    called = [(phrase, Singer(6000 + phrase.bar, vibrato_cents=40, tract=1.1), None, 1.0) for phrase in calls]
    tracks.append((_lay(called, frames), 0.35, 0.42))
    return tracks


def _voices(bars: int, frames: int) -> tuple[Signal, Signal]:
    """Return the dry and the wet vocal stem, before the bus equaliser."""
    dry = np.zeros((2, frames), dtype=np.float32)
    send = np.zeros(frames, dtype=np.float32)
    for track, pan, level in _choir(bars, frames):
        evened = level_out(highpass(track, 130.0), 0.055, 0.65)
        bright = equalise(evened, bell(280, -2.0), bell(3300, 5.0, 0.7), shelf(8500, 6.0, high=True))
        bright[np.abs(bright) < 1e-9] = 0.0
        dry += stereo((level * bright).astype(np.float32), pan)
        send += (level * bright).astype(np.float32)
    send *= mute_curve(mute_spans(), frames)  # see the module's first rule
    wet = ping_pong(0.30 * send, beats=0.75, repeats=5, fall=0.55)
    wet += reverberate(0.22 * send, room(2.3, dark_hz=6500, pre_delay_s=0.03, seed=401))
    return 2.0 * dry, 1.7 * wet


@lru_cache(maxsize=1)
def stems(seconds_limit: float | None = None) -> Stems:
    """Synthesise the session; the last result is kept, so two takes cost one synthesis.

    Args:
        seconds_limit: play only the whole bars within this time [s].
    """
    bars = bars_within(seconds_limit)
    frames = frame_of_bar(bars + RING_OUT_BARS)
    music = mastering.colour(_band(_played(bars), frames, rhythm_only=False, closing_bar=bars))
    voice, wet = (mastering.colour(stem) for stem in _voices(bars, frames))
    added = [Section("dj-bars", "hook", 0, DJ_BARS)]
    groove = _band(added, frame_of_beat(DJ_BARS * BEATS_PER_BAR + 2), rhythm_only=True, closing_bar=None)
    return Stems(bars, music, voice, wet, mastering.colour(groove))
