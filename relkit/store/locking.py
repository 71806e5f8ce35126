"""One writer at a time per release; readers never wait.

The lock is the operating system's, so that it ends with the process that holds
it, however that ends. Beside it lies a line for people: who holds it.

Not here: what is done under the lock.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

from relkit.errors import BusyError

WAIT_S = 10.0  # a commit of a whole pack takes a few seconds; longer than this is worth a message


class ReleaseBusyError(BusyError):
    """Another process is writing to this release."""


@contextlib.contextmanager
def writing(folder: Path, wait_s: float = WAIT_S) -> Iterator[None]:
    """Hold the writer's lock of ``.relkit`` for a while.

    Args:
        folder: the ``.relkit`` folder.
        wait_s: how long to wait for another writer [s].

    Raises:
        ReleaseBusyError: another process still holds it after that time.
    """
    from filelock import FileLock, Timeout

    holder = folder / "lock.holder"
    lock = FileLock(folder / "lock", timeout=wait_s)
    try:
        lock.acquire()
    except Timeout as error:
        raise ReleaseBusyError(
            f"{folder.parent.name} is being written to by {_name_of(holder)}",
            hint="Wait until it has finished, then try again. Nothing was changed.",
        ) from error
    try:
        with contextlib.suppress(OSError):
            holder.write_text(f"process {os.getpid()} on {socket.gethostname()}\n", encoding="utf-8")
        yield
    finally:
        with contextlib.suppress(OSError):
            holder.unlink()
        lock.release()


def _name_of(holder: Path) -> str:
    with contextlib.suppress(OSError, UnicodeDecodeError):
        return holder.read_text(encoding="utf-8").strip() or "another process"
    return "another process"
