"""``relkit shipments``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, home, opened
from relkit.cli.output import as_json, plural, progress, say, table
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.label import LabelReport
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
    everything: Annotated[
        Path | None, typer.Option("--all", metavar="FOLDER", help="Over all releases below a folder.")
    ] = None,
    limit: Annotated[
        int | None, typer.Option(min=1, help="How many to show at most; of --all, 100 where nothing is said.")
    ] = None,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Show who holds what, and whether it is still current.

    Shows what was recorded; relkit audit checks it. Exit codes: 0 done, 2 wrong
    usage, 4 damaged store.
    """
    from dataclasses import replace

    from relkit.release.label import label_shipments
    from relkit.release.shipments import Filter

    if everything is not None:
        wanted = Filter(recipient, kind, version, since, until, state, outdated)
        with progress(json) as telling:
            found = label_shipments(
                everything, home(), wanted, limit=limit or (None if json else 100), progress=telling
            )
        as_json(found) if json else _print_label(found, outdated=outdated)
        return
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
    if limit is not None:
        report = replace(report, holdings=report.holdings[:limit])
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


def _print_label(report: LabelReport, *, outdated: bool) -> None:
    say(f"{plural(report.releases, 'release')}.")
    if report.holdings:
        rows = [["release", "recipient", "kind", "shipped", "revision", "newest", "shipment", "state"]]
        rows += [
            [
                shown(each.title),
                shown(each.holding.recipient),
                each.holding.kind or "-",
                each.holding.shipped_on,
                str(each.holding.revision),
                str(each.newest),
                each.holding.shipment[:8],
                _state(each.holding),
            ]
            for each in report.holdings
        ]
        table(rows, right=(4, 5))
    else:
        say("Nobody is owed anything." if outdated else "Nobody holds anything like that.")
    if len(report.holdings) < report.fits:
        say("", f"{report.fits - len(report.holdings)} more are not shown; see --limit.")
    if report.owed and not outdated:
        say(f"{plural(report.owed, 'recipient')} should get something new: --outdated shows them.")
    for place, fault in report.faults.items():
        say(f"  {shown(place)} could not be read: {shown(fault)}")


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
