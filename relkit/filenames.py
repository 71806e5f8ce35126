"""Which names survive on every system, and never lead out of a folder.

A release is made on one machine and opened on others: Windows, macOS, Linux,
FAT32 and exFAT sticks. A manifest that came from somebody else may also be
hostile. Both are the same question, asked here once.

Conventions
    name   one component, no separator
    path   components joined by "/", relative, as a manifest writes it

Sources
    [NAMES] Microsoft, "Naming Files, Paths, and Namespaces"
    [EXFAT] exFAT file system specification, table 35 (invalid characters)

Not here: making a name from artist and title (``relkit.pack.names``).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from pathlib import Path

MAX_NAME_BYTES = 255  # Linux; also keeps below the 255 UTF-16 units of NTFS and exFAT
MAX_PATH_BYTES = 2048  # half of what Linux takes; bounds the work that a hostile manifest can make
MAX_DEPTH = 16  # components
FORBIDDEN = frozenset('"*/:<>?\\|') | {chr(code) for code in (*range(0x20), 0x7F)}  # [EXFAT] and DEL
_DIGITS = "123456789\u00b9\u00b2\u00b3"  # [NAMES] counts superscripts 1 to 3 as digits
RESERVED = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"com{digit}" for digit in _DIGITS}
    | {f"lpt{digit}" for digit in _DIGITS}
)  # [NAMES]; any case, with or without an extension
OTHERS = frozenset({".git", ".relkit"})  # a file in these would be obeyed, not just lie there


def same_name_key(text: str) -> str:
    """Return a key that is equal for two names which some system takes for one.

    NFC first and again after case folding, because folding can decompose.
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def fault_of_name(name: str) -> str | None:
    """Say in a few words why one component would not survive everywhere, or None."""
    if name in {"", ".", ".."}:
        return "is no name"
    try:
        encoded = name.encode()
    except UnicodeEncodeError:
        return "is not valid Unicode"
    if len(encoded) > MAX_NAME_BYTES:
        return f"is longer than {MAX_NAME_BYTES} bytes"
    bad = next((char for char in name if char in FORBIDDEN), None)
    if bad is not None:
        return f"contains {bad!r}"
    if name[-1] in " .":
        return "ends with a space or a full stop"
    if name.split(".")[0].rstrip(" ").casefold() in RESERVED:
        return "is a reserved name on Windows"
    if name.casefold() in OTHERS:
        return "belongs to another program"
    if any(unicodedata.category(char) in {"Cc", "Cs", "Zl", "Zp"} or char in _BIDI for char in name):
        return "contains an invisible control character"
    return None


# Marks that make a name read differently from what it is (Unicode, UAX #9 explicit formatting).
_BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def fault_of_path(path: str) -> str | None:
    """Say why a relative path is not safe to write below a folder, or None."""
    if path.startswith("/"):
        return "is absolute"
    if len(path) > MAX_PATH_BYTES or path.count("/") >= MAX_DEPTH:
        return "is too long or too deep"
    for part in path.split("/"):
        fault = fault_of_name(part)
        if fault is not None:
            return "climbs out of its folder" if part == ".." else fault
    # Only now: half of a surrogate pair, which has no bytes, was refused above.
    return "is too long or too deep" if len(path.encode()) > MAX_PATH_BYTES else None


def twins(paths: Iterable[str]) -> list[tuple[str, str]]:
    """Return pairs that would become one file on a system that ignores case or form.

    A file that stands where another path needs a folder counts as a twin too.
    """
    found: list[tuple[str, str]] = []
    files: dict[str, str] = {}
    folders: dict[str, str] = {}
    for path in paths:
        key = same_name_key(path)
        parts = path.split("/")
        above = {same_name_key("/".join(parts[:n])): "/".join(parts[:n]) for n in range(1, len(parts))}
        if key in files:
            found.append((files[key], path))
        elif key in folders:
            found.append((folders[key], path))
        clash = next((files[folder] for folder in above if folder in files), None)
        if clash is not None:
            found.append((clash, path))
        # "Mix/a.wav" and "mix/b.wav" are one folder there and two here.
        found.extend(
            (folders[folder], path) for folder, spelt in above.items() if folders.get(folder, spelt) != spelt
        )
        files.setdefault(key, path)
        for folder, spelt in above.items():
            folders.setdefault(folder, spelt)
    return found


def shown(text: object) -> str:
    """Return a name as it can be printed: control, bidi and surrogate characters escaped."""
    return "".join(
        char
        if char.isprintable() and char not in _BIDI
        else char.encode("unicode_escape", "surrogatepass").decode()
        for char in str(text)
    )


def below(folder: Path, path: str) -> Path:
    """Join a path of a manifest to a folder.

    Raises:
        ValueError: the path is not safe; a manifest is checked before this.
    """
    fault = fault_of_path(path)
    if fault is not None:
        raise ValueError(f"{path!r} {fault}")
    return folder.joinpath(*path.split("/"))
