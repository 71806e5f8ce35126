"""``relkit withdraw``."""

from __future__ import annotations

from typing import Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, say
from relkit.filenames import shown


def withdraw(
    record: Annotated[
        str, typer.Argument(help="A record's id, or a package's digest; the first characters will do.")
    ],
    reason: Annotated[str, typer.Option(help="Why; it is recorded.")],
    never_sent: Annotated[
        bool, typer.Option("--never-sent", help="It was built, and did not go out.")
    ] = False,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Take back what was recorded by mistake, or must not be used any more.

    A shipment or other record goes by its id; a package, for everybody who got
    it, by its digest. Nothing is erased, and what was sent is still out there. Exit codes: 0 done,
    2 no such record or no reason, 4 damaged store, 6 busy.
    """
    with opened(release) as opened_release:
        report = opened_release.withdraw(record, reason=reason, never_sent=never_sent)
    if json:
        as_json(report)
        return
    say(f"Withdrawn: {report.what}", f"  reason: {shown(report.record.reason)}")
    for holder in report.holders:
        say(f"  still with {shown(holder.recipient.name)}, since {holder.shipped_on}: tell them")
