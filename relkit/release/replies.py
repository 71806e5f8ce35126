"""``reply`` and ``approve``: what came back, what is still owed, and who agreed.

A rejection has a number and stays open until a revision says that it answers
it. Taking back the rejection closes it too; taking back nothing else does.

Not here: where a rejected place lies in other versions (``passages``), what a
shipment may not do because of it (``gates``).
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from relkit.bars import BarMap
from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import ANSWERS, ApprovedRecord, Place, ReplyRecord, ShippedRecord
from relkit.release import ledger
from relkit.release.days import BadDayError, parsed_day
from relkit.release.ledger import Ledger
from relkit.release.sent import sent_entry
from relkit.release.workspace import Workspace, now
from relkit.store.locking import writing

ROLES = ("artist", "label", "mastering")

_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,2}(?:\.\d{1,3})?)")


class BadPlaceInSongError(UsageError):
    """A place that is written in no known way, or that cannot be told."""


class NothingToAnswerError(UsageError):
    """No open rejection has that number."""


@dataclass(frozen=True)
class Rejection:
    """A rejection, and the revision that answers it, if one does.

    Attributes:
        digest: of its record.
        shipment: digest of the shipment that was rejected.
        answered_by: revision numbers, oldest first; empty while it is open.
    """

    record: ReplyRecord
    digest: str
    shipment: str
    answered_by: tuple[int, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether it still waits for an answer."""
        return not self.answered_by


def reply(
    workspace: Workspace,
    recipient: str,
    answer: str,
    *,
    shipment: str | None = None,
    version: str | None = None,
    at: Sequence[str] = (),
    text: str = "",
    replied_on: str | None = None,
) -> ReplyRecord:
    """Record what came back from a recipient.

    Args:
        recipient: name, or the start of the id.
        answer: one of ``ANSWERS``.
        shipment: id of the shipment that it is about; None takes the newest that they hold.
        version: id of the version that it is about.
        at: places in that version: "1:23.4", "1:23.4-1:25", "bar 33", "bars 33-34".
        text: the reason of a rejection, or what was asked for.
        replied_on: civil day "yyyy-mm-dd"; None is today.

    Raises:
        UsageError: nobody of that name, nothing was sent to them, a version that they
            never got, a place or day that cannot be, or a rejection without a reason.
    """
    if answer not in ANSWERS:
        raise UsageError(f"{shown(answer)} is not an answer", hint=f"Use {', '.join(ANSWERS)}.")
    if answer in {"rejected", "asked"} and not text.strip():
        what = "a rejection needs a reason" if answer == "rejected" else "what did they ask for?"
        raise UsageError(what, hint='Say it with --reason, for example --reason "a word is still heard".')
    with writing(workspace.inside):
        book = ledger.read(workspace)
        entry = sent_entry(workspace, book, recipient, shipment)
        sent, package = ledger.verified_shipment(workspace, entry)
        if version is not None and version not in sent.versions:
            raise UsageError(
                f"{shown(sent.recipient.name)} did not get {shown(version)} in shipment {sent.id[:8]}",
                hint=f"They got {', '.join(sent.versions)}.",
            )
        if at and version is None:
            raise UsageError("a place needs its version", hint="Say which with --version.")
        day = _day(replied_on, sent)
        places = _places(workspace, package.manifest.of_revision, version, at)
        rejections = [each.record for each in all_rejections(workspace, book, withdrawn=True)]
        record = ReplyRecord(
            format=1,
            id=secrets.token_hex(16),
            release_id=workspace.release_id,
            recorded_at=now().isoformat(),
            of=entry.held.digest,
            after=ledger.after(workspace, book),
            recipient=sent.recipient,
            replied_on=day.isoformat(),
            answer=answer,
            version=version,
            places=places,
            text=text.strip(),
            number=1 + max((each.number or 0 for each in rejections), default=0)
            if answer == "rejected"
            else None,
        )
        ledger.write(workspace, record, entry.held.target)
    return record


def approve(workspace: Workspace, which: str, *, by: str, role: str, note: str = "") -> ApprovedRecord:
    """Record that somebody agreed to a revision.

    Raises:
        UsageError: no such revision, no name, or another role than ``ROLES``.
    """
    if role not in ROLES:
        raise UsageError(f"{shown(role)} is not a role", hint=f"Use {', '.join(ROLES)}.")
    if not by.strip():
        raise UsageError("who agreed?", hint="Say the name with --by.")
    with writing(workspace.inside):
        revision = workspace.revision(which)
        record = ApprovedRecord(
            format=1,
            id=secrets.token_hex(16),
            release_id=workspace.release_id,
            recorded_at=now().isoformat(),
            of=revision.held.digest,
            after=ledger.after(workspace, ledger.read(workspace)),
            by=by.strip(),
            role=role,
            revision=revision.manifest.revision,
            note=note,
        )
        ledger.write(workspace, record, revision.held.commit)
    return record


def all_rejections(workspace: Workspace, book: Ledger, *, withdrawn: bool = False) -> list[Rejection]:
    """Return the rejections, by number.

    Args:
        withdrawn: whether those that were taken back, or whose shipment was, are among them.
    """
    found = [
        (entry.record, entry)
        for entry in book.entries
        if isinstance(entry.record, ReplyRecord) and entry.record.answer == "rejected"
    ]
    if not withdrawn:
        gone = book.withdrawn
        shipped = {entry.held.digest: entry for _record, entry in book.shipments}
        found = [
            (record, entry)
            for record, entry in found
            if entry.held.digest not in gone
            and (record.of not in shipped or book.taken_back(shipped[record.of]) is None)
        ]
    if not found:
        return []
    answers: dict[str, list[int]] = {}
    for manifest, held in workspace.walk():
        for digest in manifest.answers if held.digest not in book.withdrawn else ():
            answers.setdefault(digest, []).append(manifest.revision)
    rejections = [
        Rejection(record, entry.held.digest, record.of, tuple(sorted(answers.get(entry.held.digest, ()))))
        for record, entry in found
    ]
    return sorted(rejections, key=lambda each: (each.record.number or 0, each.digest))


def open_rejections(workspace: Workspace, numbers: Sequence[int]) -> list[str]:
    """Return the digests of the open rejections that a revision means to answer.

    Raises:
        NothingToAnswerError: one of the numbers is of no open rejection.
    """
    if not numbers:
        return []
    rejections = all_rejections(workspace, ledger.read(workspace))
    waiting = [each for each in rejections if each.is_open]
    for number in numbers:
        if not any(each.record.number == number for each in waiting):
            answered = next((each for each in rejections if each.record.number == number), None)
            raise NothingToAnswerError(
                f"rejection {number} is answered by revision {answered.answered_by[-1]}"
                if answered
                else f"there is no rejection {number}",
                hint="Open: " + ", ".join(str(each.record.number) for each in waiting) + "."
                if waiting
                else "No rejection is open.",
            )
    return sorted(each.digest for each in waiting if each.record.number in numbers)


def _day(text: str | None, sent: ShippedRecord) -> date:
    """Return the day of a reply: not in the future, and not before the shipment."""
    today = date.today()  # noqa: DTZ011 - a civil day, where the user is
    day = parsed_day(text) if text else today
    if day > today:
        raise BadDayError(
            f"{day.isoformat()} has not come yet", hint="Give the day on which they replied, or leave it out."
        )
    if day.isoformat() < sent.shipped_on:
        raise BadDayError(
            f"{day.isoformat()} is before the shipment, which went out on {sent.shipped_on}",
            hint="Give the day on which they replied, or name another shipment with --shipment.",
        )
    return day


# --- places


def _places(workspace: Workspace, revision: str, version: str | None, at: Sequence[str]) -> list[Place]:
    """Read places in a version, as far as the file reaches.

    Raises:
        BadPlaceInSongError: not a place, one beyond the end, or bars where nothing says where bars are.
    """
    if not at:
        return []
    from relkit.release.packaging import sheet_of

    source = workspace.revision(revision)
    sounds = [
        entry.sound
        for entry in source.manifest.files
        if entry.version is not None and entry.version.id == version and entry.sound is not None
    ]
    longest_ms = max((round(1000 * sound.duration_s) for sound in sounds), default=0)
    form = next(
        (
            entry.version.form
            for entry in source.manifest.files
            if entry.version and entry.version.id == version
        ),
        "song",
    )
    bars = sheet_of(workspace, source).bars if form != "dj-edit" else BarMap()
    places = [parsed_place(text, bars) for text in at]
    for text, place in zip(at, places, strict=True):
        if place.start_ms >= longest_ms:
            raise BadPlaceInSongError(
                f"{shown(text)} lies behind the end of {version}",
                hint=f"It lasts {_clock(longest_ms)}.",
            )
    return [place.model_copy(update={"end_ms": min(place.end_ms, longest_ms)}) for place in places]


def parsed_place(text: str, bars: BarMap) -> Place:
    """Read "1:23.4", "1:23.4-1:25", "bar 33" or "bars 33-34".

    Raises:
        BadPlaceInSongError: none of them, a stretch that runs backwards, or bars without a bar map.
    """
    wanted = " ".join(text.lower().split())
    wrong = BadPlaceInSongError(
        f"{shown(text)} is not a place in a song",
        hint="Write minutes and seconds, 1:23.4 or 1:23.4-1:25, or bars, bar 33 or bars 33-34.",
    )
    if wanted.startswith("bar"):
        if not bars.has_grid:
            raise BadPlaceInSongError(
                f"nothing says where {shown(text)} is",
                hint="Give the time in the file, like 1:23.4; bars need a tempo in the sheet, and none are "
                "counted in DJ edits.",
            )
        numbers = re.fullmatch(r"bars? (\d{1,5})(?: ?- ?(\d{1,5}))?", wanted)
        if numbers is None:
            raise wrong
        first, last = int(numbers[1]), int(numbers[2] or numbers[1])
        start, end = bars.seconds_of_bar(first), bars.seconds_of_bar(last + 1)
        assert start is not None and end is not None  # noqa: S101, PT018 - it has a grid
        start_ms, end_ms = round(1000 * start), round(1000 * end)
    else:
        first_text, dash, last_text = wanted.partition("-")
        start_ms = _milliseconds(first_text, wrong)
        end_ms = _milliseconds(last_text, wrong) if dash else start_ms
    if not 0 <= start_ms <= end_ms:
        raise wrong
    return Place(start_ms=start_ms, end_ms=end_ms)


def _milliseconds(text: str, wrong: BadPlaceInSongError) -> int:
    found = _CLOCK.fullmatch(text.strip())
    if found is None or (found[1] is not None and float(found[2]) >= 60):
        raise wrong
    return 60_000 * int(found[1] or 0) + round(1000 * float(found[2]))


def _clock(milliseconds: int) -> str:
    minutes, rest = divmod(milliseconds, 60_000)
    return f"{minutes}:{rest / 1000:06.3f}"
