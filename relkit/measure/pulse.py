"""Which of the pulses in a song is its beat?

Music repeats at many lengths at once: sixteenth, beat, bar. Every length at
which the onset curve resembles itself is a candidate. A candidate is judged by
how each band (kick, voices, snare, hats) repeats after a quarter, a third, a half
... to four times its length, together with how usual such a tempo is and how many onsets
a beat would hold. A snare that comes back after two beats but not after one, hats that divide
a beat by four and not by eight: that is what tells 70 from 140 BPM, and it is put in numbers
by a table of weights.

The table is a choice model (softmax over the candidates of a song, weights held small by
a square penalty), fitted by ``tests/bench/pulse_weights.py`` on 602 songs made for it: drum patterns
from ballad to punk at many tempi, with a band, alone, and bands without drums, and grooves of an
accompaniment program through four sound fonts. None of the songs that the tests and the benchmark score
were among them. The right beat is the notated one; where listeners would differ from it (swing at 200,
a ballad with busy hats), so does the table. Of songs whose family was left out of the fit it picks the
notated beat in 0.87, and where it gives odds of 0.9 or more, in 0.97.

Conventions
    curve      one value per ``step_s``, near 1 in size whatever the level of the music
    likeness   autocorrelation, 1 at no delay

Not here: the exact tempo (``relkit.measure.grid``), the bar's first beat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from relkit.measure.onsets import BANDS, Curve, Onsets
from relkit.measure.pulse_weights import CENTRE, SCALE, WEIGHTS

MIN_BPM, MAX_BPM = 40.0, 250.0
TRIED = 0.005  # candidates are looked for at steps of half a per cent
CANDIDATES = 14
MULTIPLES = (1.0, 0.8, 0.6, 0.5)  # what likeness after one, two, three, four beats counts
RATIOS = (1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4, 1, 3 / 2, 2, 3, 4)  # of a beat, at which bands are compared
USUAL_BPM = 110.0  # the table's zero; what is usual follows from its weights
TEMPO_SHARE = 0.7  # size of the products of tempo and likeness before they are scaled
TOLERANCE = 0.012  # of a delay: played music does not return to the millisecond
FADE_S = 0.6  # onsets stand out against their neighbourhood
LEVEL_S = 8.0  # loud and quiet parts of a song count alike
LONGEST_S = 8.0  # delay
CHUNK = 1 << 15  # values of a curve that are compared at once with what follows
PEAK, HIGHEST = 0.5, 4.0  # height from which a peak of a curve is an onset, and above which it counts no more
LONELY = 0.05  # heights per second: added, for the logarithm of a silent band


@dataclass(frozen=True)
class Candidate:
    """A pulse that may be the beat.

    Attributes:
        beat_s: length, right to 1 %.
        clarity: mean likeness after one to four beats, weighted; 1 for a machine, near 0 for none.
        score: log odds, up to a constant.
    """

    beat_s: float
    clarity: float
    score: float

    @property
    def bpm(self) -> float:
        """Beats per minute."""
        return 60 / self.beat_s


def levelled(onsets: Onsets) -> Curve:
    """Return the bands with quiet and loud parts brought to one size, and their sum as a last row.

    Returns:
        shape (BANDS + 1, values), 0 or more.
    """
    curves = np.empty((BANDS + 1, onsets.bands.shape[1]))
    for band, curve in zip(onsets.bands, curves[:BANDS], strict=True):
        curve[:] = band / max(float(band.mean(dtype=np.float64)), 1e-12)
    curves[BANDS] = curves[:BANDS].sum(axis=0)
    for curve in curves:
        curve[:] = np.maximum(curve - _local_mean(curve, FADE_S / onsets.step_s), 0)
        power = _local_mean(curve**2, LEVEL_S / onsets.step_s)
        curve /= np.sqrt(power + 0.05 * power.mean() + 1e-12)
    return curves


def candidates(curves: Curve, step_s: float) -> list[Candidate]:
    """Return the pulses of a signal, the likeliest beat first; empty if it has none.

    Args:
        curves: from ``levelled``.
        step_s: time between their values.
    """
    found = [
        Candidate(
            beat_s, min(float(values[2]) / sum(MULTIPLES), 1.0), float((values - CENTRE) / SCALE @ WEIGHTS)
        )
        for beat_s, values in described(curves, step_s)
    ]
    return sorted(found, key=lambda candidate: -candidate.score)


def described(curves: Curve, step_s: float) -> list[tuple[float, Curve]]:
    """Return the beat length [s] of every candidate and what the table weighs."""
    likeness = _likeness(curves, int(LONGEST_S / step_s))
    crowd = _crowd(curves, step_s)
    beats_s: Curve = 60 / np.exp(np.arange(math.log(MIN_BPM), math.log(MAX_BPM), TRIED))
    delays: Curve = np.arange(likeness.shape[1]) * np.float64(step_s)
    strength = np.zeros(len(beats_s))
    for multiple, share in enumerate(MULTIPLES, 1):
        strength += share * np.interp(multiple * beats_s, delays, likeness[BANDS], right=0.0)
    inner = strength[1:-1]
    at = 1 + np.flatnonzero((inner >= strength[:-2]) & (inner > strength[2:]) & (inner > 0))
    at = at[np.argsort(-strength[at], kind="stable")][:CANDIDATES]
    return [
        (beat_s, np.concatenate([_features(likeness, delays, beat_s, float(strength[i])), filled, filled**2]))
        for i, beat_s in zip(at, beats_s[at].tolist(), strict=True)
        for filled in [np.log(beat_s * crowd)]
    ]


def _features(likeness: Curve, delays: Curve, beat_s: float, strength: float) -> Curve:
    """Return tempo, its square, strength, likenesses, and these times tempo."""
    tempo = math.log2(60 / beat_s / USUAL_BPM)
    around = 1 + np.linspace(-TOLERANCE, TOLERANCE, 7)
    places = beat_s * np.outer(RATIOS, around).ravel()
    columns = [np.interp(places, delays, likeness[row]).reshape(-1, 7).max(axis=1) for row in (0, 2, 3, 4)]
    returns = np.column_stack(columns).ravel()
    return np.concatenate([[tempo, tempo**2, strength], returns, TEMPO_SHARE * tempo * returns])


def _crowd(curves: Curve, step_s: float) -> Curve:
    """Return the sum of the heights of every row's onsets, per second; never quite 0."""
    crowd = np.empty(len(curves))
    for row, curve in enumerate(curves):  # one at a time: an hour is long
        before, here, after = curve[:-2], curve[1:-1], curve[2:]
        onsets = here[(here > PEAK) & (here >= before) & (here > after)]
        crowd[row] = np.minimum(onsets, HIGHEST).sum() / (len(curve) * step_s) + LONELY
    return crowd


def _likeness(curves: Curve, longest: int) -> Curve:
    """Return the autocorrelation of every row; longer than the signal it is 0."""
    values = curves.shape[1]
    kept = min(longest, values // 2)  # later delays rest on too few pairs
    likeness = np.zeros((len(curves), longest))
    size = 1 << int(2 * min(CHUNK, values) + kept - 1).bit_length()
    for row, curve in zip(likeness, curves, strict=True):
        around = curve - curve.mean()
        products = np.zeros(kept)
        for start in range(0, values, CHUNK):
            here = np.fft.rfft(around[start : start + CHUNK], size)
            ahead = np.fft.rfft(around[start : start + CHUNK + kept], size)
            products += np.fft.irfft(here.conj() * ahead, size)[:kept]
        products /= 1 - np.arange(kept) / values
        row[:kept] = products / (products[:1] + 1e-12)
    return likeness


def _local_mean(curve: Curve, width: float) -> Curve:
    """Return the mean over ``width`` values around each, fewer at the ends."""
    values = len(curve)
    width = max(1, min(int(width), values))
    before, after = width // 2, width - width // 2
    sums = np.cumsum(curve)
    sums = np.pad(sums, (before + 1, after), constant_values=(0, sums[-1]))
    means: Curve = sums[width : width + values] - sums[:values]
    means /= width
    means[:before] *= width / (np.arange(before) + after)
    means[values - after :] *= width / (before + np.arange(after, 0, -1))
    return means
