"""The edge: whatever goes wrong becomes one line of fault, one line of hint, an exit code.

Exit codes: 0 done, 1 answered or stopped because something was found, 2 wrong
usage, 3 bad input file, 4 damaged data, 5 valid signature but signer not
trusted, 6 busy, 7 environment (disk full, permission, network), 130 interrupted.

Not here: the faults themselves; they are raised where they are found.
"""

from __future__ import annotations

import errno
import os
import sys
import traceback
from pathlib import Path
from typing import Any, NoReturn

from relkit.cli.output import say
from relkit.errors import RelkitError, SurroundingsError, UsageError
from relkit.filenames import shown

INTERRUPTED = 130
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_CLOSED = {errno.EACCES, errno.EPERM, errno.EROFS}


def run() -> NoReturn:
    """Run the command line and leave the process."""
    try:
        code = _command(sys.argv[1:])
        sys.stdout.flush()  # here, where a full disk or a closed pipe is still somebody's answer
    except RelkitError as error:
        leave(str(error), error.hint, error.exit_code)
    except KeyboardInterrupt:
        leave("interrupted", "Nothing that was not finished has been recorded.", INTERRUPTED)
    except BrokenPipeError:
        os._exit(0)  # whoever read our answer has enough; the pipe is gone, so leave at once
    except OSError as error:
        fault = from_the_system(error)
        leave(str(fault), fault.hint, fault.exit_code)
    except UnicodeEncodeError as error:
        what = shown(error.object[error.start : error.end])
        leave(
            f"{what} cannot be written in this terminal's encoding ({error.encoding})",
            "Use one that is UTF-8, or set PYTHONUTF8=1.",
            7,
        )
    except MemoryError:
        leave("there is not enough memory", "Close other programs, then try again.", 7)
    except Exception:  # noqa: BLE001 - a mistake in relkit: the user gets two lines, the trace goes to a file
        leave("this is a mistake in relkit itself", f"Please report it with {_kept()}.", 7)
    sys.exit(code)


def _command(arguments: list[str]) -> int:
    """Run one command and return its exit code; faults come out as they are.

    Typer's own ``main`` would turn Ctrl-C and a closed pipe into exit codes and say nothing.
    """
    import typer.main

    from relkit.cli.app import app

    # Typer brings its own copy of its parser, or does not, depending on its version.
    parser_error = typer.BadParameter.__mro__[2]
    try:
        with typer.main.get_command(app).make_context("relkit", arguments) as context:
            context.command.invoke(context)
    except typer.Exit as leaving:
        return leaving.exit_code
    except Exception as error:
        if not isinstance(error, parser_error):
            raise
        if type(error).__name__ != "NoArgsIsHelpError":
            raise _usage(error) from error
        say(str(error))
    return 0


def _usage(error: Any) -> UsageError:
    """Put what the parser found into our form."""
    context = getattr(error, "ctx", None)
    where = context.command_path if context else "relkit"
    return UsageError(error.format_message(), hint=f"{where} --help shows what it takes.")


def from_the_system(error: OSError) -> SurroundingsError:
    """Put what the system says into words."""
    where = shown(error.filename) if error.filename else "the disk"
    if error.errno in _FULL:
        return SurroundingsError(
            f"no room left while writing {where}" if error.filename else "no room left on the disk",
            hint="Make room on the disk, then try again. What was recorded before is safe.",
        )
    if error.errno in _CLOSED:
        return SurroundingsError(
            f"{where}: permission denied", hint="Give yourself the right to read and write there."
        )
    return SurroundingsError(
        f"{where}: {error.strerror or error}", hint="Check the disk and the path, then try again."
    )


def leave(fault: str, hint: str, code: int) -> NoReturn:
    """Print fault and hint, and leave."""
    try:
        sys.stdout.flush()
    except OSError:
        # What is left in the buffer can go nowhere, and Python would complain about it at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    tell(fault, hint)
    sys.exit(code)


def tell(fault: str, hint: str) -> None:
    """Print one line of fault and one of hint on stderr."""
    for line in (f"relkit: {_one_line(fault)}", f"  {_one_line(hint)}"):
        print(line, file=sys.stderr)  # noqa: T201 - this is where faults are printed


def _one_line(text: str) -> str:
    return shown(" ".join(text.split()))


def _kept() -> str:
    """Keep the trace of a mistake in a file, and return its name."""
    from relkit.release.home import Home

    trace = traceback.format_exc()
    try:
        file = Home.usual().folder / "last-mistake.txt"
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        file.write_text(trace, encoding="utf-8", errors="backslashreplace")
    except OSError:
        return "what you did"
    return shown(Path(file))
