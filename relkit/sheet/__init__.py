"""The release sheet, ``release.toml``: the facts that people declare.

    model      what a sheet says
    reading    from text to model; every fault names its line
    fields     how one value is checked
    codes      the same for codes, languages, keys, days and moments
    checks     what is odd about a sheet that reads well
    lines      where in the text a key stands
    editing    changing one thing and nothing else
    template   the sheet of a new release

What changes or makes a sheet is imported when it is first used, so that
commands that only read start without it.

Not here: whether the declared files exist (``relkit.release``), and rules of
the trade about a whole pack (``relkit.qc``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from relkit.sheet.errors import NoSheetError, SheetError, SheetFault
from relkit.sheet.model import DEFAULT_COVER, FORMAT, Sheet, VersionEntry

if TYPE_CHECKING:
    from relkit.sheet.checks import SheetFinding, check_sheet
    from relkit.sheet.editing import add_version, remember_answer, set_version_file
    from relkit.sheet.template import BadFactsError, new_sheet_text

__all__ = [
    "DEFAULT_COVER",
    "FORMAT",
    "BadFactsError",
    "NoSheetError",
    "Sheet",
    "SheetError",
    "SheetFault",
    "SheetFinding",
    "VersionEntry",
    "add_version",
    "check_sheet",
    "new_sheet_text",
    "remember_answer",
    "set_version_file",
]


def __getattr__(name: str) -> object:
    """Import what is not there yet at its first use."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    if name in {"SheetFinding", "check_sheet"}:
        from relkit.sheet import checks

        return getattr(checks, name)
    from relkit.sheet import editing, template

    return getattr(template if hasattr(template, name) else editing, name)
