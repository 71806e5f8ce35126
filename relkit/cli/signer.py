"""``relkit signer``: whose key signs here, and whose signatures count."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from relkit.cli.options import AsJson, home
from relkit.cli.output import as_json, say, table
from relkit.filenames import shown

app = typer.Typer(
    help="Show and choose keys: whose key signs here, and whose signatures count.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command()
def show(json: AsJson = False) -> None:
    """Show the key that signs here; makes one if there is none."""
    from relkit.release.signer import own

    signer = own(home())
    if json:
        as_json(signer)
    else:
        say(signer.line, f"  fingerprint {signer.fingerprint}")


@app.command("list")
def list_signers(json: AsJson = False) -> None:
    """List everybody whose signatures count."""
    from relkit.release.signer import trusted

    signers = trusted(home())
    if json:
        as_json(list(signers))
    elif not signers:
        say("Nobody is trusted yet.")
    else:
        rows = [["name", "fingerprint", ""]]
        rows += [[shown(each.name), each.fingerprint, "signs here" if each.own else ""] for each in signers]
        table(rows)


@app.command()
def trust(
    key: Annotated[str, typer.Argument(help="A public key file (signer.pub), or its line in quotes.")],
    name: Annotated[str, typer.Option(help="Whose key it is.")],
    json: AsJson = False,
) -> None:
    """Trust somebody's key. Compare the fingerprint with them first, by another channel."""
    from relkit.release.signer import trust as trust_key

    signer = trust_key(home(), key, name)
    if json:
        as_json(signer)
    else:
        say(f"Signatures of {shown(signer.name)} count from now on.", f"  fingerprint {signer.fingerprint}")


@app.command()
def distrust(
    who: Annotated[str, typer.Argument(help="A name on the list, or a fingerprint.")], json: AsJson = False
) -> None:
    """Take somebody off the list; what they signed before does not count any more either."""
    from relkit.release.signer import distrust as distrust_signer

    gone = distrust_signer(home(), who)
    if json:
        as_json({"distrusted": list(gone)})
    else:
        say(f"Signatures of {', '.join(map(shown, gone))} do not count any more.")


@app.command()
def use(
    key_file: Annotated[
        Path, typer.Argument(help="An OpenSSH Ed25519 private key; it stays where it is.", readable=False)
    ],
    json: AsJson = False,
) -> None:
    """Sign with a key that you have already."""
    from relkit.release.signer import use as use_key

    signer = use_key(home(), key_file)
    if json:
        as_json(signer)
    else:
        say(f"Signing with {shown(key_file)} from now on.", f"  fingerprint {signer.fingerprint}")
