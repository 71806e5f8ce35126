"""What a listener would hear between two bounces, remembered by their sounds.

Not here: hearing it (``relkit.measure.comparison``), words and pictures
(``relkit.cli``, ``relkit.web``).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from relkit.manifest import FileEntry
from relkit.release.stored_audio import pcm_of
from relkit.release.workspace import Workspace

if TYPE_CHECKING:
    from relkit.measure.comparison import Comparison
    from relkit.measure.excerpts import Recording

_AUDIBLE = 10 ** (-60 / 20)  # RMS re full scale; common practice, no source
_KIND = "heard-1"  # another number whenever the same two sounds may give another answer


@dataclass(frozen=True)
class Region:
    """One change, where it is in the new bounce.

    Attributes:
        kind: muted, replaced, added, inserted, removed or faded.
        start_s, end_s: of its audible core in the new bounce; equal where something was taken out.
        old_start_s, old_end_s: the same in the old one; equal where something was put in.
        difference_db: energy of what is different, re the old sound there; None where that says nothing.
        level_db: how loud it is now, re before; None for silence.
        tail_s: how long the sound after it still differs by a hair; 0 if not at all.
        tail_db: the loudest of that, re the sound; None without a tail.
        instrumental: whether the instrumental sounds there; None where that was not asked.
    """

    kind: str
    start_s: float
    end_s: float
    old_start_s: float
    old_end_s: float
    difference_db: float | None
    level_db: float | None
    tail_s: float = 0.0
    tail_db: float | None = None
    instrumental: bool | None = None


@dataclass(frozen=True)
class Heard:
    """What was heard.

    Attributes:
        verdicts: in the words of ``relkit.measure.comparison``, the weightiest first.
        offset_frames: how much later the new one begins.
        gain_db: from old to new.
        inverted: whether the new one is upside down.
        residual_dbfs: level of what is different everywhere; None if nothing is.
        old_bits, new_bits: depth that the samples really have; None for floating point.
        exact: whether all samples outside of regions and their tails are the same.
        rate_hz: of the old bounce.
        overview: of what was changed throughout: a figure with its unit in its name, before and now.
    """

    verdicts: tuple[str, ...]
    offset_frames: int
    gain_db: float
    inverted: bool
    residual_dbfs: float | None
    old_bits: int | None
    new_bits: int | None
    exact: bool
    rate_hz: int
    overview: tuple[tuple[str, float | None, float | None], ...] = ()
    regions: tuple[Region, ...] = field(default_factory=tuple)


def hear(
    workspace: Workspace | None,
    old: tuple[FileEntry, Recording],
    new: tuple[FileEntry, Recording],
    instrumental: Recording | None = None,
) -> Heard | None:
    """Compare two bounces; None where one of them has no samples that can be read.

    Args:
        workspace: whose memory is used; None for loose files.
        instrumental: of the new side; asked what sounds where something was changed.
    """
    rates = [fmt.rate_hz for entry, _recording in (old, new) if (fmt := pcm_of(entry))]
    if len(rates) < 2:
        return None
    identities = [entry.sound.identity if entry.sound else entry.sha256 for entry, _recording in (old, new)]
    key = f"{' '.join(identities)} {instrumental is not None}".encode()
    kept = workspace.cache.get(_KIND, key) if workspace else None
    if kept is not None:
        return _from_document(json.loads(kept))
    from relkit.measure.comparison import compare

    # At two rates, the frames of both are counted at the old one's; so is an instrumental at the new one's.
    comparison = compare(old[1], new[1], rates[0], new_rate_hz=rates[1])
    found = _heard(comparison, rates[0], instrumental if rates[0] == rates[1] else None)
    if workspace:
        workspace.cache.put(_KIND, [(key, json.dumps(asdict(found)).encode())])
    return found


def _heard(comparison: Comparison, rate_hz: int, instrumental: Recording | None) -> Heard:
    return Heard(
        verdicts=tuple(comparison.verdicts),
        offset_frames=comparison.offset_frames,
        gain_db=round(comparison.gain_db, 3) + 0.0,
        inverted=comparison.polarity < 0,
        residual_dbfs=finite(comparison.residual_dbfs),
        old_bits=comparison.old_bits,
        new_bits=comparison.new_bits,
        exact=comparison.exact,
        rate_hz=rate_hz,
        overview=_overview(comparison),
        regions=tuple(_region(each, rate_hz, instrumental) for each in comparison.regions),
    )


def _overview(comparison: Comparison) -> tuple[tuple[str, float | None, float | None], ...]:
    """Return how two masters differ as a whole; empty where most of them is the same."""
    from relkit.measure.overview import BANDS_HZ

    if comparison.overview is None:
        return ()
    old, new = comparison.overview
    rows = [
        ("loudness_lufs", old.levels.integrated_loudness_lufs, new.levels.integrated_loudness_lufs),
        ("loudness_range_lu", old.levels.loudness_range_lu, new.levels.loudness_range_lu),
        ("true_peak_dbtp", old.levels.true_peak_dbtp, new.levels.true_peak_dbtp),
        ("peak_to_loudness_db", old.plr_db, new.plr_db),
        ("stereo_width_db", old.width_db, new.width_db),
        *(
            (f"band_{band:g}_hz_db", before, now)
            for band, before, now in zip(BANDS_HZ, old.bands_db, new.bands_db, strict=True)
        ),
    ]
    return tuple(
        (name, *(None if value is None else finite(value) for value in (before, now)))  # type: ignore[misc]
        for name, before, now in rows
    )


def _region(found: Any, rate_hz: int, instrumental: Recording | None) -> Region:
    is_join = found.kind in {"inserted", "removed"}
    tail = max(0, found.tail_end - found.old_end) / rate_hz
    there = None
    if instrumental is not None and not is_join:
        there = _sounds(instrumental, found.new_first, found.new_end)
    return Region(
        kind=found.kind,
        start_s=found.new_first / rate_hz,
        end_s=found.new_end / rate_hz,
        old_start_s=found.old_first / rate_hz,
        old_end_s=found.old_end / rate_hz,
        difference_db=None if is_join else finite(found.difference_db),
        level_db=None if is_join else finite(found.level_db),
        tail_s=tail,
        tail_db=finite(found.tail_db) if tail else None,
        instrumental=there,
    )


def _sounds(recording: Recording, first: int, end: int) -> bool:
    """Say whether anything can be heard in a stretch of a recording."""
    import numpy as np

    samples = recording.read(min(first, recording.frames), min(end, recording.frames))
    return len(samples) > 0 and float(np.sqrt(np.mean(np.square(samples)))) > _AUDIBLE


def finite(value: float) -> float | None:
    """Return a level to a tenth, or None for silence."""
    return None if value in (float("inf"), float("-inf")) else round(value, 1) + 0.0


def _from_document(document: dict[str, Any]) -> Heard:
    regions: Sequence[dict[str, Any]] = document.pop("regions")
    overview = tuple(tuple(row) for row in document.pop("overview"))
    verdicts = tuple(document.pop("verdicts"))
    return Heard(
        verdicts=verdicts, overview=overview, regions=tuple(Region(**each) for each in regions), **document
    )
