"""Pairs of renderings with edits at known places: a mute, a bleep, a bar taken out, and so on.

A pair is the example song's stems, edited, through one bus (half of them: equaliser and compressor,
50 ms to 1 s release) and written in some format. The truth is known by construction.

Conventions
    samples    float32, shape (frames, 2), full scale 1.0, 44.1 kHz
    edge       of a bar put in or taken out: the first frame that differs, since of a bar that is played
               twice nobody can tell which one was put in; of a fade: where the gain leaves the level
               that the comparison states; else where the edit was made
    audible    an edit is only made where its first and last 8 ms change the mix by -24 dB or more

Not here: whether they were heard (``hearing_scores``), lining up as such (``rendered_pairs``).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from example_release.scenario import frame_of_bar
from tests.support.rendered_pairs import RATE_HZ, Samples, shelf, song, through_mp3

Curve = npt.NDArray[np.float64]

KINDS = ("mute", "swap", "reverse", "bleep", "fade", "insert", "remove")
NEAR_S = 1.2  # [s] two edits are at least so far apart
EDGE_S = 0.008
AUDIBLE_DB = -24.0
SCALE = np.float32(0.36)  # of the stems: 6 dB more still fits under full scale


@dataclass(frozen=True)
class Edit:
    """One edit: what was done, and where it lies in the old and in the new rendering [frames]."""

    kind: str
    first: int
    end: int
    new_first: int = 0
    new_end: int = 0


@dataclass(frozen=True)
class Pair:
    """Two renderings and the truth about them.

    Attributes:
        done: words for what was done besides edits: ``bus``, ``dither``, ``gain``, ``offset``,
            ``polarity``, ``mp3`` (of which the comparison is told only for ``both mp3``), ``16-bit``.
        gain: the factor from the old to the new edited mix at each frame of the old one, for fades.
        music: the band alone as the old rendering has it, for the question whether it sounds there.
    """

    seed: int
    old: Samples
    new: Samples
    edits: tuple[Edit, ...]
    done: frozenset[str]
    offset: int
    gain_db: float
    gain: Curve
    music: Samples


@dataclass
class _Desk:
    """The stems while they are edited; an edit moves what comes after it."""

    voice: Samples
    music: Samples
    gain: Curve
    edits: list[Edit] = field(default_factory=list)


def _ramped(frames: int, ramp: int) -> npt.NDArray[np.float32]:
    """Return 1 with raised-cosine ramps at both ends."""
    curve = np.ones(frames, np.float32)
    ramp = min(ramp, frames // 3)
    rise = (0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / max(ramp, 1))).astype(np.float32)
    curve[:ramp] = rise
    curve[frames - ramp :] = rise[::-1]
    return curve


def _rms(samples: npt.NDArray[np.floating]) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))) if samples.size else 0.0


def _heard_at_both_ends(before: Samples, after: Samples) -> bool:
    """Say whether an edit changes the mix audibly at its first and last few milliseconds."""
    edge = min(round(EDGE_S * RATE_HZ), len(before) // 2)
    level = 10 ** (AUDIBLE_DB / 20)
    return all(
        _rms(before[part] - after[part]) > max(level * _rms(before[part]), 0.003)
        for part in (slice(0, edge), slice(-edge, None))
    )


def _in_place(desk: _Desk, kind: str, first: int, end: int, rng: np.random.Generator) -> bool:
    """Make an edit that moves nothing; say whether it could be made."""
    frames = end - first
    curve = _ramped(frames, round(rng.uniform(0.0005, 0.004) * RATE_HZ))[:, None]
    voice, music = desk.voice[first:end], desk.music[first:end]
    whole = bool(rng.random() < 0.4)
    gain = np.ones(frames)
    if kind == "mute":
        new_voice, new_music = voice * (1 - curve), music * (1 - curve)
    elif kind == "swap":
        new_voice, new_music = voice * (1 - curve), music
    elif kind == "reverse":
        new_voice = voice * (1 - curve) + voice[::-1] * curve
        new_music = music * (1 - curve) + music[::-1] * curve if whole else music
    elif kind == "bleep":
        tone = 0.3 * np.sin(2 * np.pi * rng.choice([800, 1000, 1200]) * np.arange(frames) / RATE_HZ)
        new_voice = voice * (1 - curve) + tone.astype(np.float32)[:, None] * curve
        new_music = music * (1 - curve) if whole else music
    else:
        smooth = 0.5 + 0.5 * np.cos(np.pi * np.arange(frames) / frames)
        shape = rng.choice(["out", "in", "dip"])
        depth = 1.0 if shape != "dip" else rng.uniform(0.5, 1.0)
        fall = smooth if shape == "out" else smooth[::-1]
        if shape == "dip":
            fall = 0.5 + 0.5 * np.cos(2 * np.pi * np.arange(frames) / frames)
        gain = 1 - depth * (1 - fall)
        new_voice, new_music = (part * gain[:, None].astype(np.float32) for part in (voice, music))
    if kind != "fade" and not _heard_at_both_ends(voice + music, new_voice + new_music):
        return False
    if kind == "fade" and _rms(voice + music) < 0.02:
        return False
    desk.voice[first:end], desk.music[first:end], desk.gain[first:end] = new_voice, new_music, gain
    desk.edits.append(Edit(kind, first, end, first, end))
    return True


def _first_difference(one: Samples, other: Samples) -> int | None:
    """Return the first frame from which two differ by more than a listener could miss."""
    frames = min(len(one), len(other))
    apart = np.abs(one[:frames] - other[:frames]).max(axis=1) > 1e-3
    return int(np.argmax(apart)) if apart.any() else None


def _bars_moved(desk: _Desk, kind: str, at: int, frames: int, rng: np.random.Generator) -> bool:
    """Put a bar in or take one out at ``at``; say whether it could be done."""
    stems = (desk.voice, desk.music)
    if kind == "insert":
        source = at - frames if rng.random() < 0.5 else int(rng.integers(RATE_HZ, len(desk.voice) - frames))
        keep_voice = np.float32(rng.random() < 0.6)
        parts = [stems[0][source : source + frames] * keep_voice, stems[1][source : source + frames]]
        moved = [
            np.concatenate([stem[:at], part, stem[at:]]) for stem, part in zip(stems, parts, strict=True)
        ]
    else:
        moved = [np.concatenate([stem[:at], stem[at + frames :]]) for stem in stems]
    old, new = desk.voice + desk.music, moved[0] + moved[1]
    differs = _first_difference(old[at:], new[at:])
    if differs is None or differs > 0.3 * RATE_HZ:
        return False  # the song plays the same bar twice there: where it happened is anybody's guess
    first = at + differs
    if kind == "insert":
        known = [_moved(edit, first, frames) for edit in desk.edits]
        desk.edits = [*known, Edit(kind, first, first, first, first + frames)]
    else:
        known = [_moved(edit, first, -frames) for edit in desk.edits]
        desk.edits = [*known, Edit(kind, first, first + frames, first, first)]
    desk.voice, desk.music = moved
    return True


def _moved(edit: Edit, at: int, frames: int) -> Edit:
    """Return an edit whose new place moved if it lies behind ``at``."""
    if edit.new_first < at:
        return edit
    return replace(edit, new_first=edit.new_first + frames, new_end=edit.new_end + frames)


def _clear(desk: _Desk, first: int, end: int) -> bool:
    """Say whether a stretch keeps its distance from all edits made so far, in the old rendering."""
    near = round(NEAR_S * RATE_HZ)
    return all(end + near < edit.first or first > edit.end + near for edit in desk.edits)


def _edit(desk: _Desk, kind: str, rng: np.random.Generator) -> None:
    """Try to make an edit somewhere; bars first, since all others need not move then."""
    frames_in_all = len(desk.voice)
    for _ in range(200):
        if kind in ("insert", "remove"):
            bar = int(rng.integers(2, 13))
            frames = frame_of_bar(1)
            at = frame_of_bar(bar)
            if _clear(desk, at, at + frames) and _bars_moved(desk, kind, at, frames, rng):
                return
            continue
        frames = round(np.exp(rng.uniform(np.log(0.03), np.log(8.0))) * RATE_HZ)
        first = int(rng.integers(RATE_HZ // 2, frames_in_all - 3 * RATE_HZ))
        if first + frames > frames_in_all - 3 * RATE_HZ or not _clear(desk, first, first + frames):
            continue
        if _in_place(desk, kind, first, first + frames, rng):
            return


def compressor_gain(
    mix: Samples, *, attack_s: float, release_s: float, ratio: float, drive_db: float
) -> Curve:
    """Return the gain of a feed-forward compressor on the whole mix, shape (frames,); it looks at peaks."""
    hop = 38  # divides a bar of the example, so that a bar more does not move the grid
    frames = len(mix)
    blocks = np.abs(np.pad(mix, ((0, -frames % hop), (0, 0)))).reshape(-1, hop * mix.shape[1]).max(axis=1)
    over_db = np.maximum(0.0, 20 * np.log10(np.maximum(blocks, 1e-6)) + drive_db)
    attack, release = (1 - float(np.exp(-hop / (RATE_HZ * each))) for each in (attack_s, release_s))
    state, path = 0.0, []
    for wanted in ((1 / ratio - 1) * over_db).tolist():
        state += (attack if wanted < state else release) * (wanted - state)
        path.append(state)
    gain: Curve = 10 ** (np.interp(np.arange(frames), np.arange(len(path)) * hop, path) / 20)
    return gain


def dithered(samples: Samples, bits: int, rng: np.random.Generator) -> Samples:
    """Round to so many bits with triangular dither; what libsndfile reads is a multiple of 2**(1 - bits)."""
    scale = np.float64(2 ** (bits - 1))
    noise = rng.random(samples.shape) - rng.random(samples.shape)
    whole = np.clip(np.rint(samples * scale + noise), -scale, scale - 1)
    return (whole / scale).astype(np.float32)


def pair(seed: int) -> Pair:
    """Return the pair of a seed."""
    rng = np.random.default_rng([7, seed])
    stems = song()
    voice, music = stems.voice * SCALE, stems.music * SCALE
    desk = _Desk(voice.copy(), music.copy(), np.ones(len(voice)))
    kinds = [
        str(kind) for kind in rng.choice(KINDS, size=rng.choice([0, 1, 2, 3], p=[0.15, 0.45, 0.25, 0.15]))
    ]
    kinds.sort(key=lambda kind: kind in ("insert", "remove"))
    moving = [kind for kind in kinds if kind in ("insert", "remove")][:1]  # one of them moves the song
    for kind in [each for each in kinds if each not in ("insert", "remove")] + moving:
        _edit(desk, kind, rng)
    old, new = voice + music, desk.voice + desk.music
    done: set[str] = set()
    gain = desk.gain
    if rng.random() < 0.5:
        done.add("bus")
        old, new, music, gain = _through_bus(old, new, music, desk, rng)
    offset = int(rng.integers(1, 2 * RATE_HZ)) if rng.random() < 0.4 else 0
    if offset:
        done.add("offset")
        new = np.pad(new, ((offset, 0), (0, 0)))
    gain_db = 0.0
    if rng.random() < 0.4:
        done.add("gain")
        gain_db = float(rng.uniform(0.1, 6) * rng.choice([-1, 1]))
        new = new * np.float32(10 ** (gain_db / 20))
    if rng.random() < 0.1:
        done.add("polarity")
        new = -new
    written, new = _written(old, new, done, rng)
    edits = sorted(desk.edits, key=lambda edit: edit.new_first)
    placed = [
        replace(edit, new_first=edit.new_first + offset, new_end=edit.new_end + offset) for edit in edits
    ]
    return Pair(seed, written, new, tuple(placed), frozenset(done), offset, gain_db, gain, music)


def _through_bus(
    old: Samples, new: Samples, music: Samples, desk: _Desk, rng: np.random.Generator
) -> tuple[Samples, Samples, Samples, Curve]:
    """Send both mixes through the same equaliser and compressor; return them, band and whole gain."""
    low, high = rng.uniform(-4, 4, 2)
    corner, treble = rng.uniform(60, 300), rng.uniform(3000, 9000)
    attack_s, release_s = np.exp(rng.uniform(np.log([0.001, 0.05]), np.log([0.03, 1.0])))
    ratio, drive_db = rng.uniform(1.5, 4), rng.uniform(12, 20)
    after = bool(rng.random() < 0.5)  # the equaliser behind the compressor
    mixes, gains = [], []
    for mix in (old, new):
        if not after:
            mix = shelf(shelf(mix, corner, low, high=False), treble, high, high=True)
        gain = compressor_gain(mix, attack_s=attack_s, release_s=release_s, ratio=ratio, drive_db=drive_db)
        mix = mix * gain[:, None].astype(np.float32)
        if after:
            mix = shelf(shelf(mix, corner, low, high=False), treble, high, high=True)
        mixes.append(mix)
        gains.append(gain)
    band = shelf(shelf(music, corner, low, high=False), treble, high, high=True)
    band = band * gains[0][:, None].astype(np.float32)
    whole = desk.gain.copy()
    for edit in desk.edits:  # bars put in or taken out come last, so fades lie before or after them whole
        moved = edit.new_first - edit.first
        span = slice(max(0, edit.first - RATE_HZ), edit.end + RATE_HZ)
        there = slice(span.start + moved, span.stop + moved)
        if edit.kind == "fade" and there.start >= 0:
            whole[span] = desk.gain[span] * gains[1][there] / gains[0][span]
    loudest = max(float(np.abs(mix).max()) for mix in mixes)
    fit = np.float32(min(1.0, 0.49 / loudest))
    return mixes[0] * fit, mixes[1] * fit, band * fit, whole


def _written(old: Samples, new: Samples, done: set[str], rng: np.random.Generator) -> tuple[Samples, Samples]:
    """Write both in some format: 24 bits without dither, 16 or 24 with dither, MP3."""
    way = str(rng.choice(["plain", "dither", "16-bit", "mp3", "both mp3"], p=[0.25, 0.25, 0.2, 0.2, 0.1]))
    if way == "plain":
        written = [(np.rint(each * 2.0**23) / 2.0**23).astype(np.float32) for each in (old, new)]
    elif way == "dither":
        bits = int(rng.choice([16, 24]))
        written = [dithered(each, bits, rng) for each in (old, new)]
        done.add("dither")
    elif way == "16-bit":
        written = [dithered(old, 24, rng), dithered(new, 16, rng)]
        done.add("16-bit")
    else:
        written = [through_mp3(old) if way == "both mp3" else dithered(old, 24, rng), through_mp3(new)]
        done.update({"mp3", way})
    return written[0], written[1]
