"""Answers on stdout: calm tables for people, one JSON document for programs.

Names from files and records are escaped before they are printed, so that
neither markup nor a terminal's control codes in them have any effect. No
meaning is in colour.

Not here: what is in an answer; every command says that.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.scanning import Progress


def say(*lines: str) -> None:
    """Print lines for people; what comes from outside has been through ``shown``."""
    for line in lines:
        print(line.rstrip())  # noqa: T201 - this is where answers are printed


def table(rows: Sequence[Sequence[str]], *, right: Sequence[int] = (), indent: int = 0) -> None:
    """Print aligned columns, two spaces apart; the first row is the heading.

    Args:
        right: columns that are aligned to the right: numbers.
    """
    from rich.cells import cell_len

    widths = [max(cell_len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = []
        for column, cell in enumerate(row):
            blank = " " * (widths[column] - cell_len(cell))
            cells.append(blank + cell if column in right else cell + blank)
        say(" " * indent + "  ".join(cells))


def as_json(answer: Any) -> None:
    """Print one JSON document, in ASCII, so that it is the same whatever the terminal's encoding."""
    print(json.dumps(to_document(answer), indent=2))  # noqa: T201 - as above


def to_document(value: Any) -> Any:
    """Turn reports into JSON-ready values."""
    from pydantic import BaseModel

    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_document(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {str(key): to_document(each) for key, each in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [to_document(each) for each in value]
    if isinstance(value, (Path, date)):
        return str(value)
    return value


# --- numbers


def length(frames: int, rate_hz: int) -> str:
    """Write a length as m:ss.mmm."""
    from relkit.pack.note import length_text

    return length_text(frames, rate_hz)


def decimal(value: float | None, unit: str = "") -> str:
    """Write a number with two decimals, or a dash where there is none."""
    return "-" if value is None else f"{value:.2f}{unit}"


def size(count: int) -> str:
    """Write a number of bytes for people, in powers of ten."""
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= scale:
            return f"{count / scale:.1f} {unit}"
    return f"{count} bytes"


def plural(count: int, one: str, many: str | None = None) -> str:
    """Write a number with its noun."""
    return f"{count} {one if count == 1 else many or one + 's'}"


@contextmanager
def progress(quiet: bool = False) -> Iterator[Progress | None]:
    """Show on stderr what takes longer than a moment; nothing where nobody is looking."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    import time

    begun = time.monotonic()
    width = 0

    def tell(what: str, done: int, total: int) -> None:
        nonlocal width
        if time.monotonic() - begun < 1:
            return
        line = f"  {shown(what)}  {100 * done // max(total, 1):3d} %"
        print(f"\r{line.ljust(width)}", end="", file=sys.stderr, flush=True)  # noqa: T201 - progress
        width = len(line)

    try:
        yield tell
    finally:
        if width:
            print(f"\r{' ' * width}\r", end="", file=sys.stderr, flush=True)  # noqa: T201 - progress
