"""``relkit checkout``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.options import AsJson, ReleaseFolder, opened
from relkit.cli.output import as_json, plural, say
from relkit.errors import UsageError
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.package_files import Form


def checkout(
    to: Annotated[Path, typer.Option("--to", metavar="FOLDER", help="Where the files appear.")],
    revision: Annotated[
        str | None, typer.Argument(help="A revision's number, newest, or the start of its digest.")
    ] = None,
    sent_to: Annotated[
        str | None, typer.Option("--sent-to", metavar="RECIPIENT", help="The package that somebody received.")
    ] = None,
    on: Annotated[
        str | None,
        typer.Option(metavar="DAY", help="The last one shipped on or before that day: yyyy-mm-dd."),
    ] = None,
    month: Annotated[
        str | None, typer.Option(metavar="MONTH", help="The last one shipped in that month: yyyy-mm.")
    ] = None,
    shipment: Annotated[str | None, typer.Option(metavar="ID", help="The package of one shipment.")] = None,
    zipped: Annotated[
        bool | None, typer.Option("--zip/--folder", help="Another form than the one it went in.")
    ] = None,
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Produce a revision, or the exact package that somebody received, byte for byte.

    Nothing is replaced that the release does not have. Exit codes: 0 done, 2 no
    such revision or recipient, or a file is in the way, 4 damaged data, 5 signer
    not trusted, 7 disk or permission.
    """
    if sum(each is not None for each in (revision, sent_to, shipment)) != 1:
        raise UsageError(
            "checkout needs a revision, --sent-to or --shipment, and only one of them",
            hint="For example: relkit checkout newest --to FOLDER",
        )
    if (on or month) and sent_to is None:
        raise UsageError(
            "--on and --month go with --sent-to", hint="Say to whom it was sent, with --sent-to."
        )
    if on and month:
        raise UsageError("--on and --month ask two questions", hint="Use one of them.")
    form: Form | None = None if zipped is None else "zip" if zipped else "folder"
    with opened(release) as opened_release:
        if revision is not None:
            if form is not None:
                raise UsageError("a revision has no other form", hint="Leave --zip or --folder out.")
            made = opened_release.checkout(revision, to)
            if json:
                as_json(made)
                return
            say(f"Revision {made.manifest.revision}  {made.digest[:12]}")
            say(f"  {plural(len(made.written), 'file')} written below {shown(to)}")
            if made.kept:
                say(f"  {plural(len(made.kept), 'file')} were there already, byte for byte")
            return
        sent = (
            opened_release.checkout_sent(sent_to, to, on=on, month=month, form=form)
            if sent_to is not None
            else opened_release.checkout_shipment(str(shipment), to, form=form)
        )
    if json:
        as_json(sent)
        return
    record = sent.record
    say(
        f"What {shown(record.recipient.name)} received on {record.shipped_on}: "
        f"revision {record.revision}, shipment {record.id[:8]}",
        f"  package   {sent.digest[:12]}  {plural(len(sent.manifest.files), 'file')}, every digest checked",
        f"  lies in   {shown(sent.path)}",
    )
    if sent.withdrawn is not None:
        what = "It was never sent" if sent.withdrawn.never_sent else "It was taken back"
        say(f"  {what}: {shown(sent.withdrawn.reason)}")
