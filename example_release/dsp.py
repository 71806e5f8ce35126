"""Small signal tools that several instruments share.

Conventions
    signal   float32 or float64; mono shape (frames,), stereo shape (2, frames), left first
    rate     always ``scenario.RATE_HZ``
    random   every generator takes a seed; nothing reads the clock

Sources: the shelving and peaking filters are those of R. Bristow-Johnson's well-known
"Audio EQ Cookbook".

Not here: instruments, sends, mastering.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, oaconvolve, sosfilt

from example_release.scenario import RATE_HZ

Signal = NDArray[np.floating[Any]]


def seconds(length_s: float) -> Signal:
    """Return the times of the frames of a stretch [s]."""
    times: Signal = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return times


def noise(frames: int, seed: int) -> Signal:
    """Return white Gaussian noise, shape (frames,)."""
    return np.random.default_rng(seed).standard_normal(frames)


def lowpass(signal: Signal, hz: float, order: int = 2) -> Signal:
    """Butterworth low pass along the last axis."""
    out: Signal = sosfilt(butter(order, hz, "low", fs=RATE_HZ, output="sos"), signal)
    return out


def highpass(signal: Signal, hz: float, order: int = 2) -> Signal:
    """Butterworth high pass along the last axis."""
    out: Signal = sosfilt(butter(order, hz, "high", fs=RATE_HZ, output="sos"), signal)
    return out


def bandpass(signal: Signal, low_hz: float, high_hz: float, order: int = 1) -> Signal:
    """Butterworth band pass along the last axis."""
    out: Signal = sosfilt(butter(order, (low_hz, high_hz), "band", fs=RATE_HZ, output="sos"), signal)
    return out


def bell(hz: float, gain_db: float, q: float = 0.9) -> NDArray[np.float64]:
    """Second-order section of a peaking filter (cookbook)."""
    amp, angle = 10 ** (gain_db / 40), 2 * np.pi * hz / RATE_HZ
    alpha = np.sin(angle) / (2 * q)
    top = np.array([1 + alpha * amp, -2 * np.cos(angle), 1 - alpha * amp])
    bottom = np.array([1 + alpha / amp, -2 * np.cos(angle), 1 - alpha / amp])
    section: NDArray[np.float64] = np.concatenate([top, bottom]) / bottom[0]
    return section


def shelf(hz: float, gain_db: float, *, high: bool) -> NDArray[np.float64]:
    """Second-order section of a low or high shelf with slope 1 (cookbook)."""
    amp, angle = 10 ** (gain_db / 40), 2 * np.pi * hz / RATE_HZ
    sign = -1.0 if high else 1.0
    cos, root = np.cos(angle), np.sqrt(2 * amp) * np.sin(angle)
    top = amp * np.array(
        [
            (amp + 1) - sign * (amp - 1) * cos + root,
            2 * sign * ((amp - 1) - sign * (amp + 1) * cos),
            (amp + 1) - sign * (amp - 1) * cos - root,
        ]
    )
    bottom = np.array(
        [
            (amp + 1) + sign * (amp - 1) * cos + root,
            -2 * sign * ((amp - 1) + sign * (amp + 1) * cos),
            (amp + 1) + sign * (amp - 1) * cos - root,
        ]
    )
    section: NDArray[np.float64] = np.concatenate([top, bottom]) / bottom[0]
    return section


def equalise(signal: Signal, *sections: NDArray[np.float64]) -> Signal:
    """Run filter sections one after the other along the last axis."""
    out: Signal = sosfilt(np.stack(sections), signal)
    return out


def fade(signal: Signal, *, start_s: float = 0.0, end_s: float = 0.0) -> Signal:
    """Return a copy with raised-cosine fades at its ends."""
    out = signal.copy()
    for length_s, at_end in ((start_s, False), (end_s, True)):
        frames = min(round(length_s * RATE_HZ), out.shape[-1])
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / max(frames, 1))
        if frames and at_end:
            out[..., -frames:] *= ramp[::-1]
        elif frames:
            out[..., :frames] *= ramp
    return out


def stereo(mono: Signal, pan: float = 0.0) -> Signal:
    """Pan a mono signal with constant power; -1 is left, 1 right."""
    angle = (pan + 1) * np.pi / 4
    return np.stack([mono * (np.cos(angle) * np.sqrt(2)), mono * (np.sin(angle) * np.sqrt(2))])


def add_at(bus: Signal, sound: Signal, frame: int, gain: float = 1.0) -> None:
    """Add a sound to a bus in place; what lies outside the bus is left out."""
    first, last = max(frame, 0), min(frame + sound.shape[-1], bus.shape[-1])
    if first < last:
        bus[..., first:last] += gain * sound[..., first - frame : last - frame]


def room(seconds_long: float, *, dark_hz: float, pre_delay_s: float, seed: int) -> Signal:
    """Return a stereo impulse response: decaying noise that loses its highs, shape (2, frames).

    It ends in true zeros after ``seconds_long``; the level has fallen by 60 dB there.
    """
    time = seconds(seconds_long)
    channels = []
    for side in (0, 1):
        bright = highpass(noise(time.size, seed + side), 180)
        dark = lowpass(bright, dark_hz * 0.35)
        blend = np.exp(-time * 3.2 / seconds_long)
        tail = (lowpass(bright, dark_hz) * blend + dark * (1 - blend)) * 10 ** (-3 * time / seconds_long)
        channels.append(np.concatenate([np.zeros(round(pre_delay_s * RATE_HZ) + 37 * side), tail]))
    longest = max(channel.size for channel in channels)
    response = np.stack([np.pad(channel, (0, longest - channel.size)) for channel in channels])
    return fade(response / np.sqrt((response**2).sum(axis=1, keepdims=True)), end_s=0.1)


def reverberate(send: Signal, response: Signal) -> Signal:
    """Convolve a mono send with a stereo response, cut to the send's length, float32.

    Rounding residue of the transform, far below the last of 24 bits, is set to zero, so that
    silence in gives digital silence out.
    """
    wet = np.empty((2, send.size), dtype=np.float32)
    for side in (0, 1):
        channel: Signal = oaconvolve(send.astype(np.float64), response[side])[: send.size]
        channel[np.abs(channel) < 1e-9] = 0.0
        wet[side] = channel
    return wet
