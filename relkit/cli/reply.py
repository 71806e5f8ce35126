"""``relkit reply`` and ``relkit approve``: what others said."""

from __future__ import annotations

from typing import Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, say
from relkit.filenames import shown


def reply(
    recipient: Annotated[str, typer.Argument(help="Name, or the first characters of the id.")],
    answer: Annotated[str, typer.Argument(help="received, playing, accepted, asked or rejected.")],
    reason: Annotated[str, typer.Option(help="Why they rejected it, or what they asked for.")] = "",
    version: Annotated[str | None, typer.Option(help="The version that they speak of.")] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PLACE",
            help='Where in it: "1:23.4", "1:23.4-1:25", "bar 33" or "bars 33-34"; repeat for more.',
        ),
    ] = None,
    shipment: Annotated[
        str | None, typer.Option(metavar="ID", help="The shipment; by default the newest that they hold.")
    ] = None,
    replied_on: Annotated[
        str | None, typer.Option("--on", metavar="DAY", help="For what came earlier: yyyy-mm-dd.")
    ] = None,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Record what came back for a shipment.

    Places are shown in every version that shares them. A rejection gets a number
    and stays open until a revision answers it: relkit commit --answers NUMBER.
    Exit codes: 0 done, 2 wrong usage, 4 damaged store, 5 signer not trusted, 6
    busy, 7 disk or permission.
    """
    from relkit.release.rejections import place_text

    with opened(release) as opened_release:
        report = opened_release.reply(
            recipient,
            answer,
            shipment=shipment,
            version=version,
            at=at or [],
            text=reason,
            replied_on=replied_on,
        )
    if json:
        as_json(report)
        return
    record = report.record
    number = f" {record.number}" if record.number else ""
    say(
        f"Recorded {record.answer}{number}  {record.id[:8]}  from {shown(record.recipient.name)} "
        f"on {record.replied_on}"
    )
    for passage in report.passages:
        where = place_text(passage.start_ms, passage.end_ms)
        bars = f"  {passage.bars}" if passage.bars else ""
        say(f"  {where}  in {passage.version}{bars}")
    if record.number:
        say(f"  It stays open until: relkit commit FILE --answers {record.number}")


def approve(
    revision: Annotated[str, typer.Argument(help="A revision's number, newest, or its digest's start.")],
    by: Annotated[str, typer.Option(help="Who agreed.")],
    role: Annotated[str, typer.Option(help="artist, label or mastering.")],
    note: Annotated[str, typer.Option(help="A note for the history.")] = "",
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Record that somebody who has a say agreed to a revision.

    Exit codes: 0 done, 2 wrong usage, 4 damaged store, 5 signer not trusted,
    6 busy, 7 disk or permission.
    """
    with opened(release) as opened_release:
        record = opened_release.approve(revision, by=by, role=role, note=note)
    if json:
        as_json(record)
    else:
        say(
            f"Recorded that {shown(record.by)} ({record.role}) agreed to revision {record.revision}  "
            f"{record.id[:8]}"
        )
