"""``relkit verify``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from relkit.cli.options import AsJson, home
from relkit.cli.output import as_json, plural, say
from relkit.filenames import shown


def verify(
    path: Annotated[Path, typer.Argument(help="A package: its folder, or its ZIP.", readable=False)],
    json: AsJson = False,
) -> None:
    """Check a package against its manifest and signature. Needs no release.

    Exit codes: 0 every byte is as it was signed by somebody trusted, 2 no package,
    4 changed, missing or foreign files, 5 whole, but the signer is not trusted.
    """
    from relkit.release.verify import PackageFaultsError
    from relkit.release.verify import verify as verify_package

    try:
        copy = verify_package(path, home())
    except PackageFaultsError as error:
        if json:
            as_json({"bad": error.bad, "missing": error.missing, "extra": error.extra})
        else:
            for name, why in sorted(error.bad.items()):
                say(f"  changed   {shown(name)}: {shown(why)}")
            for name in error.missing:
                say(f"  missing   {shown(name)}")
            for name in error.extra:
                say(f"  foreign   {shown(name)}")
        raise
    if json:
        as_json(copy)
        return
    manifest = copy.manifest
    say(
        f"{shown(manifest.name)}",
        f"  revision {manifest.revision} of {manifest.recorded_at[:10]}, package {copy.digest[:12]}",
        f"  {plural(len(manifest.files), 'file')}, every byte as signed by {shown(copy.signer)}",
        f"  {copy.fingerprint}",
    )
    if copy.litter:
        say(f"  left by an operating system, harmless: {', '.join(map(shown, copy.litter))}")
