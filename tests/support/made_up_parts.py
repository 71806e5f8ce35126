"""A voice and a beat from a seed, simple and quick, that have nothing in common but tempo and key.

Conventions
    samples    float32, shape (frames, 2), full scale 1.0, 44.1 kHz, about -20 dBFS RMS
    sung       the voice sounds without a pause but in ``rests``; its level moves with vowel and consonant

Not here: the example song, which is closer to music (``rendered_pairs``).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.ndimage
import scipy.signal

Samples = npt.NDArray[np.float32]
Signal = npt.NDArray[np.float64]
RATE_HZ = 44_100
SCALE = np.array([0, 2, 3, 5, 7, 8, 10])  # [semitones] of the minor scale
VOWELS_HZ = np.array([[730, 1090, 2440], [270, 2290, 3010], [530, 1840, 2480], [300, 870, 2240]])


def voice(seconds: float, seed: int, root_hz: float = 220.0) -> Samples:
    """Sing random notes of a minor scale on vowels, with a hiss before some of them."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE_HZ)
    dry = np.zeros(frames)
    start = 0
    while start < frames:
        length = int(rng.integers(RATE_HZ // 8, RATE_HZ // 2))
        pitch_hz = root_hz * 2 ** ((rng.choice(SCALE) + 12 * rng.integers(0, 2)) / 12)
        note = _note(length, pitch_hz, rng)
        dry[start : start + length] += note[: frames - start]
        start += length - RATE_HZ // 50
    left = dry + _room(dry, rng)
    return _levelled(np.stack([left, dry + _room(dry, rng)], axis=1))


def beat(seconds: float, seed: int, root_hz: float = 110.0, bpm: float = 100.0) -> Samples:
    """Play kick, snare, hats, a bass line and held chords of saw waves."""
    rng = np.random.default_rng(seed)
    frames, step = round(seconds * RATE_HZ), 60 / bpm * RATE_HZ / 4
    bus = np.zeros((frames, 2))
    for sixteenth in range(int(frames / step) + 1):
        at = round(sixteenth * step)
        if sixteenth % 8 == 0 or rng.random() < 0.1:
            time = np.arange(RATE_HZ // 3) / RATE_HZ
            _add(bus, at, 0.9 * np.exp(-9 * time) * np.sin(2 * np.pi * (50 * time - 6 * np.exp(-25 * time))))
        if sixteenth % 8 == 4:
            _add(bus, at, 0.5 * _hit(rng, 14, 1200), rng.uniform(-0.3, 0.3))
        if sixteenth % 2 == 0 or rng.random() < 0.3:
            _add(bus, at, 0.2 * rng.uniform(0.5, 1) * _hit(rng, 50, 6000), rng.uniform(-0.5, 0.5))
        if sixteenth % 4 == 0:
            pitch_hz = root_hz / 2 * 2 ** (rng.choice(SCALE[[0, 0, 2, 3, 4]]) / 12)
            _add(bus, at, 0.25 * _saw(round(4 * step), pitch_hz, 600, rng))
        if sixteenth % 16 == 0:
            degree = int(rng.integers(0, 7))
            for third in (0, 2, 4):
                semitones = SCALE[(degree + third) % 7] + 12 * rng.integers(0, 2)
                chord = _saw(round(16 * step), 2 * root_hz * 2 ** (semitones / 12), 3000, rng)
                _add(bus, at, 0.08 * chord, rng.uniform(-0.8, 0.8))
    return _levelled(bus)


def held_note(seconds: float, seed: int, pitch_hz: float = 220.0, harmonics: int = 12) -> Samples:
    """One pitch all through, each harmonic as strong as 1/number and at a random phase."""
    rng, time = np.random.default_rng(seed), np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    tone = np.zeros(len(time))
    for number in range(1, harmonics + 1):
        tone += np.sin(2 * np.pi * (pitch_hz * number * time + rng.random())) / number
    return _levelled(np.stack([tone, tone], axis=1))


def hits(seconds: float, seed: int, low_hz: float, fall: float) -> Samples:
    """Bursts of noise at random times: hats, or consonants without a voice."""
    rng = np.random.default_rng(seed)
    bus = np.zeros((round(seconds * RATE_HZ), 2))
    for _ in range(round(5 * seconds)):
        _add(bus, int(rng.integers(0, len(bus))), _hit(rng, fall, low_hz), rng.uniform(-0.5, 0.5))
    return _levelled(bus)


def one_pitch_notes(
    seconds: float, seed: int, note_s: float, *, voices: int = 1, floor: float = 0.0
) -> Samples:
    """Notes of one instrument at few exact pitches, phases random, over a noise floor."""
    rng, frames, length = np.random.default_rng(seed), round(seconds * RATE_HZ), round(note_s * RATE_HZ)
    time, bus = np.arange(length) / RATE_HZ, np.zeros((frames, 2))
    shape = np.minimum(1, np.minimum(time / 0.02, (note_s - time) / 0.05))
    for start in range(0, frames, length):
        for _ in range(voices):
            pitch_hz = rng.choice([220.0, 261.63, 329.63, 440.0]) * 2.0 ** rng.integers(-1, 2)
            note = np.zeros(length)
            for number in range(1, 13):
                note += np.sin(2 * np.pi * (pitch_hz * number * time + rng.random())) / number
            _add(bus, start, shape * note)
    bus += 20 * floor * rng.standard_normal(bus.shape)
    return _levelled(bus)


def _note(frames: int, pitch_hz: float, rng: np.random.Generator) -> Signal:
    """One syllable: maybe a hiss, then a vowel that glides into place and trembles."""
    time = np.arange(frames) / RATE_HZ
    bend = 0.04 * np.exp(-time / 0.05) * rng.uniform(-1, 1) + 0.012 * np.sin(
        2 * np.pi * (rng.uniform(4.5, 6.5) * time + rng.random())
    )
    drift = np.cumsum(rng.standard_normal(frames)) * 2e-5
    phase = np.cumsum(pitch_hz * (1 + bend + drift)) / RATE_HZ
    pulses = 2 * (phase % 1) - 1 + 0.05 * rng.standard_normal(frames)
    sung = np.zeros(frames)
    for centre_hz, strength in zip(rng.permutation(VOWELS_HZ)[0], (1.0, 0.6, 0.3), strict=True):
        b, a = scipy.signal.iirpeak(centre_hz * rng.uniform(0.9, 1.1), 8, RATE_HZ)
        sung += strength * scipy.signal.lfilter(b, a, pulses)
    sung *= np.minimum(1, np.minimum(time / 0.03, (frames / RATE_HZ - time) / 0.03))
    if rng.random() < 0.4:
        hiss = rng.standard_normal(frames) * np.exp(-(((time - 0.04) / 0.025) ** 2))
        sung += 0.15 * np.diff(hiss, prepend=0)
    return sung * rng.uniform(0.6, 1)


def _saw(frames: int, pitch_hz: float, top_hz: float, rng: np.random.Generator) -> Signal:
    time = np.arange(frames) / RATE_HZ
    wave = 2 * ((pitch_hz * time + rng.random()) % 1) - 1
    b, a = scipy.signal.butter(2, top_hz / (RATE_HZ / 2))
    soft: Signal = scipy.signal.lfilter(b, a, wave)
    return soft * np.minimum(1, np.minimum(time / 0.01, (frames / RATE_HZ - time) / 0.02))


def _hit(rng: np.random.Generator, fall: float, low_hz: float) -> Signal:
    time = np.arange(RATE_HZ // 4) / RATE_HZ
    b, a = scipy.signal.butter(2, low_hz / (RATE_HZ / 2), "high")
    filtered: Signal = scipy.signal.lfilter(b, a, rng.standard_normal(len(time)))
    return filtered * np.exp(-fall * time)


def _room(dry: Signal, rng: np.random.Generator) -> Signal:
    fall = np.exp(-np.arange(RATE_HZ // 2) / (0.12 * RATE_HZ))
    response = 0.02 * fall * rng.standard_normal(len(fall))
    wet: Signal = scipy.signal.fftconvolve(dry, response)[: len(dry)]
    return wet


def _add(bus: Signal, first: int, sound: Signal, pan: float = 0.0) -> None:
    sound = sound[: max(0, len(bus) - first)]
    bus[first : first + len(sound)] += sound[:, None] * np.array([1 - pan, 1 + pan])


def _levelled(samples: Signal) -> Samples:
    """Bring to -20 dBFS RMS."""
    levelled: Samples = (0.1 * samples / np.sqrt(np.mean(samples**2))).astype(np.float32)
    return levelled
