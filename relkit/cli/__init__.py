"""One file per command; parses, calls ``relkit.release``, prints.

    app       the commands together
    edge      faults become two lines on stderr and an exit code
    output    answers: tables for people, one JSON document for programs

Not here: anything that a program could not do with ``relkit.Release``.
"""

from __future__ import annotations

from typing import NoReturn


def program() -> NoReturn:
    """Run the command line and be gone; the ``relkit`` console command.

    Whatever has to be on the disk is there when a command ends. Python would still take
    apart object by object what the system takes away at once, for 50 ms.
    """
    import gc
    import os
    import sys

    # Loading makes hundreds of thousands of objects and next to no garbage; looking for some all the time
    # takes 20 ms. What is large is freed when its last user lets go, and not by this.
    gc.set_threshold(50_000, 20, 50)
    try:
        main()
    except SystemExit as leaving:
        sys.stderr.flush()
        os._exit(leaving.code if isinstance(leaving.code, int) else 0)


def main() -> NoReturn:
    """Run the command line and leave as Python does."""
    import io
    import os
    import sys

    # Threads already share the work; a second layer of them inside numpy only gets in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # pydantic looks through all installed packages for plugins at every start, which takes 20 ms.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # A name that this terminal cannot write is escaped; it is no reason to fail after the work is done.
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    from relkit.cli.edge import run

    run()
