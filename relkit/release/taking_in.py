"""Bounces that are handed to ``commit``: what each is, and where it goes.

All of them are looked at before the first is copied, and what was copied
appears in the folder only when the revision is as good as recorded.

Not here: reading names (``relkit.vocabulary``), the copying itself (``placing``).
"""

from __future__ import annotations

import filecmp
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from relkit.errors import UsageError
from relkit.filenames import below, fault_of_path, shown
from relkit.release import placing
from relkit.release.gathering import BadPlaceError
from relkit.release.workspace import SHEET, Workspace
from relkit.sheet import Sheet

if TYPE_CHECKING:
    from relkit.vocabulary import Version


class UnclearNameError(UsageError):
    """A file name does not say which version it is.

    Attributes:
        candidates: versions that it may be; empty if it says nothing.
    """

    candidates: tuple[str, ...] = ()


@dataclass(frozen=True)
class TakenIn:
    """A file that was handed over: what it was recognised as, and why."""

    source: Path
    version_id: str
    because: str
    name: str  # where it is now, inside the release


def take_in(
    workspace: Workspace, bounces: Sequence[Path], version: str | None, staging: placing.Staging
) -> tuple[Sheet, list[TakenIn]]:
    """Find out what every file is, check that it can be one, then copy all of them.

    Returns:
        The sheet as it will be, and the files.
    """
    if version is not None and len(bounces) != 1:
        raise UsageError(
            "--as says what one file is", hint="Name exactly one file with it, or leave --as out."
        )
    sheet = workspace.sheet()
    if not bounces:
        return sheet, []
    from relkit.audio.container import require_bounce
    from relkit.audio.reading import SteadyFile

    text = sheet.text
    plan: list[TakenIn] = []
    for source in bounces:
        with SteadyFile(source) as file:
            require_bounce(file.container, source.name)
        text, taken = _recognised(text, source, version, workspace)
        of_many = Sheet.parse(text).versions[taken.version_id].is_folder
        same = [each for each in plan if each.version_id == taken.version_id]
        double = next((each for each in same if not of_many or each.name == taken.name), None)
        if double is not None:
            raise UsageError(
                f"{shown(double.source.name)} and {shown(source.name)} are both {taken.version_id}",
                hint="Commit the right one of them, or say with --as what the other is.",
            )
        plan.append(taken)
    targets = [(each.source, below(workspace.folder, each.name)) for each in plan]
    moving = [(source, target) for source, target in targets if not _is_there(source, target)]
    placing.require_free([target for _source, target in moving], workspace.has_bytes)
    for source, target in moving:
        staging.copy(source, target)
    if text != sheet.text:
        staging.write(text.encode(), workspace.folder / SHEET)
    return Sheet.parse(text), plan


def _is_there(source: Path, target: Path) -> bool:
    """Say whether a file is in its place already: itself, or the same bytes."""
    return target.is_file() and (source.samefile(target) or filecmp.cmp(source, target, shallow=False))


def _recognised(text: str, source: Path, version: str | None, workspace: Workspace) -> tuple[str, TakenIn]:
    """Return the sheet's text, changed where the file asks for it, and what the file is."""
    from relkit.sheet import add_version, remember_answer, set_version_file
    from relkit.vocabulary import Ambiguous, Recognised, recognise

    sheet = Sheet.parse(text)
    inside = _name_inside(source, workspace.folder)
    at_home = sheet.version_at(inside) if inside else None
    said = recognise(
        source.name, known=sheet.names, artist=sheet.artist, title=sheet.title, versions=sheet.declared
    )
    if version is not None:
        version_id, because = version, "--as"
    elif at_home is not None and inside is not None:
        return text, TakenIn(source, at_home.version.id, "its place in the sheet", inside)
    elif isinstance(said, Recognised):
        version_id, because = said.version_id, said.because
    else:
        raise _unclear(source, said)
    name = _name_for(source, version_id, sheet)
    entry = sheet.versions.get(version_id)
    if entry is None:
        text = add_version(text, _fresh_version(version_id, sheet), path=name)
    elif not entry.is_folder and name != entry.path:
        text = set_version_file(text, version_id, name)
    if version is not None:
        # Asked anew, as if nothing were remembered: a different answer replaces the one of before.
        open_question = recognise(
            source.name, known={}, artist=sheet.artist, title=sheet.title, versions=sheet.declared
        )
        if isinstance(open_question, Ambiguous):
            text = remember_answer(text, open_question.phrase, version_id)
    return text, TakenIn(source, version_id, because, name)


def _name_for(source: Path, version_id: str, sheet: Sheet) -> str:
    """Return where a file goes: to the place in the sheet, its own suffix kept."""
    entry = sheet.versions.get(version_id)
    suffix = source.suffix.lower()
    if entry is None:
        name = f"bounces/{version_id}{suffix}"
    elif entry.is_folder:
        name = f"{entry.path}/{source.name}"
    elif suffix and Path(entry.path).suffix.lower() != suffix:
        name = f"{entry.path.removesuffix(Path(entry.path).suffix)}{suffix}"
    else:
        name = entry.path
    fault = fault_of_path(name)
    if fault is not None:
        raise BadPlaceError(
            f"{shown(source.name)} {fault}", hint="Some systems cannot have such a name: rename the file."
        )
    return name


def _fresh_version(version_id: str, sheet: Sheet) -> Version:
    """Return a version that the sheet does not have yet, its axes read from its id.

    Raises:
        UsageError: the id does not say what the axes are, so that only a person can; or it is a slip.
    """
    from relkit.vocabulary import Recognised, Version, is_slug, recognise

    if not is_slug(version_id):
        raise UsageError(
            f"{shown(version_id)} cannot be a version's id",
            hint='Use lower-case words joined by "-", for example short-clean.',
        )
    said = recognise(version_id, known={}, artist=None, title=None)
    if isinstance(said, Recognised) and said.version_id == version_id:
        return Version(version_id, parts=said.parts, form=said.form, language=said.language)
    near = (
        [said.version_id] if isinstance(said, Recognised) else get_close_matches(version_id, sheet.versions)
    )
    meant = f"Did you mean {near[0]}? If not, add" if near else "Add"
    raise UsageError(
        f"the sheet has no version {version_id}",
        hint=f"{meant} [versions.{version_id}] to release.toml, and say there what it is.",
    )


def _name_inside(source: Path, folder: Path) -> str | None:
    """Return a path as the sheet would write it, if it lies in the release folder."""
    try:
        return source.resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        return None


def _unclear(source: Path, said: object) -> UnclearNameError:
    from relkit.vocabulary import Ambiguous

    if isinstance(said, Ambiguous):
        error = UnclearNameError(
            f"{shown(source.name)}: {said.question}",
            hint=f"Say it once with --as {' or --as '.join(said.candidates) or 'VERSION'}; "
            "it is remembered for this release.",
        )
        error.candidates = said.candidates
        return error
    return UnclearNameError(
        f"{shown(source.name)} does not say which version it is",
        hint="Say it with --as, for example: --as clean.",
    )
