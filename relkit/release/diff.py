"""``diff``: what changed between two sides, file by file, and what a listener would hear of it.

Compared by sound identity first: the same sound under new tags is a retag, not
new audio. What is new is listened to; the same change in several versions is
told as one, and where one of them lacks it, that is said.

Not here: the sides (``sides``), hearing (``hearing``), words and pictures
(``relkit.cli.diff``, ``relkit.web``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from relkit.bars import BarMap
from relkit.manifest import FileEntry
from relkit.release.differences import PictureChange, SheetChange, picture_change, sheet_changes
from relkit.release.hearing import Heard, hear
from relkit.release.packmates import SharedChange, shared_changes
from relkit.release.passages import Timeline
from relkit.release.scanning import Progress
from relkit.release.sides import FOLDER, Side, loose, side
from relkit.release.workspace import Workspace

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording

Change = Literal["same", "retagged", "new audio", "changed", "added", "removed"]


@dataclass(frozen=True)
class Row:
    """One file on both sides.

    Attributes:
        what: the version id, or the role of a file that is no version.
        redeclared: the bytes are the same, and the sheet says something else about them.
        heard: what is new to hear; None where nothing is, or it cannot be told.
        picture: what is new to see.
    """

    what: str
    change: Change
    old: FileEntry | None
    new: FileEntry | None
    redeclared: bool = False
    heard: Heard | None = None
    picture: PictureChange | None = None


@dataclass(frozen=True)
class DiffReport:
    """Two sides, named for people, and every file.

    Attributes:
        sheet: fields that say something else.
        shared: changes that several versions have in common, or should have.
    """

    old_name: str
    new_name: str
    rows: list[Row]
    sheet: list[SheetChange] = field(default_factory=list)
    shared: list[SharedChange] = field(default_factory=list)

    @property
    def differs(self) -> bool:
        """Whether anything is not the same."""
        return any(row.change != "same" or row.redeclared for row in self.rows)


def diff(
    workspace: Workspace,
    old: str | None = None,
    new: str | None = None,
    progress: Progress | None = None,
    *,
    page: Path | None = None,
) -> DiffReport:
    """Compare two sides.

    Args:
        old: a revision, a shipment's id, or ``folder``; None takes the newest revision.
        new: likewise; None takes the folder.
        page: where a page with pictures and clips is written, too.

    Raises:
        RelkitError: a side that does not exist, is damaged, or whose signer is not trusted.
    """
    before = side(workspace, old or "newest", progress)
    after = side(workspace, new or FOLDER, progress)
    report = compared(workspace, before, after, progress)
    if page is not None:
        from relkit.release.showing import write_page

        write_page(report, before, after, page)
    return report


def diff_files(
    old: Path, new: Path, progress: Progress | None = None, *, page: Path | None = None
) -> DiffReport:
    """Compare two loose files, whatever release they are from, if any.

    Raises:
        BadInputError: one of them cannot be read, or is no audio.
    """
    before, after = loose(old), loose(new)
    report = compared(None, before, after, progress)
    if page is not None:
        from relkit.release.showing import write_page

        write_page(report, before, after, page)
    return report


def compared(
    workspace: Workspace | None, before: Side, after: Side, progress: Progress | None = None
) -> DiffReport:
    """Compare two sides that are open.

    Args:
        workspace: whose memory is used; None for loose files.
    """
    rows = _rows(before, after)
    to_hear = [row for row in rows if row.change == "new audio"]
    for number, row in enumerate(to_hear):
        if progress:
            progress(f"listening to {row.what}", number, len(to_hear))
        rows[rows.index(row)] = replace(row, heard=_heard(workspace, before, after, row))
    rows = [
        replace(row, picture=picture_change(before.content(row.old), after.content(row.new)))
        if row.change == "changed" and row.old and row.new and row.what.startswith("cover")
        else row
        for row in rows
    ]
    sheet = sheet_changes(before.sheet, after.sheet) if before.sheet and after.sheet else []
    regions = {
        row.what: row.heard.regions
        for row in rows
        if row.heard is not None and row.new is not None and row.new.version is not None
    }
    bars = after.sheet.bars if after.sheet else BarMap()
    shared = []
    if workspace is not None:
        bounces = [after.source(entry) for entry in after.files]
        shared = shared_changes(Timeline(workspace, bounces, after.heard, bars), regions)
    return DiffReport(before.name, after.name, rows, sheet, shared)


def _heard(workspace: Workspace | None, before: Side, after: Side, row: Row) -> Heard | None:
    """Listen to the bounces of one row."""
    assert row.old is not None and row.new is not None  # noqa: S101, PT018 - new audio has both
    old, new = before.source(row.old), after.source(row.new)
    one, other = before.recording(old), after.recording(new)
    if one is None or other is None:
        return None
    return hear(workspace, (old, one), (new, other), _instrumental(after, new))


def _instrumental(after: Side, new: FileEntry) -> Recording | None:
    """Return the instrumental beside a version with vocals, where it shares its time."""
    version = new.version
    if version is None or version.parts not in {"full", "tv"}:
        return None
    mates = [
        entry
        for entry in map(after.source, after.files)
        if entry.version is not None
        and entry.version.parts == "instrumental"
        and entry.version.length_group == version.length_group
    ]
    return after.recording(mates[0]) if mates else None


def _rows(before: Side, after: Side) -> list[Row]:
    old, new = _keyed(before.files), _keyed(after.files)
    order = [*new, *(key for key in old if key not in new)]
    return [_row(before, after, key, old.get(key), new.get(key)) for key in order]


def _keyed(files: Sequence[FileEntry]) -> dict[str, FileEntry]:
    """Name every file by what it is for; several of one kind keep their place in the name."""
    found: dict[str, FileEntry] = {}
    for entry in files:
        what = entry.version.id if entry.version else entry.role
        if what in found:
            what = f"{what}: {entry.name.rsplit('/', 1)[-1]}"
        found[what] = entry
    return found


def _row(before: Side, after: Side, what: str, old: FileEntry | None, new: FileEntry | None) -> Row:
    if old is None:
        return Row(what, "added", None, new)
    if new is None:
        return Row(what, "removed", old, None)
    if old.sha256 == new.sha256:
        return Row(what, "same", old, new, redeclared=old.version != new.version)
    sources = before.source(old).sound, after.source(new).sound
    if sources[0] is None or sources[1] is None:
        return Row(what, "changed", old, new)
    same_sound = sources[0].identity == sources[1].identity
    return Row(what, "retagged" if same_sound else "new audio", old, new)
