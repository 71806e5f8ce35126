"""What two sheets say differently, field by field, and what changed in a picture.

Not here: audio (``hearing``).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from relkit.bars import BarMap, decimal_text
from relkit.sheet import Sheet

if TYPE_CHECKING:
    from PIL import Image

_OF_THE_TEXT = frozenset({"text", "name", "names"})  # how a sheet is written, not what it says
_LITTLE = 8  # of 255: a picture that was saved again differs by less


@dataclass(frozen=True)
class SheetChange:
    """One field; what is not declared is None."""

    field: str
    old: str | None
    new: str | None


@dataclass(frozen=True)
class PictureChange:
    """What changed in a picture.

    Attributes:
        old_format, new_format: "PNG"; None where it cannot be opened.
        old_px, new_px: width and height.
        changed: share of pixels that look different, 0 to 1; None where the shapes differ.
    """

    old_format: str | None
    new_format: str | None
    old_px: tuple[int, int]
    new_px: tuple[int, int]
    changed: float | None


def sheet_changes(old: Sheet, new: Sheet) -> list[SheetChange]:
    """Return what two sheets say differently, in the order of the new one."""
    before, after = dict(_facts("", old)), dict(_facts("", new))
    names = [*after, *(name for name in before if name not in after)]
    return [
        SheetChange(name, before.get(name), after.get(name))
        for name in names
        if before.get(name) != after.get(name)
    ]


def _facts(name: str, value: Any) -> Iterator[tuple[str, str]]:
    """Yield what a sheet says, a line each."""
    if value is None or value == () or value == {}:
        return
    if isinstance(value, BarMap):
        yield f"{name}.tempo", value.tempo_text or "not declared"
        yield f"{name}.meter", str(value.meter)
        yield f"{name}.first_downbeat_s", decimal_text(value.first_downbeat_s)
    elif isinstance(value, Mapping):
        for key, each in value.items():
            yield from _facts(f"{name}.{key}", each)
    elif is_dataclass(value) and type(value).__str__ is object.__str__:
        for one in fields(value):
            if one.name not in _OF_THE_TEXT:
                inside = one.name if not name else f"{name}.{one.name}"
                yield from _facts(inside, getattr(value, one.name))
    else:
        yield name, _words(value)


def _words(value: Any) -> str:
    """Write a value as a person would."""
    if isinstance(value, Fraction):
        return decimal_text(value)
    if isinstance(value, tuple):
        return ", ".join(map(_words, value))
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ", timespec="minutes")
    return str(value)


def picture_change(old: bytes, new: bytes) -> PictureChange:
    """Compare two pictures as they look."""
    one, other = _opened(old), _opened(new)
    share = None
    if one is not None and other is not None and one[0].size == other[0].size:
        import numpy as np

        pixels = [np.asarray(picture, np.int16) for picture, _kind in (one, other)]
        share = float((np.abs(pixels[0] - pixels[1]).max(axis=2) > _LITTLE).mean())
    return PictureChange(
        one[1] if one else None,
        other[1] if other else None,
        one[0].size if one else (0, 0),
        other[0].size if other else (0, 0),
        share,
    )


def _opened(source: bytes) -> tuple[Image.Image, str] | None:
    from relkit.pack.artwork import BadArtworkError, as_seen

    try:
        return as_seen(source)
    except BadArtworkError:
        return None
