"""Small files that appear whole or not at all: keys, and the list of trusted signers.

A file is written under a name of its own, fsynced, and only then given its real
name. What a crash can leave behind is a ``.part`` file, which nothing reads.

Not here: the store's packs and references (``relkit.store``).
"""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path


def write_new(path: Path, data: bytes, *, mode: int) -> None:
    """Make a file that must not exist yet.

    Args:
        path: in an existing folder.
        data: all of it.
        mode: permission bits, there from the first byte on.

    Raises:
        FileExistsError: something has this name; it is left alone, also when two
            processes try at once.
    """
    part = _write_part(path, data, mode)
    try:
        os.link(part, path)  # unlike a rename, it never replaces
    finally:
        part.unlink()
    _sync_folder(path.parent)


def replace(path: Path, data: bytes, *, mode: int = 0o644) -> None:
    """Give a file new content, or make it; its permission bits stay, and a link to it stays a link.

    Args:
        mode: permission bits of a file that is made.
    """
    real = path.resolve()
    part = _write_part(real, data, mode)
    try:
        if real.exists():
            part.chmod(stat.S_IMODE(real.stat().st_mode))
        part.replace(real)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(real.parent)


def _write_part(path: Path, data: bytes, mode: int) -> Path:
    """Write and fsync the bytes beside ``path``; return where."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(8)}.part")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    handle = os.open(part, flags, mode)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return part


def _sync_folder(folder: Path) -> None:
    """Make a new name survive a power cut; Windows has no such call."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
