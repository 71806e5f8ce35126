"""Does a rejected passage still sound as it did when it was rejected?

A passage is the same if, at whatever level, less than a thousandth of it is
left after the old one was taken away. Of the version that was rejected that is
all. Another version has the fault if it is the same there too, and what was
taken out of the rejected one can be found in it: so an instrumental need not
change for a word, nor an acapella for a click of the drums. An explicit version
need not change for what a clean one was rejected for.

Conventions
    residual      relative to the old passage; the better of both levels
    margin        around a moment 1 s, around a stretch 0.25 s: people tell times by ear

Sources
    [GCC]         C. H. Knapp and G. C. Carter, as in ``relkit.measure.align``

Not here: which rejections matter to a shipment (``rejections``).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from relkit.manifest import FileEntry, Place, VersionFacts
from relkit.release.passages import Timeline, offset_s
from relkit.release.stored_audio import pcm_of
from relkit.release.workspace import VerifiedRevision, Workspace

if TYPE_CHECKING:
    from collections.abc import Callable

    from relkit.audio.samples import Samples

    Answer = Callable[[], bool]

SAME_RATIO = 1e-6  # [power ratio] -60 dB
MOMENT_MARGIN_S, STRETCH_MARGIN_S = Fraction(1), Fraction(1, 4)
MOST_GAIN = 2.0  # a passage that is louder or softer by more than 6 dB was changed on purpose
CLEAR = 6.0  # [standard deviations] at one lag, chance reaches 4; a voice in a full mix 15 and more
SOFT = 1e-3  # [ratio] a sound begins where it is louder than 60 dB below its peak
FAINT = 1e-9  # [power ratio] 90 dB below the strongest part of a sound there is only its dither
LEAST_FRAMES = 4_096  # looked at around a click, which by itself has too few frequencies to tell
_KIND = "passage-1"  # another number whenever the same sounds may give another answer

# What can be heard in the parts of a song.
_HEARD = {"full": {"voice", "music"}, "instrumental": {"music"}, "acapella": {"voice"}}


@dataclass(frozen=True)
class Still:
    """A version in which a rejected place is as it was; the place [ms] in the new file."""

    version: str
    start_ms: int
    end_ms: int


class Passages:
    """Two revisions: the one that was rejected, and the one that is to go out."""

    def __init__(self, workspace: Workspace, old: VerifiedRevision, new: VerifiedRevision) -> None:
        self._workspace = workspace
        self._old = Timeline.of(workspace, old)
        self._new = Timeline.of(workspace, new)

    def same_sound(self, version: str) -> bool | None:
        """Say whether a version has the same sound in both; None where one of them lacks it."""
        before, after = self._old.entries.get(version), self._new.entries.get(version)
        return None if before is None or after is None else _identity(before) == _identity(after)

    def still(self, version: str, place: Place, among: set[str]) -> list[Still]:
        """Return the versions in which a place is as it was rejected.

        Args:
            version: that was rejected.
            place: in it.
            among: ids that are looked at.
        """
        found = []
        mended = version in self._new.entries and not self._same(version, version, place)
        for other in self._new.entries:
            if other not in among or other not in self._old.entries:
                continue
            if other != version and not self._concerned(version, other, place, mended=mended):
                continue
            if self._same(version, other, place):
                shift = self._shift(version, other) or Fraction(0)
                start_ms = max(place.start_ms + round(1000 * shift), 0)
                found.append(Still(other, start_ms, start_ms + place.end_ms - place.start_ms))
        return found

    def _concerned(self, version: str, other: str, place: Place, *, mended: bool) -> bool:
        """Say whether a fault of one version must be expected in another."""
        one, two = self._old.entries[version].version, self._old.entries[other].version
        assert one is not None and two is not None  # noqa: S101, PT018 - a timeline has no others
        if one.rating == "clean" and two.may_be_explicit:
            return False
        if not mended:
            return one.rating == two.rating and bool(_heard(one) & _heard(two))
        return self._contains(version, other, place)

    def _shift(self, version: str, other: str) -> Fraction | None:
        """Return the shift [s] from the old rejected version to another one of the new revision."""
        moved = self._drift(version)
        shift = self._new.shift(version, other) if version in self._new.entries else Fraction(0)
        return None if moved is None or shift is None else moved + shift

    def _drift(self, version: str) -> Fraction | None:
        """Return by how much a version begins later than it did [s]: asked only where it is not as long."""
        before, after = self._old.entries[version], self._new.entries.get(version)
        if after is None or before.sound is None or after.sound is None:
            return Fraction(0)
        if before.sound.frames == after.sound.frames or _identity(before) == _identity(after):
            return Fraction(0)
        pair = (after, lambda: self._new.recording(after)), (before, lambda: self._old.recording(before))
        return offset_s(self._workspace, *pair) or Fraction(0)

    def _same(self, version: str, other: str, place: Place) -> bool:
        """Say whether another version (or the same) is as it was at a place of the rejected one."""
        before, after = self._old.entries[other], self._new.entries[other]
        if _identity(before) == _identity(after):
            return True
        shifts = self._old.shift(version, other), self._shift(version, other)
        if None in shifts or not _comparable(before, after):
            return False
        asked = [_identity(before), _identity(after), place.start_ms, place.end_ms, *map(str, shifts)]
        return self._remembered(asked, lambda: _is_same(*self._pair(other, other, place, shifts)))

    def _contains(self, version: str, other: str, place: Place) -> bool:
        """Say whether what was taken out of the rejected version is in another one, as that is now."""
        before, after = self._old.entries[version], self._new.entries[version]
        target = self._new.entries[other]
        shifts = Fraction(0), self._shift(version, version)
        there = self._shift(version, other)
        entries = before, after, target
        if None in shifts or there is None or not all(_comparable(before, each) for each in entries):
            return False
        asked = [*map(_identity, entries), place.start_ms, place.end_ms, *map(str, (*shifts, there))]

        def found() -> bool:
            old, new = self._pair(version, version, place, shifts)
            return _holds(old - new, self._stretch(self._new, other, place, there))

        return self._remembered(asked, found)

    def _pair(
        self, old: str, new: str, place: Place, shifts: tuple[Fraction | None, Fraction | None]
    ) -> tuple[Samples, Samples]:
        return (
            self._stretch(self._old, old, place, shifts[0] or Fraction(0)),
            self._stretch(self._new, new, place, shifts[1] or Fraction(0)),
        )

    def _stretch(self, timeline: Timeline, version: str, place: Place, shift: Fraction) -> Samples:
        """Return the samples around a place; silence outside of the file."""
        from relkit.measure.excerpts import excerpt

        recording = timeline.recording(timeline.entries[version])
        sound = timeline.entries[version].sound
        assert sound is not None  # noqa: S101 - a timeline has files with sound only
        rate_hz = sound.sample_rate_hz
        margin_s = MOMENT_MARGIN_S if place.start_ms == place.end_ms else STRETCH_MARGIN_S
        first = round((Fraction(place.start_ms, 1000) - margin_s + shift) * rate_hz)
        length = round((Fraction(place.end_ms - place.start_ms, 1000) + 2 * margin_s) * rate_hz)
        return excerpt(recording, first, length)

    def _remembered(self, asked: list[object], answer: Answer) -> bool:
        """Answer once for the same sounds, places and shifts."""
        key = json.dumps(asked).encode()
        kept = self._workspace.cache.get(_KIND, key)
        if kept is None:
            kept = b"1" if answer() else b"0"
            self._workspace.cache.put(_KIND, [(key, kept)])
        return kept == b"1"


def _is_same(old: Samples, new: Samples) -> bool:
    """Say whether new is old, at whatever level."""
    import numpy as np

    if old.shape != new.shape:  # mono became stereo
        return False
    one, two = old.astype(np.float64).ravel(), new.astype(np.float64).ravel()
    power = float(one @ one)
    if power == 0:
        return not two.any()
    gain = float(one @ two) / power
    rest = two - gain * one
    return 1 / MOST_GAIN <= gain <= MOST_GAIN and float(rest @ rest) < SAME_RATIO * gain**2 * power


def _holds(taken_out: Samples, audio: Samples) -> bool:
    """Say whether a sound is part of another, at the same time in both.

    Phases are compared, not levels, so that a loud bass which happens to move alike for a
    moment counts no more than anything else ([GCC], phase transform, at lag 0).
    """
    import numpy as np

    mono = [each.astype(np.float64).mean(axis=1) for each in (taken_out, audio)]
    level = np.abs(mono[0])
    sounding = np.flatnonzero(level > SOFT * level.max(initial=0.0))
    if not len(sounding):
        return False
    first, end = int(sounding[0]), int(sounding[-1]) + 1  # what was taken out is seldom all of the passage
    more = max(0, LEAST_FRAMES - (end - first)) // 2
    around = slice(max(0, first - more), end + more)
    window = np.hanning(len(level[around]))  # or the cut ends would drown everything
    one, two = (np.fft.rfft(each[around] * window) for each in mono)
    power = np.abs(one) ** 2
    cross = np.where(power > FAINT * power.max(initial=0.0), one.conj() * two, 0)
    size = np.abs(cross)
    if not size.any():
        return False
    correlation = np.fft.irfft(np.divide(cross, size, out=np.zeros_like(cross), where=size > 0))
    return bool(correlation[0] > CLEAR * correlation.std())


def _comparable(one: FileEntry, other: FileEntry) -> bool:
    """Say whether samples can be held against each other."""
    formats = pcm_of(one), pcm_of(other)
    if formats[0] is None or formats[1] is None:
        return False
    return formats[0].rate_hz == formats[1].rate_hz


def _heard(version: VersionFacts) -> set[str]:
    return _HEARD.get(version.parts, {"voice", "music"})


def _identity(entry: FileEntry) -> str:
    return entry.sound.identity if entry.sound else entry.sha256
