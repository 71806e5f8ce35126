"""``recipients``: adding, changing and removing who is in the address book.

Not here: the file (``recipients``), what a kind takes (``wants``).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from relkit.errors import UsageError
from relkit.filenames import same_name_key, shown
from relkit.release.home import Home
from relkit.release.recipients import AddressBook, Recipient, choose
from relkit.release.wants import formats_for
from relkit.vocabulary.versions import REMOVABLE, is_slug

_HINT = "relkit recipients list shows everybody."


class NameTakenError(UsageError):
    """Somebody of that name is in the address book."""


def add(home: Home, name: str, *, another: bool = False, kind: str | None = None, **wishes: Any) -> Recipient:
    """Put somebody into the address book.

    Args:
        another: whether it is somebody else of a name that is taken.
        wishes: fields of ``Recipient``.

    Raises:
        UsageError: no name, a kind or wish that is not known, or the name is taken.
    """
    book = AddressBook(home.folder)
    somebody = _checked(replace(Recipient.new(name, kind), **wishes))
    taken = [each for each in book.everybody() if same_name_key(each.name) == same_name_key(somebody.name)]
    if taken and not another:
        raise NameTakenError(
            f"{taken[0]} is in the address book already",
            hint="Change them with relkit recipients edit, or add --another for somebody else of that name.",
        )
    book.add(somebody)
    return somebody


def edit(home: Home, who: str, *, as_kind: bool = False, **changes: Any) -> Recipient:
    """Change what the address book says of somebody.

    Args:
        as_kind: whether all wishes are forgotten first.
        changes: fields of ``Recipient``.

    Raises:
        UsageError: nobody or several of that name, nothing to change, or a value that is not known.
    """
    book = AddressBook(home.folder)
    before = choose(who, book.everybody(), hint=_HINT)
    if not changes and not as_kind:
        raise UsageError("nothing to change", hint="relkit recipients edit --help shows what can be said.")
    if as_kind:
        before = Recipient(before.id, before.name, before.kind, before.contact)
    kind, name = changes.pop("kind", before.kind), changes.pop("name", before.name)
    fresh = Recipient.new(name, kind)  # for its checks of name and kind
    somebody = _checked(replace(before, name=fresh.name, kind=fresh.kind, **changes))
    book.replace(somebody)
    return somebody


def remove(home: Home, who: str) -> Recipient:
    """Take somebody out of the address book.

    Raises:
        UsageError: nobody or several of that name.
    """
    book = AddressBook(home.folder)
    somebody = choose(who, book.everybody(), hint=_HINT)
    book.remove(somebody)
    return somebody


def _checked(somebody: Recipient) -> Recipient:
    """Refuse wishes that nothing could meet."""
    formats_for(somebody)
    wrong = next((each for each in somebody.versions if not is_slug(each)), None)
    if wrong is not None:
        raise UsageError(
            f"{shown(wrong)} cannot be a version's id", hint="Use ids of the sheet, for example clean."
        )
    unknown = next((each for each in somebody.must_remove if each not in REMOVABLE), None)
    if unknown is not None:
        raise UsageError(
            f"{shown(unknown)} is nothing that a clean version removes", hint=f"Use {', '.join(REMOVABLE)}."
        )
    return somebody
