"""``new``: start a release: a folder, its sheet, an empty store.

Not here: what a sheet says by default (``relkit.sheet.template``).
"""

from __future__ import annotations

import secrets
from pathlib import Path

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.release import placing
from relkit.release.home import Home
from relkit.release.workspace import INSIDE, SHEET, STORE, Workspace
from relkit.store.repository import Repository


class NotEmptyError(UsageError):
    """A release cannot be started in a folder that has one, or a sheet, already."""


def new(
    folder: Path,
    home: Home,
    *,
    artist: str,
    title: str,
    tempo: str | None = None,
    key: str | None = None,
    explicit: bool = True,
) -> Workspace:
    """Start a release; makes a signing key on first use.

    Args:
        folder: made if it does not exist; may hold other files, but no release.
        tempo: beats per minute as written, for example "122" or "87.5".
        key: for example "F# minor".
        explicit: whether the song has an explicit and a clean side.

    Raises:
        UsageError: artist, title, tempo or key cannot stand in a sheet, or there is a release already.
    """
    from relkit.sheet import new_sheet_text

    text = new_sheet_text(artist, title, tempo, key, explicit=explicit)
    # What an attempt that was cut off left behind is no release: HEAD is the last file of a store.
    for name, is_there in (
        (INSIDE, (folder / STORE / "HEAD").exists()),
        (SHEET, _differs(folder / SHEET, text.encode())),
    ):
        if is_there:
            raise NotEmptyError(
                f"{shown(folder)} has a {name} already",
                hint="Choose another folder, or go on in this one with relkit commit.",
            )
    for part in ("bounces", "artwork", INSIDE):
        (folder / part).mkdir(parents=True, exist_ok=True)
    home.signing_key()  # after what may fail, so that a first key is never made without being told of
    with placing.appearing(folder / SHEET) as out:
        out.write(text.encode())
    Repository.create(folder / STORE, secrets.token_hex(16)).close()
    return Workspace(folder, home)


def _differs(file: Path, data: bytes) -> bool:
    """Say whether something other than these bytes stands there."""
    return file.exists() and not (file.is_file() and file.read_bytes() == data)
