"""Nothing explicit by a slip: 10,000 random combinations, and what each gate looks at.

The judge here knows nothing of rules and gates. It looks at what a package would
hold, file by file and text by text, and says whether a listener who excludes
explicit material would hear, read or see any.
"""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from relkit.errors import UsageError
from relkit.manifest import FileEntry, RevisionManifest, VersionFacts
from relkit.pack import names
from relkit.pack.facts import song_facts
from relkit.release import gates, wants
from relkit.release.ledger import Ledger
from relkit.release.recipients import Recipient
from relkit.release.workspace import VerifiedRevision
from relkit.sheet import Sheet
from relkit.sheet.model import VersionEntry
from relkit.store.revisions import Held
from relkit.vocabulary import Version
from relkit.vocabulary.recipients import RecipientKind
from relkit.vocabulary.versions import FORMS, PARTS, REMOVABLE

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
WORD = "Gutterworm"  # stands for a word that not everybody may read
EXCLUDING = {
    "radio-programme",
    "mix-show",
    "event-dj",
    "arena",
    "sync",
}  # design, section 1: who plays to whom
IDS = (
    "main",
    "explicit",
    "clean",
    "radio",
    "instrumental",
    "acapella",
    "acapella-clean",
    "dj",
    "dj-clean",
    "tv",
)
TITLES = (
    ("Lanterns on the Weir", None),
    ("Lanterns on the Weir", "explicit"),
    (f"{WORD} Nights", "explicit"),
    (f"{WORD} Nights (Explicit)", None),
    ("Lanterns (Dirty)", None),
    ("L***y Lanterns", None),
)


def random_sheet(chance: random.Random) -> Sheet:
    """Return a sheet with any versions, rated well, badly or not at all, and any title and cover."""
    title, rating = chance.choice(TITLES)
    versions = {}
    for version_id in chance.sample(IDS, chance.randint(1, 6)):
        rated = chance.choice(("explicit", "clean", "no-edit-needed", None, None))
        removed = tuple(chance.sample(REMOVABLE, chance.randint(0, 3))) if rated == "clean" else ()
        label = chance.choice(("", "", "", "Explicit", f"{WORD} Mix", "Late Edit"))
        version = Version(
            version_id,
            parts=chance.choice(PARTS),
            form=chance.choice(FORMS),
            rating=rated,
            removed=removed,
            label=label,
        )
        words = chance.choice((None, None, "and out", f"oh {WORD.lower()} nights", "f***"))
        versions[version_id] = VersionEntry(version, f"bounces/{version_id}.wav", last_words=words)
    return Sheet(
        artist="Ostrel Vane",
        title=title,
        title_rating=rating,
        clean_title=chance.choice((None, "Nights", "Lanterns", f"{WORD} Nights", "Lanterns (Explicit)")),
        album=chance.choice((None, "Weir", title)),
        promo_line=chance.choice(("", "For promotional use only", f"The new one: {WORD} Nights")),
        cover_rating=chance.choice((None, "clean", "explicit")),
        clean_cover=chance.choice((None, "artwork/clean.png")),
        versions=versions,
    )


def random_recipient(chance: random.Random) -> Recipient:
    """Return somebody of any kind, with any wishes."""
    made = Recipient.new("Somebody", chance.choice(list(RecipientKind)).value)
    return replace(
        made,
        versions=tuple(chance.sample(IDS, chance.randint(1, 4))) if chance.random() < 0.3 else (),
        explicit=chance.choice((None, None, True, False)),
        must_remove=tuple(chance.sample(REMOVABLE, chance.randint(0, 2))),
    )


def facts(version: Version) -> VersionFacts:
    """Return a version as a manifest has it."""
    return VersionFacts(
        id=version.id,
        label=version.label,
        parts=version.parts,
        form=version.form,
        rating=version.rating,
        removed=list(version.removed),
        length_group=version.length_group,
    )


def revision_of(sheet: Sheet) -> VerifiedRevision:
    """Return a revision with a file for every version."""
    files = [
        FileEntry(
            role="version",
            name=entry.path,
            size_bytes=1,
            sha256="0" * 64,
            xxh3_128="0" * 32,
            version=facts(entry.version),
        )
        for entry in sheet.versions.values()
    ]
    manifest = RevisionManifest(
        format=1,
        release_id="0" * 32,
        release={"artist": sheet.artist, "title": sheet.title},
        revision=1,
        recorded_at=NOW.isoformat(),
        files=files,
        previous=[],
        tool="test",
    )
    return VerifiedRevision(manifest, Held(b"", (), b"", b"", {}), "me")


def closed(somebody: Recipient, chosen: list[VersionFacts], sheet: Sheet) -> list[str]:
    """Return which gates are closed."""
    found = gates.closed(somebody, chosen, sheet, revision_of(sheet), Ledger([]), NOW.date(), NOW)
    return [gate.gate for gate in found]


def offends(somebody: Recipient, chosen: list[VersionFacts], sheet: Sheet) -> str | None:
    """Say what in a package somebody must not get, judged from the package's own contents."""
    strict = somebody.explicit is False or (somebody.explicit is None and somebody.kind in EXCLUDING)
    for version in chosen:
        if strict and version.rating not in ("clean", "no-edit-needed"):
            return f"audio of {version.id}"
        if version.rating == "clean" and set(somebody.must_remove) - set(version.removed):
            return f"{version.id} still has what must be removed"
    if not strict:
        return None
    if sheet.cover_rating == "explicit" and sheet.clean_cover is None:
        return "cover"
    song = song_facts(sheet, clean=True)
    texts = [song.artist, song.title, song.album or "", song.promo_line or ""]
    texts += [names.file_name(song, version, ".mp3") for version in chosen]
    texts += [sheet.versions[version.id].last_words or "" for version in chosen]
    title_is_secret = sheet.title_rating == "explicit"  # "Song (Explicit)" alone only has a mark
    for text in texts:
        if title_is_secret and WORD in sheet.title and f"{WORD} Nights".lower() in text.lower():
            return f"the title, in {text}"
        if "(Explicit)" in text or "(Dirty)" in text or "***" in text:
            return f"a mark, in {text}"
    return None


def test_nothing_explicit_by_a_slip() -> None:
    """Whatever goes without a reason has nothing in it that its recipient excludes."""
    chance = random.Random(10_000)
    went = stopped = nothing = slips = 0
    for _ in range(10_000):
        sheet, somebody = random_sheet(chance), random_recipient(chance)
        versions = [facts(entry.version) for entry in sheet.versions.values()]
        only = chance.sample([each.id for each in versions], 1) if chance.random() < 0.3 else []
        try:
            chosen = wants.choose(versions, somebody, only)
        except UsageError:
            nothing += 1
            continue
        if closed(somebody, chosen, sheet):
            stopped += 1
            continue
        went += 1
        what = offends(somebody, chosen, sheet)
        slips += what is not None
        assert what is None, (what, somebody, [version.id for version in chosen], sheet)
    assert slips == 0
    assert min(went, stopped, nothing) > 500  # it looked at all three


def test_the_judge_itself() -> None:
    """The test above would pass anything if this did not hold."""
    chance = random.Random(3)
    seen: set[str] = set()
    for _ in range(3_000):
        sheet, somebody = random_sheet(chance), random_recipient(chance)
        what = offends(somebody, [facts(entry.version) for entry in sheet.versions.values()], sheet)
        seen.add(str(what).split(",")[0].split(" of ")[0].split(" still ")[-1])
    assert {"None", "audio", "cover", "the title", "a mark", "has what must be removed"} <= seen


PLAIN = Sheet(
    artist="Ostrel Vane",
    title="Lanterns on the Weir",
    versions={"clean": VersionEntry(Version("clean", rating="clean"), "bounces/clean.wav")},
)
STATION = Recipient.new("Radio Tarnquell", "radio-programme")


@pytest.mark.parametrize(
    ("change", "is_closed"),
    [
        ({}, False),
        ({"title": f"{WORD} (Explicit)"}, True),
        ({"title": WORD, "title_rating": "explicit"}, True),
        ({"title": WORD, "title_rating": "explicit", "clean_title": "Worm"}, False),
        ({"title": WORD, "title_rating": "explicit", "clean_title": "Worm", "album": f"{WORD} EP"}, True),
        ({"title": "Run", "title_rating": "explicit", "clean_title": "R*n", "album": "Running"}, False),
        ({"title": WORD, "clean_title": "Worm (Explicit)"}, True),
        ({"cover_rating": "explicit"}, True),
        ({"cover_rating": "explicit", "clean_cover": "artwork/clean.png"}, False),
        ({"album": "Weir (Dirty)"}, True),
        ({"promo_line": "d***ed good"}, True),
        ({"package_pattern": "{artist} - {title} (Explicit)"}, True),
        ({"credits": (("mixing", ("M***r",)),)}, True),
    ],
)
def test_what_can_be_read_or_seen(change: dict[str, object], is_closed: bool) -> None:
    """Names, tags, note and cover of a package with nothing but a clean version in it."""
    sheet = replace(PLAIN, **change)  # type: ignore[arg-type]
    chosen = [facts(entry.version) for entry in sheet.versions.values()]
    assert bool(closed(STATION, chosen, sheet)) is is_closed
    assert closed(Recipient.new("Ixby Marrowlet", "club-dj"), chosen, sheet) == []


def test_a_stem_goes_by_the_name_of_its_file() -> None:
    """It ends up in the name of a file of the package."""
    stems = VersionEntry(Version("stems", parts="stems", rating="clean"), f"bounces/{WORD} kick", True)
    sheet = replace(PLAIN, title=WORD, title_rating="explicit", clean_title="Worm", versions={"stems": stems})
    assert closed(Recipient.new("A", "sync"), [facts(stems.version)], sheet) == ["explicit"]


@pytest.mark.parametrize(
    ("day", "is_closed"),
    [
        (date(2026, 11, 25), True),
        (date(2026, 11, 26), True),
        (date(2026, 11, 24), True),
        (date(2026, 11, 30), False),
    ],
)
def test_an_embargo(day: date, is_closed: bool) -> None:
    """What went on another day went by its end, where the user is."""
    sheet = replace(PLAIN, embargo=datetime(2026, 11, 28, tzinfo=UTC))
    chosen = [facts(entry.version) for entry in sheet.versions.values()]
    found = gates.closed(STATION, chosen, sheet, revision_of(sheet), Ledger([]), day, NOW)
    assert [gate.gate for gate in found] == (["embargo"] if is_closed else [])
    after = NOW + timedelta(days=10)
    assert gates.closed(STATION, chosen, sheet, revision_of(sheet), Ledger([]), after.date(), after) == []
