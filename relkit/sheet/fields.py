"""How one value of the sheet is checked: a check takes it and gives it back, or says what is wrong.

Conventions
    check    a function from the raw TOML value to the value of the model; it
             raises ``WrongValueError``, whose fault goes behind "line 14: "
    numbers  TOML floats arrive as ``Decimal``, so that 126.5 stays exact

Not here: which keys a sheet has (``reading``), codes, days and keys (``codes``).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from relkit.filenames import fault_of_path, shown
from relkit.sheet.lines import Path
from relkit.vocabulary import is_slug

MAX_DECIMALS = 12
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
PATTERN_FIELDS = ("artist", "title", "version", "featured", "remixer", "language")


class WrongValueError(Exception):
    """A check failed. ``within`` is the place inside the value, such as an element."""

    def __init__(self, fault: str, hint: str, *, within: Path = ()) -> None:
        super().__init__(fault)
        self.fault, self.hint, self.within = fault, hint, within


Check = Callable[[str, Any], Any]
"""Takes the key's name, for the message, and the value."""


@dataclass(frozen=True)
class Field:
    """One key that a table may have."""

    check: Check
    required: bool = False


def kind_of(value: Any) -> str:
    """Name a value's type as TOML's users know it."""
    names: list[tuple[type | tuple[type, ...], str]] = [
        (bool, "true or false"),
        (str, "text"),
        ((int, float, Decimal), "a number"),
        (list, "a list"),
        (dict, "a table"),
        ((dt.date, dt.time), "a date or time"),
    ]
    return next((name for kind, name in names if isinstance(value, kind)), "something else")


def or_list(values: Collection[str]) -> str:
    """Write "explicit, clean or no-edit-needed"."""
    *most, last = values
    return f"{', '.join(most)} or {last}" if most else last


def nearest(word: str, known: Collection[str]) -> str | None:
    """Return the known word that was probably meant."""
    from difflib import get_close_matches  # only a fault needs it

    return next(iter(get_close_matches(word[:80].casefold(), known, n=1, cutoff=0.6)), None)


def quoted(text: str) -> str:
    """Quote a word of the sheet for a message: printable, and not too long."""
    return f'"{shown(text if len(text) <= 60 else text[:57] + "...")}"'


def text(name: str, value: Any) -> str:
    """Any text that is not blank."""
    if not isinstance(value, str):
        raise WrongValueError(
            f"{name} must be text, not {kind_of(value)}", f'Write {name} = "..." in quotes.'
        )
    if not value.strip():
        raise WrongValueError(f"{name} is empty", f"Fill {name} in, or delete the line.")
    return value


def text_or_none(name: str, value: Any) -> str:
    """Any text; an empty one stands for "none at all"."""
    return "" if value == "" else text(name, value)


def one_of(known: Collection[str]) -> Check:
    """Return a check for a word out of a list."""

    def check(name: str, value: Any) -> str:
        if text(name, value) not in known:
            meant = nearest(value, known)
            hint = f'Did you mean "{meant}"? ' if meant else ""
            raise WrongValueError(f"{name} {quoted(value)} is not known", f"{hint}Use {or_list(known)}.")
        return str(value)

    return check


def list_of(check_one: Check) -> Check:
    """Return a check for a list without doubles; the fault names the element's line."""

    def check(name: str, value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise WrongValueError(
                f"{name} must be a list, not {kind_of(value)}", f'Write {name} = ["...", "..."].'
            )
        items: list[Any] = []
        for place, raw in enumerate(value):
            try:
                item = check_one(name, raw)
            except WrongValueError as wrong:
                raise WrongValueError(wrong.fault, wrong.hint, within=(place, *wrong.within)) from None
            if item in items:
                raise WrongValueError(
                    f"{name} has {quoted(str(item))} twice", "Delete one of them.", within=(place,)
                )
            items.append(item)
        return tuple(items)

    return check


def slug(name: str, value: Any) -> str:
    """A word like a version's id."""
    if not is_slug(text(name, value)):
        raise WrongValueError(f"{name} {quoted(value)} is not a short id", SLUG_HINT)
    return str(value)


SLUG_HINT = 'Use at most 40 lower-case letters, digits and single hyphens, like "dj-clean".'


def number(*, low: int, high: int, unit: str) -> Check:
    """Return a check for an exact number within bounds, both included."""

    def check(name: str, value: Any) -> Fraction:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise WrongValueError(
                f"{name} must be a number, not {kind_of(value)}",
                f"Write it in digits without quotes, like {name} = {max(low, 1)}.",
            )
        # Bounds come before exact arithmetic: 1e999999999 is short to write and long to compute.
        if isinstance(value, Decimal) and (not value.is_finite() or not _is_short(value)):
            raise WrongValueError(
                f"{name} is not a usable number", f"Write it with at most {MAX_DECIMALS} decimals."
            )
        if not low <= value <= high:
            raise WrongValueError(
                f"{name} {value} is out of range", f"It is counted in {unit}: from {low} to {high}."
            )
        return Fraction(value)

    return check


def _is_short(value: Decimal) -> bool:
    """Whether a number has few enough digits on both sides of the point."""
    exponent = value.as_tuple().exponent
    return isinstance(exponent, int) and exponent >= -MAX_DECIMALS and value.adjusted() <= MAX_DECIMALS


def whole(*, low: int, high: int, unit: str) -> Check:
    """Return a check for a whole number within bounds, both included."""
    exact = number(low=low, high=high, unit=unit)

    def check(name: str, value: Any) -> int:
        found: Fraction = exact(name, value)
        if found.denominator != 1:
            raise WrongValueError(
                f"{name} {value} is not whole", f"It is counted in {unit}: leave out the point."
            )
        return int(found)

    return check


def relative_path(name: str, value: Any) -> str:
    """A path inside the release folder that survives on every system."""
    path = text(name, value)
    fault: str | None
    if "\\" in path:
        fault, hint = "uses a backslash", "Use forward slashes, like bounces/clean.wav."
    elif path.split("/")[0].casefold() in {".relkit", "release.toml"}:
        fault, hint = "belongs to relkit itself", "Point to a file of your own, like bounces/clean.wav."
    else:
        fault = fault_of_path(path)
        hint = "Name a file inside the release folder, like bounces/clean.wav."
    if fault is not None:
        raise WrongValueError(f"{name} {quoted(path)} {fault}", hint)
    return path


def pattern(name: str, value: Any) -> str:
    """A pattern for file names: text with {fields}."""
    names = _PLACEHOLDER.findall(text(name, value))
    wrong = next((one for one in names if one not in PATTERN_FIELDS), None)
    hint = f"Use {', '.join('{' + one + '}' for one in PATTERN_FIELDS)}."
    if wrong is not None:
        raise WrongValueError(f"{name} has the unknown field {quoted('{' + wrong + '}')}", hint)
    if set("{}/\\") & set(_PLACEHOLDER.sub("", value)):
        raise WrongValueError(f"{name} has a stray brace or a slash", f"It makes one file name. {hint}")
    if "version" not in names:
        raise WrongValueError(
            f"{name} lacks {{version}}", "Without it all files would get one name: add {version}."
        )
    return str(value)


def credits_table(name: str, value: Any) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """A table of roles, each with a name or a list of names; returned in its order."""
    several = list_of(text)
    found: list[tuple[str, tuple[str, ...]]] = []
    for role, raw in table(name, value).items():
        try:
            if not role.strip():
                raise WrongValueError("a credit has no role", 'Write what they did: "Mixed by" = "...".')
            found.append((role, several(shown(role), raw if isinstance(raw, list) else [raw])))
        except WrongValueError as wrong:
            within = wrong.within if isinstance(raw, list) else ()
            raise WrongValueError(wrong.fault, shown(wrong.hint), within=(role, *within)) from None
    return tuple(found)


def limits(name: str, value: Any) -> Mapping[str, float]:
    """A free table of numbers."""
    found: dict[str, float] = {}
    exact = number(low=-1_000_000_000, high=1_000_000_000, unit="the limit's own unit")
    for limit, raw in table(name, value).items():
        try:
            found[limit] = float(exact(limit, raw))
        except WrongValueError as wrong:
            raise WrongValueError(shown(wrong.fault), shown(wrong.hint), within=(limit,)) from None
    return found


def table(name: str, value: Any) -> dict[str, Any]:
    """A table of any kind."""
    if not isinstance(value, dict):
        raise WrongValueError(
            f"{name} must be a table, not {kind_of(value)}", f"Write a line [{name}] and its keys below it."
        )
    return value
