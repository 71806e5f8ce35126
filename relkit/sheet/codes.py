"""Checks of values that have a form of their own: codes, languages, musical keys, days and moments.

The check of a GTIN is part of its form: a number whose check digit is wrong is
no GTIN but a slip of the finger. Who a code was given to is nobody's business here.

Conventions
    check    as in ``fields``

Sources
    [ISRC] ISO 3901:2019, form of the code
    [GTIN] GS1 General Specifications, section 7.9, check digit of data structures
    [639]  ISO 639, form of a language code; membership is not checked
    [TOML] TOML 1.0.0, Offset Date-Time

Not here: values of any other kind (``fields``), what is odd about a good value (``checks``).
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

from relkit.sheet.fields import WrongValueError, quoted, text
from relkit.vocabulary import Key

_ISRC = re.compile(r"[A-Z]{2}[A-Z0-9]{3}[0-9]{7}")  # [ISRC]
_LANGUAGE = re.compile(r"[a-z]{2,3}")  # [639]
GTIN_LENGTHS = (8, 12, 13, 14)  # [GTIN]
_MOMENT = re.compile(
    r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}:\d{2}(\.\d{1,6})?(?P<zone>[Zz]|[+-]\d{2}:\d{2})?", re.ASCII
)  # [TOML]


def language(name: str, value: Any) -> str:
    """An ISO 639 code."""
    if not _LANGUAGE.fullmatch(text(name, value)):
        raise WrongValueError(
            f"{name} {quoted(value)} is not a language code",
            'Use the two or three lower-case letters of ISO 639, like "en".',
        )
    return str(value)


def isrc(name: str, value: Any) -> str:
    """An ISRC, with or without hyphens; returned without."""
    code = text(name, value).removeprefix("ISRC ").replace("-", "").upper()
    if not _ISRC.fullmatch(code):
        raise WrongValueError(
            f"{name} {quoted(value)} is not an ISRC",
            "An ISRC has 2 letters, 3 letters or digits, and 7 digits, like AA-6Q7-20-00047.",
        )
    return code


def key(name: str, value: Any) -> Key:
    """A musical key."""
    try:
        return Key.parse(text(name, value))
    except ValueError:
        raise WrongValueError(
            f"{name} {quoted(value)} is not a musical key",
            'Write tonic and mode, like "F# minor", "Bb major" or "C major".',
        ) from None


def date(name: str, value: Any) -> dt.date:
    """A civil day, as TOML date or as text."""
    wrong = WrongValueError(f"{name} is not a date", f"Write year, month and day: {name} = 2031-05-23")
    if isinstance(value, dt.datetime):
        raise wrong
    if isinstance(value, dt.date):
        return value
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value, re.ASCII):
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            raise wrong from None
    raise wrong


def gtin(name: str, value: Any) -> str:
    """A GTIN (EAN, UPC), with or without spaces and hyphens; returned as digits."""
    code = re.sub(r"[ -]", "", text(name, value))
    if not re.fullmatch("[0-9]+", code) or len(code) not in GTIN_LENGTHS:
        raise WrongValueError(
            f"{name} {quoted(value)} is not a GTIN", "It has 8, 12, 13 or 14 digits, as below the bars."
        )
    # Weights 3, 1, 3, ... from the right, the check digit left out [GTIN].
    total = sum(int(digit) * (3, 1)[place % 2] for place, digit in enumerate(reversed(code[:-1])))
    if -total % 10 != int(code[-1]):
        raise WrongValueError(
            f"{name} {quoted(value)} has a wrong check digit",
            "One of its digits is mistyped: compare it with your distributor's list.",
        )
    return code


def moment(name: str, value: Any) -> dt.datetime:
    """A day and time with its zone, as TOML offset date-time or as text."""
    example = f"Write day, time and zone: {name} = 2031-05-23T00:00:00+01:00"
    found = value
    if isinstance(value, str) and _MOMENT.fullmatch(value):
        try:
            found = dt.datetime.fromisoformat(value.upper())
        except ValueError:
            raise WrongValueError(f"{name} is not a moment", example) from None
    if not isinstance(found, dt.datetime):
        raise WrongValueError(f"{name} is not a moment", example)
    if found.tzinfo is None:
        raise WrongValueError(
            f"{name} has no time zone",
            f"Add it at the end, as Z for UTC or as hours and minutes: {name} = {_short(found)}+01:00",
        )
    try:
        found.astimezone(dt.UTC)
    except OverflowError:  # its zone leads out of the years that can be told
        raise WrongValueError(f"{name} is not a moment", example) from None
    return found


def _short(moment: dt.datetime) -> str:
    """Write a moment without its fractions of a second."""
    return moment.replace(microsecond=0).isoformat()
