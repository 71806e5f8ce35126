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
from fractions import Fraction
from functools import cached_property
from pathlib import Path

from relkit.bars import BarMap
from relkit.sheet.lines import Lines
from relkit.vocabulary import Key, Version

FORMAT = 1
DEFAULT_COVER = "artwork/cover.png"
DEFAULT_COVER_PX = 3000  # common practice, no source: what shops and distributors ask for
DEFAULT_EMBEDDED_PX = 600  # common practice, no source: what hardware players show without a pause
DEFAULT_PROMO_LINE = "For promotional use only"
ENDINGS = ("cold", "fade")
SIGHT_RATINGS = ("explicit", "clean")  # of what is read or seen
APPROVERS = ("artist", "label", "mastering")


@dataclass(frozen=True)
class VersionEntry:
    """A version that the release has, and the bounce that holds it.

    Attributes:
        version: its id and axes.
        path: the bounce; a folder of files if ``is_folder`` (stems).
        isrc: 12 characters without hyphens.
        ending: "cold" or "fade".
        last_words: the last words that are sung or spoken.
        talk_up_s: from the start of the file to the first word [s]; goes before what is measured.
    """

    version: Version
    path: str
    is_folder: bool = False
    isrc: str | None = None
    ending: str | None = None
    last_words: str | None = None
    talk_up_s: Fraction | None = None


@dataclass(frozen=True)
class Sheet:
    """One release sheet.

    Attributes:
        title_rating: "explicit" or "clean" as declared; see ``relkit.sheet.checks.title_is_explicit``.
        clean_title: instead of the title for whoever must not read that.
        embargo: not to be played or published before; has a zone.
        end_date: last day of use.
        gtin: digits only, check digit checked.
        credits: roles and their names, in the order of the sheet.
        promo_line: what recipients read; "" for none.
        versions: in the order of the sheet, by id.
        cover_rating: "explicit" or "clean" as declared; None counts as clean.
        clean_cover: instead of the cover for whoever must not see that.
        cover_size_px, cover_embedded_px: longest side of the cover beside the files and inside them.
        names: answers about file names, phrase to version id, for ``recognise``.
        approvals: who has to agree to a revision before it is shipped, out of ``APPROVERS``.
        limits: limits of rules that the sheet sets itself, by name.
        package_pattern: pattern of file names in a package.
        text, name: what it was read from.
    """

    artist: str
    title: str
    title_rating: str | None = None
    clean_title: str | None = None
    featured: tuple[str, ...] = ()
    remixer: str | None = None
    album: str | None = None
    label: str | None = None
    publisher: str | None = None
    genre: str | None = None
    release_date: dt.date | None = None
    embargo: dt.datetime | None = None
    end_date: dt.date | None = None
    language: str | None = None
    composers: tuple[str, ...] = ()
    lyricists: tuple[str, ...] = ()
    copyright: str | None = None
    gtin: str | None = None
    credits: tuple[tuple[str, tuple[str, ...]], ...] = ()
    pronunciation: str | None = None
    promo_line: str = DEFAULT_PROMO_LINE
    contact: str | None = None
    key: Key | None = None
    bars: BarMap = field(default_factory=BarMap)
    versions: Mapping[str, VersionEntry] = field(default_factory=dict)
    cover: str = DEFAULT_COVER
    cover_rating: str | None = None
    clean_cover: str | None = None
    cover_size_px: int = DEFAULT_COVER_PX
    cover_embedded_px: int = DEFAULT_EMBEDDED_PX
    names: Mapping[str, str] = field(default_factory=dict)
    package_pattern: str | None = None
    approvals: tuple[str, ...] = ()
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

    def declares(self, *path: str | int) -> bool:
        """Return whether a key or table stands in the text, and not only its default in the model."""
        return path in self._lines

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
