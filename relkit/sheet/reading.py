"""From the text of a release sheet to the model, with every fault at its line.

All faults are looked for before the first is raised, so that a person mends
the sheet once. Places are worked out only then: a good sheet costs one pass
of ``tomllib``.

Not here: single values (``fields``), the grid (``bar_reading``).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path as FilePath
from typing import Any

from relkit.bars import BarMap
from relkit.filenames import twins
from relkit.sheet import codes, fields
from relkit.sheet.bar_reading import BAR_FIELDS, make_bar_map
from relkit.sheet.errors import NoSheetError, SheetError, SheetFault
from relkit.sheet.fields import Field, WrongValueError, nearest, quoted
from relkit.sheet.lines import Lines, Path, first_bad_statement, most_nested_key
from relkit.sheet.model import (
    APPROVERS,
    DEFAULT_COVER,
    ENDINGS,
    FORMAT,
    SIGHT_RATINGS,
    Sheet,
    VersionEntry,
)
from relkit.vocabulary import FORMS, PARTS, RATINGS, REMOVABLE, WELL_KNOWN, Version, is_slug

MAX_SIZE_BYTES = 1_000_000  # a sheet is a page or two; more is some other file
MAX_DOTS = 16  # in one key; tomllib's time grows with their cube
BOM = "\ufeff"

_TEXTS = fields.list_of(fields.text)

TOP_FIELDS = {
    "format": Field(fields.number(low=1, high=1_000_000, unit="whole steps")),
    "artist": Field(fields.text, required=True),
    "title": Field(fields.text, required=True),
    "title_rating": Field(fields.one_of(SIGHT_RATINGS)),
    "clean_title": Field(fields.text),
    "featured": Field(_TEXTS),
    "remixer": Field(fields.text),
    "album": Field(fields.text),
    "label": Field(fields.text),
    "publisher": Field(fields.text),
    "genre": Field(fields.text),
    "release_date": Field(codes.date),
    "embargo": Field(codes.moment),
    "end_date": Field(codes.date),
    "language": Field(codes.language),
    "composers": Field(_TEXTS),
    "lyricists": Field(_TEXTS),
    "copyright": Field(fields.text),
    "gtin": Field(codes.gtin),
    "pronunciation": Field(fields.text),
    "promo_line": Field(fields.text_or_none),
    "contact": Field(fields.text),
    "key": Field(codes.key),
    "bars": Field(fields.table),
    "credits": Field(fields.credits_table),
    "versions": Field(fields.table),
    "artwork": Field(fields.table),
    "names": Field(fields.table),
    "package": Field(fields.table),
    "approvals": Field(fields.list_of(fields.one_of(APPROVERS))),
    "limits": Field(fields.limits),
}
VERSION_FIELDS = {
    "file": Field(fields.relative_path),
    "folder": Field(fields.relative_path),
    "parts": Field(fields.one_of(PARTS)),
    "form": Field(fields.one_of(FORMS)),
    "rating": Field(fields.one_of(RATINGS)),
    "language": Field(codes.language),
    "removed": Field(fields.list_of(fields.one_of(REMOVABLE))),
    "label": Field(fields.text),
    "isrc": Field(codes.isrc),
    "length_group": Field(fields.slug),
    "ending": Field(fields.one_of(ENDINGS)),
    "last_words": Field(fields.text),
    "talk_up_s": Field(fields.number(low=0, high=86_400, unit="seconds")),
}
ARTWORK_FIELDS = {
    "cover": Field(fields.relative_path),
    "rating": Field(fields.one_of(SIGHT_RATINGS)),
    "clean_cover": Field(fields.relative_path),
    "size_px": Field(fields.whole(low=300, high=8_000, unit="pixels")),
    "embedded_px": Field(fields.whole(low=100, high=2_000, unit="pixels")),
}
BESIDE_THE_AXES = ("isrc", "ending", "last_words", "talk_up_s")  # facts of a file, no axes of its version
PACKAGE_FIELDS = {"pattern": Field(fields.pattern)}


def read_sheet(path: FilePath) -> Sheet:
    """Read a sheet from its file.

    Raises:
        SheetError: with all faults of the sheet.
        NoSheetError: there is no such file.
        OSError: the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MAX_SIZE_BYTES + 1)
    except FileNotFoundError as error:
        raise NoSheetError(path.name) from error
    return parse_sheet(decode_sheet(data, path.name), path.name)


def decode_sheet(data: bytes, name: str = "release.toml") -> str:
    """Return a sheet's bytes as text, line ends as they are, without a byte order mark.

    Raises:
        SheetError: too large, or not UTF-8.
    """
    if len(data) > MAX_SIZE_BYTES:
        fault = f"the sheet is larger than {MAX_SIZE_BYTES:,} bytes"
        raise SheetError(name, [SheetFault(1, fault, "A sheet is a page or two: is this the right file?")])
    try:
        return data.decode("utf-8").removeprefix(BOM)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        hint = "Save the sheet as UTF-8 in your editor."
        raise SheetError(name, [SheetFault(line, "the text is not UTF-8", hint)]) from error


def parse_sheet(text: str, name: str = "release.toml") -> Sheet:
    """Read a sheet from its text.

    Args:
        text: TOML; either kind of line end, with or without a byte order mark.
        name: what messages call the file.

    Raises:
        SheetError: with all faults of the sheet.
    """
    text = text.removeprefix(BOM)
    document = load_toml(text, name)
    reader = _Reader()
    sheet = reader.sheet(document, text, name)
    if reader.faults:
        lines = Lines(text)
        raise SheetError(name, [SheetFault(lines.line_of(path), *rest) for path, *rest in reader.faults])
    return sheet


def load_toml(text: str, name: str) -> dict[str, Any]:
    """Return the document, floats as exact decimals.

    Raises:
        SheetError: not TOML.
    """
    if any(line.count(".") > MAX_DOTS for line in text.splitlines()):
        dots, line = most_nested_key(text)
        if dots > MAX_DOTS:
            raise SheetError(name, [SheetFault(line, "a key has too many dots", _SIGNS)])
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError) as error:
        raise SheetError(name, [_syntax_fault(text, error)]) from error


_SIGNS = "Look at the quotes, brackets and equals signs of this line."


def _syntax_fault(text: str, error: Exception) -> SheetFault:
    """Say in a person's words what ``tomllib`` found, and where."""
    what = str(error)
    place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", what)
    if place is None:  # no syntax error but a value that Python cannot hold
        return SheetFault(first_bad_statement(text) or 1, "this cannot be read", _SIGNS)
    what, hint = what[: place.start()], _SIGNS
    if what.startswith("Invalid value"):
        hint = 'Text stands in quotes: title = "...". ' + _SIGNS
    elif "Cannot" in what:
        hint = "The same key or table is there twice: keep one of them."
    if place[1] is None:
        line = first_bad_statement(text) or text.rstrip().count("\n") + 1
        return SheetFault(line, f"{what} (to the end of the sheet)", hint)
    return SheetFault(int(place[1]), f"{what} (column {place[2]})", hint)


class _Reader:
    """Reads one document; faults pile up with their paths."""

    def __init__(self) -> None:
        self.faults: list[tuple[Path, str, str]] = []

    def sheet(self, document: dict[str, Any], text: str, name: str) -> Sheet:
        """Return the sheet; it is worth something only if there are no faults."""
        top = self.table((), document, TOP_FIELDS)
        if top.get("format", FORMAT) != FORMAT:
            found = top["format"]
            self.fault(
                ("format",), f"sheet format {found} is not known", "It may need a newer relkit: update it."
            )
        bars = self.table(("bars",), top.pop("bars", {}), BAR_FIELDS)
        artwork = self.table(("artwork",), top.pop("artwork", {}), ARTWORK_FIELDS)
        package = self.table(("package",), top.pop("package", {}), PACKAGE_FIELDS)
        cover, clean_cover = artwork.get("cover", DEFAULT_COVER), artwork.get("clean_cover")
        versions = self.versions(top.pop("versions", None))
        self.check_paths(versions, {"cover": cover, "clean_cover": clean_cover})
        bar_map = BarMap()
        with self.noting(("bars",)):
            bar_map = make_bar_map(bars)
        names = self.names(top.pop("names", {}), versions)
        top.pop("format", None)
        return Sheet(
            **{"artist": "", "title": "", **top},
            bars=bar_map,
            versions=versions,
            cover=cover,
            cover_rating=artwork.get("rating"),
            clean_cover=clean_cover,
            **{f"cover_{name}": artwork[name] for name in ("size_px", "embedded_px") if name in artwork},
            names=names,
            package_pattern=package.get("pattern"),
            text=text,
            name=name,
        )

    def fault(self, path: Path, fault: str, hint: str) -> None:
        """Note one fault."""
        self.faults.append((path, fault, hint))

    @contextmanager
    def noting(self, path: Path) -> Iterator[None]:
        """Note the fault of a check instead of passing it on."""
        try:
            yield
        except WrongValueError as wrong:
            self.fault((*path, *wrong.within), wrong.fault, wrong.hint)

    def table(self, path: Path, raw: Mapping[str, Any], known: Mapping[str, Field]) -> dict[str, Any]:
        """Check the keys of one table; what is wrong or absent is left out."""
        where = f"[{'.'.join(map(str, path))}]" if path else "a sheet"
        misspelt: set[str | None] = set()
        for name in raw:
            if name not in known:
                meant = nearest(name, [one for one in known if one not in raw])
                misspelt.add(meant)
                hint = f'Did you mean "{meant}"?' if meant else f"{where} has: {', '.join(known)}."
                self.fault((*path, name), f"key {quoted(name)} is not known here", hint)
        found: dict[str, Any] = {}
        for name, entry in known.items():
            if name in raw:
                with self.noting((*path, name)):
                    found[name] = entry.check(name, raw[name])
            elif entry.required and name not in misspelt:
                self.fault(path, f"{name} is missing", f'Add a line {name} = "...".')
        return found

    def versions(self, raw: dict[str, Any] | None) -> dict[str, VersionEntry]:
        """Read the versions; without any, the well-known ones at their usual places."""
        if raw is None:
            return {known.id: VersionEntry(known, f"bounces/{known.id}.wav") for known in WELL_KNOWN.values()}
        entries: dict[str, VersionEntry] = {}
        for version_id, inner in raw.items():
            path: Path = ("versions", version_id)
            if not is_slug(version_id):
                self.fault(path, f"version {quoted(version_id)} is not a short id", fields.SLUG_HINT)
                continue
            with self.noting(path):
                table = fields.table(f"versions.{version_id}", inner)
                entries[version_id] = self.version(path, version_id, table)
        return entries

    def version(self, path: Path, version_id: str, raw: dict[str, Any]) -> VersionEntry:
        """Read one version; a well-known id brings its axes with it, but never a rating."""
        noted = len(self.faults)
        table = self.table(path, raw, VERSION_FIELDS)
        usual = WELL_KNOWN.get(version_id)
        if "file" in raw and "folder" in raw:
            self.fault(
                (*path, "folder"), f"{version_id} has both file and folder", "Keep the one that holds it."
            )
        if usual is None and "parts" not in raw:
            self.fault(path, f"{version_id} does not say its parts", f"Add parts: {fields.or_list(PARTS)}.")
        place = table.pop("file", None)
        folder = table.pop("folder", None)
        beside = {name: table.pop(name) for name in BESIDE_THE_AXES if name in table}
        if len(self.faults) > noted:
            return VersionEntry(Version(version_id), "")
        axes = {"parts": usual.parts, "form": usual.form} if usual else {}
        version = Version(version_id, **{**axes, **table})
        path_of_it = folder or place or f"bounces/{version_id}.wav"
        return VersionEntry(version, path_of_it, folder is not None, **beside)

    def check_paths(self, versions: Mapping[str, VersionEntry], covers: Mapping[str, str | None]) -> None:
        """Every file has one meaning, also where case and Unicode form do not count."""
        owners = [
            (f"version {one.version.id}", _path_of(one), one.path) for one in versions.values() if one.path
        ]
        owners += [
            (f"the {name.replace('_', ' ')}", ("artwork", name), path)
            for name, path in covers.items()
            if path
        ]
        first_at: dict[str, tuple[str, Path]] = {}
        for owner, where, path in owners:
            first, _ = first_at.setdefault(path, (owner, where))
            if first != owner:
                fault = f"{first} and {owner} point to one file, {quoted(path)}"
                self.fault(where, fault, "Give each its own file.")
        for one, other in twins(first_at):
            pair = f"{quoted(one)} and {quoted(other)}"
            fault, hint = f"{pair} differ only in case or accents", "Spell both alike, or rename one."
            if other.startswith(f"{one}/") or one.startswith(f"{other}/"):
                fault, hint = f"{pair} cannot both exist", "Put no file into another version's folder."
            self.fault(first_at[other][1], fault, hint)

    def names(self, raw: Mapping[str, Any], versions: Mapping[str, VersionEntry]) -> dict[str, str]:
        """Read the remembered answers."""
        if not raw:
            return {}
        from relkit.vocabulary.cutting import phrase_of  # brings the words of file names with it

        found: dict[str, str] = {}
        known = fields.one_of(dict.fromkeys((*versions, *WELL_KNOWN)))
        for phrase, answer in raw.items():
            key = phrase_of(phrase)
            with self.noting(("names", phrase)):
                found[key] = known("version", answer)
            if not key:
                self.fault(("names", phrase), f"{quoted(phrase)} has no words", "Delete the line.")
        return found


def _path_of(entry: VersionEntry) -> Path:
    """Return the place of a version's path in the document."""
    return ("versions", entry.version.id, "folder" if entry.is_folder else "file")
