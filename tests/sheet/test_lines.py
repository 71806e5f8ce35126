"""The line of a key, however TOML lets people write it."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.sheet.lines import Lines, first_bad_statement

SHEET = '''\
# a remark with "quotes", [brackets] and = signs
artist = "A # no remark"   # [not a table]
"quoted key" = 1
'literal.key' = 2

note = """
[versions.fake]
rating = "x"
"""
raw = \'\'\'
[also.fake]
\'\'\'
dotted . "the key".deep = { one = 1, two = [ { three = 3 } ] }
changes = [
  # the first
  {bar = 1, bpm = 120},

  {bar = 9,
  bpm = 90}, {bar = 17, bpm = 60},
  [1, 2],
]
[ versions . "dj-clean" ] # remark
file = "a]b=c.wav"
removed = ["swearing",
  "sex"]
[[people]]
name = "x"
[[people]]
name = "y"
[people.address]
street = 'z'
[empty]
'''.replace("{bar = 9,\n  bpm = 90}", "{bar = 9, bpm = 90}")


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("artist",), 2),
        (("quoted key",), 3),
        (("literal.key",), 4),
        (("note",), 6),
        (("raw",), 10),
        (("dotted",), 13),
        (("dotted", "the key", "deep", "two", 0, "three"), 13),
        (("changes",), 14),
        (("changes", 0, "bpm"), 16),
        (("changes", 1), 18),
        (("changes", 2, "bar"), 18),
        (("changes", 3, 1), 19),
        (("versions",), 21),
        (("versions", "dj-clean"), 21),
        (("versions", "dj-clean", "file"), 22),
        (("versions", "dj-clean", "removed", 1), 24),
        (("people", 0), 25),
        (("people", 1, "name"), 28),
        (("people", 1, "address", "street"), 30),
        (("empty",), 31),
        (("empty", "missing"), 31),
        (("versions", "dj-clean", "rating"), 21),
        (("nowhere",), 1),
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_every_way_to_write_a_key_has_its_line(path: tuple[str | int, ...], line: int, end: str) -> None:
    """Counted by hand in the text above."""
    tomllib.loads(SHEET)

    assert Lines(SHEET.replace("\n", end)).line_of(path) == line


def line_by_prefixes(text: str, path: tuple[str | int, ...]) -> int:
    """Find a key's line with tomllib alone: the statement after the longest good prefix without the key.

    Slow and independent: a prefix of a good text that ends between two
    statements is good, and one that ends inside a statement is not.
    """
    lines = text.split("\n")
    boundary = 0
    for count in range(1, len(lines) + 1):
        try:
            document: Any = tomllib.loads("\n".join(lines[:count]))
        except tomllib.TOMLDecodeError:
            continue
        try:
            for step in path:
                document = document[step]
        except (KeyError, IndexError):
            boundary = count
            continue
        return boundary + 1
    raise AssertionError(path)


_NAMES = st.sampled_from(["a", "b-1", '"q k"', "'l.k'", '"x]="'])
_VALUES = st.sampled_from(
    [
        "1",
        '"t # = ["',
        "'l \" ['",
        '"""m\n[x]\ny = "1"\n"""',
        "'''\n]\n'''",
        '"""e \\""" """',
        '"""two quotes"""""',
        "[\n 1, # c ]\n 2\n]",
        '[["a"],\n["]"]]',
        "{ i = 1, j = { k = [1, 2] } }",
        "{}",
        "[]",
        "1979-05-27T07:32:00Z",
    ]
)


@st.composite
def documents(draw: st.DrawFn) -> str:
    """A text of statements; the test keeps those that are TOML."""
    rows: list[str] = []
    for _ in range(draw(st.integers(1, 12))):
        kind = draw(st.integers(0, 5))
        name = ".".join(draw(st.lists(_NAMES, min_size=1, max_size=2)))
        row = {0: f"[{name}]", 1: f"[[{name}]] # r", 2: "# remark [", 3: ""}.get(kind)
        rows.append(f"{name} = {draw(_VALUES)}" if row is None else row)
    return "\n".join(rows)


def paths_of(value: Any, at: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """List the paths of all tables, keys and tables in lists of tables."""
    if isinstance(value, dict):
        return [
            path for name, inner in value.items() for path in [(*at, name), *paths_of(inner, (*at, name))]
        ]
    return []


@given(documents())
@settings(max_examples=400, deadline=None)
def test_lines_agree_with_tomllib_fed_prefix_by_prefix(text: str) -> None:
    """Two independent ways to find a line."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = Lines(text)

    for path in paths_of(document):
        expected = line_by_prefixes(text, path)
        # Remarks and blank lines are good prefixes, too, so the boundary lies just above the statement.
        assert lines.line_of(path) == expected, path


def test_a_value_that_python_cannot_hold_is_found() -> None:
    """tomllib gives no line for a number of 5,000 digits."""
    assert first_bad_statement("a = 1\nb = " + "9" * 5000 + "\nc = 2\n") == 2
    assert first_bad_statement("a = 1\n") is None
