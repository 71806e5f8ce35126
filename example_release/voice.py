"""A singing voice: harmonics and noise through the moving resonances of a mouth.

A phrase is rendered as a whole, so that pitch and vowels glide from one note to the next. All
controls are tracks of one value per ``HOP`` frames; the tone is a sum of harmonics whose strength
follows the vocal tract's response (a chain of resonators), the noise is shaped window by window.

Conventions
    track   one value per control frame, shape (controls,) or (formants, controls)
    pitch   MIDI note numbers, fractions allowed
    output  mono float32, about -20 dBFS RMS while singing

Not here: which words (``lyrics``), doubling, echo, loudness in the mix (``session``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from example_release.dsp import Signal, noise
from example_release.lyrics import Note, Phrase
from example_release.phonemes import CENTRAL, CONSONANTS, VOWELS, Consonant, Syllable, parse
from example_release.scenario import RATE_HZ, frame_of_beat, seconds_of_beat

HOP = 64  # frames per control value: 1.45 ms
PRE_ROLL_FRAMES = 128 * HOP  # sounding room before the phrase's first bar line: 0.19 s
_TAIL_S = 0.35
_HIGHER_FORMANTS = np.array([4500.0, 5600.0, 6700.0, 7900.0, 9200.0])
_BANDWIDTHS = np.array([95.0, 110.0, 150.0, 200.0, 280.0, 420.0, 560.0, 700.0, 900.0])
_BLOCK = 384  # control frames summed at a time
_WINDOW = 4 * HOP  # of the noise shaping: 5.8 ms


@dataclass(frozen=True)
class Singer:
    """How one take of a phrase is sung.

    Attributes:
        seed: of drift, vibrato phase and breath.
        cents: detuning.
        late_s: behind (or, negative, ahead of) the beat [s].
        tract: vocal tract length factor on the formants; above 1 is a smaller head.
        breath: level of breath noise.
        top_hz: no harmonics above this.
        vibrato_cents: depth on long notes.
    """

    seed: int
    cents: float = 0.0
    late_s: float = 0.0
    tract: float = 1.06
    breath: float = 0.035
    top_hz: float = 11_000.0
    vibrato_cents: float = 28.0


@dataclass
class _Tracks:
    """The controls of one phrase."""

    pitch: Signal
    formants: Signal
    voicing: Signal
    hiss: Signal  # noise level
    hiss_centre: Signal  # [Hz]
    hiss_width: Signal  # [Hz]
    long_note: Signal  # 0..1, how far into a held note: lets vibrato grow


def _smooth(track: Signal, length_s: float) -> Signal:
    """Moving Hann average along the last axis; ends are held."""
    half = max(round(length_s * RATE_HZ / HOP / 2), 1)
    window = np.hanning(2 * half + 3)[1:-1]
    window = window / window.sum()
    rows = np.atleast_2d(track)
    out = np.stack([np.convolve(np.pad(row, half, mode="edge"), window, "valid") for row in rows])
    return out if track.ndim == 2 else out[0]


def _control(time_s: float) -> int:
    """Control frame of a time counted from the phrase's first bar line."""
    return max(round((time_s * RATE_HZ + PRE_ROLL_FRAMES) / HOP), 0)


def _note_span(note: Note, following: Note | None, next_lead_s: float) -> tuple[float, float]:
    """Start and end of a note [s]; it is sung through to the next consonant when that is near."""
    start, end = seconds_of_beat(note[0]), seconds_of_beat(note[0] + note[1])
    if following is not None:
        consonant = seconds_of_beat(following[0]) - next_lead_s
        end = consonant if consonant - end < 0.09 else end
    return start, end


def _gesture(tracks: _Tracks, sound: Consonant, first: int, last: int) -> None:
    """Write a consonant into the tracks."""
    tracks.voicing[first:last] = sound.voicing
    noisy = last - max((last - first) // 3, 4) if sound.burst else first
    tracks.hiss[noisy : last + (6 if sound.burst else 0)] = sound.noise
    tracks.hiss_centre[first : last + 8] = sound.centre_hz
    tracks.hiss_width[first : last + 8] = sound.width_hz
    if sound.formants is not None:
        tracks.formants[:, first:last] = np.array(sound.formants)[:, None]


def _score(phrase: Phrase, singer: Singer, transpose: list[int]) -> _Tracks:
    """Turn a phrase's syllables and notes into stepwise control tracks."""
    controls = _control(seconds_of_beat(phrase.notes[-1][0] + phrase.notes[-1][1]) + _TAIL_S)
    tracks = _Tracks(
        np.full(controls, float(phrase.notes[0][2] + transpose[0])),
        np.repeat(np.array(CENTRAL)[:, None], controls, axis=1),
        np.zeros(controls),
        np.zeros(controls),
        np.full(controls, 4000.0),
        np.full(controls, 2000.0),
        np.zeros(controls),
    )
    syllables: list[Syllable] = [parse(text) for text in phrase.syllables]
    for number, (syllable, note) in enumerate(zip(syllables, phrase.notes, strict=True)):
        final = number + 1 == len(syllables)
        following = None if final else phrase.notes[number + 1]
        next_lead_s = 0.0 if final else syllables[number + 1].lead_in_s
        start_s, end_s = _note_span(note, following, next_lead_s)
        onset, first, last = _control(start_s - syllable.lead_in_s), _control(start_s), _control(end_s)
        tracks.pitch[onset:] = note[2] + transpose[number]
        tracks.formants[:, onset:] = np.array(VOWELS[syllable.vowel])[:, None]
        _gesture(tracks, CONSONANTS[syllable.onset], onset, first)
        held = np.arange(last - first) * HOP / RATE_HZ
        tracks.voicing[first:last] = 0.82 + 0.18 * np.sin(np.pi * np.linspace(0.1, 0.95, last - first))
        tracks.long_note[first:last] = np.clip((held - 0.22) / 0.3, 0, 1)
        if syllable.coda:
            coda = CONSONANTS[syllable.coda]
            _gesture(tracks, coda, max(last - _control(coda.seconds) + _control(0.0), first), last)
    tracks.formants *= singer.tract
    return tracks


def _pitch_hz(tracks: _Tracks, singer: Singer) -> Signal:
    """Portamento, a scoop into each entry, drift and vibrato over the written pitches."""
    time = np.arange(tracks.pitch.size) * HOP / RATE_HZ
    generator = np.random.default_rng(singer.seed)
    drift = _smooth(generator.standard_normal(time.size), 0.5)
    drift *= 0.09 / max(float(np.std(drift)), 1e-9)
    flutter = _smooth(generator.standard_normal(time.size), 0.03)
    flutter *= 0.03 / max(float(np.std(flutter)), 1e-9)
    rate = 5.3 + 0.4 * generator.random()
    vibrato = np.sin(2 * np.pi * (rate * time + generator.random())) * singer.vibrato_cents / 100
    entries = _smooth((tracks.voicing < 0.05).astype(float), 0.11)
    semitones = _smooth(tracks.pitch, 0.075) + drift + flutter - 0.8 * entries
    semitones += vibrato * _smooth(tracks.long_note, 0.15) + singer.cents / 100
    hertz: Signal = 440.0 * 2 ** ((semitones - 69) / 12)
    return hertz


def _tract_gain(frequency: Signal, formants: Signal) -> Signal:
    """Strength of the vocal tract at a frequency; both vary over the controls.

    The phase of the resonators is left out; the signs of the harmonics stand in for it.
    """
    gain = np.ones(np.broadcast_shapes(frequency.shape, formants[0].shape))
    for centre, width in zip(formants, _BANDWIDTHS, strict=True):
        gain *= centre**2 / np.sqrt((centre**2 - frequency**2) ** 2 + (width * frequency) ** 2)
    return gain


def _signs(count: int) -> Signal:
    """Rudin-Shapiro signs: they keep the harmonics from piling into one spike per period."""
    order = np.arange(count)
    pairs = order & (order >> 1)
    ones = sum((pairs >> bit) & 1 for bit in range(8))
    signs: Signal = np.where(np.asarray(ones) % 2, -1.0, 1.0)
    return signs


def _tone(hertz: Signal, formants: Signal, voicing: Signal, top_hz: float) -> Signal:
    """Sum the harmonics of the voiced part; sines by recurrence, block by block to stay in cache."""
    highest = int(top_hz / hertz.min())
    order = np.arange(1, highest + 1)[:, None]
    frequency = order * hertz[None, :]
    strength = _tract_gain(frequency, formants) / order**0.9
    strength[frequency > top_hz] = 0.0
    level = np.sqrt((strength**2).sum(axis=0))
    strength *= 0.14 * voicing / (level**0.75 * np.median(level) ** 0.25)
    strength *= _signs(highest)[:, None]
    step = np.diff(strength, axis=1, append=strength[:, -1:])
    grid = (np.arange(HOP) / HOP)[None, :]
    glide = hertz[:, None] + np.diff(hertz, append=hertz[-1:])[:, None] * grid
    angle = 2 * np.pi * (np.cumsum(glide / RATE_HZ).reshape(glide.shape) % 1.0)
    tone = np.zeros(glide.shape)
    for first in range(0, hertz.size, _BLOCK):
        rows = slice(first, first + _BLOCK)
        # sin((k + 1) x) = 2 cos(x) sin(k x) - sin((k - 1) x)
        before, sine, turn = np.zeros_like(angle[rows]), np.sin(angle[rows]), 2 * np.cos(angle[rows])
        part, gain = np.empty_like(sine), np.empty_like(sine)
        for number in range(highest):
            np.multiply(step[number, rows, None], grid, out=gain)
            gain += strength[number, rows, None]
            gain *= sine
            tone[rows] += gain
            np.multiply(turn, sine, out=part)
            part -= before
            before, sine, part = sine, part, before
    return tone.ravel()


def _air(tracks: _Tracks, formants: Signal, voicing: Signal, singer: Singer) -> Signal:
    """Breath through the tract, and the hiss of consonants: noise shaped window by window."""
    controls = voicing.size
    bins = np.fft.rfftfreq(_WINDOW, 1 / RATE_HZ)[:, None]
    shape = singer.breath * voicing * np.minimum(_tract_gain(bins, formants), 8.0)
    shape = shape * (bins / (bins + 1500.0))
    lobe = np.exp(-(((bins - tracks.hiss_centre) / tracks.hiss_width) ** 2))
    shape += _smooth(tracks.hiss, 0.008) * lobe * 0.55
    source = noise((controls + 4) * HOP, singer.seed + 7)
    windows = np.lib.stride_tricks.sliding_window_view(source, _WINDOW)[::HOP][:controls]
    taper = np.hanning(_WINDOW + 1)[:-1]
    pieces = np.fft.irfft(np.fft.rfft(windows * taper, axis=1) * shape.T, axis=1) * taper
    out = np.zeros((controls + 4) * HOP)
    for part in range(4):
        lane = pieces[:, part * HOP : (part + 1) * HOP].ravel()
        out[part * HOP : part * HOP + lane.size] += lane
    # A window's centre lies two hops after its start.
    air: Signal = out[2 * HOP : 2 * HOP + controls * HOP] * 0.12
    return air


def sing(phrase: Phrase, singer: Singer, transpose: list[int] | None = None) -> tuple[int, Signal]:
    """Render a phrase.

    Args:
        phrase: what to sing.
        singer: how.
        transpose: semitones added to each note; ``None`` for the melody as written.

    Returns:
        The frame of the song at which the sound begins (may be negative), and the sound.
    """
    tracks = _score(phrase, singer, transpose or [0] * len(phrase.notes))
    hertz = _pitch_hz(tracks, singer)
    glide = _smooth(tracks.formants, 0.055)
    glide[0] = np.maximum(glide[0], 1.03 * hertz)  # singers open the mouth on high notes
    higher = np.repeat(_HIGHER_FORMANTS[:, None], glide.shape[1], axis=1) * singer.tract
    formants = np.concatenate([glide, higher])
    voicing = _smooth(tracks.voicing, 0.035)
    voicing[voicing < 1e-4] = 0.0
    tone = _tone(hertz, formants, voicing, singer.top_hz)
    sound = tone + _air(tracks, formants, voicing, singer)
    first = frame_of_beat(phrase.first_beat) - PRE_ROLL_FRAMES + round(singer.late_s * RATE_HZ)
    return first, sound.astype(np.float32)
