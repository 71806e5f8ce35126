"""Which files the next revision holds: what the sheet declares and the folder has.

The sheet decides what is a bounce. Other files in the folder are listed and
left alone. A version that the newest revision has and the folder has lost is a
fault, unless it is left out on purpose.

Not here: reading the files (``relkit.release.scanning``) and taking in new
ones from elsewhere (``relkit.release.placing``).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from relkit.errors import BadInputError, UsageError
from relkit.filenames import below, fault_of_path, shown, twins
from relkit.manifest import ReleaseFacts, RevisionManifest, VersionFacts
from relkit.release.placing import Staging
from relkit.release.scanning import Wanted
from relkit.release.workspace import SHEET
from relkit.sheet import Sheet, VersionEntry


class MissingBounceError(BadInputError):
    """A bounce that the newest revision has is gone from the folder."""


class BadPlaceError(BadInputError):
    """A file's name would not survive on every system."""


@dataclass(frozen=True)
class Gathered:
    """What belongs to the next revision.

    Attributes:
        wanted: bounces in the sheet's order, then cover and sheet.
        absent: versions that the sheet declares and that have no bounce yet.
        strangers: files in the bounces' folders that the sheet does not name.
    """

    wanted: list[Wanted]
    absent: list[str]
    strangers: list[str]


def facts_of(entry: VersionEntry) -> VersionFacts:
    """Return what the manifest says of a version."""
    version = entry.version
    return VersionFacts(
        id=version.id,
        label=version.label,
        parts=version.parts,
        form=version.form,
        rating=version.rating,
        language=version.language,
        removed=list(version.removed),
        length_group=version.length_group,
    )


def release_facts(sheet: Sheet) -> ReleaseFacts:
    """Return the facts of the song that a manifest holds."""
    return ReleaseFacts(
        artist=sheet.artist,
        title=sheet.title,
        tempo=sheet.bars.tempo_text,
        key=str(sheet.key) if sheet.key else None,
    )


def gather(
    folder: Path,
    sheet: Sheet,
    newest: RevisionManifest | None,
    without: Collection[str] = (),
    *,
    lost_is_fault: bool = True,
    staging: Staging | None = None,
) -> Gathered:
    """Put together what belongs to the next revision.

    Args:
        without: versions to leave out on purpose.
        lost_is_fault: whether a bounce that the newest revision has must be there.
        staging: files that are on their way into the folder, and count as there.

    Raises:
        MissingBounceError: the newest revision has a bounce that is not there now.
        BadPlaceError: a name that would not survive on every system.
        UsageError: ``without`` names a version that the sheet does not have.
    """
    unknown = set(without) - set(sheet.versions)
    if unknown:
        raise UsageError(
            f"the sheet has no version {shown(min(unknown))}", hint=f"It has {', '.join(sheet.versions)}."
        )
    staging = staging or Staging()
    wanted: list[Wanted] = []
    absent: list[str] = []
    for version_id, entry in sheet.versions.items():
        found = [] if version_id in without else _files(folder, entry, staging)
        wanted += [
            Wanted("version", name, staging.where(below(folder, name)), facts_of(entry)) for name in found
        ]
        if not found and version_id not in without:
            absent.append(version_id)
    if lost_is_fault:
        _require_none_lost(newest, absent)
    for role, cover in (("cover", sheet.cover), ("cover-clean", sheet.clean_cover)):
        if cover is not None and below(folder, cover).is_file():
            wanted.append(Wanted(role, cover, below(folder, cover)))
    wanted.append(Wanted("sheet", SHEET, staging.where(folder / SHEET)))
    for first, second in twins([each.name for each in wanted]):
        raise BadPlaceError(
            f"{shown(first)} and {shown(second)} are one file on some systems", hint="Rename one of them."
        )
    return Gathered(wanted, absent, _strangers(folder, sheet))


def _files(folder: Path, entry: VersionEntry, staging: Staging) -> list[str]:
    """Return the names of a version's files: one, or all in its folder of stems."""
    if not entry.is_folder:
        place = staging.where(below(folder, entry.path))
        return [entry.path] if place.is_file() or place.is_symlink() else []
    names = []
    stems = below(folder, entry.path)
    for path in sorted({*stems.rglob("*"), *staging.below(stems)}):
        if staging.where(path).is_file() and not path.name.startswith("."):
            name = path.relative_to(folder).as_posix()
            fault = fault_of_path(name)
            if fault is not None:
                raise BadPlaceError(f"{shown(name)} {fault}", hint="Rename the file, then commit again.")
            names.append(name)
    return names


def _require_none_lost(newest: RevisionManifest | None, absent: list[str]) -> None:
    lost = [
        entry
        for entry in (newest.files if newest else ())
        if entry.version is not None and entry.version.id in absent
    ]
    if lost and newest:
        version = lost[0].version
        raise MissingBounceError(
            f"{shown(lost[0].name)} is missing, and revision {newest.revision} has it"
            + (f" (and {len(lost) - 1} more)" if len(lost) > 1 else ""),
            hint=f"Bounce it again, get it back with relkit checkout {newest.revision} --to FOLDER, "
            f"or leave it out on purpose with --without {version.id if version else ''}.",
        )


def _strangers(folder: Path, sheet: Sheet) -> list[str]:
    """List files that lie where bounces lie and are none."""
    places = {below(folder, entry.path).parent for entry in sheet.versions.values()}
    found = {
        path.relative_to(folder).as_posix()
        for place in places
        if place.is_dir() and place != folder
        for path in place.iterdir()
        if path.is_file() and not path.name.startswith(".")
    }
    return sorted(
        path
        for path in found
        if path not in {sheet.cover, sheet.clean_cover} and sheet.version_at(path) is None
    )
