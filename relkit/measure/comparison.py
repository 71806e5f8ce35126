"""Two renderings of one song: what is the same, what is different, and where?

Equal samples are found by comparing memory. For all others the offset that most of the song agrees on
is found (``align``), bars put in or taken out are followed from there (``following``), and what is left
after gain and noise is told apart into changes, their tails and their edges (``changes``, ``regions``).

Conventions
    old, new   two renderings; where the rates differ, new counts in frames of the old one's rate
    verdicts   all that hold, in the order of ``VERDICTS``; none other than "same samples" with it

Not here: files and their formats (``relkit.release``), what sounds at an edit (``underneath``).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from relkit.measure.align import align
from relkit.measure.changes import changes, heard
from relkit.measure.edges import Pair
from relkit.measure.excerpts import Recording, recording, require_rate
from relkit.measure.filtered import filtered
from relkit.measure.following import follow
from relkit.measure.leftover import (
    COARSE_GRAIN,
    SLAB_BLOCKS,
    Leftover,
    Stretch,
    block_frames,
    fitted,
    leftover,
)
from relkit.measure.noise import AUDIBLE, Noise, noise_of
from relkit.measure.overview import Character, character
from relkit.measure.rates import AtRate
from relkit.measure.regions import Region, cuts, regions
from relkit.measure.slabs import Samples

Verdict = Literal[
    "same samples",
    "another recording",
    "changed throughout",
    "offset",
    "gain",
    "polarity",
    "sample rate",
    "channels",
    "length",
    "bit depth",
    "noise",
    "lossy",
    "edited",
]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)
Mask = npt.NDArray[np.bool_]

GAIN_DB, GAIN_LOSSY_DB = 0.005, 0.03  # a level is the same if it differs by less
UNLIKE_DB = -25.0  # re signal: if the most alike fifth of a song is not as alike, all of it was changed
MOST_ALIKE = 0.2
EDGE_DB, EDGE_LOSSY_DB = -30.0, -20.0
EXACT_SHARE = 0.1  # of the slabs with sound: equal at offset 0, and nothing else need be tried
FEW_SLABS = 0.25  # of all, unequal: edits and nothing else
BITS = (16, 20, 24)
CONVERTED_DB = -60.0  # re signal: two sample rate converters agree no better
MORE_THAN_FILTER_DB = -12.0  # re old: an edit that no equaliser makes
FRACTION = 0.05  # [frames]
RIDES, RIDE_S = 8, 10.0  # so many changes of level, one in so many seconds
NO_NOISE = 1e-18  # [power] -180 dBFS
FIT_REACH = 5  # blocks on both sides: noise is told over 11 ms
DENSEST = 0.35  # part of the song within which the commonest gain is looked for


@dataclass(frozen=True)
class Comparison:
    """What a listener, and an engineer, would want to know of two renderings.

    Attributes:
        verdicts: see the module's header.
        offset_frames: frame of new at which old's first frame sounds, on the first stretch.
        offset_fraction: what to add for the offset below a sample, -0.5 to 0.5; 0 if it is less than 0.05.
        gain_db: from old to new, apart from changes; 0 for another recording.
        polarity: 1, or -1 if new is upside down.
        residual_dbfs: usual level of the difference between changes; -inf if there is none.
        residual_db: the same re the signal.
        old_bits, new_bits: least bit depth that holds all samples looked at; None for floating point.
        stretches: what both have in common, in order in both.
        regions: in order of time.
        exact: whether outside of regions and tails every sample is the same.
        overview: old and new as a whole, if they are changed throughout.
    """

    verdicts: tuple[Verdict, ...]
    offset_frames: int
    offset_fraction: float
    gain_db: float
    polarity: int
    residual_dbfs: float
    residual_db: float
    old_bits: int | None
    new_bits: int | None
    stretches: tuple[Stretch, ...]
    regions: tuple[Region, ...]
    exact: bool
    overview: tuple[Character, Character] | None = None


class _Mono:
    """A recording as the mean of its channels."""

    channels = 1

    def __init__(self, source: Recording) -> None:
        self._source, self.frames = source, source.frames

    def read(self, first: int, end: int) -> Samples:
        mean: Samples = self._source.read(first, end).mean(axis=1, keepdims=True, dtype=np.float32)
        return mean


def compare(
    old: Recording | npt.NDArray[Any],
    new: Recording | npt.NDArray[Any],
    rate_hz: int,
    *,
    new_rate_hz: int | None = None,
    lossy: bool = False,
) -> Comparison:
    """Compare two renderings.

    Args:
        old, new: floating point, shape (frames, channels) or (frames,), full scale 1.0; or
            recordings, which are read a few times from beginning to end, and here and there.
        rate_hz: of the old one, 8000 to 384000.
        new_rate_hz: of the new one, if it is another.
        lossy: whether one of them is known to come out of a lossy codec. Told from the samples as well,
            but not where two encoded files are equal up to an edit.

    Returns:
        The comparison; where the numbers of channels differ, of the means of the channels.

    Raises:
        ValueError: a rate, dtype or shape outside of these.
    """
    require_rate(rate_hz)
    one, other = recording(old), recording(new)
    bits = (bits_of(one), bits_of(other))
    facts: set[Verdict] = set()
    if new_rate_hz is not None and new_rate_hz != rate_hz:
        other = AtRate(other, new_rate_hz, rate_hz)
        facts.add("sample rate")
    if one.channels != other.channels:
        one, other = _Mono(one), _Mono(other)
        facts.add("channels")
    equal, audible = _equal(one, other, SLAB_BLOCKS * block_frames(rate_hz, 1))
    if equal.all() and one.frames == other.frames:
        whole = (Stretch(0, one.frames, 0),)
        same = _in_order(facts or {"same samples"})
        return Comparison(same, 0, 0.0, 0.0, 1, -math.inf, -math.inf, *bits, whole, (), exact=True)
    exact = bool((equal & audible).sum() > EXACT_SHARE * max(1, audible.sum()))
    lined_up = _lined_up(one, other, rate_hz, equal if exact else None, lossy=lossy)
    if lined_up is None:
        strange = _in_order({"another recording"})
        return Comparison(strange, 0, 0.0, 0.0, 1, math.inf, 0.0, *bits, (), (), exact=False)
    pair, rest, noise, fraction = lined_up
    facts |= _facts(pair, noise, bits)
    throughout = not exact and _unlike_throughout(rest, _covered(rest, pair.stretches))
    found: list[Region] = []
    if throughout:
        found = regions(pair, rest, None, [], EDGE_DB)
    else:
        if "sample rate" in facts:
            noise = replace(noise, steady=False, relative_db=max(noise.relative_db, CONVERTED_DB))
        ear = heard(rest, noise, EDGE_LOSSY_DB if noise.lossy else EDGE_DB, rate_hz)
        found = regions(pair, rest, ear, changes(ear, cuts(pair, rest.frames)), ear.edge_db)
        if noise.power > NO_NOISE and not lossy:
            whole_song = filtered(pair)
            throughout = whole_song.is_coloured
            if whole_song.is_filter:
                facts.discard("lossy")
                found = [each for each in found if each.difference_db > MORE_THAN_FILTER_DB]
                if abs(fraction) > FRACTION:
                    facts.add("offset")
    if throughout or _rides(found, rate_hz):
        facts -= {"bit depth", "lossy", "noise"}
        facts.add("changed throughout")
    nothing_else = _exact_outside(rest, found)
    if found:
        facts.add("edited")
    elif not nothing_else and not facts:
        facts.add("noise")
    if _other_length(pair):
        facts.add("length")
    return Comparison(
        verdicts=_in_order(facts),
        offset_frames=pair.stretches[0].offset,
        offset_fraction=fraction if abs(fraction) > FRACTION else 0.0,
        gain_db=20 * math.log10(abs(pair.gain)),
        polarity=1 if pair.gain > 0 else -1,
        residual_dbfs=10 * math.log10(noise.power) if noise.power else -math.inf,
        residual_db=noise.relative_db,
        old_bits=bits[0],
        new_bits=bits[1],
        stretches=pair.stretches,
        regions=tuple(found),
        exact=nothing_else,
        overview=(character(one, rate_hz), character(other, rate_hz))
        if "changed throughout" in facts
        else None,
    )


def _other_length(pair: Pair) -> bool:
    """Whether one of the two goes on for longer behind what they have in common, if only in silence."""
    last = pair.stretches[-1]
    return last.end != pair.old.frames or last.end + last.offset != pair.new.frames


def _rides(found: list[Region], rate_hz: int) -> bool:
    """Whether the level changes so often that it is no edit but another compressor or limiter."""
    faded = [region for region in found if region.kind == "faded"]
    if len(faded) < RIDES:
        return False
    return (faded[-1].old_end - faded[0].old_first) / rate_hz < RIDE_S * len(faded)


def _in_order(facts: set[Verdict]) -> tuple[Verdict, ...]:
    return tuple(each for each in VERDICTS if each in facts)


def _lined_up(
    old: Recording, new: Recording, rate_hz: int, equal: Mask | None, *, lossy: bool
) -> tuple[Pair, Leftover, Noise, float] | None:
    """Return the two along their path, what is left there, what of it is usual, and the rest of the offset.

    None for two songs. The rest of the offset is that below a sample.

    Args:
        old, new: with the same number of channels.
        rate_hz: of both.
        equal: which slabs are known to be equal, if these are enough to do without lining up.
        lossy: as for ``compare``.
    """
    offset, gain, fraction = 0, 1.0, 0.0
    if equal is None:
        alignment = align(old, new, rate_hz)
        if not alignment.alignable:
            return None
        offset, fraction = alignment.offset_frames, alignment.offset_fraction
        gain = alignment.polarity * 10 ** (alignment.gain_db / 20)
    unequal = None if equal is None else ~equal
    grain = COARSE_GRAIN if lossy else _grain(old, new, offset, gain, rate_hz, unequal)
    wanted = unequal if grain == 1 else None  # the slabs are those of grain 1
    followed = follow(old, new, rate_hz, offset, gain, grain, exact=equal is not None, wanted=wanted)
    rest = followed.rest
    covered = _covered(rest, followed.stretches)
    if equal is None:
        rest, gain = _at_commonest_gain(rest, covered, gain)
    noise = _noise(rest, covered, equal, lossy=lossy)
    return Pair(old, new, followed.stretches, gain, rate_hz, grain), rest, noise, fraction


def _facts(pair: Pair, noise: Noise, bits: tuple[int | None, int | None]) -> set[Verdict]:
    """Return what holds of the song between its changes."""
    facts: set[Verdict] = set()
    if pair.stretches[0].offset:
        facts.add("offset")
    if abs(20 * math.log10(abs(pair.gain))) > (GAIN_LOSSY_DB if noise.lossy else GAIN_DB):
        facts.add("gain")
    if pair.gain < 0:
        facts.add("polarity")
    if noise.lossy:
        facts.add("lossy")
    else:
        if bits[0] != bits[1]:
            facts.add("bit depth")
        if noise.power > NO_NOISE:
            facts.add("noise")
    return facts


def _equal(old: Recording, new: Recording, slab_frames: int) -> tuple[Mask, Mask]:
    """Return which slabs are equal, and which of the old one are not silent."""
    count = -(-old.frames // slab_frames)
    equal, audible = np.zeros(count, bool), np.zeros(count, bool)
    for slab in range(count):
        first, end = slab * slab_frames, min((slab + 1) * slab_frames, old.frames)
        samples = old.read(first, end)
        audible[slab] = bool(samples.any())
        equal[slab] = end <= new.frames and np.array_equal(samples, new.read(first, end))
    return equal, audible


def _windows(source: Recording) -> Iterator[Samples]:
    """Yield a few short windows from all over a recording."""
    length = min(4096, source.frames)
    for part in range(12):
        first = (source.frames - length) * part // 11
        yield source.read(first, first + length)


def bits_of(source: Recording) -> int | None:
    """Return the least of 16, 20 and 24 bits that holds what a few windows hold; None for more."""
    for bits in BITS:
        scale = np.float64(2 ** (bits - 1))
        if all(not np.mod(window * scale, 1).any() for window in _windows(source)):
            return bits
    return None


def _grain(
    old: Recording, new: Recording, offset: int, gain: float, rate_hz: int, wanted: Mask | None
) -> int:
    """Return how many frames to average: 1, unless the noise is that of a codec."""
    frames = block_frames(rate_hz, 1)
    some = np.zeros(-(-old.frames // (SLAB_BLOCKS * frames)), bool)
    some[:: max(1, len(some) // 24)] = True
    some = some if wanted is None else wanted
    if wanted is not None and wanted.mean() < FEW_SLABS:
        return 1
    first = min(max(0, -offset), old.frames)
    common = Stretch(first, max(first, min(old.frames, new.frames - offset)), offset)
    rest = leftover(old, new, (common,), gain, frames, 1, some)
    return COARSE_GRAIN if noise_of(fitted(rest, FIT_REACH), rest.left > 0).lossy else 1


def _covered(rest: Leftover, stretches: tuple[Stretch, ...]) -> Mask:
    """Return which blocks both renderings have."""
    mask = np.zeros(len(rest.old), bool)
    for stretch in stretches:
        mask[-(-stretch.first // rest.frames) : stretch.end // rest.frames] = True
    return mask


def _at_commonest_gain(rest: Leftover, covered: Mask, gain: float) -> tuple[Leftover, float]:
    """Return what is left at the gain that most of the song agrees on, and this gain."""
    fit = fitted(rest, FIT_REACH)
    used = covered & (fit.old > AUDIBLE)
    if not used.any():
        return rest, gain
    gains = np.sort(fit.gain[used])
    width = max(1, int(DENSEST * len(gains)))
    spans = gains[width - 1 :] - gains[: len(gains) - width + 1]
    first = int(np.argmin(spans))
    more = float(np.median(gains[first : first + width])) - 1
    if abs(more) < 1e-7:
        return rest, gain
    cross = (rest.cross - more * rest.old) * (1 + more)
    left = np.maximum(rest.left - 2 * more * rest.cross + more**2 * rest.old, 0)
    changed = Leftover(rest.frames, rest.values, rest.old * (1 + more) ** 2, rest.new, left, cross)
    return changed, gain * (1 + more)


def _noise(rest: Leftover, covered: Mask, equal: Mask | None, *, lossy: bool) -> Noise:
    """Return what is usual; where much is equal, what is usual in the rest, if it can be noise at all."""
    if lossy:
        usual = noise_of(fitted(rest, FIT_REACH), covered & (rest.left > 0))
        return Noise(usual.power, usual.relative_db, steady=False, lossy=True)
    if equal is None:
        return noise_of(fitted(rest, FIT_REACH), covered)
    nothing = Noise(0.0, -math.inf, True, False)
    if (~equal).mean() < FEW_SLABS:
        return nothing
    noise = noise_of(fitted(rest, FIT_REACH), covered & (rest.left > 0))
    return noise if noise.lossy and noise.relative_db < UNLIKE_DB else nothing


def _unlike_throughout(rest: Leftover, covered: Mask) -> bool:
    """Whether even what is most alike is not alike."""
    fit = fitted(rest, FIT_REACH)
    used = covered & (fit.old > AUDIBLE)
    if not used.any():
        return False
    return bool(np.quantile(fit.unexplained[used] / fit.old[used], MOST_ALIKE) > 10 ** (UNLIKE_DB / 10))


def _exact_outside(rest: Leftover, found: list[Region]) -> bool:
    """Whether nothing at all is left outside of regions and tails."""
    left = rest.left.copy()
    for region in found:
        left[max(0, region.old_first // rest.frames - 1) : region.tail_end // rest.frames + 2] = 0
    return not left.any()
