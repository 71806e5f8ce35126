"""Putting files in their place in one step, and never over what is not stored.

Bounces that are handed to ``commit`` are copied to where the sheet wants them.
A file whose bytes the store does not have is never replaced.

Not here: what is in the files; which version one is for
(``relkit.vocabulary.recognise``).
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from relkit.errors import UsageError
from relkit.filenames import shown


class InTheWayError(UsageError):
    """A file stands where another should go, and its bytes are nowhere else."""

    def __init__(self, paths: list[Path]) -> None:
        more = f" (and {len(paths) - 1} more)" if len(paths) > 1 else ""
        super().__init__(
            f"{shown(paths[0])} is in the way{more}, and the release does not have it",
            hint="Commit it first, move it away, or choose another folder. Nothing was changed.",
        )
        self.paths = paths


@contextlib.contextmanager
def appearing(path: Path) -> Iterator[BinaryIO]:
    """Write a file under a temporary name; it appears whole when the context ends well."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with part.open("xb") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


@contextlib.contextmanager
def appearing_folder(path: Path) -> Iterator[Path]:
    """Fill a new folder under a temporary name; it appears whole when the context ends well."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{secrets.token_hex(8)}.part")
    part.mkdir()
    try:
        yield part
        if path.exists():
            path.rmdir()  # only an empty one goes; anything else was refused before
        part.replace(path)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def require_free(paths: list[Path], stored: Callable[[Path], bool]) -> None:
    """Refuse if any of these places holds something that would be lost.

    Args:
        stored: says whether a file's bytes are in the store.

    Raises:
        InTheWayError: with all such paths.
    """
    lost = [path for path in paths if os.path.lexists(path) and not (path.is_file() and stored(path))]
    if lost:
        raise InTheWayError(lost)


def copy_in(source: Path, target: Path) -> None:
    """Copy a bounce to its place."""
    with source.open("rb") as file, appearing(target) as out:
        shutil.copyfileobj(file, out, 1 << 20)
