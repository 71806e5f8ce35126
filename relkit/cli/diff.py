"""``relkit diff``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, decimal, length, progress, say, table
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.manifest import FileEntry
    from relkit.release.diff import DiffReport, Row


def diff(
    old: Annotated[
        str | None,
        typer.Argument(help="A revision, a shipment's id, or folder; by default the newest revision."),
    ] = None,
    new: Annotated[str | None, typer.Argument(help="Likewise; by default the folder.")] = None,
    check: Annotated[bool, typer.Option("--check", help="Exit with 1 if anything differs.")] = False,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Show what changed between two revisions, packages, or the folder, file by file.

    Exit codes: 0 done, 1 something differs and --check was given, 2 no such
    revision or shipment, 3 a bad file in the folder, 4 damaged data, 5 signer
    not trusted.
    """
    with opened(release) as opened_release, progress(json) as telling:
        report = opened_release.diff(old, new, telling)
    if json:
        as_json(
            {"differs": report.differs, "old": report.old_name, "new": report.new_name, "rows": report.rows}
        )
    else:
        _print(report)
    if check and report.differs:
        raise typer.Exit(1)


def _print(report: DiffReport) -> None:
    say(f"From {report.old_name} to {report.new_name}")
    rows = [["", "what", "length", "loudness", "true peak", "digest"]]
    for row in report.rows:
        rows.append([_verdict(row), shown(row.what), *_numbers(row.new or row.old)])
        if row.change == "new audio":
            rows.append(["", "  before", *_numbers(row.old)])
    table(rows, right=(2, 3, 4), indent=2)
    changed = [row for row in report.rows if row.change != "same" or row.redeclared]
    same = len(report.rows) - len(changed)
    if not changed:
        say(f"All {same} files are the same, byte for byte.")
    elif same:
        say(f"The other {same} are the same, byte for byte.")


def _verdict(row: Row) -> str:
    return "redeclared" if row.change == "same" and row.redeclared else row.change


def _numbers(entry: FileEntry | None) -> list[str]:
    if entry is None:
        return ["-", "-", "-", "-"]
    sound = entry.sound
    if sound is None:
        return ["-", "-", "-", entry.sha256[:12]]
    return [
        length(sound.frames, sound.sample_rate_hz),
        decimal(sound.integrated_loudness_lufs, " LUFS"),
        decimal(sound.true_peak_dbtp, " dBTP"),
        entry.sha256[:12],
    ]
