"""What are the files and the folder of a package called? Artist, title, version; nothing to guess.

    Example Artist feat. Guest - Song Title (Somebody Remix) (Clean).wav
    Example Artist - Song Title (122 BPM, F# minor)

A name has to survive Windows, macOS, Linux, FAT32 and exFAT, and a person has
to be able to read it aloud. So a forbidden character becomes the nearest plain
one and is never escaped, and a name that is too long loses the end of the
title, then guests and the end of the artist, never its version or its extension.

Names are part of what is signed, so they must not depend on the Python that
makes them: no rule here asks whether a character is assigned yet.

Conventions
    label    what people call a version, "Clean", "DJ Edit"
    suffix   with its full stop, lower case: ".wav"
    length   bytes of UTF-8 and UTF-16 units; both limits hold

Sources
    [NAMES]  Microsoft, "Naming Files, Paths, and Namespaces": MAX_PATH is 260 units
    The patterns are common practice, no published source.

Not here: how a pattern is filled in (``relkit.pack.pattern``), whether a name is
safe (``relkit.filenames``), in which subfolder a file lies (``relkit.pack.layout``).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from relkit.errors import UsageError
from relkit.filenames import FORBIDDEN, MAX_NAME_BYTES, RESERVED, shown, twins
from relkit.pack.pattern import DEFAULT_PATTERN, read_pattern

if TYPE_CHECKING:
    from relkit.manifest import VersionFacts
    from relkit.pack.facts import SongFacts

# Two names and a subfolder stay below 260 units [NAMES] with 60 left for the folder they are put in.
MAX_FILE_UNITS = 110
MAX_FOLDER_UNITS = 80
MAX_LABEL_UNITS = 64
# What gives way when a name is too long, in this order, and the characters that stay.
_GIVE_WAY = (("title", 8), ("featured", 0), ("artist", 8), ("remixer", 0), ("artist", 1), ("title", 1))
_DETAILS_UNITS = 40  # tempo and key in a folder's name; the note has them in full

_FOLDER = "{artist} - {title} ({details})"
_NO_ARTIST = "Unnamed Artist"
_NO_TITLE = "Untitled"
_SUFFIX = re.compile(r"\.[a-z0-9]{1,5}")

# "*" masks a letter in a title, so the mask stays visible; "<", ">" and "?" have no plain twin and go.
_SUBSTITUTES = str.maketrans({":": "-", "/": "-", "\\": "-", "|": "-", '"': "'", "*": "_"})
_COLON_BEFORE_A_SPACE = re.compile(r" ?:(?=\s)")  # "Part: Two" is "Part - Two", "12:30" is "12-30"
_JOINERS = "\u200c\u200d"  # several scripts and most composed emoji need them
_BLANK = re.compile(r"[\s\x00-\x1f\x7f-\x9f]+")


class LongLabelError(UsageError):
    """What a file is leaves no room for artist and title."""

    def __init__(self, label: str, *, hint: str = "Give the version a shorter label in the sheet") -> None:
        super().__init__(
            f"{shown(label[:40])!r}... is too long for a part of a file name",
            hint=f"{hint}: at most {MAX_LABEL_UNITS} characters.",
        )


class LongPatternError(UsageError):
    """The text of a pattern leaves no room for its fields."""

    def __init__(self, pattern: str) -> None:
        super().__init__(
            f"the pattern {shown(pattern[:40])!r}... makes names of files too long",
            hint="Take words out of pattern in [package] of the sheet.",
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
    # A leading full stop would hide the file on Unix.
    text = one_line(_allowed(one_line(text))).lstrip(". ")
    return (
        text
        if any(unicodedata.category(char)[0] not in "MZ" and char not in _JOINERS for char in text)
        else otherwise
    )


def component(text: str, *, otherwise: str) -> str:
    """Return text as the name of a subfolder; ``otherwise`` where nothing readable is left of it."""
    return _not_reserved(plain(text).rstrip(" .")) or otherwise


def _allowed(line: str) -> str:
    """Return a line with the nearest plain character for each that a name cannot hold."""
    line = _COLON_BEFORE_A_SPACE.sub(" -", line + " ").translate(_SUBSTITUTES)
    return "".join(char for char in line if char not in FORBIDDEN)


def file_name(
    song: SongFacts, version: VersionFacts | str, suffix: str, *, pattern: str = DEFAULT_PATTERN
) -> str:
    """Return the name of one file: ``Artist feat. Guests - Title (Remixer Remix) (Version).ext``.

    Args:
        song: artist, title, guests and remixer, free text.
        version: its label, and its language if that is not the song's; or what
            else the file is, "Cover".
        suffix: ``.`` and 1 to 5 of a-z, 0-9.
        pattern: of the sheet; see ``relkit.pack.pattern``.

    Returns:
        A name without a fault in the sense of ``relkit.filenames.fault_of_name``.

    Raises:
        LongLabelError: the label is longer than ``MAX_LABEL_UNITS``.
        LongPatternError: the pattern's own text leaves no room.
        ValueError: another form of suffix, or a field that names do not have.
    """
    if not _SUFFIX.fullmatch(suffix):
        raise ValueError(f"{suffix!r} is no suffix")
    label = plain(version) if isinstance(version, str) else plain(version.label, otherwise=version.id)
    if _units(label) > MAX_LABEL_UNITS:
        raise LongLabelError(label)
    guests = [guest for guest in map(plain, song.featured) if guest]
    values = {
        "artist": plain(song.artist, otherwise=_NO_ARTIST),
        "title": plain(song.title, otherwise=_NO_TITLE),
        "featured": " & ".join(filter(None, [", ".join(guests[:-1]), *guests[-1:]])),
        "remixer": plain(song.remixer or ""),
        "version": label,
        "language": "" if isinstance(version, str) else _language(song, version, label),
    }
    return _fitted(_allowed(one_line(pattern)), values, suffix, MAX_FILE_UNITS)


def _language(song: SongFacts, version: VersionFacts, label: str) -> str:
    """Return the code of a version in another language, unless its label ends in it already."""
    code = version.language or ""
    told = {song.language, *label.casefold().split()[-1:]}
    return "" if code in told else code.upper()


def folder_name(artist: str, title: str, tempo: str | None = None, key: str | None = None) -> str:
    """Return the name of a package: ``Artist - Title (122 BPM, F# minor)``.

    What is not declared is left out. The result has no fault in the sense of
    ``relkit.filenames.fault_of_name``.
    """
    details = ", ".join(filter(None, (plain(detail or "") for detail in (tempo, key))))
    while _units(details) > _DETAILS_UNITS:
        details = _cut(details, len(details) - 4)
    values = {
        "artist": plain(artist, otherwise=_NO_ARTIST),
        "title": plain(title, otherwise=_NO_TITLE),
        "details": details,
    }
    return _fitted(_FOLDER, values, "", MAX_FOLDER_UNITS)


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


def _shorter(values: Mapping[str, str]) -> Iterator[dict[str, str]]:
    """Yield what the fields hold: all, then less and less of what gives way."""
    shortened = dict(values)
    yield shortened
    lengths = {name: len(text) for name, text in values.items()}
    for name, least in _GIVE_WAY:
        # Nothing longer than the limit can fit; starting there keeps a novel of a title cheap.
        start = min(lengths.get(name, 0), MAX_NAME_BYTES)
        for kept in range(start, least - 1, -1):
            lengths[name] = kept
            shortened = {**shortened, name: _cut(values[name], kept) if kept else ""}
            yield shortened


def _fitted(pattern: str, values: Mapping[str, str], suffix: str, most_units: int) -> str:
    """Fill the pattern in, with less and less of its fields until the name is short enough."""
    shape = read_pattern(pattern)
    for shortened in _shorter(values):
        base = one_line(shape.filled(shortened)).lstrip(". ") or _NO_TITLE
        name = _not_reserved(base + suffix).rstrip(" .")
        if len(name.encode()) <= MAX_NAME_BYTES and _units(name) <= most_units:
            return name
    raise LongPatternError(pattern)


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
