"""``relkit new``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from relkit.cli.options import AsJson, home
from relkit.cli.output import as_json, say
from relkit.filenames import shown


def new(
    folder: Annotated[Path, typer.Argument(help="The release's folder; made if it is not there.")],
    artist: Annotated[str, typer.Option(help="Main artist.")],
    title: Annotated[str, typer.Option(help="Title of the song.")],
    tempo: Annotated[str | None, typer.Option(metavar="BPM", help="Beats per minute.")] = None,
    key: Annotated[str | None, typer.Option(help='Musical key, for example "F# minor".')] = None,
    nothing_explicit: Annotated[
        bool, typer.Option("--nothing-explicit", help="The song needs no clean edit.")
    ] = False,
    json: AsJson = False,
) -> None:
    """Start a release: a folder, its sheet, an empty store.

    Makes a signing key if there is none. Exit codes: 0 done, 2 wrong usage
    or a value that cannot stand in a sheet, 7 cannot write there.
    """
    from relkit.release.api import Release
    from relkit.release.signer import own

    user = home()
    first_key = not user.key_file.exists()
    with Release.new(
        folder, artist=artist, title=title, tempo=tempo, key=key, explicit=not nothing_explicit, home=user
    ) as release:
        signer = own(user)
        if json:
            as_json(
                {
                    "folder": release.folder,
                    "release_id": release.release_id,
                    "signer_fingerprint": signer.fingerprint,
                }
            )
            return
        say(f"Started {shown(artist)} - {shown(title)} in {shown(release.folder)}")
        if first_key:
            say(
                f"Made a signing key: {shown(user.key_file)}",
                f"  fingerprint {signer.fingerprint}",
                "  Keep a copy of this file in a safe place; it is what your packages are known by.",
            )
        say(
            "Next: put bounces into bounces/ or hand them over with relkit commit FILE ...;",
            "      release.toml says which file is which version.",
        )
