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
from typing import BinaryIO, Self

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


class ThereAlreadyError(UsageError):
    """A package cannot appear where something of that name is."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            f"{shown(path)} is there already",
            hint="Choose another folder with --to, or move it away. Nothing was changed.",
        )


class Staging:
    """Files on their way to their places; use as a context.

    They lie under temporary names beside their places until ``appear``. Should
    anything fail before, the folder is as it was.
    """

    def __init__(self) -> None:
        self._parts: dict[Path, Path] = {}  # place to temporary name

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for part in self._parts.values():
            part.unlink(missing_ok=True)

    def where(self, place: Path) -> Path:
        """Return where the file is that will be in this place."""
        return self._parts.get(place, place)

    def below(self, folder: Path) -> list[Path]:
        """Return the places below a folder that will be filled."""
        return [place for place in self._parts if folder in place.parents]

    def copy(self, source: Path, place: Path) -> None:
        """Copy a bounce.

        Raises:
            BadInputError: it cannot be read, or changed meanwhile.
        """
        from relkit.audio.reading import SteadyFile

        with self.coming(place) as out, SteadyFile(source) as file:
            for _part, window in file.windows():
                out.write(window)

    def write(self, data: bytes, place: Path) -> None:
        """Write a small file."""
        with self.coming(place) as out:
            out.write(data)

    def appear(self) -> None:
        """Give every file its name, replacing what stands there."""
        while self._parts:
            place, part = next(iter(self._parts.items()))
            part.replace(place)
            del self._parts[place]

    @contextlib.contextmanager
    def coming(self, place: Path) -> Iterator[BinaryIO]:
        """Write a file of any length."""
        place.parent.mkdir(parents=True, exist_ok=True)
        part = place.with_name(f".{secrets.token_hex(8)}.part")
        self._parts[place] = part
        with part.open("xb") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
