"""How much the store holds, and how much it grows by a revision, a shipment, silence.

Conventions
    size     all files of the bare repository, indexes and configuration included; the cache
             that can be deleted at any time is stated apart
    share    of the bytes of all WAV files of the first commit

Not here: timing, and packs (``material``).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.bench.contenders import StoringAlone, WholeCommand
from tests.bench.material import Pack, silence


@dataclass(frozen=True)
class Growth:
    """Size of a store after the first commit, and what the edits added [bytes]."""

    first: int
    added: int


def of_pack(pack: Pack, folder: Path) -> Growth:
    """Store a pack and then its edits."""
    store = StoringAlone(folder)
    store.commit(pack.first)
    first = store.size_bytes()
    store.commit(pack.edits)
    return Growth(first, store.size_bytes() - first)


def of_silence(seconds: float, folder: Path) -> tuple[int, int]:
    """Return the size of a silent file and what it adds to an empty store [bytes]."""
    folder.mkdir()
    path = silence(folder / "silence.wav", seconds)
    store = StoringAlone(folder / "kept")
    empty = store.size_bytes()
    store.commit({path.name: path})
    return path.stat().st_size, store.size_bytes() - empty


@dataclass(frozen=True)
class Shipped:
    """What one shipment added to the store, and the size of its package [bytes]."""

    whom: str
    added: int
    package: int


def of_shipping(release: WholeCommand, folder: Path) -> list[Shipped]:
    """Ship the newest revision to one recipient after the other."""
    found: list[Shipped] = []
    for whom, words in (
        ("a club DJ, the first package of this revision", ("Ixby Marrowlet", "--kind", "club-dj")),
        ("another club DJ, the same package", ("Orla Quenchpost", "--kind", "club-dj")),
        ("a radio programme, a smaller package", ("Radio Tarnquell", "--kind", "radio-programme")),
        ("another radio programme, the same package, as ZIP", ("Vesk", "--kind", "radio-programme", "--zip")),
    ):
        before = release.size_bytes()
        place = folder / str(len(found))
        release.relkit("ship", *words, "--to", place)
        size = sum(path.stat().st_size for path in place.rglob("*") if path.is_file())
        found.append(Shipped(whom, release.size_bytes() - before, size))
    return found
