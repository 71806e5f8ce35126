"""Two bounces of one song: where one lies to the other, whether it stays there, where they differ.

Where they differ is told from energies of 10 ms: of both, and of what is left of one after the other
was taken away at the gain that fits best there. A compressor behind an edit changes only that gain,
by a few decibels; an edit changes what no gain explains, or the gain by much more.

Conventions
    reference, old   the first of the two; ``other`` and ``new`` the second
    offset           as ``relkit.measure.align``: frame of other at which frame 0 of reference sounds
    times            [s] from the first frame of the first one
    channels         compared as they are if both have the same number, else as mono

Sources
    Every threshold here: common practice, no source; tried on the generated packs of ``tests/support``

Not here: exact edges of an edit, and following bars that were put in or taken out: those are for
somebody who compares two revisions. What is judged is here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording
    from relkit.measure.slabs import Samples

LIE_VERSION, DIFFERENCE_VERSION = "qc-lie-1", "qc-difference-1"  # go up when a value may change

LAG_FRAMES = 1 << 15  # of a window that is asked on its own where it lies
LAG_REACH = 1 << 12
LAG_WINDOWS = 12
AGREED = 0.6  # of the windows on one offset, to a frame: no drift
MOVED_S, ENDS_SURE = 4, 0.6  # how far an end is looked for, and the share of it that must agree
LAG_CLEAR = 12.0  # standard deviations; see ``relkit.measure.align``

BLOCKS_PER_S = 100
GRAINED_HZ = 14_000  # neighbours are averaged until about so many values a second are left
AUDIBLE = 10**-6.5  # [mean square] of a block
UNLIKE_LEAST = 1e-4  # [energy ratio] unexplained by a gain: 40 dB below the sound
UNLIKE_USUAL = 30.0  # times what is usual between the two
UNLIKE_MOST = 0.3
FAR_DB = 4.0  # a gain this far from the usual is no compressor's
GAP_BLOCKS, SHORTEST_BLOCKS = 6, 2
SLAB_BLOCKS = 256

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Lie:
    """How other lies to reference.

    Attributes:
        alignable: whether the two have sound in common that tells; the next four are 0 or 1 if not.
        offset_frames, gain_db, polarity, confidence: see ``relkit.measure.align.Alignment``.
        lags: (time [s], frames by which a window there lies beyond the offset), clear windows only.
        ends: offset of the first and of the last third alone; None where it cannot be told. A beat that
            repeats itself hides a missing bar from single windows.
    """

    alignable: bool
    offset_frames: int
    gain_db: float
    polarity: int
    confidence: float
    lags: list[list[float]]
    ends: list[int | None]

    @property
    def drift_frames_per_s(self) -> float | None:
        """How fast the two come apart; None where too few windows are clear or no line fits them."""
        if len(self.lags) < 4 or self.confidence > AGREED:
            return None
        times, lags = np.array(self.lags).T
        slope, start = np.polyfit(times, lags, 1)
        error = np.abs(lags - slope * times - start)
        if np.median(error) > 3 or np.mean(error > 6) > 0.3 or abs(slope) * np.ptp(times) < 8:
            return None
        return float(slope)

    @property
    def steps(self) -> list[list[float]]:
        """The windows that lie elsewhere than the offset says, where there is no drift."""
        return [] if self.drift_frames_per_s is not None else [one for one in self.lags if abs(one[1]) > 1]


@dataclass(frozen=True)
class Difference:
    """Where new differs from old.

    Attributes:
        edits: (start [s], end [s]) of each place.
        edited_share: of what is audible, 0 to 1.
        level_db: of new over old, where they do not differ; None if they differ everywhere.
        usual_db: what a gain leaves unexplained between the two in half of the blocks; the lower, the more
            alike their chains are.
    """

    edits: list[list[float]]
    edited_share: float
    level_db: float | None
    usual_db: float


def lie(reference: Recording, other: Recording, rate_hz: int) -> Lie:
    """Find how two bounces lie to each other, as a whole and window by window."""
    from relkit.measure.align import align

    found = align(reference, other, rate_hz)
    offset = found.offset_frames if found.alignable else 0
    lags = _lags(reference, other, rate_hz, offset)
    ends: list[int | None] = [None, None]
    if found.alignable:
        ends = [_end(reference, other, rate_hz, offset, which) for which in (0, 2)]
    return Lie(
        alignable=found.alignable,
        offset_frames=offset,
        gain_db=found.gain_db,
        polarity=found.polarity,
        confidence=found.confidence,
        lags=lags,
        ends=ends,
    )


def _end(reference: Recording, other: Recording, rate_hz: int, offset: int, which: int) -> int | None:
    """Return the offset of a third of the song by itself; None if that cannot be told."""
    from relkit.measure.align import align
    from relkit.qc.leaks import Later

    first, end = max(0, -offset), min(reference.frames, other.frames - offset)
    third = (end - first) // 3
    start, reach = first + which * third, MOVED_S * rate_hz
    found = align(
        Later(reference, start, third), Later(other, start + offset - reach, third + 2 * reach), rate_hz
    )
    sure = found.alignable and found.confidence >= ENDS_SURE
    return found.offset_frames - reach + offset if sure else None


def _lags(reference: Recording, other: Recording, rate_hz: int, offset: int) -> list[list[float]]:
    """Ask windows, spread over what both have in common, by how much the offset is wrong there."""
    first, end = max(0, -offset), min(reference.frames, other.frames - offset)
    room = end - first - LAG_FRAMES
    if room <= 0:
        return []
    found = []
    for place in np.linspace(first, first + room, LAG_WINDOWS).astype(int):
        voted = _lag(reference, other, int(place), offset)
        if voted is not None:
            found.append([float(place / rate_hz), float(voted)])
    return found


def _lag(reference: Recording, other: Recording, first: int, offset: int) -> int | None:
    """Return the lag of one window beyond the offset; None where it is not clear."""
    from relkit.measure.excerpts import excerpt

    taper = np.hanning(LAG_FRAMES).astype(np.float32)
    spectra = []
    for each, start in ((reference, first), (other, first + offset)):
        mono = excerpt(each, start, LAG_FRAMES).mean(axis=1)
        spectra.append(np.fft.rfft((mono - mono.mean()) * taper))
    cross = spectra[1] * np.conj(spectra[0])
    strength = np.abs(cross)
    if not strength.max() > 1e-9:
        return None
    similar = np.fft.irfft(cross / (strength + 1e-9 * strength.max()), LAG_FRAMES)
    near = np.concatenate([similar[-LAG_REACH:], similar[: LAG_REACH + 1]])
    noise = float(np.sqrt(np.mean(np.square(similar[LAG_REACH + 1 : -LAG_REACH])))) + 1e-12
    at = int(np.argmax(np.abs(near)))
    return at - LAG_REACH if abs(near[at]) > LAG_CLEAR * noise else None


@dataclass(frozen=True)
class Blocks:
    """Energies of each 10 ms, old's time; ``new`` is taken at the offset.

    Attributes:
        old, new: mean squares.
        cross: mean product.
        per_s: blocks in a second.
    """

    old: Vector
    new: Vector
    cross: Vector
    per_s: float

    def fit(self) -> tuple[Vector, Vector]:
        """Return the gain from old to new in each block, and what it leaves, re the louder of the two."""
        gain = self.cross / np.maximum(self.old, 1e-20)
        left = np.maximum(self.new - gain * self.cross, 0)
        return gain, left / np.maximum(np.maximum(self.old * _middle(gain, self) ** 2, self.new), 1e-20)


def _middle(gain: Vector, blocks: Blocks) -> float:
    """Return the usual gain: the median, by energy of the older one."""
    heard = blocks.old > AUDIBLE
    if not heard.any():
        return 1.0
    order = np.argsort(gain[heard])
    weight = np.cumsum(np.sqrt(blocks.old[heard][order]))
    return float(gain[heard][order][int(np.searchsorted(weight, weight[-1] / 2))])


def blocks_of(old: Recording, new: Recording, rate_hz: int, offset: int) -> Blocks:
    """Read both along an offset, over all of old; below some kHz, where a codec keeps the waveform, too."""
    from relkit.measure.excerpts import excerpt

    grain = max(1, rate_hz // GRAINED_HZ)
    size = grain * max(1, rate_hz // BLOCKS_PER_S // grain)
    count = old.frames // size
    sums = np.zeros((3, count))
    same = old.channels == new.channels
    for start in range(0, count, SLAB_BLOCKS):
        number = min(SLAB_BLOCKS, count - start)
        pair: list[npt.NDArray[Any]] = []
        for each, first in ((old, start * size), (new, start * size + offset)):
            samples: Samples = excerpt(each, first, number * size)
            if not same:
                samples = samples.mean(axis=1, keepdims=True, dtype=np.float32)
            grained = samples.reshape(number, -1, grain, samples.shape[1]).mean(axis=2)
            grained -= grained.mean(axis=1, keepdims=True)  # a DC offset is no difference
            pair.append(grained.reshape(number, -1))
        one, two = pair
        width = one.shape[1]
        for row, (left, right) in enumerate(((one, one), (two, two), (one, two))):
            sums[row, start : start + number] = np.einsum("ij,ij->i", left, right) / width
    return Blocks(sums[0], sums[1], sums[2], rate_hz / size)


def difference(old: Recording, new: Recording, rate_hz: int, how: Lie) -> Difference:
    """Find the places where two bounces differ, and how their levels compare elsewhere."""
    blocks = blocks_of(old, new, rate_hz, how.offset_frames)
    gain, unlike = blocks.fit()
    usual_gain = _middle(gain, blocks)
    audible = np.maximum(blocks.old * usual_gain**2, blocks.new) > AUDIBLE
    if not audible.any():
        return Difference([], 0.0, None, -200.0)
    usual = float(np.median(unlike[audible]))
    limit = min(max(UNLIKE_LEAST, UNLIKE_USUAL * usual), UNLIKE_MOST)
    with np.errstate(divide="ignore"):
        away_db = np.abs(20 * np.log10(np.abs(gain) / max(abs(usual_gain), 1e-9)))
    turned = gain * usual_gain <= 0
    differs = audible & ((unlike > limit) | (away_db > FAR_DB) | turned)
    edits = stretches(differs, GAP_BLOCKS, SHORTEST_BLOCKS)
    touched = np.zeros(len(differs), bool)
    for first, end in edits:
        touched[first:end] = True
    kept = audible & ~touched
    level_db = None
    if kept.sum() > blocks.per_s:
        level_db = 10 * math.log10(blocks.new[kept].sum() / blocks.old[kept].sum())
    return Difference(
        edits=[[first / blocks.per_s, end / blocks.per_s] for first, end in edits],
        edited_share=float((touched & audible).sum() / audible.sum()),
        level_db=level_db,
        usual_db=10 * math.log10(max(usual, 1e-20)),
    )


def stretches(mask: npt.NDArray[np.bool_], gap: int, shortest: int) -> list[tuple[int, int]]:
    """Return where a mask is set, joined over gaps up to ``gap``, as (first, end)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    found: list[tuple[int, int]] = []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if found and first - found[-1][1] <= gap:
            found[-1] = (found[-1][0], end)
        else:
            found.append((first, end))
    return [one for one in found if one[1] - one[0] >= shortest]
