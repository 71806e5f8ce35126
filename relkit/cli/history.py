"""``relkit history``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, say
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.manifest import Record, ReplyRecord, RevisionManifest, ShippedRecord
    from relkit.release.history import Event


def history(
    limit: Annotated[int, typer.Option(min=1, help="How many of the newest to show.")] = 30,
    everything: Annotated[bool, typer.Option("--all", help="Show everything.")] = False,
    rejection: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", help="Only the thread of one rejection, from shipment to answer."),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write everything to a new file, as a table.")
    ] = None,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Show revisions, shipments, replies, approvals and withdrawals, newest first.

    Shows what was recorded; relkit audit checks it. Exit codes: 0 done, 2 wrong
    usage, 4 damaged store.
    """
    with opened(release) as opened_release:
        report = opened_release.history(None if everything or csv else limit, rejection=rejection)
    if csv is not None:
        from relkit.release.diary import write_csv

        write_csv(report.events, csv)
    if json:
        as_json(report)
        return
    if csv is not None:
        say(f"{plural(len(report.events), 'event')} written to {shown(csv)}")
        return
    if not report.events:
        say("Nothing is recorded yet.")
    for event in report.events:
        _print(event)
    if report.more:
        say("", "Older ones are not shown; see --limit and --all.")


def _print(event: Event) -> None:
    gone = f"  WITHDRAWN: {shown(event.withdrawn.reason)}" if event.withdrawn else ""
    if event.revision is not None:
        head, details = _of_revision(event.digest, event.revision)
    elif event.record is not None:
        head, details = _of_record(event.record, event.day)
    else:
        return
    say(f"{event.day}  {head}{gone}")
    for detail in details:
        for line in detail.splitlines():
            say(f"            {shown(line)}")
    relation = _relation(event)
    if relation:
        say(f"            {relation}")


def _of_revision(digest: str, manifest: RevisionManifest) -> tuple[str, list[str]]:
    versions = len({entry.version.id for entry in manifest.files if entry.version})
    head = f"revision {manifest.revision:<3}  {digest[:8]}  {plural(versions, 'version')}"
    return head, [manifest.note, f"session {manifest.session}" if manifest.session else ""]


def _of_record(record: Record, day: str) -> tuple[str, list[str]]:
    """Return the line of a record, and what stands below it."""
    from relkit.manifest import ApprovedRecord, ReplyRecord, ShippedRecord, WithdrawnRecord

    late = f", recorded {record.recorded_at[:10]}" if record.recorded_at[:10] != day else ""
    if isinstance(record, ShippedRecord):
        return _of_shipment(record, late)
    if isinstance(record, ReplyRecord):
        return _of_reply(record, late)
    if isinstance(record, ApprovedRecord):
        who = f"revision {record.revision} by {shown(record.by)} ({shown(record.role)})"
        return f"approved      {record.id[:8]}  {who}", [record.note]
    if isinstance(record, WithdrawnRecord):
        return f"{'never sent' if record.never_sent else 'withdrawn':<12}  {record.id[:8]}", [record.reason]
    return f"{shown(record.type):<12}  {record.id[:8]}", []


def _of_shipment(record: ShippedRecord, late: str) -> tuple[str, list[str]]:
    kind = f" ({record.recipient.kind})" if record.recipient.kind else ""
    head = (
        f"shipped       {record.id[:8]}  revision {record.revision} to {shown(record.recipient.name)}{kind}"
    )
    ways = [f"by {record.channel}" if record.channel else "", f"sent by {record.by}" if record.by else ""]
    details = [", ".join(record.versions), ", ".join(filter(None, ways)), record.note]
    return f"{head}{late}", [*details, f"despite: {record.despite}" if record.despite else ""]


def _of_reply(record: ReplyRecord, late: str) -> tuple[str, list[str]]:
    from relkit.release.rejections import place_text

    what = f"{record.answer} {record.number}" if record.number else record.answer
    places = ", ".join(place_text(place.start_ms, place.end_ms) for place in record.places)
    where = " at ".join(filter(None, [record.version or "", places]))
    head = f"{what:<12}  {record.id[:8]}  by {shown(record.recipient.name)}{late}"
    return head, [": ".join(filter(None, [where, record.text]))]


def _relation(event: Event) -> str:
    """Say what an event has to do with rejections."""
    from relkit.manifest import ShippedRecord

    numbers = ", ".join(map(str, event.rejections))
    if not numbers:
        return ""
    if event.revision is not None:
        return f"answers rejection {numbers}"
    return f"belongs to rejection {numbers}" if isinstance(event.record, ShippedRecord) else ""
