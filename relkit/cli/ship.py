"""``relkit ship``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from relkit.cli.edge import tell
from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, progress, say, size
from relkit.errors import UsageError
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.remarks import Remark
    from relkit.release.ship import ShipReport
    from relkit.release.shipping import Preview, Round


def ship(
    recipients: Annotated[
        list[str] | None,
        typer.Argument(metavar="[RECIPIENT ...]", help="Names, or the first characters of their ids."),
    ] = None,
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
    to_kind: Annotated[
        str | None, typer.Option(metavar="KIND", help="Everybody of this kind in the address book.")
    ] = None,
    outdated: Annotated[
        bool,
        typer.Option(
            "--outdated",
            help="Whoever relkit shipments --outdated lists: the versions and formats that they hold.",
        ),
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would go: files, and about how large.")
    ] = False,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Build a package for somebody, sign it, and record that they got it.

    Of several, a fault for one does not stop the others. Exit codes: 0 done, 1
    something stands in the way (explicit material for somebody who excludes it,
    an embargo, a rejected passage that is as it was ...), 2 wrong usage, 3 bad
    artwork, 4 damaged store, 5 signer not trusted, 6 busy, 7 disk or permission;
    of several faults, the highest.
    """
    names = recipients or []
    _one_way(names, to_kind, outdated=outdated, only=only or [])
    order: dict[str, Any] = {
        "kind": kind,
        "another": another,
        "revision": revision,
        "only": only or [],
        "formats": formats or [],
        "form": None if zipped is None else "zip" if zipped else "folder",
        "folder": to,
        "shipped_on": shipped_on,
        "channel": channel,
        "by": by,
        "note": note,
        "despite": despite,
    }
    with opened(release) as opened_release, progress(json) as telling:
        if len(names) == 1 and not dry_run:
            one = opened_release.ship(names[0], progress=telling, **order)
            as_json(one) if json else _print(one)
            return
        made = opened_release.ship_round(
            names, to_kind=to_kind, outdated=outdated, dry_run=dry_run, progress=telling, **order
        )
    as_json(made) if json else _print_round(made, dry_run=dry_run)
    if made.exit_code:
        raise typer.Exit(made.exit_code)


def _one_way(names: list[str], to_kind: str | None, *, outdated: bool, only: list[str]) -> None:
    """Refuse two ways of saying who, and none."""
    if names and (to_kind or outdated):
        raise UsageError(
            "names, and --to-kind or --outdated, say two different things",
            hint="Name recipients, or take a kind, or those who hold what is outdated.",
        )
    if not (names or to_kind or outdated):
        raise UsageError(
            "to whom?", hint="Name recipients, or use --to-kind KIND, or --outdated. relkit recipients list."
        )
    if outdated and only:
        raise UsageError("--outdated sends what they hold", hint="Leave --only out, or name recipients.")


def _print_round(made: Round, *, dry_run: bool) -> None:
    told: set[Remark] = set()  # what is odd about the sheet is said once, not to everybody
    for report in made.shipped:
        _print(replace(report, remarks=[each for each in report.remarks if each not in told]))
        told.update(report.remarks)
    for preview in made.previews:
        _print_preview(replace(preview, remarks=[each for each in preview.remarks if each not in told]))
        told.update(preview.remarks)
    for fault in made.faults:
        tell(f"not {'for' if dry_run else 'shipped to'} {fault.recipient}: {fault.fault}", fault.hint)
    count = len(made.shipped) + len(made.previews)
    if not count and not made.faults:
        say("Nobody is owed anything.")
    elif count + len(made.faults) > 1:
        what = f"{'Would ship' if dry_run else 'Shipped'} to {plural(count, 'recipient')}"
        say("", f"{what}, {len(made.faults)} not." if made.faults else f"{what}.")


def _print_preview(preview: Preview) -> None:
    say(
        f"Would ship revision {preview.revision} to {shown(preview.recipient)} ({preview.kind}), "
        f"about {size(preview.about_bytes)}"
    )
    say(*(f"  {size(file.about_bytes):>8}  {shown(file.name)}" for file in preview.files))
    say("            cover, info sheet and proof")
    for gate in preview.gates:
        say(*(f"  In the way: {shown(finding)}" for finding in gate.findings))
    for remark in preview.remarks:
        say(f"  Note: {shown(remark.fault)}", f"        {shown(remark.hint)}")


def _print(report: ShipReport) -> None:
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
