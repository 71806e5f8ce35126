"""Run the ``relkit`` command and note its peak memory.

    python watched.py NOTE_FILE WORD ...

The kernel's own account of this process (VmHWM in /proc/self/status, Linux) is
used, because what ``wait4`` tells of a child includes the memory of the parent
that it was forked from.

Not here: what is run.
"""

from __future__ import annotations

import atexit
import sys
from pathlib import Path


def note(file: Path) -> None:
    """Write this process's peak resident memory [bytes]."""
    status = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    line = next(line for line in status if line.startswith("VmHWM:"))
    file.write_text(str(int(line.split()[1]) * 1024), encoding="ascii")


if __name__ == "__main__":
    from relkit.cli import main

    atexit.register(note, Path(sys.argv[1]).absolute())
    sys.argv[:] = ["relkit", *sys.argv[2:]]
    main()
