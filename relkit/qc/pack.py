"""The facts of one revision that rules look at, and how its versions hang together.

Relations follow from the axes of the versions, not from their ids.

Conventions
    lead       the full mix that others are compared with: explicit before anything else, in the
               order of the sheet
    times      [s] from the first frame of a version's file

Not here: audio (``ear``), and where the facts come from (``relkit.release.quality``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from relkit.bars import BarMap
from relkit.manifest import SoundFacts, VersionFacts
from relkit.qc.findings import Place, Severity
from relkit.qc.limits import LIMITS
from relkit.sheet import Sheet

SHORTEST_S = 5.0  # what is shorter is no song, and tells nothing of level, tempo or place


@dataclass(frozen=True)
class Bounce:
    """One file of a version.

    Attributes:
        version: its axes.
        name: of the file.
        sound: what the manifest says of it.
        key: what finds its audio again; for whoever opens it.
    """

    version: VersionFacts
    name: str
    sound: SoundFacts
    key: str = ""

    @property
    def id(self) -> str:
        """Id of its version."""
        return self.version.id

    @property
    def is_stem(self) -> bool:
        """Whether it is one file of several that make up a version."""
        return self.version.parts == "stems"

    @property
    def kind(self) -> tuple[str, str, str | None]:
        """Everything but the rating."""
        return (self.version.parts, self.version.form, self.version.language)

    @property
    def is_clean(self) -> bool:
        """Whether it is declared clean of what another version has."""
        return self.version.rating == "clean"


@dataclass(frozen=True)
class Odder:
    """A finding that was made elsewhere: of the sheet, of the cover."""

    rule: str
    name: str
    severity: Severity
    fault: str
    todo: str


@dataclass(frozen=True)
class Pack:
    """One revision.

    Attributes:
        bounces: that can be listened to, in the order of the sheet.
        sheet: as it was committed.
        has_cover: whether there is one.
        cover_odd: what is odd about the picture.
        unheard: versions that are there, but whose audio cannot be read here or is shorter than
            ``SHORTEST_S``: no rule listens to them.
    """

    bounces: tuple[Bounce, ...]
    sheet: Sheet
    has_cover: bool = False
    cover_odd: tuple[Odder, ...] = ()
    unheard: tuple[VersionFacts, ...] = ()

    @property
    def versions(self) -> tuple[VersionFacts, ...]:
        """All versions, each once."""
        found = {one.id: one for one in (*(bounce.version for bounce in self.bounces), *self.unheard)}
        return tuple(found.values())

    def limit(self, name: str) -> float:
        """Return a limit that has a number: the sheet's, or the default."""
        found = self.limit_or_none(name)
        if found is None:
            raise ValueError(f"limit {name!r} has no default")
        return found

    def limit_or_none(self, name: str) -> float | None:
        """Return a limit, or None where none is set."""
        return self.sheet.limits.get(name, LIMITS[name].default)

    @property
    def whole(self) -> tuple[Bounce, ...]:
        """All but stems."""
        return tuple(one for one in self.bounces if not one.is_stem)

    def find(self, parts: str, form: str) -> list[Bounce]:
        """Return the versions with these parts and this form; those that may be explicit come first."""
        found = [one for one in self.whole if (one.version.parts, one.version.form) == (parts, form)]
        return sorted(found, key=lambda one: not one.version.may_be_explicit)

    @property
    def lead(self) -> Bounce | None:
        """The version that tells tempo, key and level of the song; None without a full mix."""
        songs = self.find("full", "song") or [one for one in self.whole if one.version.parts == "full"]
        return next(iter(songs), None)

    def groups(self) -> dict[str, list[Bounce]]:
        """Return the versions of each length group, its full mixes first."""
        found: dict[str, list[Bounce]] = {}
        for one in self.bounces:
            found.setdefault(one.version.length_group, []).append(one)
        order = {one.name: place for place, one in enumerate(self.find("full", "song"))}
        for group in found.values():
            group.sort(key=lambda one: (order.get(one.name, 99), one.version.parts != "full"))
        return found

    def explicit_of(self, clean: Bounce) -> Bounce | None:
        """Return what a clean version was made from: the same in length and kind, but may be explicit."""
        return next(
            (
                one
                for one in self.whole
                if one.version.rating == "explicit"
                and one.kind == clean.kind
                and one.version.length_group == clean.version.length_group
            ),
            None,
        )

    def clean_pairs(self) -> Iterator[tuple[Bounce, Bounce]]:
        """Yield every clean version with the explicit one beside it."""
        for clean in self.whole:
            explicit = self.explicit_of(clean) if clean.is_clean else None
            if explicit is not None:
                yield clean, explicit

    def song_of(self, edit: Bounce) -> Bounce | None:
        """Return the song that a DJ edit holds: full, of the same rating and language."""
        songs = [one for one in self.find("full", "song") if one.version.language == edit.version.language]
        return next((one for one in songs if one.version.rating == edit.version.rating), None)

    def dj_edits(self) -> Iterator[tuple[Bounce, Bounce]]:
        """Yield every DJ edit with its song."""
        for edit in self.whole:
            song = self.song_of(edit) if edit.version.form == "dj-edit" else None
            if song is not None and edit.version.parts == "full":
                yield edit, song

    def voice_of(self, version: Bounce) -> Bounce | None:
        """Return the explicit acapella in a version's length group and language."""
        return next(
            (
                one
                for one in self.find("acapella", "song")
                if one.version.length_group == version.version.length_group
                and not one.is_clean
                and one.version.language == version.version.language
            ),
            None,
        )

    def place(self, start_s: float, end_s: float | None = None, *, later_by_s: float = 0.0) -> Place:
        """Return a place in a file.

        Args:
            later_by_s: by how much the song starts later in it than in the song's own version.
        """
        start = round(1000 * max(start_s, 0.0))
        end = start if end_s is None else max(start, round(1000 * end_s))
        bars: BarMap = self.sheet.bars.later_by(Fraction(round(later_by_s * 1_000_000), 1_000_000))
        first, last = bars.bar_at(Fraction(start, 1000)), bars.bar_at(Fraction(end, 1000))
        if first is None or last is None:
            return Place(start, end)
        if str(first) == str(last):
            return Place(start, end, str(first))
        return Place(start, end, f"bars {str(first)[4:]}-{str(last)[4:]}")
