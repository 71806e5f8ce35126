"""The one error root, and its families: one family, one exit code.

An error is for a person: ``str()`` names the fault in one line, ``hint`` says
in one line what to do. A concrete error lives beside the check that raises
it; only the families are here.

Not here: printing (``relkit.cli.edge``), and mistakes of a calling program,
which stay ``ValueError`` or ``TypeError``.
"""

from __future__ import annotations

from typing import Any, ClassVar


def _rebuild(kind: type[RelkitError], fault: str, state: dict[str, Any]) -> RelkitError:
    """Make an error again on the other side of a process border."""
    error = kind.__new__(kind)
    Exception.__init__(error, fault)
    error.__dict__.update(state)
    return error


class RelkitError(Exception):
    """A fault that someone can act on.

    Attributes:
        hint: one line, what to do about it.
        exit_code: what the command line exits with; set by each family.
    """

    exit_code: ClassVar[int] = 1
    hint: str

    def __init__(self, fault: str, *, hint: str) -> None:
        super().__init__(fault)
        self.hint = hint

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (type(self), str(self), dict(self.__dict__))


class FoundError(RelkitError):
    """Stopped because something was found: a finding, a difference."""

    exit_code = 1


class UsageError(RelkitError):
    """Asked for something that is not there or makes no sense."""

    exit_code = 2


class BadInputError(RelkitError):
    """A file from outside (bounce, artwork, sheet) cannot be taken as it is."""

    exit_code = 3


class DamagedError(RelkitError):
    """Bytes are not what a digest or a signature says they are."""

    exit_code = 4


class UntrustedSignerError(RelkitError):
    """The signature is valid, but nobody said that this key is trusted."""

    exit_code = 5


class BusyError(RelkitError):
    """Another process is writing to this release."""

    exit_code = 6


class SurroundingsError(RelkitError):
    """The machine is in the way: disk full, permission, network."""

    exit_code = 7
