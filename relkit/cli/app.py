"""All commands together.

Not here: what each of them does.
"""

from __future__ import annotations

from typing import Annotated

import typer

import relkit
from relkit.cli import (
    audit,
    checkout,
    commit,
    diff,
    history,
    measure,
    mirror,
    new,
    qc,
    recipients,
    reply,
    ship,
    shipments,
    signer,
    verify,
    withdraw,
)
from relkit.cli.output import say

app = typer.Typer(
    name="relkit",
    help="Keep one song's release: every bounce, every revision, every package that was sent.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        say(f"relkit {relkit.__version__}")
        raise typer.Exit


@app.callback()
def relkit_command(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Keep one song's release: every bounce, every revision, every package that was sent."""


for command in (
    new.new,
    commit.commit,
    history.history,
    diff.diff,
    qc.qc,
    ship.ship,
    shipments.shipments,
    reply.reply,
    reply.approve,
    checkout.checkout,
    withdraw.withdraw,
    verify.verify,
    measure.measure,
    audit.audit,
    mirror.mirror,
    mirror.restore,
):
    app.command()(command)
app.add_typer(recipients.app, name="recipients")
app.add_typer(signer.app, name="signer")
