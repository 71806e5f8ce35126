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
from relkit.measure.leftover import Leftover, Stretch, fitted
from relkit.measure.lining_up import FIT_REACH, equal_slabs, line_up
from relkit.measure.noise import AUDIBLE, Noise
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
BITS = (16, 20, 24)
CONVERTED_DB = -60.0  # re signal: two sample rate converters agree no better
MORE_THAN_FILTER_DB = -12.0  # re old: an edit that no equaliser makes
STANDS_OUT_DB = -3.0
FRACTION = 0.05  # [frames]
RIDES, RIDE_S = 8, 10.0  # so many changes of level, one in so many seconds
NO_NOISE = 1e-18  # [power] -180 dBFS


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
    equal, audible = equal_slabs(one, other, rate_hz)
    if equal.all() and one.frames == other.frames:
        whole = (Stretch(0, one.frames, 0),)
        same = _in_order(facts or {"same samples"})
        return Comparison(same, 0, 0.0, 0.0, 1, -math.inf, -math.inf, *bits, whole, (), exact=True)
    exact = bool((equal & audible).sum() > EXACT_SHARE * max(1, audible.sum()))
    together = line_up(one, other, rate_hz, equal if exact else None, lossy=lossy)
    if together is None:
        silent = not audible.any() and not equal_slabs(other, one, rate_hz)[1].any()
        strange = _in_order({"length"} if silent else {"another recording"})
        return Comparison(strange, 0, 0.0, 0.0, 1, math.inf, 0.0, *bits, (), (), exact=False)
    pair, rest, noise, fraction = together.pair, together.rest, together.noise, together.offset_fraction
    facts |= _facts(pair, noise, bits)
    throughout = not exact and _unlike_throughout(rest, together.covered)
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
                fraction = fraction or align(one, other, rate_hz).offset_fraction
                if abs(fraction) > FRACTION:
                    facts.add("offset")
    if throughout or _rides(found, rate_hz):
        facts -= {"bit depth", "lossy", "noise"}
        facts.add("changed throughout")
        found = [each for each in found if _stands_out(each)]
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


def _stands_out(region: Region) -> bool:
    """Whether a region is an edit even in a song that is changed throughout."""
    if region.kind in ("inserted", "removed"):
        return True
    return region.kind != "faded" and region.difference_db > STANDS_OUT_DB


def _rides(found: list[Region], rate_hz: int) -> bool:
    """Whether the level changes so often that it is no edit but another compressor or limiter."""
    faded = [region for region in found if region.kind == "faded"]
    if len(faded) < RIDES:
        return False
    return (faded[-1].old_end - faded[0].old_first) / rate_hz < RIDE_S * len(faded)


def _in_order(facts: set[Verdict]) -> tuple[Verdict, ...]:
    return tuple(each for each in VERDICTS if each in facts)


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
