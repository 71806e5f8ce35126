"""Where in a TOML text a key stands.

``tomllib`` gives values without places. This module cuts a text into its
statements (one header or one ``key = value``, over however many lines), and
lets ``tomllib`` itself read the names in each, so that quoted and dotted keys
need no second reader. It is used where a fault is shown or a text is changed,
and never for reading values.

Conventions
    line    counted from 1
    path    names and list places from the top: ("versions", "clean", "file"),
            ("bars", "tempo_changes", 1, "bpm")

Sources
    [TOML] TOML 1.0.0, sections Comment, Keys, String, Array, Inline Table

Not here: the check that a text is TOML at all (``tomllib``).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

Path = tuple[str | int, ...]

# Strings and comments are single tokens, so that brackets and line ends inside them do not count.
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?!")'
    r"|'''.*?'''(?!')"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|#[^\n]*"
    r"|[\n\[\]{}=,]"
    r"|[^\s\[\]{}=,#\"']+"
    r"|[\"']",
    re.DOTALL,
)


@dataclass(frozen=True)
class Statement:
    """One header or one ``key = value``.

    Attributes:
        first_line, last_line: lines that it covers.
        section: path of the header above it (its own, for a header).
        path: full path of what it declares.
        is_header: a ``[table]`` or ``[[list of tables]]`` line.
        text: without what stands around it.
        element_lines: where the elements of a list begin.
    """

    first_line: int
    last_line: int
    section: Path
    path: Path
    is_header: bool
    text: str
    element_lines: tuple[int, ...]


@dataclass(frozen=True)
class _Piece:
    """A statement before its names are read."""

    first_line: int
    last_line: int
    text: str
    key_end: int  # place of "=" in the text; 0 for a header
    element_lines: tuple[int, ...]


class _Cutter:
    """Cuts a text into pieces; one instance per text."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._reset()

    def _reset(self) -> None:
        self._start: int | None = None
        self._first_line = self._depth = self._key_end = 0
        self._is_list = self._expects_element = False
        self._element_lines: list[int] = []

    def pieces(self) -> Iterator[_Piece]:
        """Yield the pieces in order."""
        line = 1
        for match in _TOKEN.finditer(self._text):
            sign = match[0]
            if sign == "\n" and self._depth <= 0 and self._start is not None:
                yield self._piece(match.start(), line)
            elif sign != "\n" and not sign.startswith("#"):
                self._take(sign, match.start(), line)
            line += sign.count("\n")
        if self._start is not None:
            yield self._piece(len(self._text), line)

    def _piece(self, end: int, line: int) -> _Piece:
        """Close the statement that is open."""
        start = self._start or 0
        key_end = self._key_end - start if self._key_end else 0
        text = self._text[start:end]
        piece = _Piece(self._first_line, line, text, key_end, tuple(self._element_lines))
        self._reset()
        return piece

    def _take(self, sign: str, at: int, line: int) -> None:
        """Follow one sign that is neither a line end nor a comment."""
        if self._start is None:
            self._start, self._first_line = at, line
        elif sign == "=" and not self._key_end and not self._depth:
            self._key_end = at
            return
        if self._key_end and not self._depth and sign == "[":
            self._is_list = self._expects_element = True
        elif self._is_list and self._depth == 1:
            if self._expects_element and sign not in {"]", ","}:
                self._element_lines.append(line)
            self._expects_element = sign == ","
        self._depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(sign, 0)


def _chain(value: Any) -> Path:
    """Return the names of a document that has one key at every level."""
    names: list[str | int] = []
    while isinstance(value, dict) and value:
        name, value = next(iter(value.items()))
        names.append(name)
    return tuple(names)


class Lines:
    """The statements of a valid TOML text, and the lines of its keys.

    Args:
        text: what ``tomllib`` accepts, with either kind of line end.
    """

    def __init__(self, text: str) -> None:
        self.statements: list[Statement] = []
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}  # lists of tables: how many so far
        section: Path = ()
        for piece in _Cutter(text.replace("\r\n", "\n")).pieces():
            if not piece.key_end:
                section = self._header(piece)
                path, is_header = section, True
            else:
                path, is_header = section + _chain(tomllib.loads(piece.text[: piece.key_end] + "= 0")), False
                self._note(path, piece.first_line)
                value = _at(tomllib.loads(piece.text), len(path) - len(section))
                self._note_inside(path, value, piece.first_line, piece.element_lines)
            self.statements.append(
                Statement(
                    piece.first_line,
                    piece.last_line,
                    section,
                    path,
                    is_header,
                    piece.text,
                    piece.element_lines,
                )
            )

    def line_of(self, path: Path) -> int:
        """Return the line where a key is declared, or else the nearest thing around it, or 1."""
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines.get(path, 1)

    def __contains__(self, path: Path) -> bool:
        return path in self._lines

    def _header(self, piece: _Piece) -> Path:
        """Read a header's path: below a list of tables it means the last one."""
        names = _chain(tomllib.loads(piece.text))
        is_list = piece.text.startswith("[[")
        path: Path = ()
        for place, name in enumerate(names):
            path = (*path, name)
            if is_list and place == len(names) - 1:
                self._note(path, piece.first_line)
                self._counts[path] = self._counts.get(path, 0) + 1
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        self._note(path, piece.first_line)
        return path

    def _note(self, path: Path, line: int) -> None:
        """Remember the first line of a path and of the tables that it implies."""
        for end in range(1, len(path) + 1):
            self._lines.setdefault(path[:end], line)

    def _note_inside(self, path: Path, value: Any, line: int, element_lines: tuple[int, ...] = ()) -> None:
        """Remember what stands inside an inline table or list."""
        inside: list[tuple[str | int, Any, int]] = []
        if isinstance(value, dict):
            inside = [(name, inner, line) for name, inner in value.items()]
        elif isinstance(value, list):
            lines = element_lines or (line,) * len(value)
            inside = [(place, *pair) for place, pair in enumerate(zip(value, lines, strict=True))]
        for step, inner, inner_line in inside:
            self._lines.setdefault((*path, step), inner_line)
            self._note_inside((*path, step), inner, inner_line)


def _at(document: Any, depth: int) -> Any:
    """Go down as many single-key levels."""
    for _ in range(depth):
        document = next(iter(document.values()))
    return document


def most_nested_key(text: str) -> tuple[int, int]:
    """Return how many dots the most dotted key or header has, and its line."""
    pieces = _Cutter(text.replace("\r\n", "\n")).pieces()
    return max(
        ((one.text[: one.key_end or len(one.text)].count("."), one.first_line) for one in pieces),
        default=(0, 1),
    )


def first_bad_statement(text: str) -> int | None:
    """Return the line of the first statement that is not TOML on its own, if there is one."""
    for piece in _Cutter(text.replace("\r\n", "\n")).pieces():
        try:
            tomllib.loads(piece.text)
        except (ValueError, RecursionError):
            return piece.first_line
    return None
