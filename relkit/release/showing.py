"""A diff as a page: collects what is drawn and heard, in one reading of each version.

Not here: the page (``relkit.web.diff_page``), the words (``telling``), comparing (``diff``).
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from relkit.audio.formats import PcmFormat
from relkit.manifest import FileEntry
from relkit.release import placing, telling
from relkit.release.diff import DiffReport, Row
from relkit.release.hearing import Region
from relkit.release.sides import Side
from relkit.release.stored_audio import pcm_of
from relkit.web.diff_page import DiffPage, VersionView, Zoom, diff_page

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording

_COLUMNS = 900  # of the whole
_CLOSE_COLUMNS = 600
_AROUND_S = 0.75  # what is drawn and heard before a change and behind it
_LONGEST_CLIP_S = 8.0
_MOST_ZOOMS = 24  # of one version; a page is for people
_BLOCK_FRAMES = 1 << 17
_SIDE_PX = 320  # of a cover

Envelope = npt.NDArray[np.float32]


def write_page(report: DiffReport, before: Side, after: Side, place: Path) -> None:
    """Write the page of a diff; it appears whole, and replaces what stood there.

    Raises:
        OSError: it cannot be written there.
    """
    with placing.appearing(place) as out:
        out.write(diff_page(page_of(report, before, after)))


def page_of(report: DiffReport, before: Side, after: Side) -> DiffPage:
    """Collect all that a page says."""
    sheet = after.sheet or before.sheet
    return DiffPage(
        title=f"{sheet.artist} - {sheet.title}" if sheet else "Two files",
        old_name=report.old_name,
        new_name=report.new_name,
        files=[(row.what, "redeclared" if row.redeclared else row.change) for row in report.rows],
        versions=list(_versions(report, before, after)),
        shared=[line for line in telling.shared_lines(report) if ": NOT in " not in line],
        lacking=[line for line in telling.shared_lines(report) if ": NOT in " in line],
        covers=list(_covers(report, before, after)),
        sheet=[(each.field, each.old or "-", each.new or "-") for each in report.sheet],
    )


def _versions(report: DiffReport, before: Side, after: Side) -> Iterator[VersionView]:
    for row in report.rows:
        if row.heard is None or row.old is None or row.new is None:
            continue
        old, new = before.source(row.old), after.source(row.new)
        one, other = before.recording(old), after.recording(new)
        fmt = pcm_of(new)
        if one is None or other is None or fmt is None or new.sound is None:
            continue
        curves = [_loudness(each, fmt) for each in (one, other)]
        yield VersionView(
            name=row.new.version.label if row.new.version else row.what,
            verdict=telling.verdict(row.heard),
            numbers=list(_numbers(old, new)),
            duration_s=new.sound.duration_s,
            old=_envelope(one, 0, one.frames, round(_COLUMNS * one.frames / max(other.frames, 1)) or 1),
            new=_envelope(other, 0, other.frames, _COLUMNS),
            old_lufs=curves[0],
            new_lufs=curves[1],
            zooms=[_zoom(report, row, region, one, other, fmt) for region in row.heard.regions[:_MOST_ZOOMS]],
        )


def _numbers(old: FileEntry, new: FileEntry) -> Iterator[tuple[str, str, str]]:
    from relkit.pack.note import length_text

    if old.sound is None or new.sound is None:
        return
    lengths = [length_text(each.frames, each.sample_rate_hz) for each in (old.sound, new.sound)]
    yield "Length", lengths[0], lengths[1]
    for name, field, unit in (
        ("Loudness", "integrated_loudness_lufs", "LUFS"),
        ("True peak", "true_peak_dbtp", "dBTP"),
    ):
        values = [getattr(each, field) for each in (old.sound, new.sound)]
        told = ["-" if value is None else f"{value:.2f} {unit}" for value in values]
        yield name, told[0], told[1]
    yield ("Digest", old.sha256[:12], new.sha256[:12])


def _zoom(
    report: DiffReport,
    row: Row,
    region: Region,
    one: Recording,
    other: Recording,
    fmt: PcmFormat,
) -> Zoom:
    """Collect one change, close up; old is shown from the place that lines up with the new one."""
    rate = fmt.rate_hz
    start = max(0.0, region.start_s - _AROUND_S)
    end = min(region.end_s + _AROUND_S, other.frames / rate)
    end = min(end, start + _LONGEST_CLIP_S)
    old_start = max(0.0, region.old_start_s - (region.start_s - start))
    spans = [
        (one, round(old_start * rate), round((old_start + end - start) * rate)),
        (other, round(start * rate), round(end * rate)),
    ]
    spans = [(each, min(first, each.frames), min(last, each.frames)) for each, first, last in spans]
    bars = telling.bars_of(report, row, region)
    return Zoom(
        words=f"{telling.place_words(region)}{f', {bars}' if bars else ''}: {telling.region_words(region)}",
        start_s=region.start_s,
        end_s=min(region.end_s, end),
        from_s=start,
        to_s=end,
        old=_envelope(*spans[0], _CLOSE_COLUMNS),
        new=_envelope(*spans[1], _CLOSE_COLUMNS),
        old_mp3=_clip(*spans[0], fmt),
        new_mp3=_clip(*spans[1], fmt),
    )


def _envelope(recording: Recording, first: int, end: int, columns: int) -> Envelope:
    """Return the lowest and highest sample of each column, all channels together."""
    found = np.zeros((columns, 2), np.float32)
    edges = np.linspace(first, end, columns + 1).round().astype(int)
    at = first
    while at < end:
        stop = min(end, at + _BLOCK_FRAMES)
        samples = recording.read(at, stop)
        low, high = samples.min(axis=1), samples.max(axis=1)
        columns_here = np.searchsorted(edges, np.arange(at, stop), side="right") - 1
        columns_here = np.clip(columns_here, 0, columns - 1)
        starts = np.flatnonzero(np.diff(columns_here, prepend=-1))
        which = columns_here[starts]
        found[which, 0] = np.minimum(found[which, 0], np.minimum.reduceat(low, starts))
        found[which, 1] = np.maximum(found[which, 1], np.maximum.reduceat(high, starts))
        at = stop
    return found


def _loudness(recording: Recording, fmt: PcmFormat) -> list[float | None]:
    """Return the short-term loudness in the middle of each column."""
    from relkit.measure.loudness import LoudnessMeter

    meter = LoudnessMeter(fmt.rate_hz, fmt.channels, fmt.channel_mask)
    for first in range(0, recording.frames, _BLOCK_FRAMES):
        meter.feed(np.ascontiguousarray(recording.read(first, min(recording.frames, first + _BLOCK_FRAMES))))
    found = meter.short_term_lufs()
    if not len(found):
        return [None] * _COLUMNS
    middles = (np.arange(_COLUMNS) + 0.5) * recording.frames / fmt.rate_hz / _COLUMNS
    # Entry i is that of the three seconds from i tenths on.
    places = np.clip(np.round((middles - 1.5) * 10), 0, len(found) - 1).astype(int)
    return [float(level) if np.isfinite(level) else None for level in found[places]]


def _clip(recording: Recording, first: int, end: int, fmt: PcmFormat) -> bytes | None:
    """Encode a stretch as MP3, faded in and out for a few milliseconds so that it does not click."""
    if end <= first:
        return None
    from relkit.audio.conversion import Converter
    from relkit.audio.encoding import Mp3Writer, mp3_format

    source = PcmFormat("float32", min(fmt.channels, 2), fmt.rate_hz, 0x4 if fmt.channels == 1 else 0x3)
    samples = np.array(recording.read(first, end)[:, : source.channels], np.float32)
    ramp = np.linspace(0, 1, min(len(samples) // 2, round(0.005 * fmt.rate_hz)), dtype=np.float32)[:, None]
    if len(ramp):
        samples[: len(ramp)] *= ramp
        samples[-len(ramp) :] *= ramp[::-1]
    target = mp3_format(source)
    converter = Converter(source, target, bytes(32))
    out = io.BytesIO()
    with Mp3Writer(out, target) as writer:
        writer.write(converter.feed(samples.tobytes()))
        writer.write(converter.finish())
    return out.getvalue()


def _covers(report: DiffReport, before: Side, after: Side) -> Iterator[tuple[str, bytes, bytes]]:
    from relkit.pack.artwork import BadArtworkError, embedded_jpeg

    for row in report.rows:
        if row.picture is None or row.old is None or row.new is None:
            continue
        try:
            pictures = [
                embedded_jpeg(side.content(entry), longest_px=_SIDE_PX)
                for side, entry in ((before, row.old), (after, row.new))
            ]
        except BadArtworkError:
            continue
        yield telling.picture_words(row.picture), pictures[0], pictures[1]
