"""``relkit shipments``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, say, table
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.shipments import Holding


def shipments(
    recipient: Annotated[str | None, typer.Argument(help="Only this one, by name or id.")] = None,
    kind: Annotated[str | None, typer.Option(help="Only this kind.")] = None,
    version: Annotated[str | None, typer.Option(help="Only who holds this version.")] = None,
    since: Annotated[str | None, typer.Option(metavar="DAY", help="Shipped on or after: yyyy-mm-dd.")] = None,
    until: Annotated[str | None, typer.Option(metavar="DAY", help="Shipped on or before.")] = None,
    state: Annotated[
        str | None,
        typer.Option(help="Only in this state: current, superseded, tags superseded, rejected, withdrawn."),
    ] = None,
    outdated: Annotated[
        bool,
        typer.Option("--outdated", help="Only who is owed something: what they hold sounds different now."),
    ] = False,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Show who holds what, and whether it is still current.

    Shows what was recorded; relkit audit checks it. Exit codes: 0 done, 2 wrong
    usage, 4 damaged store.
    """
    with opened(release) as opened_release:
        report = opened_release.shipments(
            recipient=recipient,
            kind=kind,
            version=version,
            since=since,
            until=until,
            state=state,
            outdated=outdated,
        )
    if json:
        as_json(report)
        return
    if not report.holdings:
        say("Nobody is owed anything." if outdated else "Nobody holds anything like that.")
        return
    say(f"The newest revision is {report.newest}.")
    rows = [["recipient", "kind", "shipped", "revision", "shipment", "state"]]
    rows += [
        [
            shown(each.recipient),
            each.kind or "-",
            each.shipped_on,
            str(each.revision),
            each.shipment[:8],
            _state(each),
        ]
        for each in report.holdings
    ]
    table(rows, right=(3,))
    owed = sum(each.is_owed for each in report.holdings)
    if owed and not outdated:
        say("", f"{plural(owed, 'recipient')} should get something new: relkit shipments --outdated")


def _state(holding: Holding) -> str:
    """Say how it stands, and of what."""
    parts: list[str] = [holding.state]
    if holding.changed or holding.gone:
        parts.append(", ".join([*holding.changed, *(f"{each} (gone)" for each in holding.gone)]))
    elif holding.retagged:
        parts.append(", ".join(holding.retagged))
    if holding.rejections:
        parts.append(f"open: {', '.join(map(str, holding.rejections))}")
    if holding.reply and not holding.rejections:
        parts.append(f"{holding.reply} {holding.replied_on}")
    if holding.reason:
        parts.append(shown(holding.reason))
    return "; ".join(parts)
