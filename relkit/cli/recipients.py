"""``relkit recipients``: the address book."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from relkit.cli.options import AsJson, home
from relkit.cli.output import as_json, say, table
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.recipients import Recipient

app = typer.Typer(
    help="Show and change the address book: who receives, and what they want.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Who = Annotated[str, typer.Argument(help="Name, or the first characters of the id.")]
Kind = Annotated[
    str | None,
    typer.Option(
        help="What they are: club-dj, radio-programme, mix-show, event-dj, arena, remixer, label or sync."
    ),
]
Contact = Annotated[str | None, typer.Option(help="How to reach them; never enters a release.")]
Versions = Annotated[
    list[str] | None,
    typer.Option(
        "--version",
        metavar="VERSION",
        help="They get this instead of what their kind takes; repeat for more.",
    ),
]
Formats = Annotated[
    list[str] | None,
    typer.Option(
        "--format",
        metavar="FORMAT",
        help="They get mp3, wav, wav-radio, wav-48k24, wav-native, flac or aiff; repeat for more.",
    ),
]
Zipped = Annotated[bool | None, typer.Option("--zip/--folder", help="How they like a package.")]
Explicit = Annotated[
    bool | None, typer.Option("--explicit/--no-explicit", help="Whether explicit material may go to them.")
]
MustRemove = Annotated[
    list[str] | None,
    typer.Option(
        "--must-remove",
        metavar="WHAT",
        help="What a clean version must be free of for them: swearing, sex, drugs, violence, brands or "
        "sound-alikes; repeat for more.",
    ),
]


@app.command("list")
def list_recipients(json: AsJson = False) -> None:
    """List everybody."""
    from relkit.release.recipients import AddressBook

    everybody = AddressBook(home().folder).everybody()
    if json:
        as_json(everybody)
    elif not everybody:
        say("The address book is empty; relkit recipients add puts somebody in.")
    else:
        rows = [["name", "kind", "id", "wants", "contact"]]
        rows += [
            [shown(each.name), each.kind, each.id[:8], _wants(each), shown(each.contact)]
            for each in everybody
        ]
        table(rows)


@app.command()
def add(
    name: Annotated[str, typer.Argument(help="As people know them.")],
    kind: Kind = None,
    contact: Contact = None,
    version: Versions = None,
    formats: Formats = None,
    zipped: Zipped = None,
    explicit: Explicit = None,
    must_remove: MustRemove = None,
    another: Annotated[
        bool, typer.Option("--another", help="Somebody else, although the name is taken.")
    ] = False,
    json: AsJson = False,
) -> None:
    """Put somebody into the address book."""
    from relkit.release.address_book import add as add_recipient

    changes = _changes(kind, contact, version, formats, zipped, explicit, must_remove)
    _print(add_recipient(home(), name, another=another, **changes), "is in the address book", json)


@app.command()
def edit(
    recipient: Who,
    name: Annotated[str | None, typer.Option(help="Another name.")] = None,
    kind: Kind = None,
    contact: Contact = None,
    version: Versions = None,
    formats: Formats = None,
    zipped: Zipped = None,
    explicit: Explicit = None,
    must_remove: MustRemove = None,
    as_kind: Annotated[
        bool, typer.Option("--as-kind", help="Forget all wishes: they get again what their kind takes.")
    ] = False,
    json: AsJson = False,
) -> None:
    """Change what the address book says of somebody; what was sent keeps the name of its day."""
    from relkit.release.address_book import edit as edit_recipient

    changes = _changes(kind, contact, version, formats, zipped, explicit, must_remove)
    if name is not None:
        changes["name"] = name
    _print(edit_recipient(home(), recipient, as_kind=as_kind, **changes), "was changed", json)


@app.command()
def remove(recipient: Who, json: AsJson = False) -> None:
    """Take somebody out of the address book. Records of what was sent to them stay."""
    from relkit.release.address_book import remove as remove_recipient

    _print(remove_recipient(home(), recipient), "is no longer in the address book", json)


def _changes(
    kind: str | None,
    contact: str | None,
    versions: list[str] | None,
    formats: list[str] | None,
    zipped: bool | None,
    explicit: bool | None,
    must_remove: list[str] | None,
) -> dict[str, Any]:
    """Return what was said on the command line, by the names that the address book has for it."""
    said = {
        "kind": kind,
        "contact": contact,
        "versions": tuple(versions) if versions else None,
        "formats": tuple(formats) if formats else None,
        "form": None if zipped is None else "zip" if zipped else "folder",
        "explicit": explicit,
        "must_remove": tuple(must_remove) if must_remove else None,
    }
    return {name: value for name, value in said.items() if value is not None}


def _print(somebody: Recipient, what: str, json: bool) -> None:
    if json:
        as_json(somebody)
        return
    say(f"{shown(somebody.name)} ({somebody.kind}, id {somebody.id[:8]}) {what}.")
    wants = _wants(somebody)
    if wants:
        say(f"  wants {wants}")


def _wants(somebody: Recipient) -> str:
    """Say what somebody wants other than their kind."""
    parts = [
        " ".join(somebody.versions),
        " ".join(somebody.formats),
        somebody.form or "",
        {True: "explicit too", False: "nothing explicit", None: ""}[somebody.explicit],
        f"free of {' and '.join(somebody.must_remove)}" if somebody.must_remove else "",
    ]
    return shown("; ".join(filter(None, parts)))
