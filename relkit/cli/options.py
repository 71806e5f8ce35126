"""Options that commands share, and opening the release they are about.

Not here: options of a single command.
"""

from __future__ import annotations

import getpass
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from relkit.release.api import Release
    from relkit.release.home import Home

ReleaseFolder = Annotated[
    Path | None,
    typer.Option("--release", metavar="FOLDER", help="The release; by default the one you are in."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]


def home() -> Home:
    """Return the user's folder; a protected key asks for its passphrase where somebody can answer."""
    from relkit.release.home import Home

    def ask() -> str:
        return getpass.getpass("Passphrase of the signing key: ", sys.stderr)

    return Home.usual(ask if sys.stdin.isatty() else None)


@contextmanager
def opened(folder: Path | None) -> Iterator[Release]:
    """Open the release that a command is about."""
    from relkit.release.api import Release

    with Release.open(folder or Path(), home=home()) as release:
        yield release
