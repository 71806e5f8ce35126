"""The address book, and finding the one who is meant."""

from __future__ import annotations

import os
import stat
from dataclasses import replace

import pytest

from relkit import Release
from relkit.errors import UsageError
from relkit.release import address_book
from relkit.release.home import Home
from relkit.release.recipients import (
    AddressBook,
    AmbiguousRecipientError,
    BadAddressBookError,
    UnknownRecipientError,
    choose,
)


def test_what_was_written_comes_back(home: Home) -> None:
    """Every field, in the order of adding; what is not declared is not in the file."""
    ixby = address_book.add(
        home,
        "Ixby Marrowlet",
        kind="club-dj",
        contact="ixby@mail.example",
        versions=("dj", "dj-clean"),
        formats=("mp3", "wav"),
        form="zip",
        explicit=False,
        must_remove=("brands",),
    )
    plain = address_book.add(home, "Åsa Ö", kind="label")
    assert AddressBook(home.folder).everybody() == [ixby, plain]
    text = (home.folder / "recipients.json").read_text("utf-8")
    assert "Åsa Ö" in text
    assert text.count("contact") == 1


@pytest.mark.skipif(os.name == "nt", reason="permissions of another kind")
def test_only_the_user_may_read_it(home: Home) -> None:
    """Addresses are personal data."""
    address_book.add(home, "Ola", kind="remixer")
    assert stat.S_IMODE((home.folder / "recipients.json").stat().st_mode) & 0o077 == 0


def test_wishes_are_forgotten_on_request(home: Home) -> None:
    """Name, kind and contact stay."""
    made = address_book.add(home, "Ola", kind="remixer", contact="x", versions=("clean",), explicit=True)
    assert address_book.edit(home, "ola", as_kind=True) == replace(made, versions=(), explicit=None)
    with pytest.raises(UsageError, match="nothing to change"):
        address_book.edit(home, "Ola")


def test_who_is_meant(home: Home) -> None:
    """By name whatever its case and accents' form, by the start of the id; never by half a name."""
    one = address_book.add(home, "Mara Quell", kind="club-dj")
    two = address_book.add(home, "Mara Quell", kind="arena", another=True)
    other = address_book.add(home, "Cafe\u0301 Nine", kind="label")
    everybody = AddressBook(home.folder).everybody()
    assert choose("caf\u00e9 NINE", everybody, hint="") == other
    assert choose(two.id[:8], everybody, hint="") == two
    with pytest.raises(AmbiguousRecipientError) as caught:
        choose("mara quell", everybody, hint="")
    assert caught.value.candidates == [one, two]
    assert one.id[:8] in str(caught.value)
    with pytest.raises(UnknownRecipientError, match="Did you mean Mara Quell"):
        choose("Mara Quel", everybody, hint="")
    with pytest.raises(UnknownRecipientError, match=r"nobody is called Zzz\.$"):
        choose("Zzz", everybody, hint="")
    with pytest.raises(UnknownRecipientError):
        choose(one.id[:3], everybody, hint="")


@pytest.mark.parametrize(
    "text",
    ["", "[]", '{"recipients": 3}', '{"recipients": [{"id": "1"}]}', "\udcff"],
)
def test_a_damaged_book(home: Home, text: str) -> None:
    """It is said, and never written over."""
    file = home.folder / "recipients.json"
    file.write_bytes(text.encode("utf-8", "surrogateescape"))
    before = file.read_bytes()
    with pytest.raises(BadAddressBookError):
        AddressBook(home.folder).everybody()
    with pytest.raises(BadAddressBookError):
        address_book.add(home, "Ola", kind="remixer")
    assert file.read_bytes() == before


def test_names_and_kinds_of_the_day(committed: Release, home: Home) -> None:
    """A record keeps them; a look-up finds the recipient under both names."""
    sent = committed.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"]).record
    address_book.edit(home, "Ixby Marrowlet", name="Ixby M", kind="remixer")
    again = committed.ship("Ixby M", formats=["wav-native"]).record
    assert (sent.recipient.name, sent.recipient.kind) == ("Ixby Marrowlet", "club-dj")
    assert (again.recipient.name, again.recipient.kind) == ("Ixby M", "remixer")
    for name in ("Ixby Marrowlet", "ixby m", sent.recipient.id[:8]):
        (holding,) = committed.shipments(recipient=name).holdings
        assert (holding.recipient, holding.kind, holding.shipment) == ("Ixby M", "remixer", again.id)


def test_of_two_with_one_name_the_one_who_received(committed: Release, home: Home) -> None:
    """The other cannot be meant by a question about what was sent."""
    first = address_book.add(home, "Mara Quell", kind="club-dj")
    address_book.add(home, "Mara Quell", kind="arena", another=True)
    committed.ship(first.id, formats=["wav-native"])
    assert committed.reply("Mara Quell", "playing").record.recipient.id == first.id
    with pytest.raises(AmbiguousRecipientError):
        committed.ship("Mara Quell", formats=["wav-native"])


def test_wishes_go_before_the_kind(committed: Release, home: Home) -> None:
    """Versions, formats, form; and what is asked for at shipping goes before wishes."""
    address_book.add(
        home, "Ixby", kind="club-dj", versions=("clean", "nothing-yet"), formats=("wav-native",), form="zip"
    )
    report = committed.ship("Ixby")
    assert (report.record.versions, report.record.formats, report.record.form) == (
        ["clean"],
        ["wav-native"],
        "zip",
    )
    report = committed.ship("Ixby", only=["instrumental"], formats=["aiff"], form="folder")
    assert (report.record.versions, report.record.formats, report.record.form) == (
        ["instrumental"],
        ["aiff"],
        "folder",
    )
