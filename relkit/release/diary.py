"""The diary as a table: one row an event, for a spreadsheet.

A cell that a spreadsheet would take for a formula begins with an apostrophe.

Conventions
    several values in one cell are separated by "; "

Not here: the events (``history``), printing them (``relkit.cli``).
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import ApprovedRecord, ReplyRecord, ShippedRecord, WithdrawnRecord
from relkit.release.history import Event
from relkit.release.rejections import place_text

COLUMNS = (
    "day",
    "recorded_at",
    "event",
    "id",
    "revision",
    "recipient",
    "kind",
    "versions",
    "formats",
    "channel",
    "by",
    "answer",
    "places",
    "text",
    "despite",
    "rejections",
    "withdrawn",
)
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def write_csv(events: Sequence[Event], path: Path) -> None:
    """Write events to a new file: UTF-8 with a mark, so that a spreadsheet sees it.

    Raises:
        UsageError: the file is there already.
    """
    try:
        with path.open("x", encoding="utf-8-sig", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS, restval="")
            writer.writeheader()
            writer.writerows({name: _cell(text) for name, text in row(event).items()} for event in events)
    except FileExistsError as error:
        raise UsageError(f"{shown(path)} is there already", hint="Give another name.") from error


def row(event: Event) -> dict[str, str]:
    """Return the cells of an event that have something in them."""
    found = {
        "day": event.day,
        "recorded_at": event.recorded_at,
        "rejections": "; ".join(map(str, event.rejections)),
        "withdrawn": event.withdrawn.reason if event.withdrawn else "",
    }
    record, revision = event.record, event.revision
    if revision is not None:
        versions = dict.fromkeys(entry.version.id for entry in revision.files if entry.version)
        found |= {
            "event": "revision",
            "id": event.digest,
            "revision": str(revision.revision),
            "versions": "; ".join(versions),
            "text": revision.note,
        }
    elif record is not None:
        found |= {"event": record.type, "id": record.id}
    if isinstance(record, (ShippedRecord, ReplyRecord)):
        found |= {"recipient": record.recipient.name, "kind": record.recipient.kind or ""}
    if isinstance(record, ShippedRecord):
        found |= {
            "revision": str(record.revision),
            "versions": "; ".join(record.versions),
            "formats": "; ".join(record.formats),
            "channel": record.channel or "",
            "by": record.by or "",
            "text": record.note,
            "despite": record.despite or "",
        }
    elif isinstance(record, ReplyRecord):
        found |= {
            "versions": record.version or "",
            "answer": record.answer,
            "places": "; ".join(place_text(place.start_ms, place.end_ms) for place in record.places),
            "text": record.text,
        }
    elif isinstance(record, ApprovedRecord):
        found |= {
            "revision": str(record.revision),
            "by": f"{record.by} ({record.role})",
            "text": record.note,
        }
    elif isinstance(record, WithdrawnRecord):
        found |= {"event": "never sent" if record.never_sent else "withdrawn", "text": record.reason}
    return found


def _cell(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA) else text
