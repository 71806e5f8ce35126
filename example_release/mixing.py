"""The desk: levels and places of the band, ducking under the kick, echo, levelling of voices.

Conventions
    bus     float32, stereo shape (2, frames)
    send    float32, mono shape (frames,): what goes to a reverb or an echo
    gain    linear

Not here: what is played (``score``), the vocal chain's routing (``session``), mastering.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from example_release import drums, instruments
from example_release.dsp import Signal, add_at, lowpass, stereo
from example_release.scenario import RATE_HZ, frame_of_beat, seconds_of_beat
from example_release.score import Stroke


@dataclass(frozen=True)
class Channel:
    """A strip of the desk.

    Attributes:
        sound: makes the sound of a stroke; mono or stereo.
        level: fader.
        pan: -1 left .. 1 right; a pair is taken in turn.
        send: level into the reverb.
        touch: the stroke's gain sets the level (else it shapes the sound only).
    """

    sound: Callable[[Stroke], Signal]
    level: float
    pan: tuple[float, ...] = (0.0,)
    send: float = 0.0
    touch: bool = True


def _held(stroke: Stroke) -> float:
    """Length of a held note [s]."""
    return round(seconds_of_beat(stroke.length), 4)


DESK: Final[dict[str, Channel]] = {
    "kick": Channel(lambda _: drums.kick(), 0.62),
    "clap": Channel(lambda _: drums.clap(), 0.36, send=0.10),
    "snare": Channel(lambda s: drums.snare(int(s.detail)), 0.27, (0.06,), 0.12),
    "hat": Channel(lambda s: drums.hat(int(s.detail)), 0.13, (0.22,), 0.01),
    "open-hat": Channel(lambda s: drums.open_hat(int(s.detail)), 0.12, (0.18,), 0.02),
    "shaker": Channel(lambda s: drums.shaker(int(s.detail)), 0.30, (-0.3,), 0.02),
    "rim": Channel(lambda s: drums.rim(int(s.detail)), 0.20, (-0.45, 0.4), 0.15),
    "block": Channel(lambda s: drums.block(s.detail), 0.22, (0.45, -0.35, 0.25), 0.12),
    "tom": Channel(lambda s: drums.tom(s.detail), 0.50, (-0.4, -0.1, 0.1, 0.35), 0.10),
    "crash": Channel(lambda _: drums.crash(), 0.11, send=0.02),
    "reverse": Channel(lambda s: drums.reverse_crash(_held(s)), 0.13),
    "riser": Channel(lambda s: drums.riser(_held(s)), 0.16, send=0.05),
    "impact": Channel(lambda _: drums.impact(), 0.40),
    "bass": Channel(lambda s: instruments.bass(int(s.detail), _held(s), round(s.gain, 2)), 0.27, touch=False),
    "keys": Channel(
        lambda s: instruments.keys(int(s.detail), _held(s), s.gain), 0.22, send=0.09, touch=False
    ),
    "pluck": Channel(
        lambda s: instruments.pluck(int(s.detail), s.length), 0.14, (-0.55, 0.5, -0.2, 0.3), 0.22
    ),
    "bell": Channel(lambda s: instruments.bell(int(s.detail)), 0.13, (0.3, -0.3), 0.35),
}


def perform(strokes: Iterable[Stroke], bus: Signal, send: Signal) -> None:
    """Strike every stroke into a bus and a reverb send, in place."""
    turn: dict[str, int] = {}
    for stroke in strokes:
        channel = DESK[stroke.sound]
        sound = channel.sound(stroke)
        count = turn[stroke.sound] = turn.get(stroke.sound, -1) + 1
        gain = channel.level * (stroke.gain if channel.touch else 1.0)
        frame = frame_of_beat(stroke.beat)
        if stroke.sound == "reverse":  # ends where its stroke is
            frame -= sound.shape[-1]
        placed = sound if sound.ndim == 2 else stereo(sound, channel.pan[count % len(channel.pan)])
        add_at(bus, placed, frame, gain)
        if channel.send:
            mono = sound if sound.ndim == 1 else sound.mean(axis=0)
            add_at(send, mono, frame, gain * channel.send)


def ducking(kick_beats: Iterable[float], frames: int, depth: float) -> Signal:
    """Gain curve that makes room for each kick and comes back within a beat, float32.

    Args:
        kick_beats: when the kick falls.
        frames: length of the curve.
        depth: 0..1, how much is taken away at the stroke.
    """
    time = np.arange(round(0.40 * RATE_HZ)) / RATE_HZ
    dip = np.exp(-((time / 0.15) ** 2)) * np.clip(time / 0.004, 0.0, 1.0)
    curve = np.zeros(frames, dtype=np.float32)
    for beat in kick_beats:
        first = frame_of_beat(beat)
        part = curve[first : first + dip.size]
        np.maximum(part, dip[: part.size], out=part)
    return (1 - depth * curve).astype(np.float32)


def level_out(voice: Signal, target: float, ratio: float) -> Signal:
    """Even out a mono voice: a compressor that looks 23 ms both ways, so it is never late.

    Args:
        voice: mono.
        target: RMS level above which it is turned down, linear.
        ratio: 0..1, how much of the excess (in dB) is taken away.
    """
    hop = 256
    blocks = np.pad(voice, (0, -voice.size % hop)).reshape(-1, hop)
    window = np.hanning(9)[1:-1]
    power = np.convolve((blocks.astype(np.float64) ** 2).mean(axis=1), window / window.sum(), "same")
    gain = np.maximum(np.sqrt(power) / target, 1.0) ** -ratio
    middles = np.arange(gain.size) * hop + hop / 2
    evened: Signal = voice * np.interp(np.arange(voice.size), middles, gain).astype(np.float32)
    return evened


def ping_pong(send: Signal, *, beats: float, repeats: int, fall: float) -> Signal:
    """Echo that goes from side to side and ends after a number of repeats, stereo float32."""
    wet = np.zeros((2, send.size), dtype=np.float32)
    colour = send
    for repeat in range(1, repeats + 1):
        colour = lowpass(colour, 4200.0, 1)
        late = frame_of_beat(beats * repeat)
        side = repeat % 2
        wet[side, late:] += fall**repeat * colour[: send.size - late]
        wet[1 - side, late:] += 0.25 * fall**repeat * colour[: send.size - late]
    wet[np.abs(wet) < 1e-9] = 0.0
    return wet
