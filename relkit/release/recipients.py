"""The address book: who receives, with one id for ever, and what they want.

A name is for people and may change or be shared by two; the id is random and
is what records hold beside the name of the day. Contacts and wishes stay in the
user's folder: nothing of them but name and kind ever enters a release.

Not here: what a kind takes by default (``wants``), and what was sent (``ship``).
"""

from __future__ import annotations

import difflib
import json
import secrets
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from relkit.errors import BadInputError, UsageError
from relkit.filenames import same_name_key, shown
from relkit.trust import files
from relkit.vocabulary.recipients import RecipientKind

_LEAST_ID = 4  # characters of an id that may stand for the whole


@dataclass(frozen=True)
class Recipient:
    """Somebody who receives packages.

    Attributes:
        id: 32 hex digits.
        kind: a value of ``RecipientKind``.
        contact: how to reach them; free text.
        versions: ids that they get instead of what their kind takes.
        formats: that they get instead of what their kind takes.
        form: "folder" or "zip"; None for whatever is asked for at shipping.
        explicit: whether explicit material may go to them; None as their kind has it.
        must_remove: what a clean version must have removed before it may go to them.
    """

    id: str
    name: str
    kind: str
    contact: str = ""
    versions: tuple[str, ...] = ()
    formats: tuple[str, ...] = ()
    form: str | None = None
    explicit: bool | None = None
    must_remove: tuple[str, ...] = ()

    @classmethod
    def new(cls, name: str, kind: str | None) -> Recipient:
        """Return somebody who is in no address book yet.

        Raises:
            UsageError: no name, or a kind that is not known.
        """
        kinds = [known.value for known in RecipientKind]
        if kind not in kinds:
            raise UsageError(
                f"the kind {shown(kind)} is not known" if kind else "somebody new needs a kind",
                hint=f"Use --kind with one of: {', '.join(kinds)}.",
            )
        if not name.strip():
            raise UsageError("a recipient needs a name", hint="Give the name as people know it.")
        try:
            name.encode()
        except UnicodeEncodeError as error:
            raise UsageError(
                f"the name {shown(name)} is not valid UTF-8", hint="Write it in a UTF-8 terminal."
            ) from error
        return cls(secrets.token_hex(16), name.strip(), kind)

    def matches(self, text: str) -> bool:
        """Say whether a person may mean this one: by name, or by the beginning of the id."""
        return same_name_key(self.name) == same_name_key(text) or (
            len(text) >= _LEAST_ID and self.id.startswith(text.lower())
        )

    def __str__(self) -> str:
        return f"{shown(self.name)} ({self.kind}, id {self.id[:8]})"


class UnknownRecipientError(UsageError):
    """Nobody of that name."""


class AmbiguousRecipientError(UsageError):
    """More than one of that name.

    Attributes:
        candidates: all of them.
    """

    candidates: list[Recipient]


class BadAddressBookError(BadInputError):
    """The address book's file cannot be read."""


def choose(text: str, among: Iterable[Recipient], *, hint: str) -> Recipient:
    """Return the one recipient that a person means.

    Raises:
        UnknownRecipientError: nobody; the nearest names are offered.
        AmbiguousRecipientError: several; all are named with their ids.
    """
    everybody = list({recipient.id: recipient for recipient in among}.values())
    found = [recipient for recipient in everybody if recipient.matches(text)]
    if len(found) == 1:
        return found[0]
    if found:
        error = AmbiguousRecipientError(
            f"{len(found)} recipients are called {shown(text)}: {'; '.join(map(str, found))}",
            hint="Say which one by the first characters of the id.",
        )
        error.candidates = found
        raise error
    names = {same_name_key(recipient.name): recipient for recipient in everybody}
    near = difflib.get_close_matches(same_name_key(text), names, n=3, cutoff=0.5)
    offer = f" Did you mean {', '.join(str(names[name]) for name in near)}?" if near else ""
    raise UnknownRecipientError(f"nobody is called {shown(text)}.{offer}", hint=hint)


class AddressBook:
    """The user's recipients, in one JSON file."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "recipients.json"

    def everybody(self) -> list[Recipient]:
        """Return all recipients, in the order in which they were added.

        Raises:
            BadAddressBookError: the file was damaged.
        """
        try:
            rows = json.loads(self._file.read_text(encoding="utf-8"))["recipients"]
            return [_from_row(row) for row in rows]
        except FileNotFoundError:
            return []
        except (ValueError, KeyError, TypeError) as error:
            raise BadAddressBookError(
                f"the address book {self._file} cannot be read: {error}",
                hint="Correct the file or restore it from a copy; nothing was changed.",
            ) from error

    def add(self, somebody: Recipient) -> None:
        """Add somebody, also where another has the same name."""
        self._change(lambda everybody: [*everybody, somebody])

    def replace(self, somebody: Recipient) -> None:
        """Write somebody's new facts over those with the same id."""
        self._change(lambda everybody: [somebody if each.id == somebody.id else each for each in everybody])

    def remove(self, somebody: Recipient) -> None:
        """Take somebody out. What was sent to them stays on record, under their id."""
        self._change(lambda everybody: [each for each in everybody if each.id != somebody.id])

    def _change(self, change: Callable[[list[Recipient]], list[Recipient]]) -> None:
        from filelock import FileLock

        self._file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with FileLock(self._file.with_suffix(".lock")):
            rows = [_row(recipient) for recipient in change(self.everybody())]
            text = json.dumps({"format": 1, "recipients": rows}, indent=2, ensure_ascii=False)
            files.replace(self._file, text.encode() + b"\n", mode=0o600)  # addresses are personal data


def _row(somebody: Recipient) -> dict[str, Any]:
    """Return what the file holds of somebody: what is not declared is left out."""
    return {name: value for name, value in asdict(somebody).items() if value not in ("", (), None)}


def _from_row(row: dict[str, Any]) -> Recipient:
    """Read somebody; a file that a person edited is checked like anything else.

    Raises:
        ValueError, KeyError, TypeError: it is nobody.
    """
    lists = {name: tuple(map(str, row.get(name, ()))) for name in ("versions", "formats", "must_remove")}
    explicit = row.get("explicit")
    if explicit not in (True, False, None) or row.get("form") not in ("folder", "zip", None):
        raise ValueError("explicit is true or false, form is folder or zip")
    return Recipient(
        str(row["id"]),
        str(row["name"]),
        RecipientKind(row["kind"]).value,
        str(row.get("contact", "")),
        form=row.get("form"),
        explicit=explicit,
        **lists,
    )
