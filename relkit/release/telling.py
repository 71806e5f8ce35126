"""What a diff heard, in words and as a line of characters; for the terminal and for pages.

Not here: hearing it (``hearing``), the rest of a diff (``relkit.cli.diff``), pictures (``relkit.web``).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.diff import DiffReport, Row
    from relkit.release.differences import PictureChange
    from relkit.release.hearing import Heard, Region
    from relkit.release.packmates import SharedChange

_LEAST_TAIL_S = 0.05  # a shorter one is part of the change to any ear
_WIDTH = 64  # columns of a time line; with its label it fits into 80
_SAME, _CHANGED, _TAIL = "\u2500", "\u2588", "\u2591"
_SENTENCES = {
    "same samples": "the same samples",
    "another recording": "another recording: nothing of the one is in the other",
    "changed throughout": "changed throughout: mixed or mastered anew",
    "channels": "another number of channels",
    "sample rate": "another sample rate",
    "length": "longer or shorter by silence",
    "lossy": "one of them went through a lossy codec",
}


def clock(seconds: float) -> str:
    """Write a time as m:ss.mmm, rounded half up."""
    milliseconds = int(1000 * seconds + 0.5)
    minutes, rest = divmod(milliseconds, 60_000)
    return f"{minutes}:{rest // 1000:02d}.{rest % 1000:03d}"


def verdict(heard: Heard) -> str:
    """Say in one line what was heard, all of it together."""
    parts = [_SENTENCES[each] for each in heard.verdicts if each in _SENTENCES]
    if "bit depth" in heard.verdicts:
        parts.append(f"{_bits(heard.old_bits)} became {_bits(heard.new_bits)}")
    if "gain" in heard.verdicts:
        parts.append(f"{heard.gain_db:+.2f} dB")
    if "offset" in heard.verdicts:
        later = "later" if heard.offset_frames > 0 else "earlier"
        parts.append(f"{abs(heard.offset_frames)} samples {later}")
    if heard.inverted:
        parts.append("polarity inverted")
    if "noise" in heard.verdicts and heard.residual_dbfs is not None:
        parts.append(f"differs by noise at {heard.residual_dbfs:.1f} dBFS")
    if heard.regions:
        places = "one place" if len(heard.regions) == 1 else f"{len(heard.regions)} places"
        rest = ", and every other sample is the same" if heard.exact else ""
        parts.append(f"edited in {places}{rest}")
    return "; ".join(parts) or "no difference that can be heard"


def timeline(heard: Heard, duration_s: float) -> str:
    """Draw a version as a line: what was changed on it, and what only rings on."""
    line = [_SAME] * _WIDTH
    scale = _WIDTH / max(duration_s, 1e-9)

    def paint(start_s: float, end_s: float, sign: str) -> None:
        first = min(_WIDTH - 1, max(0, int(start_s * scale)))
        for place in range(first, max(first + 1, min(_WIDTH, int(end_s * scale + 0.999)))):
            line[place] = sign

    for region in heard.regions:
        if region.tail_s:
            paint(region.end_s, region.end_s + region.tail_s, _TAIL)
    for region in heard.regions:
        paint(region.start_s, region.end_s, _CHANGED)
    return "".join(line)


def place_words(region: Region) -> str:
    """Say where a change is in the new version."""
    return f"{clock(region.start_s)} to {clock(region.end_s)}"


def region_words(region: Region) -> str:
    """Say what was done at one place."""
    if region.kind == "inserted":
        what = f"inserted, {clock(region.end_s - region.start_s)}; what follows is later"
    elif region.kind == "removed":
        what = f"removed, {clock(region.old_end_s - region.old_start_s)}; what follows is earlier"
    else:
        what = region.kind
        if region.level_db is None:
            what += ", silent now"
        elif region.kind in {"muted", "faded"}:
            what += f", {region.level_db:+.1f} dB"
        elif region.difference_db is not None:
            what += f", difference {region.difference_db:+.1f} dB re the old sound"
        if region.instrumental is not None:
            what += "; the instrumental sounds there" if region.instrumental else "; no instrumental there"
    if region.tail_s >= _LEAST_TAIL_S and region.tail_db is not None:
        what += f"; rings on for {region.tail_s:.1f} s at {region.tail_db:.0f} dB"
    return what


def lines(report: DiffReport, row: Row) -> Iterator[str]:
    """Yield what was heard of one row."""
    heard = row.heard
    if heard is None or row.new is None or row.new.sound is None:
        yield f"{shown(row.what)}: new audio that cannot be compared here"
        return
    yield f"{shown(row.what)}: {verdict(heard)}"
    for name, before, now in heard.overview:
        yield f"  {name.replace('_', ' '):<24}{_figure(before):>8} {_figure(now):>8}"
    if not heard.regions:
        return
    duration = row.new.sound.duration_s
    yield f"  {timeline(heard, duration)}"
    yield f"  {'0:00':<{_WIDTH - 9}}{clock(duration):>9}"
    for region in heard.regions:
        bars = bars_of(report, row, region) or ""
        yield f"  {place_words(region):<21}  {bars:<10}  {region_words(region)}"


def shared_lines(report: DiffReport) -> Iterator[str]:
    """Yield what several versions have in common, and who lacks it."""
    for change in report.shared:
        if len(change.places) > 1:
            versions = ", ".join(shown(version) for version in change.places)
            yield f"{_first(change)}: one change in {versions}"
        for version, (start, end) in change.lacking.items():
            yield (
                f"{_first(change)}: NOT in {shown(version)}, which has the passage at "
                f"{clock(start)} to {clock(end)}"
            )


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _first(change: SharedChange) -> str:
    version, (start, _end) = next(iter(change.places.items()))
    return f"{change.kind} at {clock(start)} in {shown(version)}"


def bars_of(report: DiffReport, row: Row, region: Region) -> str | None:
    """Return the bar in which a change begins; None where nothing says."""
    for change in report.shared:
        place = change.places.get(row.what)
        if place is not None and place[0] == region.start_s:
            return change.bars
    return None


def _bits(bits: int | None) -> str:
    return "floating point" if bits is None else f"{bits} bit"


def picture_words(change: PictureChange) -> str:
    """Say what changed in a cover."""
    sizes = [
        f"{width} x {height} px {kind or 'unreadable'}"
        for (width, height), kind in ((change.old_px, change.old_format), (change.new_px, change.new_format))
    ]
    share = "" if change.changed is None else f"; {100 * change.changed:.1f} % of its pixels look different"
    return f"{sizes[0]} became {sizes[1]}{share}"
