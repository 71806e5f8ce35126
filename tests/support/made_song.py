"""A short song from a seed, in parts, and the pack of versions that a careful engineer would make of it.

It has what rules look at and nothing else: drums and bass on a grid, chords in a key, a voice in words
with rests between, an echo on the voice, and a few removed words. Every word is its own sound.

Conventions
    samples    float32, shape (frames, 2), full scale 1.0
    bars       counted from 0; grid lines are rounded once
    words      (start [s], end [s], loud); those that a clean edit removes have no echo

Not here: what may be wrong with a pack (``bad_packs``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from tests.support.qc_packs import Made, Samples

RATE_HZ = 44_100
CHORDS = ((42, 54, 57, 61), (38, 50, 57, 62), (45, 57, 61, 64), (40, 52, 59, 64))  # F#m D A E, as MIDI notes
Track = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Style:
    """How a song is made.

    Attributes:
        swing: how late every second eighth comes, part of a beat.
        jitter_s: standard deviation of every stroke, as of a drummer.
        drums_from: first bar with drums and bass; pickup_beats: of the song before its first downbeat.
        half_time: bars with half as many strokes; switch: bar from which the tempo is ``bpm * 1.25``.
        fade_bars: at the end; ring_s: after the last bar.
        width: of the chords, 0 for mono.
        first_s: silence before everything.
        voice_from: bar; chop: whether the beat has a voice sample of its own.
    """

    seed: int = 1
    bpm: float = 122.0
    beats: int = 4
    bars: int = 12
    swing: float = 0.0
    jitter_s: float = 0.0
    drums_from: int = 0
    pickup_beats: int = 0
    half_time: tuple[int, ...] = ()
    fade_bars: int = 0
    ring_s: float = 1.5
    width: float = 0.6
    first_s: float = 0.0
    voice_from: int = 2
    chop: bool = False
    lo_fi: bool = False
    quiet_bars: int = 0
    eighths: bool = False  # the beat counts eighths: 6/8


@dataclass
class Parts:
    """The stems of a song, of one length."""

    style: Style
    drums: Track
    bass: Track
    chords: Track
    voice: Track
    echo: Track
    words: list[tuple[float, float]]
    removed: list[int] = field(default_factory=list)
    double: Track | None = None

    @property
    def frames(self) -> int:
        """Length."""
        return len(self.drums)

    @property
    def beat(self) -> Track:
        """All but the voice."""
        return self.drums + self.bass + self.chords

    def mute(
        self, which: Sequence[int], *, late_s: float = 0.0, early_s: float = 0.0, gain: float = 0.0,
        ramp_s: float = 0.005,
    ) -> Track:  # fmt: skip
        """Return a gain curve that takes some words out."""
        curve = np.ones((self.frames, 1))
        ramp = max(1, round(ramp_s * RATE_HZ))
        for index in which:
            start, end = self.words[index]
            first = round((start - 0.02 + late_s) * RATE_HZ)
            last = min(round((end + 0.02 - early_s) * RATE_HZ), self.frames)
            curve[first:last] = gain
            curve[first : first + ramp, 0] = np.linspace(1, gain, ramp)
            curve[last - ramp : last, 0] = np.linspace(gain, 1, ramp)
        return curve


def seconds_of(style: Style, beat: float) -> float:
    """Return the time of a beat, counted from 0 at the first downbeat."""
    return style.first_s + (beat + style.pickup_beats) * 60 / style.bpm


def _tone(midi: float, seconds: float, harmonics: int, decay_s: float, rng: np.random.Generator) -> Track:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    hz = 440 * 2 ** ((midi - 69) / 12)
    tone = sum(
        np.sin(2 * np.pi * hz * number * time + rng.uniform(0, 6.28)) / number
        for number in range(1, harmonics + 1)
        if hz * number < 16_000
    )
    return np.asarray(tone * np.exp(-time / decay_s), np.float64)


def _add(track: Track, sound: Track, at_s: float, left: float, right: float) -> None:
    first = round(at_s * RATE_HZ)
    end = min(len(track), first + len(sound))
    if end > max(first, 0):
        part = sound[max(0, -first) : end - first]
        track[max(first, 0) : end, 0] += left * part
        track[max(first, 0) : end, 1] += right * part


def _word(rng: np.random.Generator, seconds: float) -> Track:
    """Return one word: a consonant, then a vowel that moves."""
    count = round(seconds * RATE_HZ)
    time = np.arange(count) / RATE_HZ
    hz = rng.uniform(180, 330) * (1 + rng.uniform(-0.1, 0.1) * time / seconds)
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    formants = rng.uniform((350, 900, 2300), (800, 2000, 3000))
    vowel = np.zeros(count)
    for number in range(1, 18):
        weight = sum(np.exp(-(((number * hz.mean() - middle) / 220) ** 2)) for middle in formants)
        vowel += (0.15 + weight) * np.sin(number * phase + rng.uniform(0, 6.28)) / number**0.4
    noise = rng.standard_normal(count) * np.exp(-time / 0.03)
    shape = np.minimum(1, time / 0.015) * np.minimum(1, (seconds - time) / 0.05)
    word = vowel / np.abs(vowel).max() * shape + 0.25 * noise * np.minimum(1, time / 0.002)
    return np.asarray(word, np.float64)


@lru_cache(maxsize=48)
def parts(style: Style) -> Parts:
    """Make the stems of a song; the same style gives the same samples."""
    rng = np.random.default_rng(style.seed)
    beat_s = 60 / style.bpm
    total = style.bars * style.beats
    frames = round((seconds_of(style, total) + style.ring_s) * RATE_HZ)
    drums, bass, chords, voice = (np.zeros((frames, 2)) for _ in range(4))
    kick_time = np.arange(round(0.25 * RATE_HZ)) / RATE_HZ
    kick = np.sin(
        2 * np.pi * ((45 + 3 * (style.seed % 7)) * kick_time + 6 * (1 - np.exp(-kick_time / 0.02)))
    ) * np.exp(-kick_time / 0.09)
    snare = rng.standard_normal(round(0.18 * RATE_HZ)) * np.exp(-np.arange(round(0.18 * RATE_HZ)) / 2200)
    hat = np.diff(rng.standard_normal(round(0.06 * RATE_HZ) + 1)) * np.exp(
        -np.arange(round(0.06 * RATE_HZ)) / 500
    )
    for beat in range(style.drums_from * style.beats, total):
        bar, within = divmod(beat, style.beats)
        slow = bar in style.half_time
        strokes = [(kick, 0.5, 0.0)] if not slow or within == 0 else []
        if within in ({2} if slow else {1, 3} if style.beats == 4 else {style.beats // 2}):
            strokes.append((snare, 0.16, 0.0))
        strokes += [(hat, 0.07, 0.0), (hat, 0.05, 0.5 + style.swing)]
        for sound, gain, later in strokes:
            at = seconds_of(style, beat + later) + rng.normal(0, style.jitter_s) * (style.jitter_s > 0)
            played = sound * rng.uniform(0.85, 1.0)
            _add(drums, played, at, gain, gain)
        if not slow or within % 2 == 0:
            note = CHORDS[bar % 4][0] - 0
            _add(bass, _tone(note, beat_s * 0.9, 4, 0.4, rng), seconds_of(style, beat), 0.2, 0.2)
    for bar in range(-(style.pickup_beats > 0), style.bars):
        for place, note in enumerate(CHORDS[bar % 4]):
            start = max(seconds_of(style, bar * style.beats), style.first_s)
            tone = _tone(note + 12, style.beats * beat_s, 6, 1.5, rng)
            side = style.width * (place - 1.5) / 1.5
            _add(chords, tone, start, 0.05 * (1 + side), 0.05 * (1 - side))
    if style.chop:
        chop = _word(rng, 0.2)
        for bar in range(style.bars):
            _add(chords, chop, seconds_of(style, bar * style.beats + 1.5), 0.15, 0.1)
    words = _sing(style, voice, rng)
    removed = list(range(2, len(words), 4))
    echo = _echo(voice, words, removed, beat_s)
    made = Parts(style, drums, bass, chords, voice, echo, words, removed)
    _shape(made)
    return made


def _sing(style: Style, voice: Track, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Sing words with rests between, and return where they are."""
    words = []
    at = style.voice_from * style.beats + 0.25
    while at < style.bars * style.beats - 2:
        seconds = float(rng.uniform(0.3, 0.55))
        start = seconds_of(style, at)
        _add(voice, _word(rng, seconds), start, 0.22, 0.2)
        words.append((start, start + seconds))
        at += float(np.ceil((seconds + 0.2) * style.bpm / 60 * 2) / 2)
    return words


def _echo(voice: Track, words: list[tuple[float, float]], removed: list[int], beat_s: float) -> Track:
    """Return echo and a bit of room of all words but the removed ones."""
    sent = voice.copy()
    for index in removed:
        start, end = words[index]
        sent[round((start - 0.02) * RATE_HZ) : round((end + 0.02) * RATE_HZ)] = 0
    echo = np.zeros_like(voice)
    for repeat in range(1, 4):
        delay = round(0.75 * beat_s * repeat * RATE_HZ)
        echo[delay:] += 0.2 * 0.45**repeat * sent[: len(sent) - delay, ::-1]
    return echo


def _shape(made: Parts) -> None:
    """Fade, soften or narrow, as the style says."""
    style = made.style
    curve = np.ones((made.frames, 1))
    if style.fade_bars:
        first = round(seconds_of(style, (style.bars - style.fade_bars) * style.beats) * RATE_HZ)
        curve[first:, 0] = np.linspace(1, 0, made.frames - first) ** 2
    if style.quiet_bars:
        curve[: round(seconds_of(style, style.quiet_bars * style.beats) * RATE_HZ)] = 0.15
    for name in ("drums", "bass", "chords", "voice", "echo"):
        track = getattr(made, name) * curve
        if style.lo_fi:
            track = np.repeat(track.mean(axis=1, keepdims=True), 2, axis=1)
            spectrum = np.fft.rfft(track, axis=0)
            spectrum[np.fft.rfftfreq(len(track), 1 / RATE_HZ) > 9_000] = 0
            track = np.fft.irfft(spectrum, len(track), axis=0)
        setattr(made, name, track)


Master = Callable[[Track], Samples]


def plain_master(gain: float = 1.0) -> Master:
    """Return a gentle saturation without memory, and 24 bits."""

    def master(mix: Track) -> Samples:
        return as_24_bit(0.89 * np.tanh(gain * mix / 0.89))

    return master


def as_24_bit(mix: Track) -> Samples:
    """Round to 24 bits, clipping at full scale."""
    return (np.clip(np.rint(mix * 2**23), -(2**23), 2**23 - 1) / 2**23).astype(np.float32)


def dj_edit(made: Parts, body: Track, *, bars: int = 8, after: int | None = None) -> Track:
    """Return a song with bars of its own drums and bass before and after it."""
    style = made.style
    bar_s = style.beats * 60 / style.bpm
    hook = round((seconds_of(style, max(style.drums_from, 4) * style.beats)) * RATE_HZ)
    loop_bars = 4
    groove = made.drums + made.bass

    def added(count: int) -> Track:
        track = np.zeros((round(count * bar_s * RATE_HZ), 2))
        for start in range(0, count, loop_bars):
            first, last = (round(each * bar_s * RATE_HZ) for each in (start, min(start + loop_bars, count)))
            track[first:last] = groove[hook : hook + last - first]
        return track

    intro, outro = added(bars), added(bars if after is None else after)
    pickup = round((style.first_s + style.pickup_beats * 60 / style.bpm) * RATE_HZ)
    start = len(intro) - pickup  # the first downbeat falls on the bar line
    end = start + round(seconds_of(style, style.bars * style.beats) * RATE_HZ)
    seam = np.linspace(1, 0, 530)[:, None]
    intro[len(intro) - len(seam) - pickup : len(intro) - pickup] *= seam
    intro[len(intro) - pickup :] *= 0
    edit = np.zeros((max(end + len(outro), start + len(body)), 2))
    edit[: len(intro)] += intro
    edit[start : start + len(body)] += body
    edit[end : end + len(outro)] += outro
    return edit[: end + len(outro)]


def pack(made: Parts, master: Master | None = None, **more: object) -> Made:
    """Return the seven versions of a song, as they should be."""
    master = master or plain_master()
    style = made.style
    clean = made.voice * made.mute(made.removed)
    mixes = {
        "explicit": made.beat + made.voice + made.echo,
        "clean": made.beat + clean + made.echo,
        "instrumental": made.beat,
        "acapella": made.voice + made.echo,
        "acapella-clean": clean + made.echo,
    }
    mixes["dj"] = dj_edit(made, mixes["explicit"])
    mixes["dj-clean"] = dj_edit(made, mixes["clean"])
    first = style.first_s + style.pickup_beats * 60 / style.bpm
    bars = f'tempo_bpm = {style.bpm}\nmeter = "{style.beats}/{8 if style.eighths else 4}"'
    if style.eighths:
        bars += '\ntempo_counts = "eighth"'
    if first:
        bars += f"\nfirst_downbeat_s = {first:.6f}"
    if style.pickup_beats:
        bars += f"\npickup_beats = {style.pickup_beats}"
    return Made({name: master(mix) for name, mix in mixes.items()}, bars=bars, **more)  # type: ignore[arg-type]
