"""Pitched instruments: bass, pad, electric keys, pluck and bells.

Conventions
    pitch    MIDI note number
    length   [s] while the key is down; the sound goes on a little after it
    output   float64; bass and pluck mono shape (frames,), pad and keys stereo (2, frames)

Saw-like tones are sums of harmonics, so that nothing folds back from above half the rate. Every
note is made once and kept.

Not here: chords and patterns (``score``), panning and sends (``session``).
"""

from __future__ import annotations

from functools import cache

import numpy as np

from example_release.dsp import Signal, fade, seconds

_TABLE = 4096  # points of one period


def hertz(pitch: float) -> float:
    """Equal temperament, A4 = 440 Hz."""
    return float(440.0 * 2 ** ((pitch - 69) / 12))


@cache
def _saw_period(pitch: float, cutoff_hz: float) -> Signal:
    """One period of a saw through a gentle low pass, without aliases."""
    order = np.arange(1, max(int(15_000 / hertz(pitch)), 1) + 1)
    strength = 1 / order / np.sqrt(1 + (order * hertz(pitch) / cutoff_hz) ** 4)
    phase = np.arange(_TABLE) / _TABLE
    period: Signal = (strength[:, None] * np.sin(2 * np.pi * order[:, None] * phase)).sum(axis=0)
    return period


def _read(period: Signal, turns: Signal) -> Signal:
    """Look a phase up in a period with linear interpolation."""
    place = (turns % 1.0) * _TABLE
    left = place.astype(np.int64)
    part = place - left
    return period[left % _TABLE] * (1 - part) + period[(left + 1) % _TABLE] * part


@cache
def bass(pitch: int, length_s: float, bite: float) -> Signal:
    """Round synthesiser bass: sub sine and a filtered saw that closes after the attack.

    Args:
        pitch: MIDI note number.
        length_s: key down [s].
        bite: 0..1, how far the filter opens.
    """
    time = seconds(length_s + 0.06)
    turns = hertz(pitch) * time
    dark = _read(_saw_period(pitch, 260), turns)
    mid = _read(_saw_period(pitch, 800), turns + 0.003 * np.sin(2 * np.pi * 0.7 * time))
    bright = _read(_saw_period(pitch, 2400), turns)
    opening = bite * np.exp(-time / 0.09)
    tone = (
        0.75 * np.sin(2 * np.pi * turns) + 0.5 * dark + (0.25 + 0.5 * opening) * mid + 0.45 * opening * bright
    )
    tone *= 0.85 + 0.15 * np.exp(-time / 0.15)
    return fade(np.tanh(1.1 * tone) * 0.7, start_s=0.003, end_s=0.05)


@cache
def pad(pitches: tuple[int, ...], length_s: float, cutoff_hz: float) -> Signal:
    """Slow strings: three detuned saws a note, different on each side, stereo."""
    time = seconds(length_s + 0.5)
    generator = np.random.default_rng(sum(pitches) * 1009 + round(length_s * 100))
    out = np.zeros((2, time.size))
    for pitch in pitches:
        period = _saw_period(pitch, cutoff_hz)
        for side in (0, 1):
            for cents in (-9.0, 1.5, 8.0):
                sway = 0.002 * np.sin(2 * np.pi * (0.31 * time + generator.random()))
                off = cents + generator.uniform(-2, 2)
                out[side] += _read(period, hertz(pitch + off / 100) * time + sway + generator.random())
    return fade(out * (0.16 / np.sqrt(len(pitches))), start_s=0.28, end_s=0.6)


@cache
def keys(pitch: int, length_s: float, touch: float) -> Signal:
    """Electric piano: two sines that modulate two others, with a slow stereo tremolo.

    Args:
        pitch: MIDI note number.
        length_s: key down [s].
        touch: 0..1; a harder stroke is brighter.
    """
    time = seconds(length_s + 0.25)
    angle = 2 * np.pi * hertz(pitch) * time
    tine = np.sin(14 * angle) * np.exp(-time / 0.06) * 0.5 * touch
    reed = np.sin(angle * 1.0007) * np.exp(-time / 0.9) * (0.4 + 1.1 * touch)
    body = np.sin(angle + reed) + 0.35 * np.sin(angle + tine)
    body *= np.exp(-time / (1.4 if pitch < 60 else 1.0)) * 0.35
    sway = 0.22 * np.sin(2 * np.pi * 2.0333 * time)
    return fade(np.stack([body * (1 + sway), body * (1 - sway)]), start_s=0.002, end_s=0.22)


@cache
def pluck(pitch: int, openness: float) -> Signal:
    """Short, bright, string-like: upper harmonics die first.

    Args:
        pitch: MIDI note number.
        openness: 0..1, like a filter knob over the song.
    """
    time = seconds(0.55)
    base = hertz(pitch)
    count = min(int(14_000 / base), 24)
    out = np.zeros(time.size)
    for order in range(1, count + 1):
        fall = (0.05 + 0.30 * openness) / order**0.8
        strength = order ** (-1.0 - 0.9 * (1 - openness)) * (1 if order % 2 else 0.6)
        out += (
            strength
            * np.sin(2 * np.pi * order * base * time * (1 + 0.00004 * order**2))
            * np.exp(-time / fall)
        )
    return fade(out * 0.4, start_s=0.001, end_s=0.1)


@cache
def bell(pitch: int) -> Signal:
    """Glassy bell for the intro and the break."""
    time = seconds(1.8)
    out = np.zeros(time.size)
    for ratio, strength, fall in ((1, 1, 0.7), (2.01, 0.5, 0.45), (3.9, 0.25, 0.2), (6.8, 0.1, 0.1)):
        out += strength * np.sin(2 * np.pi * ratio * hertz(pitch) * time) * np.exp(-time / fall)
    return fade(out * 0.3, start_s=0.002, end_s=0.3)
