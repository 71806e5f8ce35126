"""``relkit history``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, say
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.history import Event


def history(
    limit: Annotated[int, typer.Option(min=1, help="How many of the newest to show.")] = 30,
    everything: Annotated[bool, typer.Option("--all", help="Show everything.")] = False,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Show revisions and shipments, newest first.

    Shows what was recorded; relkit audit checks it. Exit codes: 0 done, 2 wrong
    usage, 4 damaged store.
    """
    with opened(release) as opened_release:
        report = opened_release.history(None if everything else limit)
    if json:
        as_json(report)
        return
    if not report.events:
        say("Nothing is recorded yet.")
    for event in report.events:
        _print(event)
    if report.more:
        say("", "Older ones are not shown; see --limit and --all.")


def _print(event: Event) -> None:
    from relkit.manifest import ShippedRecord, WithdrawnRecord

    gone = f"  WITHDRAWN: {shown(event.withdrawn.reason)}" if event.withdrawn else ""
    if event.revision is not None:
        manifest = event.revision
        versions = len({entry.version.id for entry in manifest.files if entry.version})
        say(
            f"{event.day}  revision {manifest.revision:<3}  {event.digest[:8]}  "
            f"{plural(versions, 'version')}{gone}"
        )
        details = [manifest.note, f"session {manifest.session}" if manifest.session else ""]
    elif isinstance(event.record, ShippedRecord):
        record = event.record
        kind = f" ({record.recipient.kind})" if record.recipient.kind else ""
        late = f", recorded {record.recorded_at[:10]}" if record.recorded_at[:10] != event.day else ""
        say(
            f"{event.day}  shipped       {record.id[:8]}  revision {record.revision} to "
            f"{shown(record.recipient.name)}{kind}{late}{gone}"
        )
        channel = f"by {record.channel}" if record.channel else ""
        details = [", ".join(record.versions), channel, record.note]
        details += [f"despite: {record.despite}"] if record.despite else []
    elif isinstance(event.record, WithdrawnRecord):
        sent = "never sent" if event.record.never_sent else "withdrawn"
        say(f"{event.day}  {sent:<12}  {event.record.id[:8]}{gone}")
        details = [event.record.reason]
    elif event.record is not None:
        say(f"{event.day}  {shown(event.record.type):<12}  {event.record.id[:8]}{gone}")
        details = []
    for detail in details:
        for line in detail.splitlines():
            say(f"            {shown(line)}")
