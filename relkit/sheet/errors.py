"""The errors of this room: no sheet, or one that cannot be taken as it is.

Not here: the checks (``fields``, ``reading``, ``editing``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from relkit.errors import BadInputError


@dataclass(frozen=True, order=True)
class SheetFault:
    """One fault: where, what, and what to do. Lines count from 1."""

    line: int
    fault: str
    hint: str


class NoSheetError(BadInputError):
    """There is no sheet where one must be."""

    def __init__(self, name: str) -> None:
        super().__init__(
            f"there is no {name} here",
            hint="Go to a release folder, get its sheet back from a backup, or start one with: relkit new",
        )


class SheetError(BadInputError):
    """A sheet with faults; all of them are listed, ``str()`` names the first.

    Attributes:
        name: of the file.
        faults: in the order of their lines; never empty.
        line: of the first fault.
    """

    def __init__(self, name: str, faults: Sequence[SheetFault]) -> None:
        self.name = name
        self.faults = tuple(sorted(faults))
        first = self.faults[0]
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        self.line = first.line
        super().__init__(f"{name} line {first.line}: {first.fault}{more}", hint=first.hint)
