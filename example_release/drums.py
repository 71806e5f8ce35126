"""Drum and noise sounds, each made from a few oscillators and filtered noise.

Conventions
    output   float64 in about -1..1; mono shape (frames,) unless it says stereo (2, frames)
    variant  hats and shakers exist in several takes, so that no two strokes are alike

Every sound is made once and kept. Not here: when they are struck (``score``).
"""

from __future__ import annotations

from functools import cache

import numpy as np

from example_release.dsp import Signal, bandpass, fade, highpass, lowpass, noise, seconds, stereo

VARIANTS = 5


def _sweep(time: Signal, start_hz: float, end_hz: float, fall_s: float) -> Signal:
    """Sine whose pitch falls exponentially."""
    turns = end_hz * time + (start_hz - end_hz) * fall_s * (1 - np.exp(-time / fall_s))
    swept: Signal = np.sin(2 * np.pi * turns)
    return swept


@cache
def kick() -> Signal:
    """Deep, short, with a click on the first frames."""
    time = seconds(0.42)
    body = _sweep(time, 210, 47, 0.028) * np.exp(-time / 0.13)
    knock = _sweep(time, 1100, 160, 0.008) * np.exp(-time / 0.012)
    click = highpass(noise(time.size, 11), 2500) * np.exp(-time / 0.003)
    return fade(np.tanh(1.6 * (body + 0.35 * knock + 0.12 * click)), end_s=0.05)


@cache
def clap() -> Signal:
    """Four hands that do not quite meet, stereo."""
    time = seconds(0.34)
    sides = []
    for side in (0, 1):
        hands = np.zeros(time.size)
        for late_s, strength in ((0.0, 0.6), (0.009, 0.7), (0.019, 0.8), (0.028 + 0.002 * side, 1.0)):
            since = time - late_s
            hands += np.where(since >= 0, strength * np.exp(-np.maximum(since, 0) / 0.009), 0)
        hands += np.where(time > 0.03, 0.5 * np.exp(-(time - 0.03) / 0.075), 0)
        sides.append(bandpass(noise(time.size, 21 + side), 900, 6500) * hands)
    return fade(np.stack(sides) * 0.6, end_s=0.05)


@cache
def snare(variant: int = 0) -> Signal:
    """A small dry snare."""
    time = seconds(0.24)
    shell = _sweep(time, 320, 185, 0.02) * np.exp(-time / 0.06)
    wires = highpass(noise(time.size, 31 + variant), 1400) * np.exp(-time / 0.07)
    return fade(0.75 * shell + 0.35 * wires, end_s=0.03)


def _metal(time: Signal, seed: int) -> Signal:
    """Six square waves without a common measure, and noise."""
    generator = np.random.default_rng(seed)
    ring = np.zeros(time.size)
    for hertz in (3217.0, 4339.0, 5471.0, 7019.0, 8753.0, 10_391.0):
        ring += np.sign(np.sin(2 * np.pi * (hertz * (1 + 0.06 * generator.random()) * time)))
    return highpass(0.06 * ring + 0.6 * noise(time.size, seed + 1), 6500, 4)


@cache
def hat(variant: int = 0) -> Signal:
    """Closed hi-hat."""
    time = seconds(0.09)
    return fade(_metal(time, 41 + 3 * variant) * np.exp(-time / (0.018 + 0.003 * variant)), end_s=0.02)


@cache
def open_hat(variant: int = 0) -> Signal:
    """Open hi-hat, choked by the next beat."""
    time = seconds(0.26)
    return fade(_metal(time, 71 + 3 * variant) * np.exp(-time / 0.14), end_s=0.06)


@cache
def shaker(variant: int = 0) -> Signal:
    """One push of a shaker."""
    time = seconds(0.11)
    swell = np.sin(np.pi * np.clip(time / 0.1, 0, 1)) ** (1.4 + 0.2 * variant)
    push: Signal = bandpass(noise(time.size, 91 + variant), 4200, 9800) * swell * 0.5
    return push


@cache
def rim(variant: int = 0) -> Signal:
    """Stick on the rim."""
    time = seconds(0.08)
    wood = np.sin(2 * np.pi * (1680 + 30 * variant) * time) + 0.6 * np.sin(2 * np.pi * 2470 * time)
    return fade(wood * np.exp(-time / 0.011) * 0.6, end_s=0.02)


@cache
def block(pitch_hz: float) -> Signal:
    """Tuned hand drum."""
    time = seconds(0.3)
    skin = _sweep(time, pitch_hz * 1.5, pitch_hz, 0.012) * np.exp(-time / 0.07)
    return fade(skin + 0.05 * bandpass(noise(time.size, 101), 1500, 5000) * np.exp(-time / 0.01), end_s=0.05)


@cache
def tom(pitch_hz: float) -> Signal:
    """Fill tom."""
    time = seconds(0.5)
    skin = _sweep(time, pitch_hz * 1.9, pitch_hz, 0.05) * np.exp(-time / 0.16)
    return fade(
        np.tanh(1.3 * skin) + 0.06 * lowpass(noise(time.size, 111), 3000) * np.exp(-time / 0.02), end_s=0.1
    )


@cache
def crash() -> Signal:
    """Cymbal, stereo."""
    time = seconds(3.2)
    bright = np.stack(
        [highpass(_metal(time, 121 + side) + noise(time.size, 123 + side) * 0.5, 3800) for side in (0, 1)]
    )
    return fade(bright * (0.7 * np.exp(-time / 0.75) + 0.5 * np.exp(-time / 0.06)), end_s=0.8)


@cache
def reverse_crash(length_s: float) -> Signal:
    """A cymbal played backwards up to its last frame, stereo."""
    whole = crash()[:, : round(length_s * 44_100)]
    return fade(whole[:, ::-1] * np.linspace(0, 1, whole.shape[1]) ** 1.5, end_s=0.004)


@cache
def riser(length_s: float) -> Signal:
    """Noise that opens up, made of bands that come in one after the other, stereo."""
    time = seconds(length_s)
    grow = time / length_s
    out = np.zeros((2, time.size))
    for number, (low, high) in enumerate(((300, 900), (900, 2200), (2200, 5000), (5000, 11_000))):
        enter = np.clip(grow * 4 - number, 0, 1) * grow**1.5
        for side in (0, 1):
            out[side] += bandpass(noise(time.size, 131 + 2 * number + side), low, high) * enter
    return fade(out, end_s=0.01)


@cache
def impact() -> Signal:
    """Low boom under a downbeat, stereo."""
    time = seconds(2.2)
    boom = _sweep(time, 90, 31, 0.2) * np.exp(-time / 0.7)
    return fade(stereo(boom), end_s=0.4)
