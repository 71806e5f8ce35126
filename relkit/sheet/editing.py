"""Changing one thing in a sheet, and not a character more.

A value that is there is changed by tomlkit, which keeps its line's remark.
Something new goes in as text behind the last line of the table that it
belongs to: tomlkit would put it behind the remarks of the *next* table.
Every result is read again and compared with what was meant before anybody
gets it.

Conventions
    text    of the whole sheet, as ``decode_sheet`` returns it

Not here: writing the file.
"""

from __future__ import annotations

import tomllib
from typing import Any

from relkit.sheet.errors import SheetError, SheetFault
from relkit.sheet.lines import Lines, Path, Statement
from relkit.sheet.reading import parse_sheet
from relkit.sheet.template import version_table
from relkit.sheet.toml_text import as_key, as_value
from relkit.vocabulary import Version
from relkit.vocabulary.cutting import phrase_of


def set_version_file(text: str, version_id: str, path: str) -> str:
    """Point a declared version to another file.

    Raises:
        SheetError: the sheet or the new path is not good.
        ValueError: the sheet has no such version.
    """
    entry = parse_sheet(text).versions.get(version_id)
    if entry is None:
        raise ValueError(f"the sheet has no version {version_id!r}")
    text = _with_versions(text)
    return _checked(_set(text, ("versions", version_id, "folder" if entry.is_folder else "file"), path))


def remember_answer(text: str, phrase: str, version_id: str) -> str:
    """Remember which version a phrase in file names means.

    Raises:
        SheetError: the sheet is not good, or has no such version.
        ValueError: the phrase has no words.
    """
    key = phrase_of(phrase)
    if not key:
        raise ValueError(f"{phrase!r} has no words")
    names = _document(text).get("names", {})
    written = next((one for one in names if phrase_of(one) == key), key)
    return _checked(_set(text, ("names", written), version_id))


def add_version(text: str, version: Version, *, path: str | None = None, is_folder: bool = False) -> str:
    """Add a version with its axes, behind those that are there.

    The rating is written only if ``version`` has one.

    Raises:
        SheetError: the sheet or the new path is not good.
        ValueError: the sheet has that version already.
    """
    text = _with_versions(text)
    if version.id in _document(text).get("versions", {}):
        raise ValueError(f"the sheet has a version {version.id!r}")
    table = version_table(version, path=path, is_folder=is_folder, rating=version.rating)
    lines = Lines(text)
    headers = [one for one in lines.statements if one.is_header and one.path[:1] == ("versions",)]
    if headers or ("versions",) not in lines:
        last = [one for one in lines.statements if headers and one.section[:1] == ("versions",)]
        return _checked(_insert(text, last[-1].last_line if last else None, f"\n{table}"))
    for name, value in tomllib.loads(table)["versions"][version.id].items():
        text = _set(text, ("versions", version.id, name), value)
    return _checked(text)


def _document(text: str) -> dict[str, Any]:
    """Return the values of a sheet that is known to be good."""
    parse_sheet(text)
    return tomllib.loads(text)


def _checked(text: str) -> str:
    """Return a sheet only if it is still a good one."""
    parse_sheet(text)
    return text


def _with_versions(text: str) -> str:
    """Write out the versions that a sheet without any stands for, before one of them changes."""
    if "versions" in _document(text):
        return text
    entries = parse_sheet(text).versions.values()
    return _insert(text, None, "".join(f"\n{version_table(one.version, path=one.path)}" for one in entries))


def _set(text: str, path: Path, value: str | list[str]) -> str:
    """Set one value, wherever and however its table is written.

    Raises:
        SheetError: the sheet is written in a way that this cannot change safely.
    """
    lines = Lines(text)
    wanted = tomllib.loads(text)
    _put(wanted, path, value)
    new = _replace(text, path, value) if path in lines else _add(text, lines, path, value)
    try:
        done = tomllib.loads(new) == wanted
    except tomllib.TOMLDecodeError:
        done = False
    if not done:
        name = ".".join(as_key(str(one)) for one in path)
        fault = SheetFault(
            lines.line_of(path),
            f"{name} cannot be changed safely here",
            f"Set it by hand: {name} = {as_value(value)}",
        )
        raise SheetError("release.toml", [fault])
    return new


def _put(document: dict[str, Any], path: Path, value: object) -> None:
    """Set a value in plain dictionaries."""
    for name in path[:-1]:
        document = document.setdefault(str(name), {})
    document[str(path[-1])] = value


def _replace(text: str, path: Path, value: object) -> str:
    """Change a value, or put one into an inline table, through tomlkit."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
        table: Any = document
        for name in path[:-1]:
            if name not in table:
                table[name] = tomlkit.inline_table()
            table = table[name]
        table[path[-1]] = value
        return tomlkit.dumps(document)
    except TOMLKitError:
        return text  # unchanged: the comparison in _set says that it did not work


def _add(text: str, lines: Lines, path: Path, value: str | list[str]) -> str:
    """Add a key behind the last one of its table; make the table if there is none."""
    for depth in range(len(path) - 1, 0, -1):
        above = path[:depth]
        inside = [one for one in lines.statements if one.path[:depth] == above]
        if not inside:
            continue
        in_reach = [one for one in inside if len(one.section) <= depth and not _is_inline(one, depth)]
        if in_reach:
            # Deepest header first: [names] before a dotted key above it.
            best = max(in_reach, key=lambda one: (len(one.section), one.last_line))
            rest = path[len(best.section) :]
            key = ".".join(as_key(str(name)) for name in rest)
            return _insert(text, best.last_line, f"{key} = {as_value(value)}\n")
        return _replace(text, path, value)
    header = ".".join(as_key(str(name)) for name in path[:-1])
    return _insert(text, None, f"\n[{header}]\n{as_key(str(path[-1]))} = {as_value(value)}\n")


def _is_inline(statement: Statement, depth: int) -> bool:
    """Whether the table at that depth stands inside a ``key = {...}`` and is closed for lines."""
    return not statement.is_header and len(statement.path) <= depth


def _insert(text: str, after_line: int | None, new: str) -> str:
    """Insert lines behind a line, or at the end, with the line ends that the text has."""
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.split("\n")
    if after_line is None or after_line >= len(lines) or not "".join(lines[after_line:]).strip():
        glue = "" if text.endswith("\n") or not text else end
        return text + glue + new.replace("\n", end)
    remarks = after_line
    while remarks < len(lines) and lines[remarks].lstrip().startswith("#"):
        remarks += 1
    if remarks == len(lines) or not lines[remarks].strip():
        after_line = remarks  # remarks up to a blank line belong to what stands above them
    before = "\n".join(lines[:after_line]) + "\n"
    return before + new.replace("\n", end) + "\n".join(lines[after_line:])
