"""How do two renderings of one song lie to each other: offset, gain, polarity, and what is left?

Three steps. The whole of both at low rate gives a few likely offsets (``coarse``). For each of them
short windows at full rate, spread over the song, say on their own what the offset is to the sample;
only one on which several agree counts, so that edits, added voices and other sections do not matter.
Over the windows that agree, phases averaged in bands give the offset below a sample.

Conventions
    offset     frame of ``other`` at which frame 0 of ``reference`` sounds: positive if other is later
    gain       [dB] from reference to other
    residual   [dB] what is left of other after the reference, lined up and at that gain, was taken
               away, relative to other; over all that they have in common in time
    mono       offset and gain are found on the mean of the channels (on the first channel, where
               the channels cancel); the residual counts every channel if both have the same number

A filter has a delay of its own: after an equaliser that is not linear-phase the offset is that of
the treble, where such a filter delays least. Recordings of two sample rates cannot be compared; one
that runs at another speed (a wrong rate in its header) is named by its drift, from 0.01 % to 10 %.

Measured: two stereo recordings of 200 s at 44.1 kHz take 0.45 s of CPU and 46 MB besides the samples.

Sources
    [GCC]      C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of
               time delay", IEEE Trans. ASSP 24(4), 1976: phase transform, and weights by coherence

Not here: the places where two renderings differ, and whether an offset is a fault (``relkit.qc``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.measure.coarse import CANDIDATES, LowRate, cancels, candidates, common_factor, low_rate
from relkit.measure.drift import stretch
from relkit.measure.excerpts import Recording, excerpt, recording, require_rate
from relkit.measure.slabs import Samples

Phasors = npt.NDArray[np.complex64]
Mix = npt.NDArray[np.float32]  # what each channel counts for in a mono sum

WINDOW_S = 0.75  # [s], rounded to a power of two frames
MIN_WINDOW_FRAMES = 512  # a shorter recording is not compared
WINDOWS = 16
AUDIBLE = 1e-6  # [power ratio] a window 60 dB below the loudest one has nothing to say
CLEAR = 12.0  # a window's peak above its own noise, in standard deviations; see ``_Vote.height``
NEAR = 1  # frames by which windows that agree may differ
ENOUGH_SHARE = 0.15  # fewer in agreement: two recordings with a sample in common, not one song
ENOUGH_WINDOWS = 3  # this many in agreement, or all where there are fewer
IN_PHASE = 0.2  # tangent of the largest phase between two bins that count for the gain
RATIO_STEP_DB, RATIO_STEPS = 0.1, 10  # the commonest ratio is looked for within about 1 dB
KEEPING = (0.15, 0.05, 0.05)  # relative error of a bin that keeps to the gain, tighter in turn
SHELVES_HZ = 100.0 * 2.0 ** np.arange(8)
SHELF_DB = 2.0  # usual size of a shelf of an octave
PHASE_ERROR = 0.03  # [rad] what the shelves cannot follow
BANDS, BAND_BINS = 256, 16  # at most so many, each of at least so many bins
FINE_STEPS = 32  # to a frame
SLAB_FRAMES = 1 << 16


@dataclass(frozen=True)
class Alignment:
    """How ``other`` lies to ``reference``; units as in the module's header.

    Attributes:
        offset_frames: the nearest whole number. Always ask ``alignable`` first: 0 if not.
        offset_fraction: what to add for the offset below a sample, -0.5 to 0.5.
        gain_db: robust, so that an added voice or a mute does not change it; 0 if not alignable.
        polarity: 1, or -1 if other is upside down.
        residual_db: at the whole offset; -inf if nothing is left, 0 if not alignable.
        confidence: share of the windows audible in both that agree on the offset, 0 to 1.
        drift_ppm: by how much longer the other takes for the same music, as after a wrong sample rate
            (88 435 if 48 kHz was taken for 44.1 kHz); 0 if alignable, or no drift was recognised.
    """

    offset_frames: int
    offset_fraction: float
    gain_db: float
    polarity: int
    residual_db: float
    confidence: float
    drift_ppm: float = 0.0

    @property
    def alignable(self) -> bool:
        """Whether the two have sound in common that tells their offset."""
        return self.confidence >= ENOUGH_SHARE


@dataclass(frozen=True)
class _Vote:
    """What one window found: lag beyond the candidate, which way up, and its phases.

    The height is 3 to 5 by chance, up to 11 where drums of unrelated songs fall together (in every
    bar of a loop, so that the windows are no independent witnesses), 15 to 100 for a voice in a full
    mix and 300 and more for two mixes of one song.
    """

    first: int  # in the reference
    lag: int
    height: float  # signed peak in standard deviations
    phasors: Phasors

    @property
    def polarity(self) -> int:
        return 1 if self.height > 0 else -1


@dataclass(frozen=True)
class _Agreement:
    """The windows that agree for one candidate."""

    offset: int
    polarity: int
    votes: tuple[_Vote, ...]  # lags are to ``offset``
    share: float
    matched_frames: float  # how much of the song agrees, weighted by how well


def align(
    reference: Recording | npt.NDArray[Any], other: Recording | npt.NDArray[Any], rate_hz: int
) -> Alignment:
    """Find how two renderings of one song lie to each other.

    Level, polarity, mastering without delay, a codec, voices in only one of them, mutes, and bars
    added before or after do no harm. Two renderings without common sound, such as an instrumental and
    an acapella, are not alignable: align each with the full mix. Of two places that fit equally well,
    as in a loop that repeats to the sample, the one with more in common is taken.

    Args:
        reference, other: floating point, shape (frames, channels) or (frames,), full scale 1.0; or
            recordings, which are read twice from beginning to end and in short windows between.
            Any length; the numbers of channels may differ, then both are compared as mono.
        rate_hz: of both, 8000 to 384000.

    Returns:
        The alignment; silence, DC and recordings shorter than 512 frames are not alignable, nor is what
        drifts: then the drift is named.

    Raises:
        ValueError: a rate, dtype or shape outside of these.

    Source:
        [GCC].
    """
    require_rate(rate_hz)
    pair = (recording(reference), recording(other))
    if _window_frames(pair, rate_hz) < MIN_WINDOW_FRAMES:
        return Alignment(0, 0.0, 0.0, 1, 0.0, 0.0)
    factor = common_factor(rate_hz, *pair)
    lows = [low_rate(each, factor) for each in pair]
    found = _consensus(pair, lows, rate_hz)
    if found is None or not _enough(found[0]):
        share = 0.0 if found is None else min(found[0].share, ENOUGH_SHARE / 2)
        slower = stretch(lows[0].mono, lows[1].mono, rate_hz / factor)
        return Alignment(0, 0.0, 0.0, 1, 0.0, share, 0.0 if slower is None else (slower - 1) * 1e6)
    agreement, mixes = found
    shift = _fine_shift(agreement, _window_frames(pair, rate_hz), rate_hz)
    offset = agreement.offset + round(shift)
    gain = _robust_gain(pair, mixes, agreement, offset, _window_frames(pair, rate_hz))
    return Alignment(
        offset_frames=offset,
        offset_fraction=shift - round(shift),
        gain_db=20 * math.log10(abs(gain)),
        polarity=1 if gain > 0 else -1,
        residual_db=_residual_db(pair, mixes, offset, gain),
        confidence=agreement.share,
    )


def body_in(
    edit: Recording | npt.NDArray[Any], song: Recording | npt.NDArray[Any], rate_hz: int
) -> int | None:
    """Return the frame of a DJ edit at which the song's first frame sounds; None if the song is not in it.

    Arguments and errors as for ``align``. Negative if the edit left out the song's beginning.
    """
    found = align(song, edit, rate_hz)
    return found.offset_frames if found.alignable else None


def _consensus(
    pair: tuple[Recording, Recording], lows: list[LowRate], rate_hz: int
) -> tuple[_Agreement, list[Mix]] | None:
    """Return the candidate on which most of the song agrees, and how to mix each recording to mono."""
    window = _window_frames(pair, rate_hz)
    factor = lows[0].factor
    cancelled = any(cancels(low) for low in lows)
    signals = [low.left if cancelled else low.mono for low in lows]
    mixes = [_mix(each.channels, cancelled) for each in pair]
    best: _Agreement | None = None
    for candidate in candidates(signals[0], signals[1], factor, rate_hz)[:CANDIDATES]:
        starts, span = _audible_windows(lows, cancelled, candidate, window)
        votes = [_vote(pair, mixes, first, candidate, window, 2 * factor + 1) for first in starts]
        agreement = _agreement(candidate, votes, span)
        if agreement and (best is None or agreement.matched_frames > best.matched_frames):
            best = agreement
    return None if best is None else (best, mixes)


def _enough(agreement: _Agreement) -> bool:
    """Whether the agreement is more than chance or a borrowed sample."""
    windows = round(len(agreement.votes) / agreement.share)
    return agreement.share >= ENOUGH_SHARE and len(agreement.votes) >= min(windows, ENOUGH_WINDOWS)


def _window_frames(pair: tuple[Recording, Recording], rate_hz: int) -> int:
    """Return the window's length, a power of two no longer than either recording."""
    longest = 1 << round(math.log2(WINDOW_S * rate_hz))
    shortest = min(each.frames for each in pair)
    return min(longest, 1 << max(shortest, 1).bit_length() - 1)


def _mix(channels: int, cancelled: bool) -> Mix:
    """Return the weights of the mono sum."""
    if cancelled:
        return np.array([1] + [0] * (channels - 1), np.float32)
    return np.full(channels, 1 / channels, np.float32)


def _audible_windows(
    lows: list[LowRate], cancelled: bool, candidate: int, window: int
) -> tuple[list[int], int]:
    """Return where in the reference to listen, and how many frames both have in common.

    The common stretch is cut into equal parts; in each of them the window is taken in which the
    softer of the two is loudest.
    """
    factor = lows[0].factor
    cells = max(1, window // factor // 4)  # low frames for each of four quarters of a window
    shift = round(candidate / factor)
    signals = [low.left if cancelled else low.mono for low in lows]
    first, end = max(0, -shift), min(len(signals[0]), len(signals[1]) - shift)
    count = (end - first) // cells
    if count < 4:  # no window fits in
        return [], 0
    powers = []
    for signal, start in zip(signals, (first, first + shift), strict=True):
        part = signal[start : start + count * cells].reshape(count, cells).astype(np.float64)
        quarters = part.var(axis=1)
        power = np.lib.stride_tricks.sliding_window_view(quarters, 4).mean(axis=1)
        powers.append(power / max(float(power.max()), 1e-30))
    softer = np.minimum(*powers)
    parts = np.array_split(np.arange(len(softer)), min(WINDOWS, -(-len(softer) // 4)))
    loudest = [int(part[np.argmax(softer[part])]) for part in parts]
    starts = [(first + at * cells) * factor for at in loudest if softer[at] > AUDIBLE]
    return starts, (end - first) * factor


def _vote(
    pair: tuple[Recording, Recording], mixes: list[Mix], first: int, candidate: int, window: int, reach: int
) -> _Vote:
    """Let one window say by how much the candidate is wrong, up to ``reach`` frames either way."""
    from scipy import fft

    reference, other = _spectra(pair, mixes, first, candidate, window)
    cross = other * np.conj(reference)
    strength = np.abs(cross)
    phasors = cross / (strength + np.float32(1e-9) * strength.max() + np.float32(1e-30))
    similar = fft.irfft(phasors, window)
    reach = min(reach, window // 8)
    near = np.concatenate([similar[-reach:], similar[: reach + 1]])
    noise = float(np.sqrt(np.mean(np.square(similar[reach + 1 : -reach])))) + 1e-12
    at = int(np.argmax(np.abs(near)))
    return _Vote(first, at - reach, float(near[at]) / noise, phasors)


def _spectra(
    pair: tuple[Recording, Recording], mixes: list[Mix], first: int, offset: int, window: int
) -> list[Phasors]:
    """Return the spectra of the same window in both, without DC, scaled to a common size."""
    from scipy import fft

    taper = np.hanning(window + 1)[:-1].astype(np.float32)
    spectra = []
    for each, mix, start in zip(pair, mixes, (first, first + offset), strict=True):
        mono = excerpt(each, start, window) @ mix
        mono -= mono.mean()
        spectrum: Phasors = fft.rfft(mono * taper)
        spectrum[0] = 0
        spectra.append(spectrum)
    return spectra


def _agreement(candidate: int, votes: list[_Vote], span_frames: int) -> _Agreement | None:
    """Return the largest group of clear votes for one lag and one polarity."""
    clear = [vote for vote in votes if abs(vote.height) >= CLEAR]
    if not clear:
        return None
    groups = [
        [vote for vote in clear if abs(vote.lag - chosen.lag) <= NEAR and vote.polarity == chosen.polarity]
        for chosen in clear
    ]
    # Of equal groups the one around a lag that is itself the commonest.
    lag, group = max(
        ((chosen.lag, group) for chosen, group in zip(clear, groups, strict=True)),
        key=lambda each: (len(each[1]), sum(vote.lag == each[0] for vote in each[1])),
    )
    frames = len(votes[0].phasors)
    shifts = np.exp(2j * np.pi * lag * np.arange(frames) / (2 * (frames - 1))).astype(np.complex64)
    moved = tuple(_Vote(vote.first, vote.lag - lag, vote.height, vote.phasors * shifts) for vote in group)
    weight = sum(abs(vote.height) for vote in group) / len(votes)
    return _Agreement(
        candidate + lag, group[0].polarity, moved, len(group) / len(votes), weight * span_frames
    )


def _fine_shift(agreement: _Agreement, window: int, rate_hz: int) -> float:
    """Return the offset beyond the agreed one [frames], by the phases of all windows together.

    Phases are averaged in bands and weighted by how well they agree there; the result is the shift
    that brings them to zero.

    Source:
        [GCC], the maximum-likelihood weights.
    """
    mean = np.mean([vote.phasors for vote in agreement.votes], axis=0) * agreement.polarity
    edges = np.linspace(1, len(mean), min(BANDS, len(mean) // BAND_BINS) + 1).astype(int)
    bands = np.add.reduceat(mean, edges[:-1]) / np.diff(edges)
    coherence = np.minimum(np.abs(bands), 0.99)
    # What bins of chance have in common after averaging; below it a band says nothing.
    chance = 1.0 / (np.diff(edges) * len(agreement.votes))
    likely = np.maximum(coherence**2 - chance, 0)
    weights = likely / (1 - likely)
    centres = (edges[:-1] + edges[1:] - 1) / 2 / window  # [cycles per frame]
    shifts = np.arange(-2 * FINE_STEPS, 2 * FINE_STEPS + 1) / FINE_STEPS
    turned = np.exp(2j * np.pi * shifts[:, None] * centres) * (bands / np.maximum(np.abs(bands), 1e-12))
    fit = np.real(turned) @ weights
    peak = float(shifts[int(np.argmax(fit))]) if weights.any() else 0.0
    phases = np.angle(bands * np.exp(2j * np.pi * peak * centres))
    spread = (1 - coherence**2) / (2 * np.maximum(likely, 1e-9)) * chance + PHASE_ERROR**2
    return peak + _delay_beyond_equaliser(phases, np.where(likely > 0, 1 / spread, 0), centres, rate_hz)


def _delay_beyond_equaliser(
    phases: npt.NDArray[np.float64],
    weights: npt.NDArray[np.float64],
    centres: npt.NDArray[np.float64],
    rate_hz: int,
) -> float:
    """Return the delay [frames] in phases that may also have gone through an equaliser.

    Phase is modelled as delay plus shelves of first order, an octave apart, of a few dB each: their
    phase is in proportion to their dB. Weighted least squares, with the shelves' usual size as a prior.

    Args:
        phases: of other re reference [rad], near 0.
        weights: 1 / variance of each [1/rad^2].
        centres: their frequencies [cycles per frame].
        rate_hz: frames per second.
    """
    half = 10 ** (1 / 40)  # the root of 1 dB
    corners = SHELVES_HZ[rate_hz / 2 > SHELVES_HZ] / rate_hz
    ratio = centres[:, None] / corners
    shelves = np.arctan(ratio * half) - np.arctan(ratio / half)
    model = np.concatenate([-2 * np.pi * centres[:, None], shelves], axis=1)
    normal = model.T @ (model * weights[:, None])
    normal[1:, 1:] += np.eye(len(corners)) / SHELF_DB**2
    normal[0, 0] += 1e-6
    delay = np.linalg.solve(normal, model.T @ (weights * phases))[0]
    return float(np.clip(delay, -2, 2))


def _robust_gain(
    pair: tuple[Recording, Recording], mixes: list[Mix], agreement: _Agreement, offset: int, window: int
) -> float:
    """Return the signed factor from reference to other that most of the shared sound obeys.

    Least squares would be drawn to 0 by a voice that only one of them has. So the commonest ratio of
    two bins is looked for, among bins in phase; then least squares over the bins that keep to it.
    """
    both = [_spectra(pair, mixes, vote.first, offset, window) for vote in agreement.votes]
    reference = np.concatenate([spectra[0] for spectra in both]).astype(np.complex128) * agreement.polarity
    other = np.concatenate([spectra[1] for spectra in both]).astype(np.complex128)
    products, powers = other * np.conj(reference), np.square(np.abs(reference))
    in_phase = (products.real > 0) & (np.abs(products.imag) < IN_PHASE * products.real)
    in_phase &= powers > 1e-12 * powers.max()
    ratios_db = 20 * np.log10(products.real[in_phase] / powers[in_phase])
    weights = np.sqrt(products.real[in_phase])
    limit_db = 200.0
    cells, edges = np.histogram(
        ratios_db, int(2 * limit_db / RATIO_STEP_DB), (-limit_db, limit_db), weights=weights
    )
    smooth = np.convolve(cells, np.bartlett(2 * RATIO_STEPS + 1), "same")
    gain = float(10 ** ((edges[int(np.argmax(smooth))] + RATIO_STEP_DB / 2) / 20))
    for tolerance in KEEPING:
        keeping = np.abs(other - gain * reference) < tolerance * gain * np.abs(reference)
        if not keeping.any():
            break
        gain = float(products.real[keeping].sum() / powers[keeping].sum())
    return gain * agreement.polarity


def _residual_db(pair: tuple[Recording, Recording], mixes: list[Mix], offset: int, gain: float) -> float:
    """Return the level of other minus gain times reference, over their common stretch."""
    reference, other = pair
    first, end = max(0, -offset), min(reference.frames, other.frames - offset)
    left = whole = 0.0
    for start in range(first, end, SLAB_FRAMES):
        frames = min(SLAB_FRAMES, end - start)
        slabs: list[Samples] = [excerpt(reference, start, frames), excerpt(other, start + offset, frames)]
        if reference.channels != other.channels:
            slabs = [slab @ mix for slab, mix in zip(slabs, mixes, strict=True)]
        rest = slabs[1] - np.float32(gain) * slabs[0]
        left += float(np.vdot(rest, rest))
        whole += float(np.vdot(slabs[1], slabs[1]))
    if left == 0:
        return -math.inf
    return 10 * math.log10(left / whole) if whole else math.inf
