"""What is left of a removed word? By the voice's own samples, place by place.

In the explicit version a window of sound is so much of the voice and so much of the beat; in the clean
one it is less of the voice and as much of the beat. Both shares are found by least squares over
40 ms; the quotient is what is left. So the level of either version, and a limiter that rides over
both, make no difference. What is no louder than the echo of the words before may be is not counted.

Conventions
    places     (start [s], end [s]) in the time of the explicit version
    left       [dB] re the word itself as it is in the explicit version
    word       a place in the voice's own time

Sources
    Every threshold here: common practice, no source; tried on the generated packs of ``tests/support``

Not here: where something was removed (``pairs``), how much is too much (``rules_clean``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording
    from relkit.measure.slabs import Samples

VERSION = "qc-remains-1"  # goes up whenever a value may change

WINDOW_S, HOP_S = 0.04, 0.02
VOICE_BELOW = 10**-2.5  # [energy ratio] of a window re the loudest one of its place: says nothing
VOICE_LEAST = 10**-6.0  # [mean square]
TRUST = 0.3  # share of the usual voice in the explicit version below which a window says nothing
FLOOR_DB = -60.0
LOUD = 0.1  # [energy ratio] windows within 10 dB of the loudest make the word's level
# Reverb and echo of earlier words go on under a mute, and belong there: this far below them, and falling.
ECHO_S, ECHO_DB, ECHO_FALL_DB_PER_S = 1.0, 6.0, 12.0
SAME = 0.8  # of what is left, by energy, is the word's own waveform
REPLACED = 0.6  # of the word's energy is there, and not by the word's waveform
PLAIN = 0.5  # as loud as this re the word, it is no echo
RAMP_WINDOWS, RAMP = 6, 1.15  # a fade at an edge: so many windows, each so much less than the one before
BEFORE_S, AFTER_S = 0.15, 0.5  # how much of a word may stand before or behind its mute, to be told
REST_DB, SOUND_DB = -18.0, -15.0  # re the word: what is silence, what is sound
LEAST_SOUND_S = 0.03
WORD_S = 0.4  # least length of a word to be found again
CANDIDATES, APART_FRAMES = 6, 64
LEAST_WINDOWS, LEAST_SHARE = 5, 0.1  # of a word that is found again
AGREE, MOST_AGREE = 0.4, 0.75  # so many windows within so much of the median share

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Remains:
    """What is left at each place that the voice is heard in.

    Attributes:
        places: (start [s], end [s], loudest left [dB], where that is [s]); -60 dB is nothing.
        onsets: (start [s], end [s]) of what stands before a mute and after a rest: a first consonant.
        tails: the same behind a mute, before a rest: an echo or the end of a word.
    """

    places: list[list[float]]
    onsets: list[list[float]]
    tails: list[list[float]]


@dataclass(frozen=True)
class Again:
    """Where a word sounds again; None if it does not."""

    at_s: float | None


def remains(
    sounds: tuple[Recording, Recording, Recording, Recording | None],
    rate_hz: int,
    offsets: tuple[int, int, int],
    places: Sequence[Sequence[float]],
) -> Remains:
    """Ask every place what is left.

    Args:
        sounds: explicit, clean, voice, and the beat; without a beat, explicit and clean are voices alone.
        offsets: of clean, voice and beat: frame at which the explicit version's first frame sounds.
        places: in which the clean version differs from the explicit one.
    """
    found = Remains([], [], [])
    for start, end in places:
        shares = _shares(sounds, rate_hz, offsets, start, end)
        if shares is not None:
            found.places.append([start, end, *shares])
            onset, tail = _edges(sounds[2], rate_hz, offsets[1], start, end)
            if onset is not None:
                found.onsets.append([onset, start])
            if tail is not None:
                found.tails.append([end, tail])
    return found


def _shares(
    sounds: tuple[Recording, Recording, Recording, Recording | None],
    rate_hz: int,
    offsets: tuple[int, int, int],
    start_s: float,
    end_s: float,
) -> tuple[float, float] | None:
    """Return the loudest that is left, for two windows on end, and where; None without a voice."""
    explicit, clean, voice, beat = sounds
    hop, size = round(HOP_S * rate_hz), round(WINDOW_S * rate_hz)
    first = round(start_s * rate_hz)
    frames = round(end_s * rate_hz) - first
    if frames < size:
        return None
    signals = [
        _steep(each, first + offset, frames)
        for each, offset in zip((explicit, clean, voice, beat), (0, *offsets), strict=True)
        if each is not None
    ]
    count = (frames - size) // hop + 1
    left, powers, trusted, alike, rests = (np.zeros(count) for _ in range(5))
    for window in range(count):
        part = slice(window * hop, window * hop + size)
        basis = np.stack([one[part].ravel() for one in signals[2:]]).astype(np.float64)
        normal = basis @ basis.T
        powers[window] = normal[0, 0] / basis.shape[1]
        normal += np.eye(len(normal)) * (1e-9 * np.trace(normal) + 1e-20)
        before, after = (
            np.linalg.solve(normal, basis @ one[part].ravel().astype(np.float64)) for one in signals[:2]
        )
        trusted[window], left[window] = before[0], after[0]
        rest = signals[1][part] - after[1:] @ basis[1:]
        rests[window] = float(np.mean(np.square(rest)))
        alike[window] = after[0] ** 2 * powers[window] / max(rests[window], 1e-20)
    loud = powers > VOICE_BELOW * powers.max()
    if not powers.max() > VOICE_LEAST * 1e-2 or not loud.any():
        return None
    usual = float(np.median(trusted[loud]))
    good = loud & (trusted > TRUST * usual) & (usual > 0)
    loudness = float(np.sqrt(np.mean(np.square(trusted[good])))) if good.any() else 0.0
    if rests.sum() > REPLACED * powers.sum() * loudness**2 and float(np.median(alike[loud])) < REPLACED:
        return FLOOR_DB, start_s  # another sound in its place: played backwards, sung again, a tone
    ratio = np.where(good, np.abs(left / np.maximum(trusted, 1e-9)), 0.0)
    word = float(np.mean(powers[powers > LOUD * powers.max()]))
    share = _without_ramps(ratio) * np.sqrt(powers / word)
    echo = _echo(voice, rate_hz, first + offsets[1], count) / math.sqrt(word)
    same = (alike > SAME) & (ratio < 1 - SAME / 4)  # the word itself, only softer
    fresh = _lasting(np.where((share > echo) | (share > PLAIN) | same, share, 0.0))
    at = int(np.argmax(fresh))
    loudest = 20 * math.log10(max(float(fresh[at]), 10 ** (FLOOR_DB / 20)))
    return loudest, start_s + (at + 1) * HOP_S + WINDOW_S / 2


def _echo(voice: Recording, rate_hz: int, first: int, count: int) -> Vector:
    """Return how loud reverb and echo of what was sung before may be, in each window from a frame on."""
    hop = round(HOP_S * rate_hz)
    before = round(ECHO_S / HOP_S)
    steep = _steep(voice, first - before * hop, before * hop).reshape(before, hop)
    levels = np.sqrt(np.square(steep, dtype=np.float64).mean(axis=1))
    apart = (np.arange(count)[:, None] + before - np.arange(before)) * HOP_S
    echoes: Vector = (levels * 10 ** (-(ECHO_DB + ECHO_FALL_DB_PER_S * apart) / 20)).max(axis=1)
    return echoes


def _without_ramps(ratio: Vector) -> Vector:
    """Take out windows at the edges that hold part of a ramp: fast ones, and slow ones that fall inwards."""
    kept = ratio.copy()
    for side in (kept, kept[::-1]):
        side[:1] = 0
        for at in range(1, min(RAMP_WINDOWS, len(side) - 1)):
            if not (ratio if side is kept else ratio[::-1])[at] > RAMP * side[at + 1]:
                break
            side[at] = 0
    return kept


def _lasting(share: Vector) -> Vector:
    """Return what lasts for two windows on end."""
    return np.minimum(share[:-1], share[1:]) if len(share) > 1 else share


def _steep(of: Recording, first: int, frames: int) -> Samples:
    """Return the differences of neighbouring frames, as mono: so that the bass does not rule."""
    from relkit.measure.excerpts import excerpt

    mono = excerpt(of, first, frames + 1).mean(axis=1)
    steep: Samples = np.diff(mono)
    return steep


def _edges(
    voice: Recording, rate_hz: int, offset: int, start_s: float, end_s: float
) -> tuple[float | None, float | None]:
    """Return where a word begins shortly before its mute, and where it ends shortly behind it."""
    from relkit.measure.excerpts import excerpt

    size = max(1, rate_hz // 100)
    reach = 0.6
    first = round((start_s - reach) * rate_hz) + offset
    count = int((end_s - start_s + 2 * reach) * 100)
    samples = excerpt(voice, first, count * size)
    power = np.square(samples).reshape(count, -1).mean(axis=1)
    inside = power[round(reach * 100) : count - round(reach * 100)]
    if not len(inside) or not inside.max() > VOICE_LEAST:
        return None, None
    word = float(inside.mean())
    before, behind = power[: round(reach * 100)][::-1], power[count - round(reach * 100) :]
    onset = _attached(before, word, BEFORE_S)
    tail = _attached(behind, word, AFTER_S)
    return (
        None if onset is None else start_s - onset,
        None if tail is None else end_s + tail,
    )


def _attached(away: npt.NDArray[Any], word: float, most_s: float) -> float | None:
    """Return how far sound goes on from an edge until a rest; None if it does not, or on and on."""
    sound = away > word * 10 ** (SOUND_DB / 10)
    rest = away < word * 10 ** (REST_DB / 10)
    quiet = np.flatnonzero(np.convolve(rest.astype(int), np.ones(10, int), "valid") >= 9)
    if not len(quiet):
        return None
    end = int(quiet[0])
    if end == 0 or end / 100 > most_s or sound[:end].sum() / 100 < LEAST_SOUND_S or not sound[:2].any():
        return None
    return end / 100


def again(
    voice: Recording, in_: Recording, rate_hz: int, word: Sequence[float], within: Sequence[float]
) -> Again:
    """Look for a word's own samples anywhere in a stretch of a bounce."""

    start, end = word
    middle, half = (start + end) / 2, max(WORD_S, end - start) / 2
    first, frames = round((middle - half) * rate_hz), round(2 * half * rate_hz)
    begin, length = round(within[0] * rate_hz), round((within[1] - within[0]) * rate_hz)
    pattern, stretch = _steep(voice, first, frames), _steep(in_, begin, length)
    if length <= frames or not pattern.any():
        return Again(None)
    size = 1 << (frames + length).bit_length()
    cross = np.fft.rfft(stretch, size) * np.conj(np.fft.rfft(pattern, size))
    strength = np.abs(cross)
    if not strength.max() > 1e-12:
        return Again(None)
    similar = np.abs(np.fft.irfft(cross / (strength + 1e-3 * strength.max()), size)[: length - frames])
    for _ in range(CANDIDATES):
        at = int(np.argmax(similar))
        if _is_there(pattern, stretch[at : at + frames], round(WINDOW_S * rate_hz)):
            return Again(within[0] + (at + (start * rate_hz - first)) / rate_hz)
        similar[max(0, at - APART_FRAMES) : at + APART_FRAMES] = 0
    return Again(None)


def _is_there(pattern: Samples, sound: Samples, size: int) -> bool:
    """Whether a pattern's samples are in a sound: by chance its windows would not agree on how much."""
    count = len(pattern) // size
    patterns, sounds = (
        one[: count * size].reshape(count, size).astype(np.float64) for one in (pattern, sound)
    )
    powers = np.einsum("ij,ij->i", patterns, patterns)
    loud = powers > VOICE_BELOW * powers.max()
    shares = np.einsum("ij,ij->i", patterns, sounds)[loud] / powers[loud]
    middle = float(np.median(shares))
    alike = np.abs(shares - middle) < AGREE * abs(middle)
    return len(shares) >= LEAST_WINDOWS and abs(middle) > LEAST_SHARE and float(alike.mean()) >= MOST_AGREE
