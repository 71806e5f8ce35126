"""``relkit diff``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, decimal, length, progress, say, table
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.manifest import FileEntry
    from relkit.release.diff import DiffReport, Row

_MOST_SAID = 40  # characters of a field of the sheet


def diff(
    old: Annotated[
        str | None,
        typer.Argument(
            help="A revision, a shipment's id, folder, or a file; by default the newest revision."
        ),
    ] = None,
    new: Annotated[str | None, typer.Argument(help="Likewise; by default the folder.")] = None,
    check: Annotated[bool, typer.Option("--check", help="Exit with 1 if anything differs.")] = False,
    page: Annotated[
        Path | None,
        typer.Option(metavar="FILE.html", help="Write a page with pictures and clips to listen to, too."),
    ] = None,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Show what changed between two revisions, packages, the folder, or two files, and where it is heard.

    Exit codes: 0 done, 1 something differs and --check was given, 2 no such
    revision or shipment, 3 a bad file in the folder, 4 damaged data, 5 signer
    not trusted.
    """
    files = [Path(each) for each in (old, new) if each is not None and Path(each).is_file()]
    with progress(json) as telling:
        if len(files) == 2:
            from relkit.release.diff import diff_files

            report = diff_files(files[0], files[1], telling, page=page)
        else:
            with opened(release) as opened_release:
                report = opened_release.diff(old, new, telling, page=page)
    if json:
        as_json(
            {
                "differs": report.differs,
                "old": report.old_name,
                "new": report.new_name,
                "rows": report.rows,
                "sheet": report.sheet,
                "shared": report.shared,
            }
        )
    else:
        _print(report)
        if page is not None:
            say("", f"The page is {shown(page)}. It has clips: mind the level before you play them.")
    if check and report.differs:
        raise typer.Exit(1)


def _print(report: DiffReport) -> None:
    from relkit.release import telling

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
    for row in report.rows:
        if row.change == "new audio":
            say("", *telling.lines(report, row))
        if row.picture is not None:
            say("", f"{shown(row.what)}: {telling.picture_words(row.picture)}")
    shared = list(telling.shared_lines(report))
    if shared:
        say("", *shared)
    if report.sheet:
        say("", "The sheet says:")
        changes = [[shown(each.field), _said(each.old), _said(each.new)] for each in report.sheet]
        table([["field", "before", "now"], *changes], indent=2)


def _said(text: str | None) -> str:
    if text is None:
        return "-"
    return shown(text if len(text) <= _MOST_SAID else f"{text[: _MOST_SAID - 3]}...")


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
