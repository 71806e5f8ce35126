"""What somebody says of a file's tempo and key, for the music to be compared with.

Whoever measures may say it; otherwise, for a file that lies in a release folder, the
release sheet does.

Not here: the comparing (``relkit.measure.tempo``).
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from relkit.errors import BadInputError
from relkit.release.home import Home

if TYPE_CHECKING:
    from relkit.bars import BarMap


@dataclass(frozen=True)
class Declared:
    """What somebody says of a file, for the music to be compared with.

    Attributes:
        tempo_bpm: None where nothing was said, or not one number: a tempo that changes or is live.
        beats_per_bar: beats of the kind that the tempo counts.
        key: as the sheet has it, "F# minor".
        by: who says so: the caller, the release sheet, or nobody.
        sheet_fault: why the sheet of the file's release could not be asked.
    """

    tempo_bpm: float | None = None
    beats_per_bar: int = 4
    key: str | None = None
    by: Literal["caller", "sheet"] | None = None
    sheet_fault: str | None = None


class Declarations:
    """What is declared of files: by the caller, else by the sheet of the release they lie in."""

    def __init__(self, home: Home, tempo_bpm: float | None, beats_per_bar: int | None) -> None:
        self._home = home
        self._tempo_bpm = tempo_bpm
        self._beats_per_bar = beats_per_bar
        self._sheets: dict[Path, Declared] = {}
        self._lock = threading.Lock()

    def of(self, path: Path) -> Declared:
        """Return what is declared of a file."""
        with self._lock:
            folder = path.absolute().parent
            if folder not in self._sheets:
                self._sheets[folder] = self._by_sheet(folder)
            sheet = self._sheets[folder]
        asked = self._tempo_bpm is not None
        return Declared(
            tempo_bpm=self._tempo_bpm if asked else sheet.tempo_bpm,
            beats_per_bar=self._beats_per_bar or (4 if asked else sheet.beats_per_bar),
            key=sheet.key,
            by="caller" if asked else sheet.by,
            sheet_fault=sheet.sheet_fault,
        )

    def _by_sheet(self, folder: Path) -> Declared:
        """Ask the sheet of the release that a folder is in; a sheet with faults stops no measuring."""
        from relkit.release.workspace import NoReleaseError, Workspace

        try:
            sheet = Workspace.find(folder, self._home).sheet()
        except NoReleaseError:
            return Declared()
        except BadInputError as error:
            return Declared(sheet_fault=str(error))
        tempo_bpm, beats_per_bar = tempo_of(sheet.bars)
        key = str(sheet.key) if sheet.key else None
        return Declared(tempo_bpm, beats_per_bar, key, "sheet" if tempo_bpm or key else None)


def tempo_of(bars: BarMap) -> tuple[float | None, int]:
    """Return a sheet's tempo, if it is one number, and the bar's length in what the tempo counts."""
    steady = isinstance(bars.tempo, tuple) and len(bars.tempo) == 1
    tempo_bpm = float(bars.tempo[0].bpm) if steady and isinstance(bars.tempo, tuple) else None
    counted = bars.meter.beats_per_bar / (bars.meter.beat_note * bars.tempo_counts)
    whole = counted.denominator == 1 and 1 <= counted <= 16
    return tempo_bpm, int(counted) if whole else bars.meter.beats_per_bar
