"""``relkit commit``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, decimal, length, plural, progress, say, table
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.commit import CommitReport


def commit(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[FILE ...]",
            help="Bounces to take in; without any: whatever changed in the folder.",
            readable=False,  # whether it can be read is found out, and told, where it is read
        ),
    ] = None,
    as_version: Annotated[
        str | None, typer.Option("--as", metavar="VERSION", help="What the one FILE is.")
    ] = None,
    note: Annotated[str, typer.Option(help="A note for the history.")] = "",
    session: Annotated[str | None, typer.Option(metavar="NAME", help="Session or mix it came from.")] = None,
    without: Annotated[
        list[str] | None, typer.Option(metavar="VERSION", help="Leave a version out on purpose.")
    ] = None,
    answers: Annotated[
        list[int] | None, typer.Option(metavar="NUMBER", help="An open rejection that this answers.")
    ] = None,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Take in bounces and record a new revision.

    A file's name says which version it is; where it does not, say it with --as.
    Exit codes: 0 done or nothing had changed, 2 wrong usage, 3 a bad file or
    sheet, 4 damaged store, 5 signer not trusted, 6 busy, 7 disk or permission.
    """
    with opened(release) as opened_release, progress(json) as telling:
        report = opened_release.commit(
            files or [],
            version=as_version,
            note=note,
            session=session,
            without=without or [],
            answers=answers or [],
            progress=telling,
        )
    if json:
        as_json(report)
    else:
        _print(report)


def _print(report: CommitReport) -> None:
    for taken in report.taken:
        say(f"{shown(taken.source.name)} is {taken.version_id} ({shown(taken.because)})")
    manifest = report.manifest
    if not report.changed:
        say(f"Nothing has changed since revision {manifest.revision}.")
    else:
        say(f"Revision {manifest.revision}  {report.digest[:12]}  {plural(len(manifest.files), 'file')}")
        rows = [["", "version", "length", "loudness", "true peak"]]
        for entry in manifest.files:
            if entry.version is None:
                continue
            sound = entry.sound
            rows.append(
                [
                    "new" if entry.name in report.fresh else "",
                    entry.version.id,
                    length(sound.frames, sound.sample_rate_hz) if sound else "-",
                    decimal(sound.integrated_loudness_lufs if sound else None, " LUFS"),
                    decimal(sound.true_peak_dbtp if sound else None, " dBTP"),
                ]
            )
        if len(rows) > 1:
            table(rows, right=(2, 3, 4), indent=2)
        others = [entry.name for entry in manifest.files if not entry.version and entry.name in report.fresh]
        if others:
            say(f"  also new: {', '.join(map(shown, others))}")
        if report.gone:
            say(f"  gone: {', '.join(map(shown, report.gone))}")
    if report.absent:
        say(f"  not there yet: {', '.join(report.absent)}")
    if report.strangers:
        say(f"  left alone, not in the sheet: {', '.join(map(shown, report.strangers))}")
