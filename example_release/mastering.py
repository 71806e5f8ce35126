"""The mastering chain: bus equaliser, saturation without memory, one limiter for all versions.

The limiter's gain is worked out once, so that the loudest version at each moment passes, and the
same curve is laid on every version. A muted word therefore changes the output only while it is
muted, and instrumental and acapella add up to the full mix but for the saturation's bend.

Conventions
    signal    float32, stereo shape (2, frames); full scale 1.0
    gain      linear, one value per frame, at most 1

Source: true peak by four-fold oversampling, as ITU-R BS.1770-5 Annex 2 describes it, with a filter
of our own.

Not here: a meter; loudness is checked with outside tools.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Final

import numpy as np
from scipy.ndimage import minimum_filter1d
from scipy.signal import firwin, upfirdn

from example_release.dsp import Signal, bell, equalise, shelf
from example_release.scenario import RATE_HZ

CEILING: Final = 10 ** (-1.2 / 20)  # -1.2 dBTP: the shorter filter reads up to 0.3 dB low
DRIVE: Final = 1.08
_KNEE = 0.55  # the saturation is straight below this
_AHEAD = round(0.005 * RATE_HZ)  # frames the limiter looks ahead
_HOLD = round(0.030 * RATE_HZ)  # frames it holds after a peak; with the smoothing its memory is 40 ms
_BLOCK = 1 << 19


def colour(stem: Signal) -> Signal:
    """Bus equaliser and make-up gain: linear, so that it can be laid on stems, float32."""
    shaped = equalise(stem, shelf(70, 1.0, high=False), bell(320, -1.5), shelf(7000, 1.5, high=True)) * DRIVE
    shaped[np.abs(shaped) < 1e-9] = 0.0  # a filter's last breath, far below 24 bits
    return shaped.astype(np.float32)


def saturate(signal: Signal) -> Signal:
    """Bend the peaks softly towards full scale, each sample for itself."""
    size = np.abs(signal)
    bent = _KNEE + (1 - _KNEE) * np.tanh((size - _KNEE) / (1 - _KNEE))
    return np.where(size > _KNEE, np.copysign(bent, signal), signal).astype(np.float32)


@cache
def _interpolator() -> Signal:
    """Four-fold interpolation filter, 12 taps a phase."""
    taps: Signal = 4 * firwin(4 * 12 + 1, 1 / 4, window=("kaiser", 6.0))
    return taps


def true_peaks(signal: Signal) -> Signal:
    """Return the largest value near each frame, also between the samples; shape (frames,)."""
    frames = signal.shape[1]
    out = np.empty(frames, dtype=np.float32)
    padded = np.pad(signal, ((0, 0), (8, 8)))
    for first in range(0, frames, _BLOCK):
        count = min(_BLOCK, frames - first)
        fine = upfirdn(_interpolator().astype(np.float32), padded[:, first : first + count + 16], up=4)
        # 24 fine samples of filter delay and 32 of padding lie before this block's first frame.
        lanes = np.abs(fine[:, 56 : 56 + 4 * count]).reshape(2, count, 4)
        out[first : first + count] = lanes.max(axis=(0, 2))
    largest: Signal = np.maximum(out, np.abs(signal).max(axis=0))
    return largest


def linked_gain(versions: Iterable[Signal]) -> Signal:
    """Return one limiter curve under which every given version stays below the ceiling, float32.

    Args:
        versions: saturated mixes of the same length, one at a time.
    """
    peaks: Signal | None = None
    for version in versions:
        here = true_peaks(version)
        peaks = here if peaks is None else np.maximum(peaks, here)
    if peaks is None:
        raise ValueError("a limiter needs something to listen to")
    needed = np.minimum(1.0, CEILING / np.maximum(peaks, 1e-6)).astype(np.float32)
    window = _AHEAD + _HOLD + 1
    # The minimum reaches _AHEAD frames forward and _HOLD back; the Hann average is centred.
    lowest = minimum_filter1d(needed, window, origin=(_HOLD - _AHEAD) // 2, mode="nearest")
    half = _AHEAD // 2
    hann = np.hanning(2 * half + 3)[1:-1]
    smooth: Signal = np.convolve(np.pad(lowest, half, mode="edge"), hann / hann.sum(), "valid")
    return smooth.astype(np.float32)


def bus_compressor(mix: Signal) -> Signal:
    """Gain of a compressor over the whole mix with a slow release, float32, shape (frames,).

    Not part of the chain: it is here for a hard case, where a muted word changes seconds of what
    follows it. It looks at the input only (no feedback): 3 dB for 6 dB above its threshold, 10 ms
    attack, 300 ms release.
    """
    hop = 32
    frames = mix.shape[1]
    blocks = np.abs(np.pad(mix, ((0, 0), (0, -frames % hop)))).reshape(2, -1, hop).max(axis=(0, 2))
    wanted_db = np.minimum(0.0, -0.5 * (20 * np.log10(np.maximum(blocks, 1e-6)) + 5.0)).tolist()
    attack, release = (1 - float(np.exp(-hop / (RATE_HZ * time_s))) for time_s in (0.010, 0.300))
    state, path = 0.0, []
    for wanted in wanted_db:
        state += (attack if wanted < state else release) * (wanted - state)
        path.append(state)
    at = np.arange(frames)
    gain: Signal = 10 ** (np.interp(at, np.arange(len(path)) * hop, path) / 20)
    return gain.astype(np.float32)
