"""A DJ edit beside its song: where the body lies, what was added, and how it is joined.

Conventions
    times      [s] from the first frame of the edit
    intro      from its start to where the song's first frame lies; outro: from where edit and song
               part for good, to the end
    beats      windows of one beat, or 0.5 s where the sheet gives no tempo
    levels     [dB] re the median beat of the body
    low        below 150 Hz

Sources
    Every threshold here: common practice, no source; tried on the generated packs of ``tests/support``

Not here: how many bars that is, and what is judged (``rules_dj``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from relkit.qc.pairs import (
    AUDIBLE,
    FAR_DB,
    UNLIKE_LEAST,
    UNLIKE_MOST,
    UNLIKE_USUAL,
    Lie,
    blocks_of,
    stretches,
)

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording

VERSION = "qc-joins-1"  # goes up whenever a value may change
LOW_HZ = 150.0
BEAT_S = 0.5
JOIN_S = 2.0  # at each join, where edit and song may differ
GAP_S, SHORTEST_S = 0.3, 1.0  # of a stretch in which both are the same
BODY_GAP_BLOCKS, BODY_SHORTEST_BLOCKS = 6, 4
CLICK_S, CLICK_AROUND_S, CLICK_ALONE_S = 0.03, 2.0, 0.002
CLICK_LEAST, MOST_CLICK = 0.3, 999.0
QUIET_DB = -80.0
LEAST_RISE_DB = 0.1  # standard deviation of what levels rise by in 10 ms: less is no stroke
SILENT_RATIO = 1e-3  # [energy] of a usual beat: 30 dB down there is silence between strokes anyway
FIRST_DB = -14.0  # re the median beat of the intro: where its first beat begins

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """What was added on one side.

    Attributes:
        start_s, end_s: of it.
        level_db, low_db: of each beat.
        pulse: how alike the onsets are a bar (four beats) later, 0 to 1 or below 0 by chance.
        drop_db: by how much the beat at the join is softer than is usual at its place in a bar.
        gap_db: by how much the softest 0.1 s of that beat is softer than is usual there.
        click: steepest bend of the waveform at the join, over the mean one within 2 ms of it.
        join_s: where it meets the body.
    """

    start_s: float
    end_s: float
    level_db: list[float]
    low_db: list[float]
    pulse: float
    drop_db: float
    gap_db: float
    click: float
    join_s: float


@dataclass(frozen=True)
class Joins:
    """A DJ edit.

    Attributes:
        found: whether the song's body is in it; all else is 0 or None if not.
        offset_frames: where the song's first frame lies.
        first_beat_s: where the first sound begins that is as loud as a beat.
        level_db: of the body over the song, joins excepted; None if nothing is the same.
        body: (start [s], end [s]) of places in the body, joins excepted, that are not as in the song.
        usual_db: as in ``pairs.Difference``.
        intro, outro: as ``Part``; None where nothing was added.
    """

    found: bool
    offset_frames: int
    first_beat_s: float
    level_db: float | None
    body: list[list[float]]
    usual_db: float
    intro: dict[str, Any] | None
    outro: dict[str, Any] | None

    @property
    def parts(self) -> dict[str, Part]:
        """Intro and outro, as far as they are there."""
        both = {"intro": self.intro, "outro": self.outro}
        return {name: Part(**part) for name, part in both.items() if part is not None}


def joins(song: Recording, edit: Recording, rate_hz: int, how: Lie, grid: tuple[float | None, int]) -> Joins:
    """Find the song's body in a DJ edit and describe what is around it.

    Args:
        how: the edit lies to the song.
        grid: length of a beat [s], or None, and beats in a bar.
    """
    import dataclasses

    if not how.alignable:
        return Joins(False, 0, 0.0, None, [], 0.0, None, None)
    blocks = blocks_of(edit, song, rate_hz, -how.offset_frames)
    gain, unlike = blocks.fit()
    audible = np.maximum(blocks.old, blocks.new) > AUDIBLE
    usual_gain = 10 ** (-how.gain_db / 20) * how.polarity
    inside = audible & (blocks.new > AUDIBLE)
    usual = float(np.median(unlike[inside])) if inside.any() else 0.0
    limit = min(max(UNLIKE_LEAST, UNLIKE_USUAL * usual), UNLIKE_MOST)
    with np.errstate(divide="ignore"):
        away_db = np.abs(20 * np.log10(np.maximum(np.abs(gain), 1e-9) / abs(usual_gain)))
    differs = audible & ((unlike > limit) | (away_db > FAR_DB))
    same = stretches(audible & ~differs, round(GAP_S * blocks.per_s), round(SHORTEST_S * blocks.per_s))
    per_s, offset_s = blocks.per_s, how.offset_frames / rate_hz
    if not same:
        return Joins(False, how.offset_frames, 0.0, None, [], 0.0, None, None)
    start_s, end_s = max(0.0, offset_s), same[-1][1] / per_s
    low = _low_energies(edit, rate_hz, per_s, len(blocks.old))
    beat = grid[0] or BEAT_S
    rows = _Rows(blocks.old, low, per_s, (beat, grid[1]), (start_s, end_s))
    core = np.zeros(len(differs), bool)
    core[round((start_s + JOIN_S) * per_s) : max(0, round((end_s - JOIN_S) * per_s))] = True
    kept = core & audible & ~differs
    level = 10 * math.log10(blocks.old[kept].sum() / blocks.new[kept].sum()) if kept.any() else None
    intro = outro = None
    length_s = edit.frames / rate_hz
    if start_s > beat / 2:
        intro = rows.part(edit, rate_hz, 0.0, start_s, join_first=False)
    if length_s - end_s > beat / 2:
        outro = rows.part(edit, rate_hz, end_s, length_s, join_first=True)
    return Joins(
        found=True,
        offset_frames=how.offset_frames,
        first_beat_s=_first_beat(edit, rate_hz, blocks.old, per_s, start_s),
        level_db=level,
        body=[
            [first / per_s, end / per_s]
            for first, end in stretches(core & differs, BODY_GAP_BLOCKS, BODY_SHORTEST_BLOCKS)
        ],
        usual_db=10 * math.log10(max(usual, 1e-20)),
        intro=dataclasses.asdict(intro) if intro else None,
        outro=dataclasses.asdict(outro) if outro else None,
    )


class _Rows:
    """Levels of an edit in beats."""

    def __init__(
        self, full: Vector, low: Vector, per_s: float, grid: tuple[float, int], body: tuple[float, float]
    ) -> None:
        self._full, self._low, self._per_s = full, low, per_s
        self._beat_s, self._bar_beats = grid
        self._body_full = self._median(full, *body)
        self._body_low = self._median(low, *body)

    def _beats(self, energies: Vector, start_s: float, end_s: float) -> Vector:
        """Return the mean energy of every whole beat."""
        count = int((end_s - start_s) / self._beat_s + 0.05)
        edges = np.round((start_s + np.arange(count + 1) * self._beat_s) * self._per_s).astype(int)
        sums = np.concatenate([[0.0], np.cumsum(energies)])
        edges = np.minimum(edges, len(energies))
        beats: Vector = np.diff(sums[edges]) / np.maximum(np.diff(edges), 1)
        return beats

    def _median(self, energies: Vector, start_s: float, end_s: float) -> float:
        beats = self._beats(energies, start_s, end_s)
        return float(np.median(beats)) if len(beats) else 0.0

    def part(self, edit: Recording, rate_hz: int, start_s: float, end_s: float, *, join_first: bool) -> Part:
        """Describe what lies between two times; the join is at its start or at its end."""
        # Whole beats are counted from the join.
        count = int((end_s - start_s) / self._beat_s + 0.05)
        first_s = start_s if join_first else end_s - count * self._beat_s
        full = self._beats(self._full, first_s, first_s + count * self._beat_s)
        low = self._beats(self._low, first_s, first_s + count * self._beat_s)
        at = 0 if join_first else -1
        softest = np.array([self._softest(first_s + each * self._beat_s) for each in range(count)] or [1.0])
        usual = max(float(np.median(full)), 1e-12) if count else 1e-12
        join_s = start_s if join_first else end_s
        return Part(
            start_s=start_s,
            end_s=end_s,
            level_db=[_db(one, self._body_full) for one in full],
            low_db=[_db(one, self._body_low) for one in low],
            pulse=self._pulse(start_s, end_s),
            drop_db=-_db(float(full[at]), self._usual(full, at)) if count else 0.0,
            gap_db=self._gap(softest, at, usual) if count else 0.0,
            click=_click(edit, rate_hz, join_s),
            join_s=join_s,
        )

    def _gap(self, softest: Vector, at: int, usual: float) -> float:
        """Return how far a beat's softest moment falls below those of its like; 0 where these are silent."""
        like = self._usual(softest, at)
        return 0.0 if like < SILENT_RATIO * usual else -_db(float(softest[at]), like)

    def _usual(self, beats: Vector, at: int) -> float:
        """Return the median of the beats that stand where the first or last one stands in its bar."""
        same = beats[:: self._bar_beats] if at == 0 else beats[::-1][:: self._bar_beats]
        return max(float(np.median(same if len(same) > 2 else beats)), 1e-12)

    def _softest(self, start_s: float) -> float:
        """Return the softest 0.1 s of a beat."""
        first, end = round(start_s * self._per_s), round((start_s + self._beat_s) * self._per_s)
        inside, width = self._full[first:end], round(0.1 * self._per_s)
        if len(inside) < width:
            return 1.0
        return float(np.lib.stride_tricks.sliding_window_view(inside, width).mean(axis=1).min())

    def _pulse(self, start_s: float, end_s: float) -> float:
        """Return how alike the onsets are a bar later."""
        inside = self._full[round(start_s * self._per_s) : round(end_s * self._per_s)]
        if len(inside) < 10:
            return 0.0
        floor = float(inside.max()) * 1e-4 + 1e-12
        rise = np.clip(np.diff(10 * np.log10(inside + floor)), 0, 20)
        rise = np.convolve(rise, np.ones(5) / 5, "same")
        if rise.std() < LEAST_RISE_DB:
            return 0.0
        rise -= rise.mean()
        best = -1.0
        for beats in (4, 3, 2, 1):
            middle = beats * self._beat_s * self._per_s
            if middle * 2 > len(rise):
                continue
            for lag in range(max(1, round(middle) - 1), round(middle) + 2):
                one, two = rise[:-lag], rise[lag:]
                size = math.sqrt(float(np.vdot(one, one)) * float(np.vdot(two, two)))
                best = max(best, float(np.vdot(one, two)) / size if size > 1e-9 else 0.0)
            if beats >= 3 and best > 0.5:
                break
        return best


def _db(energy: float, reference: float) -> float:
    return 10 * math.log10(energy / reference) if energy > 0 and reference > 0 else QUIET_DB


def _low_energies(edit: Recording, rate_hz: int, per_s: float, count: int) -> Vector:
    """Return the energy below 150 Hz of each block."""
    from relkit.measure.coarse import common_factor, low_rate

    factor = common_factor(rate_hz, edit)
    signal = low_rate(edit, factor).mono
    spectrum = np.fft.rfft(signal)
    spectrum[np.fft.rfftfreq(len(signal), factor / rate_hz) > LOW_HZ] = 0
    power = np.fft.irfft(spectrum, len(signal)) ** 2
    edges = np.minimum(np.round(np.arange(count + 1) * rate_hz / per_s / factor).astype(int), len(power))
    sums = np.concatenate([[0.0], np.cumsum(power)])
    energies: Vector = np.diff(sums[edges]) / np.maximum(np.diff(edges), 1)
    return energies


def _first_beat(edit: Recording, rate_hz: int, full: Vector, per_s: float, start_s: float) -> float:
    """Return where the first sound begins that is as loud as a beat, to 1 ms."""
    from relkit.measure.excerpts import excerpt

    intro = full[: max(1, round(start_s * per_s))]
    wanted = float(np.mean(intro)) * 10 ** (FIRST_DB / 10)
    loud = np.flatnonzero(intro > wanted)
    if wanted <= 0 or not len(loud):
        return start_s
    first = max(0, round((loud[0] - 1) / per_s * rate_hz))
    size = max(1, rate_hz // 1000)
    samples = excerpt(edit, first, 30 * size)
    power = np.square(samples).reshape(30, -1).mean(axis=1)
    return float(first + int(np.argmax(power > wanted)) * size) / rate_hz


def _click(edit: Recording, rate_hz: int, join_s: float) -> float:
    """Return how far one bend of the waveform at a join stands out of those within 2 ms of it.

    A stroke of a drum goes on, a click does not. 0 if strokes around the join are much steeper.
    """
    from relkit.measure.excerpts import excerpt

    reach = round(CLICK_AROUND_S * rate_hz)
    middle, near = round(join_s * rate_hz), round(CLICK_S * rate_hz)
    samples = excerpt(edit, middle - reach, 2 * reach)
    bends = np.abs(np.diff(samples, 2, axis=0)).max(axis=1)
    if middle < reach:
        bends[: reach - middle + 2] = 0  # the file's start is a bend of its own
    at = reach - near + int(np.argmax(bends[reach - near : reach + near]))
    beside = round(CLICK_ALONE_S * rate_hz)
    neighbours = np.concatenate([bends[at - beside : at - 3], bends[at + 4 : at + beside]])
    steepest = float(bends.max())
    if not bends[at] > CLICK_LEAST * steepest:
        return 0.0
    return min(float(bends[at]) / max(float(np.sqrt(np.mean(np.square(neighbours)))), 1e-9), MOST_CLICK)
