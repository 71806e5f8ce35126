"""``relkit ship``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, say, size
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
    zipped: Annotated[bool, typer.Option("--zip", help="As one ZIP instead of a folder.")] = False,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FOLDER", help="Where the package appears.")
    ] = None,
    shipped_on: Annotated[
        str | None, typer.Option(metavar="DAY", help="For what went out earlier: yyyy-mm-dd.")
    ] = None,
    channel: Annotated[str | None, typer.Option(help="How it goes: link, mail, stick ...")] = None,
    note: Annotated[str, typer.Option(help="A note for the history.")] = "",
    despite: Annotated[
        str | None,
        typer.Option(metavar="REASON", help="Send explicit material to somebody who excludes it; recorded."),
    ] = None,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Build a package for somebody, sign it, and record that they got it.

    Exit codes: 0 done, 1 explicit material would go to somebody who excludes it,
    2 wrong usage, 3 bad artwork, 4 damaged store, 5 signer not trusted, 6 busy,
    7 disk or permission.
    """
    with opened(release) as opened_release:
        report = opened_release.ship(
            recipient,
            kind=kind,
            another=another,
            revision=revision,
            only=only or [],
            form="zip" if zipped else "folder",
            folder=to,
            shipped_on=shipped_on,
            channel=channel,
            note=note,
            despite=despite,
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
        f"  lies in   {shown(report.path)}",
    )
    if report.package.replaces:
        say("  Its info sheet says which earlier package it replaces, and what changed.")
    if record.despite:
        say(f"  Explicit material was sent despite the kind: {shown(record.despite)}")
    if report.uncommitted:
        say(f"  Not in it, since it is not committed: {', '.join(map(shown, report.uncommitted))}")
