"""What does a recipient read first? The note of a package as plain text.

The note is a file of the signed package: its bytes follow from the facts alone,
never from a clock, a locale or the Python that runs.

What people typed never begins a line but the headline. Everything else of
theirs stands behind a label of ours or further in, and has single spaces only,
so it can imitate neither a heading nor a column.

Conventions
    text      UTF-8 without a byte order mark, lines end in CR LF (Windows' editor)
    width     78 columns; a longer word stays whole, so that an address can be copied
    columns   counted in code points: the width of a character depends on the Unicode version

Not here: what is said (``relkit.pack.statements``, ``relkit.pack.replacement``), the same as a page
(``relkit.pack.page``).
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence

from relkit.pack import replacement, statements
from relkit.pack.names import one_line
from relkit.pack.replacement import Place, Replacement
from relkit.pack.statements import Fact, Note, Row, length_text

__all__ = ["Note", "Place", "Replacement", "length_text", "note_text"]

_WIDTH = 78
_LABEL = 17  # columns of a label and the space behind it
_VERSION = 20  # most columns of a version's label; a longer one has a line of its own
_ALONE = "   "  # between two details; what people typed has no two spaces in a row
_RIGHT_TO_LEFT = re.compile(
    "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff\U00010800-\U00010fff\U0001e800-\U0001efff]"
)


def note_text(note: Note) -> bytes:
    """Write a note as text.

    Raises:
        ValueError: the embargo has no zone.
    """
    old, song = note.replaces, note.song
    sections: list[Iterable[str]] = [
        _replacement(old) if old else [],
        _embargo(statements.embargo(song)),
        _headline(f"{''.join(statements.who(song))} - {statements.title(song)}"),
        _facts([*statements.music(song), ("Use", statements.promo_line(song)), *statements.about(note)]),
        _versions(statements.rows(note)),
        _headed("Credits", _facts(statements.credits_of(song))),
        _headed("Files", _files(note)),
        _headed("Before you play it", _paragraphs(statements.remarks(note))),
        _headed("Checking this package", _proof(note.fingerprint)),
    ]
    text = "\n\n".join("\n".join(lines) for section in sections if (lines := list(section))) + "\n"
    return text.replace("\n", "\r\n").encode()


def _replacement(old: Replacement) -> Iterator[str]:
    """Say what happened to an earlier package, before anything else."""
    yield from _wrapped(f"THIS PACKAGE REPLACES {replacement.replaces(old)}", later="    ")
    yield ""
    for name, listed in replacement.parts_replaced(old):
        entries = [f"{label}: {places}" if places else label for label, places in listed]
        if not any(places for _, places in listed):
            entries = [", ".join(entries)]  # places have commas of their own and take a line each
        yield from _facts((name if number == 0 else "", entry) for number, entry in enumerate(entries))
    for said in replacement.advice(old):
        yield ""
        yield from _wrapped(said, first="  ", later="  ")
    yield ""
    yield "-" * _WIDTH


def _embargo(said: str | None) -> list[str]:
    return _wrapped(said, first="EMBARGO   ", later=" " * 10) if said else []


def _headline(text: str) -> list[str]:
    lines = _wrapped(text, later="    ")
    return [*lines, "=" * min(max(map(len, lines)), _WIDTH)]


def _headed(heading: str, lines: Iterable[str]) -> list[str]:
    """Put a heading above lines; none above nothing."""
    kept = list(lines)
    return [heading, "-" * len(heading), *kept] if kept else []


def _facts(facts: Iterable[Fact]) -> Iterator[str]:
    """Yield labels and values in two columns."""
    for label, value in facts:
        if not value:
            continue
        margin = " " * (2 + _LABEL)
        if len(label) < _LABEL:
            yield from _wrapped(value, first=f"  {label:<{_LABEL}}", later=margin)
        else:
            yield from _wrapped(label, first="  ", later="      ")
            yield from _wrapped(value, first=margin, later=margin)


def _versions(rows: Sequence[Row]) -> Iterator[str]:
    """Yield the table: one row of numbers a version, below it whatever else is known of it."""
    if not rows:
        return
    pad = max(len("Version"), *(len(row.label) for row in rows if not _is_apart(row.label)), 0)
    yield f"  {'Version':<{pad}}  {'Length':>9}  {'Loudness':>12}  {'True peak':>11}  Rating"
    yield f"  {'-' * pad}  {'-' * 9}  {'-' * 12}  {'-' * 11}  {'-' * 14}"
    for row in rows:
        label = row.label
        if _is_apart(label):
            yield from _wrapped(label, first="  ", later="      ")
            label = ""
        yield f"  {label:<{pad}}  {row.length:>9}  {row.loudness:>12}  {row.true_peak:>11}  {row.rating}"
        yield from _flowing([("Files", row.formats), *row.details])


def _is_apart(label: str) -> bool:
    """Whether a label would push its row, or turn the writing direction of its numbers."""
    return len(label) > _VERSION or _RIGHT_TO_LEFT.search(label) is not None


def _flowing(facts: Iterable[Fact]) -> Iterator[str]:
    """Yield facts behind each other, as many a line as fit whole."""
    line = ""
    for label, value in facts:
        said = f"{label} {value}"
        if line and len(line) + len(_ALONE) + len(said) > _WIDTH - 6:
            yield from _wrapped(line, first=" " * 6, later=" " * 10)
            line = ""
        line = f"{line}{_ALONE}{said}" if line else said
    if line:
        yield from _wrapped(line, first=" " * 6, later=" " * 10)


def _files(note: Note) -> Iterator[str]:
    yield from _facts(statements.about_files(note))
    said = statements.remarks_on_files(note)
    if said:
        yield ""
        yield from _paragraphs(said)


def _paragraphs(texts: Sequence[str]) -> list[str]:
    return [line for text in texts for line in ("", *_wrapped(text, first="  ", later="  "))][1:]


def _proof(fingerprint: str) -> list[str]:
    """Say how to check the package with stock tools, and what that proves."""
    return [
        *_wrapped(statements.CHECK_FILES, first="  ", later="  "),
        "",
        *(f"    {line}" for line in statements.CHECK_FILES_COMMANDS),
        "",
        *_wrapped(statements.CHECK_SIGNATURE, first="  ", later="  "),
        "",
        *(f"    {line}" for line in statements.CHECK_SIGNATURE_COMMANDS),
        "",
        *_wrapped(statements.WHAT_IT_PROVES, first="  ", later="  "),
        "",
        f"    {one_line(fingerprint)}",
        "",
        *_wrapped(statements.SUMS_ARE_NOT_SIGNED, first="  ", later="  "),
    ]


def _wrapped(text: str, *, first: str = "", later: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )
