"""Does one recording run at another speed than the other, as a bounce made at a wrong sample rate does?

Such a bounce lines up nowhere but in one place. Short pieces of the reference are stretched by every
ratio in question and looked for in the other recording; from a place that is found the pieces before
and after it are followed, and a line through their places gives the ratio.

Conventions
    stretch    how many times as long the other recording takes for the same music; its pitch falls
               by the same ratio. 48/44.1 = 1.088 if 48 kHz samples were declared as 44.1 kHz
    low rate   about 900 Hz, evened out in level (``coarse``)

Common practice, no source: ratios of the usual sample rates, and 1.001 of film transfers, are tried
besides a grid. Not here: speed that changes, and time stretching that keeps the pitch.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relkit.measure.coarse import Vector, evened

LOW_RATE_HZ = 900
PIECE_S = 3.0
LOUD_PIECES = 3  # looked for with every ratio
PIECES = 24  # followed, spread over the whole
FURTHEST, STEP = 0.1, 1e-3  # of the grid of ratios; half a step smears a piece by less than 1 frame
USUAL = (48 / 44.1, 44.1 / 48, 1.001, 1 / 1.001)
FOUND = 12.0  # peak in standard deviations; 6 by chance among all places and ratios
FOLLOWED = 6.0  # the same among the few places where a piece may lie
ON_LINE = 2.0  # frames
ENOUGH = 5  # pieces on the line, and a third of those that were followed


def stretch(reference: Vector, other: Vector, rate_hz: float) -> float | None:
    """Return the stretch from reference to other, or None if no single ratio makes them one song.

    Args:
        reference, other: low-rate signals of one rate.
        rate_hz: of both, LOW_RATE_HZ or more; they are reduced further.
    """
    factor = max(1, int(rate_hz // LOW_RATE_HZ))
    even = [evened(_reduced(each, factor), round(0.25 * rate_hz / factor)) for each in (reference, other)]
    length = round(PIECE_S * rate_hz / factor)
    if min(len(each) for each in even) < 2 * length or not all(each.any() for each in even):
        return None
    found = _first_place(even[0], even[1], length)
    return None if found is None else _followed(even[0], even[1], length, *found)


def _reduced(signal: Vector, factor: int) -> npt.NDArray[np.float64]:
    """Return means over ``factor`` values, twice smoothed: enough for a rough low-pass."""
    count = len(signal) // factor
    reduced: npt.NDArray[np.float64] = signal[: count * factor].reshape(count, factor).mean(1, np.float64)
    return np.convolve(reduced, [0.25, 0.5, 0.25], "same") if count > 2 else reduced


def _first_place(reference: Vector, other: Vector, length: int) -> tuple[float, int, float] | None:
    """Look for loud pieces with every ratio; return ratio, a piece's start, and its place in the other."""
    from scipy import fft

    size = fft.next_fast_len(len(other) + round(length * (1 + FURTHEST)), real=True)
    whole = _whitened(fft.rfft(other, size))
    parts = np.array_split(np.arange(0, len(reference) - length, length // 2), LOUD_PIECES)
    loud = [int(max(part, key=lambda at: _energy(reference, at, length))) for part in parts if len(part)]
    grid = (1 + STEP) ** np.arange(-int(FURTHEST / STEP), int(FURTHEST / STEP) + 1)
    best = (FOUND, 1.0, 0, 0.0)
    for ratio in (1.0, *USUAL, *grid):
        for start in loud:
            piece = _whitened(fft.rfft(_stretched(reference[start : start + length], ratio), size))
            similar = np.abs(fft.irfft(whole * np.conj(piece), size))
            at = int(np.argmax(similar))
            height = float(similar[at] / np.sqrt(np.mean(np.square(similar))))
            if height > best[0]:
                best = (height, ratio, start, float(at if at < len(other) else at - size))
        if best[0] > 3 * FOUND:
            break
    return None if best[0] == FOUND else best[1:]


def _followed(
    reference: Vector, other: Vector, length: int, ratio: float, anchor: int, place: float
) -> float | None:
    """Follow pieces over the whole; return the slope of the line on which most of them lie."""
    starts, places = [float(anchor)], [place]
    pieces = np.linspace(0, len(reference) - length, PIECES).astype(int)
    for start in sorted((int(each) for each in pieces), key=lambda each: abs(each - anchor)):
        expected = place + (start - anchor) * ratio
        reach = int(abs(start - anchor) * 2 * STEP) + 4
        found = _near(other, _stretched(reference[start : start + length], ratio), expected, reach)
        if found is not None:
            starts.append(float(start))
            places.append(found)
    at, lies = np.array(starts), np.array(places)
    apart = np.abs(at[:, None] - at) > length
    if not apart.any():
        return None
    slope = float(np.median(((lies[:, None] - lies) / np.where(apart, at[:, None] - at, 1))[apart]))
    errors = lies - slope * at
    on_line = np.abs(errors - np.median(errors)) <= ON_LINE
    if on_line.sum() < max(ENOUGH, PIECES / 3):
        return None
    return float(np.polyfit(at[on_line], lies[on_line], 1)[0])


def _near(other: Vector, piece: Vector, expected: float, reach: int) -> float | None:
    """Return where a piece lies, if clearly, at most ``reach`` frames from where it is expected."""
    from scipy import fft

    first = round(expected) - reach
    part = other[max(first, 0) : first + len(piece) + 2 * reach]
    if first < 0 or len(part) < len(piece) + 2 * reach or not part.any() or not piece.any():
        return None
    size = fft.next_fast_len(len(part) + len(piece), real=True)
    cross = _whitened(fft.rfft(part, size)) * np.conj(_whitened(fft.rfft(piece, size)))
    similar = np.abs(fft.irfft(cross, size))
    at = int(np.argmax(similar[: 2 * reach + 1]))
    clear = similar[at] > FOLLOWED * np.sqrt(np.mean(np.square(similar)))
    return float(first + at) if clear else None


def _stretched(piece: Vector, ratio: float) -> Vector:
    """Play a piece slower by ``ratio``."""
    at = np.arange(int((len(piece) - 1) * ratio) + 1) / ratio
    return np.interp(at, np.arange(len(piece)), piece).astype(np.float32)


def _whitened(spectrum: npt.NDArray[np.complexfloating]) -> npt.NDArray[np.complexfloating]:
    """Even out the bins' strengths, but for the faintest."""
    strength = np.abs(spectrum)
    whitened: npt.NDArray[np.complexfloating] = spectrum / (strength + 0.1 * strength.mean() + 1e-30) ** 0.8
    return whitened


def _energy(signal: Vector, start: int, length: int) -> float:
    """Return the energy of a piece."""
    piece = signal[start : start + length]
    return float(np.vdot(piece, piece))
