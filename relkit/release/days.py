"""Civil days, as people write them: yyyy-mm-dd, without a zone.

Not here: moments, which have one (``relkit.release.workspace.now``).
"""

from __future__ import annotations

from datetime import date, datetime

from relkit.errors import UsageError
from relkit.filenames import shown


class BadDayError(UsageError):
    """A day that is none, or that cannot be."""


def parsed_day(text: str) -> date:
    """Read a civil day.

    Raises:
        BadDayError: it is none.
    """
    try:
        return datetime.strptime(text.strip(), "%Y-%m-%d").date()  # noqa: DTZ007 - a day has no zone
    except ValueError as error:
        raise BadDayError(
            f"{shown(text)} is not a day", hint="Write it as yyyy-mm-dd, for example 2026-10-20."
        ) from error


def parsed_month(text: str) -> str:
    """Read a month, and return it as "yyyy-mm".

    Raises:
        BadDayError: it is none.
    """
    try:
        return datetime.strptime(text.strip(), "%Y-%m").strftime("%Y-%m")  # noqa: DTZ007 - no zone
    except ValueError as error:
        raise BadDayError(
            f"{shown(text)} is not a month", hint="Write it as yyyy-mm, for example 2026-10."
        ) from error
