"""``relkit ship``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, progress, say, size
from relkit.filenames import shown


def ship(
    recipient: Annotated[str, typer.Argument(help="Name, or the first characters of the id.")],
    kind: Annotated[
        str | None,
        typer.Option(
            help="For somebody new: club-dj, radio-programme, mix-show, event-dj, arena, remixer, label "
            "or sync."
        ),
    ] = None,
    another: Annotated[
        bool, typer.Option("--another", help="Somebody new, although the name is taken; needs --kind.")
    ] = False,
    revision: Annotated[str, typer.Option(help="Which revision.")] = "newest",
    only: Annotated[
        list[str] | None,
        typer.Option(metavar="VERSION", help="Send this, instead of what the kind takes; repeat for more."),
    ] = None,
    formats: Annotated[
        list[str] | None,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help="Send this instead of what they take: mp3, wav, wav-radio, wav-48k24, wav-native, flac or "
            "aiff; repeat for more.",
        ),
    ] = None,
    zipped: Annotated[bool | None, typer.Option("--zip/--folder", help="As one ZIP, or as a folder.")] = None,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FOLDER", help="Where the package appears.")
    ] = None,
    shipped_on: Annotated[
        str | None, typer.Option(metavar="DAY", help="For what went out earlier: yyyy-mm-dd.")
    ] = None,
    channel: Annotated[str | None, typer.Option(help="How it goes: link, mail, stick ...")] = None,
    by: Annotated[str | None, typer.Option(help="Who sends it.")] = None,
    note: Annotated[str, typer.Option(help="A note for the history.")] = "",
    despite: Annotated[
        str | None,
        typer.Option(metavar="REASON", help="Send although something stands in the way; recorded."),
    ] = None,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Build a package for somebody, sign it, and record that they got it.

    Exit codes: 0 done, 1 something stands in the way (explicit material for
    somebody who excludes it, an embargo ...), 2 wrong usage, 3 bad artwork, 4
    damaged store, 5 signer not trusted, 6 busy, 7 disk or permission.
    """
    with opened(release) as opened_release, progress(json) as telling:
        report = opened_release.ship(
            recipient,
            kind=kind,
            another=another,
            revision=revision,
            only=only or [],
            formats=formats or [],
            form=None if zipped is None else "zip" if zipped else "folder",
            folder=to,
            shipped_on=shipped_on,
            channel=channel,
            by=by,
            note=note,
            despite=despite,
            progress=telling,
        )
    if json:
        as_json(report)
        return
    record = report.record
    total = sum(entry.size_bytes for entry in report.package.files)
    say(
        f"Shipped revision {record.revision} to {shown(record.recipient.name)} ({record.recipient.kind}) "
        f"on {record.shipped_on}",
        f"  shipment  {record.id[:8]}",
        f"  package   {report.digest[:12]}  {plural(len(report.package.files), 'file')}, {size(total)}",
        f"  versions  {', '.join(record.versions)}",
        f"  formats   {', '.join(record.formats)}",
        f"  lies in   {shown(report.path)}",
    )
    if report.package.replaces:
        say("  Its info sheet says which earlier package it replaces, and what changed.")
    for remark in report.remarks:
        say(f"  Note: {shown(remark.fault)}", f"        {shown(remark.hint)}")
    for gate in record.gates:
        say(*(f"  Sent despite this: {shown(finding)}" for finding in gate.findings))
    if record.despite:
        say(f"  The reason on record: {shown(record.despite)}")
    if report.uncommitted:
        say(f"  Not in it, since it is not committed: {', '.join(map(shown, report.uncommitted))}")
