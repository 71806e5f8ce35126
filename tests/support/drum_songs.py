"""Songs of synthetic drums whose every beat is known, from seeds.

Not here: anything with pitch but a bass drum and a pad; music with sound fonts
(``tests/bench/music.py`` scores folders of it).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Sound = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]


def voices(rate_hz: int, seed: int) -> dict[str, Sound]:
    """Return a kick, a snare and a hat."""
    random = np.random.default_rng(seed)
    time_s = np.arange(int(0.25 * rate_hz)) / rate_hz
    sweep = 2 * np.pi * np.cumsum(54 + 200 * np.exp(-time_s / 0.018)) / rate_hz
    return {
        "k": np.sin(sweep) * np.exp(-time_s / 0.12),
        "s": random.standard_normal(len(time_s)) * np.exp(-time_s / 0.07) * 0.5,
        "h": np.diff(random.standard_normal(len(time_s) + 1)) * np.exp(-time_s / 0.02) * 0.2,
    }


def beats_at(bpm: Sequence[float], start_s: float = 0.2) -> Sound:
    """Return the times of beats whose lengths follow from one tempo each, and of the beat after them."""
    return start_s + np.concatenate([[0.0], np.cumsum(60 / np.asarray(bpm, dtype=np.float64))])


def drums(
    beats_s: Sound,
    patterns: dict[str, str],
    *,
    parts: int = 4,
    swing: float = 0.5,
    loose_s: float = 0.0,
    rate_hz: int = 44_100,
    channels: int = 1,
    seed: int = 1,
) -> Samples:
    """Return drums that follow the beats.

    Args:
        beats_s: times of the beats and of the end.
        patterns: voice ("k", "s", "h") to "x..." with ``parts`` characters per beat, repeated.
        parts: of a beat.
        swing: share of a pair of parts that the first one takes.
        loose_s: standard deviation of every hit's time.
        rate_hz, channels, seed: of the sound.
    """
    random = np.random.default_rng(seed)
    kit = voices(rate_hz, seed)
    mono = np.zeros(int((beats_s[-1] + 0.3) * rate_hz))
    steps = (len(beats_s) - 1) * parts
    place = np.arange(steps) + (np.arange(steps) % 2) * (2 * swing - 1)
    times_s = np.interp(place / parts, np.arange(len(beats_s)), beats_s)
    for voice, pattern in patterns.items():
        for step in range(steps):
            if pattern[step % len(pattern)] != "x":
                continue
            at = round((times_s[step] + random.normal(0, loose_s)) * rate_hz)
            start = max(at, 0)
            sound = kit[voice][: max(0, len(mono) - start)]
            mono[start : start + len(sound)] += sound * random.uniform(0.9, 1.0)
    mixed = np.repeat(mono[:, None] * 0.4, channels, axis=1)
    return np.ascontiguousarray(mixed, dtype=np.float32)


BACKBEAT = {"k": "x.......x.x.....", "s": "....x.......x...", "h": "x.x.x.x.x.x.x.x."}
FOUR_ON_THE_FLOOR = {"k": "x...x...x...x...", "s": "....x.......x...", "h": "..x...x...x...x."}
HALF_TIME = {"k": "x.....x...x.....", "s": "........x.......", "h": "xxxxxxxxxxxxxxxx"}
BREAK = {"k": "x.........x.....", "s": "....x.......x...", "h": "x.x.x.x.x.x.x.x."}
ONE_KICK = {"k": "x...............", "s": "....x.......x...", "h": "x.x.x.x.x.x.x.x."}
WALTZ = {"k": "x...........", "s": "....x...x...", "h": "x.x.x.x.x.x."}
SIX_EIGHT = {"k": "x.....", "s": "...x..", "h": "xxxxxx"}  # three parts in each of two beats


def pad(seconds: float, rate_hz: int = 44_100) -> Samples:
    """Return slowly swelling tones without a beat."""
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    tones = [
        np.sin(2 * np.pi * hertz * time_s + 3 * np.sin(0.1 * hertz**0.5 * time_s))
        * (1 + 0.5 * np.sin(2 * np.pi * 0.07 * i * time_s))
        for i, hertz in enumerate((110.0, 164.8, 220.0, 277.2, 329.6))
    ]
    mixed = 0.1 * np.sum(tones, axis=0)
    return np.ascontiguousarray(mixed[:, None], dtype=np.float32)
