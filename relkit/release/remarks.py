"""What a person should know before a package goes out: said by ``ship``, and stopping nothing.

Not here: what stands in the way (``gates``), rules over whole packs (``relkit.qc``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from relkit.release.workspace import SHEET

if TYPE_CHECKING:
    from relkit.pack.facts import VersionFile
    from relkit.release.rendering import Sound
    from relkit.sheet import Sheet


@dataclass(frozen=True)
class Remark:
    """One thing to know, and what can be done about it."""

    fault: str
    hint: str


def on_sheet(sheet: Sheet, sent: Sequence[str]) -> list[Remark]:
    """Return what is odd about a sheet, at its lines; but for versions that are not sent."""
    from relkit.sheet import check_sheet

    kept = {*_lines(sheet, sent)}
    others = {*_lines(sheet, [each for each in sheet.versions if each not in sent])} - kept
    return [
        Remark(f"{SHEET}, line {finding.line}: {finding.fault}", finding.hint)
        for finding in check_sheet(sheet)
        if finding.line not in others
    ]


def _lines(sheet: Sheet, versions: Sequence[str]) -> Iterator[int]:
    """Yield the lines at which something can be said of versions."""
    for version in versions:
        if version in sheet.versions:
            yield sheet.line_of("versions", version)
            yield sheet.line_of("versions", version, "isrc")


def on_cover(picture: bytes, longest_px: int) -> list[Remark]:
    """Return what is odd about a cover."""
    from relkit.pack.artwork import check_cover

    return [Remark(finding.fault, finding.hint) for finding in check_cover(picture, longest_px=longest_px)]


def on_sound(file: VersionFile, sound: Sound) -> Iterator[Remark]:
    """Yield what is to be said of one file that was made."""
    peak = file.sound.true_peak_dbtp if file.sound else None
    if sound.clipped:
        yield Remark(
            f"{file.name}: {sound.clipped} samples lay up to {sound.over_db:.1f} dB over full scale "
            "and were cut off",
            f"Bounce it {sound.over_db:.1f} dB lower, or send it as wav-native.",
        )
    is_mp3 = file.sound is not None and file.sound.sample_format == "mpeg-layer-3"
    if is_mp3 and peak is not None and peak > 0:
        yield Remark(
            f"{file.name}: encoding lifts its true peak to {peak:+.2f} dBTP, which some players clip",
            f"A bounce {peak:.2f} dB lower would avoid it. Nothing was turned down.",
        )
