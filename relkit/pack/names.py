"""What are the files and the folder of a package called? Artist, title, version; nothing to guess.

    Example Artist feat. Guest - Song Title (Clean).wav
    Example Artist - Song Title (122 BPM, F# minor)

A name has to survive Windows, macOS, Linux, FAT32 and exFAT, and a person has
to be able to read it aloud. So a forbidden character becomes the nearest plain
one and is never escaped, and a name that is too long loses the end of the
title, never its version or its extension.

Names are part of what is signed, so they must not depend on the Python that
makes them: no rule here asks whether a character is assigned yet.

Conventions
    label    what people call a version, "Clean", "DJ Edit"
    suffix   with its full stop, lower case: ".wav"
    length   bytes of UTF-8 and UTF-16 units; both limits hold

Sources
    [NAMES]  Microsoft, "Naming Files, Paths, and Namespaces": MAX_PATH is 260 units
    The patterns are common practice, no published source.

Not here: whether a name is safe (``relkit.filenames``), in which subfolder a
file lies (``relkit.pack.layout``).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence

from relkit.errors import UsageError
from relkit.filenames import FORBIDDEN, MAX_NAME_BYTES, RESERVED, shown, twins

# Two names and a subfolder stay below 260 units [NAMES] with 60 left for the folder they are put in.
MAX_FILE_UNITS = 110
MAX_FOLDER_UNITS = 80
MAX_LABEL_UNITS = 64
_LEAST_TITLE = 8  # characters; below this the artist gives way instead
_DETAILS_UNITS = 40  # tempo and key in a folder's name; the note has them in full

_NO_ARTIST = "Unnamed Artist"
_NO_TITLE = "Untitled"
_SUFFIX = re.compile(r"\.[a-z0-9]{1,5}")

# "*" masks a letter in a title, so the mask stays visible; "<", ">" and "?" have no plain twin and go.
_SUBSTITUTES = str.maketrans({":": "-", "/": "-", "\\": "-", "|": "-", '"': "'", "*": "_"})
_COLON_BEFORE_A_SPACE = re.compile(r" ?:(?=\s)")  # "Part: Two" is "Part - Two", "12:30" is "12-30"
_JOINERS = "\u200c\u200d"  # several scripts and most composed emoji need them
_BLANK = re.compile(r"[\s\x00-\x1f\x7f-\x9f]+")


class LongLabelError(UsageError):
    """A version's label leaves no room for artist and title."""

    def __init__(self, label: str) -> None:
        super().__init__(
            f"the version label {shown(label[:40])!r}... is too long for a file name",
            hint=f"Give the version a label of at most {MAX_LABEL_UNITS} characters in the sheet.",
        )


class SameNameError(UsageError):
    """Two files of a package would have one name.

    Attributes:
        pairs: the paths that are one file on some system.
    """

    def __init__(self, pairs: Sequence[tuple[str, str]]) -> None:
        first, second = pairs[0]
        more = f" (and {len(pairs) - 1} more)" if len(pairs) > 1 else ""
        super().__init__(
            f"two files of the package would be one: {shown(first)!r} and {shown(second)!r}{more}",
            hint="Give these versions labels that differ in more than case or punctuation.",
        )
        self.pairs = list(pairs)


def one_line(text: str) -> str:
    """Return text as one line of NFC: no controls, no bidi or other invisible marks, single spaces."""
    blanks = _BLANK.sub(" ", unicodedata.normalize("NFC", text))
    visible = "".join(char for char in blanks if not _is_unseen(char))
    return " ".join(unicodedata.normalize("NFC", visible).split())


def _is_unseen(char: str) -> bool:
    """Whether a character has no place in any text: format mark, lone surrogate, noncharacter."""
    code = ord(char)
    if code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF:
        return True
    return unicodedata.category(char) in {"Cc", "Cf", "Cs"} and char not in _JOINERS


def plain(text: str, *, otherwise: str = "") -> str:
    """Return text as it may stand inside a file name.

    Args:
        text: anything a person typed.
        otherwise: what to return where nothing readable is left.
    """
    text = _COLON_BEFORE_A_SPACE.sub(" -", one_line(text) + " ")
    text = "".join(char for char in text.translate(_SUBSTITUTES) if char not in FORBIDDEN)
    # A leading full stop would hide the file on Unix.
    text = one_line(text).lstrip(". ")
    return (
        text
        if any(unicodedata.category(char)[0] not in "MZ" and char not in _JOINERS for char in text)
        else otherwise
    )


def file_name(artist: str, title: str, label: str, suffix: str, *, featured: Sequence[str] = ()) -> str:
    """Return the name of one file: ``Artist - Title (Version).ext``.

    Args:
        artist: main artist, free text.
        title: song title, free text.
        label: version label; without one the parentheses are left out.
        suffix: ``.`` and 1 to 5 of a-z, 0-9.
        featured: guests, who follow the artist as "feat. A, B & C".

    Returns:
        A name without a fault in the sense of ``relkit.filenames.fault_of_name``.

    Raises:
        LongLabelError: the label is longer than ``MAX_LABEL_UNITS``.
        ValueError: another form of suffix.
    """
    if not _SUFFIX.fullmatch(suffix):
        raise ValueError(f"{suffix!r} is no suffix")
    label = plain(label)
    if _units(label) > MAX_LABEL_UNITS:
        raise LongLabelError(label)
    guests = [guest for guest in map(plain, featured) if guest]
    who = plain(artist, otherwise=_NO_ARTIST)
    if guests:
        who += " feat. " + " & ".join(filter(None, [", ".join(guests[:-1]), guests[-1]]))
    ending = (f" ({label})" if label else "") + suffix
    return _fitted(who, plain(title, otherwise=_NO_TITLE), ending, MAX_FILE_UNITS)


def folder_name(artist: str, title: str, tempo: str | None = None, key: str | None = None) -> str:
    """Return the name of a package: ``Artist - Title (122 BPM, F# minor)``.

    What is not declared is left out. The result has no fault in the sense of
    ``relkit.filenames.fault_of_name``.
    """
    details = ", ".join(filter(None, (plain(detail or "") for detail in (tempo, key))))
    while _units(details) > _DETAILS_UNITS:
        details = _cut(details, len(details) - 4)
    return _fitted(
        plain(artist, otherwise=_NO_ARTIST),
        plain(title, otherwise=_NO_TITLE),
        f" ({details})" if details else "",
        MAX_FOLDER_UNITS,
    )


def distinct(paths: Iterable[str]) -> list[str]:
    """Return the paths as they are if they stay apart on every system.

    Two versions that collide are an error and are not numbered apart: "(2)"
    tells a recipient nothing, and it would move when a version is removed.

    Raises:
        SameNameError: two are equal after NFC and case folding, or one is a folder of another.
    """
    kept = list(paths)
    pairs = twins(kept)
    if pairs:
        raise SameNameError(pairs)
    return kept


def _units(text: str) -> int:
    """Length in UTF-16 units, which Windows counts."""
    return len(text) + sum(char > "\uffff" for char in text)


def _lengths(artist: str, title: str) -> Iterator[tuple[int, int]]:
    """Yield characters to keep of artist and title: all, then less title, then less artist."""
    least = min(_LEAST_TITLE, len(title))
    yield len(artist), len(title)
    # Nothing longer than the limit can fit; starting there keeps a novel of a title cheap.
    yield from ((len(artist), kept) for kept in range(min(len(title), MAX_NAME_BYTES), least - 1, -1))
    yield from ((kept, least) for kept in range(min(len(artist), MAX_NAME_BYTES), 0, -1))


def _fitted(artist: str, title: str, ending: str, most_units: int) -> str:
    """Join the parts, shortening title and then artist until the name is short enough."""
    for of_artist, of_title in _lengths(artist, title):
        name = _not_reserved(f"{_cut(artist, of_artist)} - {_cut(title, of_title)}{ending}").rstrip(" .")
        if len(name.encode()) <= MAX_NAME_BYTES and _units(name) <= most_units:
            return name
    raise AssertionError("the limits of label and suffix leave room for every name")


def _cut(text: str, length: int) -> str:
    """Keep that many characters and say that more stood there, without splitting a composed one."""
    if length >= len(text):
        return text
    end = length
    while length - end < 16 and end > 1 and (_continues(text[end]) or text[end - 1] in _JOINERS):
        end -= 1
    return text[:end].rstrip(" .,-") + "..."


def _continues(char: str) -> bool:
    """Whether a character only makes sense with the one before it."""
    return char in _JOINERS or unicodedata.category(char)[0] == "M"


def _not_reserved(name: str) -> str:
    """Keep "con. - Song" from being the console of Windows, which looks before the first full stop."""
    base, stop, rest = name.partition(".")
    return f"{base.rstrip(' ')}_{stop}{rest}" if base.rstrip(" ").casefold() in RESERVED else name
