"""What a release sheet says, checked.

Conventions
    paths    relative to the release folder, forward slashes
    None     not declared

Not here: reading and checking (``reading``), where defaults are documented
(``docs/reference/sheet.md``).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from relkit.bars import BarMap
from relkit.sheet.lines import Lines
from relkit.vocabulary import Key, Version

FORMAT = 1
DEFAULT_COVER = "artwork/cover.png"


@dataclass(frozen=True)
class VersionEntry:
    """A version that the release has, and the bounce that holds it.

    Attributes:
        version: its id and axes.
        path: the bounce; a folder of files if ``is_folder`` (stems).
        isrc: 12 characters without hyphens.
    """

    version: Version
    path: str
    is_folder: bool = False
    isrc: str | None = None


@dataclass(frozen=True)
class Sheet:
    """One release sheet.

    Attributes:
        versions: in the order of the sheet, by id.
        names: answers about file names, phrase to version id, for ``recognise``.
        limits: limits of rules that the sheet sets itself, by name.
        package_pattern: pattern of file names in a package.
        text, name: what it was read from.
    """

    artist: str
    title: str
    featured: tuple[str, ...] = ()
    remixer: str | None = None
    label: str | None = None
    genre: str | None = None
    release_date: dt.date | None = None
    language: str | None = None
    composers: tuple[str, ...] = ()
    copyright: str | None = None
    contact: str | None = None
    key: Key | None = None
    bars: BarMap = field(default_factory=BarMap)
    versions: Mapping[str, VersionEntry] = field(default_factory=dict)
    cover: str = DEFAULT_COVER
    names: Mapping[str, str] = field(default_factory=dict)
    package_pattern: str | None = None
    limits: Mapping[str, float] = field(default_factory=dict)
    text: str = field(default="", repr=False, compare=False)
    name: str = field(default="release.toml", compare=False)

    @classmethod
    def read(cls, path: Path) -> Sheet:
        """Read a sheet from its file.

        Raises:
            NoSheetError: there is no such file.
            SheetError: with all faults of the sheet.
        """
        from relkit.sheet.reading import read_sheet  # it makes sheets, so it comes after this module

        return read_sheet(path)

    @classmethod
    def parse(cls, text: str, path: Path = Path("release.toml")) -> Sheet:
        """Read a sheet from its text; ``path`` is only for messages.

        Raises:
            SheetError: with all faults of the sheet.
        """
        from relkit.sheet.reading import parse_sheet

        return parse_sheet(text, path.name)

    def key_tkey(self) -> str | None:
        """Return the key as a TKEY frame holds it ("F#m"), or None."""
        return self.key.tkey if self.key is not None else None

    def line_of(self, *path: str | int) -> int:
        """Return the line of a key, or of what is nearest around it: ``line_of("versions", "clean")``."""
        return self._lines.line_of(path)

    def version_at(self, path: str) -> VersionEntry | None:
        """Return the version whose bounce is this path, or lies in this folder of stems."""
        return next(
            (
                entry
                for entry in self.versions.values()
                if path == entry.path or (entry.is_folder and path.startswith(f"{entry.path}/"))
            ),
            None,
        )

    @property
    def declared(self) -> dict[str, Version]:
        """The versions by id, without their files; what ``recognise`` takes."""
        return {version_id: entry.version for version_id, entry in self.versions.items()}

    @cached_property
    def _lines(self) -> Lines:
        return Lines(self.text)
