"""Many releases at once: who holds what over a whole folder of them.

What ``shipments`` says of each release is kept in one SQLite file in the user's
folder. A release is read again only when its references have changed; that is
asked of the file system, not of Git. The index may be deleted at any time, and
is made anew if SQLite cannot use it.

Conventions
    place          absolute path of a release folder
    fingerprint    names, sizes and times of whatever holds the store's references

Not here: one release (``shipments``). Nothing of this leaves the user's folder.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from relkit.errors import RelkitError, UsageError
from relkit.filenames import shown
from relkit.manifest import ReleaseFacts
from relkit.release.home import Home
from relkit.release.recipients import AddressBook, Recipient, choose
from relkit.release.shipments import Filter, Holding, names_of, shipments_with
from relkit.release.workspace import INSIDE, STORE, Workspace

_FORMAT = 1  # another number whenever the tables or the meaning of a row change
_TABLES = """
CREATE TABLE releases (
    number INTEGER PRIMARY KEY, place TEXT NOT NULL UNIQUE, fingerprint TEXT NOT NULL,
    release_id TEXT NOT NULL, artist TEXT NOT NULL, title TEXT NOT NULL, newest INTEGER NOT NULL, fault TEXT);
CREATE TABLE holdings (
    release INTEGER NOT NULL, recipient_id TEXT NOT NULL, kind TEXT, shipped_on TEXT NOT NULL,
    shipment TEXT NOT NULL, state TEXT NOT NULL, owed INTEGER NOT NULL, versions TEXT NOT NULL,
    row TEXT NOT NULL);
CREATE TABLE names (release INTEGER NOT NULL, recipient_id TEXT NOT NULL, name TEXT NOT NULL, kind TEXT);
CREATE INDEX holdings_by_day ON holdings (shipped_on DESC, shipment DESC);
CREATE INDEX holdings_by_recipient ON holdings (recipient_id);
CREATE INDEX holdings_owed ON holdings (owed, shipped_on DESC);
CREATE INDEX holdings_of_release ON holdings (release);
CREATE INDEX names_of_release ON names (release);
"""
_REFERENCES = ("packed-refs", "refs/heads", "refs/heads/revisions", "refs/tags/shipped", "refs/tags/records")
_DEEPEST = 6  # folders below the given one in which releases are looked for

Progress = Callable[[str, int, int], None]


class NoReleasesError(UsageError):
    """There is no release below a folder."""


@dataclass(frozen=True)
class LabelHolding:
    """What somebody holds of one release."""

    release: str
    artist: str
    title: str
    newest: int
    holding: Holding


@dataclass(frozen=True)
class LabelReport:
    """What is held of many releases, the newest shipment first.

    Attributes:
        releases: how many there are below the folder.
        fits: how many holdings fit, of which ``holdings`` may be the first.
        owed: how many of those ask for something new.
        faults: releases that could not be read, and why.
    """

    releases: int
    fits: int
    owed: int
    holdings: list[LabelHolding]
    faults: dict[str, str] = field(default_factory=dict)


def label_shipments(
    folder: Path,
    home: Home,
    wanted: Filter | None = None,
    *,
    limit: int | None = None,
    progress: Progress | None = None,
) -> LabelReport:
    """Return who holds what of all releases below a folder.

    Args:
        limit: the most holdings to return; None returns all.

    Raises:
        UsageError: no release there, nobody of that name, or a filter that makes no sense.
    """
    folder = folder.absolute()
    places = list(find_releases(folder))
    if not places:
        raise NoReleasesError(
            f"there is no release below {shown(folder)}", hint="Give the folder they lie in."
        )
    with contextlib.closing(Index(home.folder / "label-index.sqlite")) as index:
        index.refresh(folder, places, home, progress)
        return index.ask(folder, wanted or Filter(), home, limit)


def find_releases(folder: Path) -> Iterator[Path]:
    """Yield the release folders at or below a folder, in order; nothing is looked for inside of one."""
    waiting = [(folder, 0)]
    while waiting:
        here, depth = waiting.pop()
        try:
            with os.scandir(here) as found:
                inside = sorted(each.name for each in found if each.is_dir(follow_symlinks=False))
        except OSError:
            continue  # no permission, or gone meanwhile
        if INSIDE in inside:
            yield here
        elif depth < _DEEPEST:
            waiting += [(here / name, depth + 1) for name in reversed(inside) if not name.startswith(".")]


def fingerprint(release: Path) -> str:
    """Return what changes whenever a record or revision is added, without opening any file."""
    store = os.fspath(release / STORE)
    marks = []
    for name in _REFERENCES:
        try:
            about = os.stat(f"{store}/{name}")  # noqa: PTH116 - 10,000 of these; Path objects take longer than they
            marks.append(f"{about.st_mtime_ns} {about.st_size} {about.st_ino}")
        except OSError:
            marks.append("-")
    return ";".join(marks)


class Index:
    """The SQLite file. Made anew where it cannot be used; in memory where it cannot be written."""

    def __init__(self, path: Path) -> None:
        self._base = _opened(path)

    def save(self) -> None:
        """Keep what was added."""
        self._base.commit()

    def close(self) -> None:
        """Let go of the file."""
        self._base.close()

    def refresh(self, folder: Path, places: list[Path], home: Home, progress: Progress | None = None) -> int:
        """Read whatever has changed below a folder, and return how many releases that was.

        A release that is damaged keeps its place, with the fault, and is tried again each time.

        Args:
            places: all release folders that are there.
        """
        below, values = _below(folder)
        rows = self._base.execute(f"SELECT place, fingerprint FROM releases WHERE {below}", values)  # noqa: S608
        known = dict(rows.fetchall())
        marks = {os.fspath(place): fingerprint(place) for place in places}
        changed = [place for place, mark in marks.items() if known.get(place) != mark]
        with self._base:
            for place in known.keys() - marks.keys():  # moved or deleted
                self._forget(place)
        for done, place in enumerate(changed):
            if progress:
                progress("reading releases", done, len(changed))
            with self._base:
                self._take_in(place, marks[place], home)
        return len(changed)

    def _take_in(self, place: str, mark: str, home: Home) -> None:
        """Replace what is known of one release."""
        workspace = Workspace(Path(place), home)
        holdings: list[Holding] = []
        names: list[tuple[str, str, str | None]] = []
        facts, number, release_id, fault = ReleaseFacts(artist="", title=Path(place).name), 0, "", None
        try:
            report, book, newest = shipments_with(workspace)
            holdings, names, number = report.holdings, names_of(book), report.newest
            release_id = workspace.release_id
            facts = newest.release if newest else facts
        except (RelkitError, OSError) as error:
            fault = str(error)
        finally:
            workspace.close()
        self._forget(place)
        mark = "" if fault else mark
        self.add(place, mark, (release_id, facts.artist, facts.title, number, fault), holdings, names)

    def _forget(self, place: str) -> None:
        old = self._base.execute("SELECT number FROM releases WHERE place = ?", (place,)).fetchone()
        if old is not None:
            self._base.execute("DELETE FROM holdings WHERE release = ?", old)
            self._base.execute("DELETE FROM names WHERE release = ?", old)
            self._base.execute("DELETE FROM releases WHERE number = ?", old)

    def add(
        self,
        place: str,
        mark: str,
        facts: tuple[str, str, str, int, str | None],
        holdings: list[Holding],
        names: list[tuple[str, str, str | None]],
    ) -> None:
        """Add one release: its id, artist, title, newest revision and fault, and what is held of it."""
        release = self._base.execute(
            "INSERT INTO releases (place, fingerprint, release_id, artist, title, newest, fault)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (place, mark, *facts),
        ).lastrowid
        self._base.executemany(
            "INSERT INTO holdings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            ((release, *_row(each)) for each in holdings),
        )
        self._base.executemany("INSERT INTO names VALUES (?, ?, ?, ?)", ((release, *each) for each in names))

    def ask(self, folder: Path, wanted: Filter, home: Home, limit: int | None) -> LabelReport:
        """Answer from what is known; see ``label_shipments``."""
        below, values = _below(folder)
        places = self._base.execute(
            f"SELECT place, fault FROM releases WHERE {below}",  # noqa: S608 - our own words, values bound
            values,
        ).fetchall()
        where = [below]
        clauses = self._clauses(wanted, home)
        where += [clause for clause, _value in clauses]
        values += [value for _clause, value in clauses if value is not None]
        tables = f"FROM holdings JOIN releases ON number = release WHERE {' AND '.join(where)}"
        fits, owed = self._base.execute(f"SELECT count(*), total(owed) {tables}", values).fetchone()
        rows = self._base.execute(
            f"SELECT place, artist, title, newest, row {tables}"
            " ORDER BY shipped_on DESC, shipment DESC LIMIT ?",
            [*values, -1 if limit is None else limit],
        )
        holdings = [
            LabelHolding(os.path.relpath(place, folder), artist, title, newest, Holding(**json.loads(row)))
            for place, artist, title, newest, row in rows
        ]
        faults = {os.path.relpath(place, folder): fault for place, fault in places if fault}
        return LabelReport(len(places), fits, int(owed), holdings, faults)

    def _clauses(self, wanted: Filter, home: Home) -> list[tuple[str, str | None]]:
        """Return the conditions of a filter, each with its value."""
        found: list[tuple[str, str | None]] = [
            (clause, value)
            for clause, value in (
                ("kind = ?", wanted.kind),
                ("shipped_on >= ?", wanted.since),
                ("shipped_on <= ?", wanted.until),
                ("state = ?", wanted.state),
                ("instr(versions, ?)", f" {wanted.version} " if wanted.version else None),
            )
            if value is not None
        ]
        if wanted.outdated:
            found.append(("owed", None))
        if wanted.recipient is not None:
            found.append(("recipient_id = ?", self._who(wanted.recipient, home).id))
        return found

    def _who(self, text: str, home: Home) -> Recipient:
        """Find a recipient by any name that they had in any release, or have now."""
        rows = self._base.execute("SELECT DISTINCT recipient_id, name, kind FROM names")
        named = [Recipient(who, name, kind or "") for who, name, kind in rows]
        everybody = [*AddressBook(home.folder).everybody(), *named]
        meant = [each for each in everybody if each.matches(text)]
        received = {each.id for each in named}
        likely = [each for each in meant if each.id in received]
        return choose(
            text,
            likely or meant or everybody,
            hint="relkit recipients list shows who is in the address book.",
        )


def _below(folder: Path) -> tuple[str, list[str]]:
    """Return the condition that a place is a folder or lies below it, and its values."""
    top = os.fspath(folder).rstrip("/")
    # A path below begins with it and a separator; "0" comes right after "/".
    return "(place = ? OR (place > ? AND place < ?))", [top, f"{top}/", f"{top}0"]


def _row(holding: Holding) -> tuple[Any, ...]:
    """Return a holding as the table has it; without an id for its release."""
    return (
        holding.recipient_id,
        holding.kind,
        holding.shipped_on,
        holding.shipment,
        holding.state,
        int(holding.is_owed),
        f" {' '.join(holding.versions)} ",
        json.dumps(asdict(holding)),
    )


def _opened(path: Path) -> sqlite3.Connection:
    for attempt in range(2):
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            path.touch(mode=0o600)  # it has names in it
            return _ready(sqlite3.connect(path, timeout=10))
        except (sqlite3.Error, OSError):
            if attempt == 0:
                with contextlib.suppress(OSError):
                    path.unlink()
    return _ready(sqlite3.connect(":memory:"))


def _ready(base: sqlite3.Connection) -> sqlite3.Connection:
    """Return the base with its tables; those of another format are made anew."""
    try:
        base.execute("PRAGMA synchronous = OFF")  # a lost index is built again
        if base.execute("PRAGMA user_version").fetchone()[0] != _FORMAT:
            with base:
                for (table,) in base.execute(
                    "SELECT name FROM sqlite_master WHERE type = 'table'"
                ).fetchall():
                    base.execute(f'DROP TABLE "{table}"')
                base.executescript(_TABLES)
                base.execute(f"PRAGMA user_version = {_FORMAT}")
    except sqlite3.Error:
        base.close()
        raise
    return base
