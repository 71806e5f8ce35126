"""The label-wide index: how long a question takes over thousands of releases.

    python tests/bench/label.py [--releases 2000] [--shipments 100000] [--real 20]

Rows of the index are made up, as many as asked for, and beside them lie some real
releases, so that finding, stating and reading again are measured too: every made-up
release has a folder with references as a real one has. Prints Markdown.

Exit codes: 0 every question took less than a second, 1 one did not.

Not here: what one release costs (``store``).
"""

from __future__ import annotations

import sys
from pathlib import Path

if not __package__:  # run as a file
    sys.path[0] = str(Path(__file__).resolve().parents[2])

import argparse
import random
import shutil
import subprocess
import tempfile
import time
from contextlib import closing
from statistics import median

from relkit.release.home import Home
from relkit.release.label import Index, fingerprint, label_shipments
from relkit.release.shipments import Filter, Holding
from relkit.vocabulary.recipients import RecipientKind
from tests.bench.report import machine
from tests.support.stores import ROOT, clean_environment
from tests.support.tiny_release import full_history

LIMIT_S = 1.0
_KINDS = [kind.value for kind in RecipientKind]
_VERSIONS = ["explicit", "clean", "instrumental", "acapella", "acapella-clean", "dj", "dj-clean"]
_RECIPIENTS = 800


def made_up(chance: random.Random, place: Path, shipments: int) -> tuple[list[Holding], int]:
    """Lay out a folder that looks like a release from outside; return what would be held of it.

    Two in three shipments are the newest to somebody, which is what the index holds.
    """
    store = place / ".relkit" / "store.git"
    for folder in ("refs/heads", "refs/tags/shipped", "refs/tags/records"):
        (store / folder).mkdir(parents=True)
    (store / "refs/heads/revisions").write_text("0" * 40 + "\n", "utf-8")
    holders = chance.sample(range(_RECIPIENTS), max(1, shipments * 2 // 3))
    held = []
    for who in holders:
        changed = chance.random() < 0.2
        year, month, day = chance.randint(2018, 2026), chance.randint(1, 12), chance.randint(1, 28)
        held.append(
            Holding(
                recipient_id=f"{who:032x}",
                recipient=f"Recipient {who}",
                kind=_KINDS[who % len(_KINDS)],
                shipped_on=f"{year}-{month:02}-{day:02}",
                shipment=f"{chance.getrandbits(128):032x}",
                revision=1,
                package=f"{chance.getrandbits(256):064x}",
                versions=chance.sample(_VERSIONS, chance.randint(1, 7)),
                formats=["mp3"],
                state="superseded" if changed else "current",
                changed=["clean"] if changed else [],
            )
        )
    return held, shipments


def fill(folder: Path, home: Home, releases: int, shipments: int) -> tuple[int, str]:
    """Make up releases, folders and rows; return how many shipments that is, and somebody's name."""
    chance = random.Random(releases)
    total = 0
    held: list[Holding] = []
    with closing(Index(home.folder / "label-index.sqlite")) as index:
        for number in range(releases):
            place = folder / f"{number // 100:02}" / f"release {number:05}"
            held, count = made_up(chance, place, shipments // releases)
            total += count
            names = [(each.recipient_id, each.recipient, each.kind) for each in held]
            facts = (f"{number:032x}", "Ostrel Vane", f"Song {number}", 2, None)
            index.add(str(place), fingerprint(place), facts, held, names)
        index.save()
    return total, held[0].recipient


def main() -> int:
    """Measure, print, and say whether all questions were quick."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--releases", type=int, default=2_000)
    parser.add_argument("--shipments", type=int, default=100_000)
    parser.add_argument("--real", type=int, default=20)
    parser.add_argument("--runs", type=int, default=3)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        root = Path(work)
        tiny = full_history(root / "tiny")
        folder, home = root / "catalogue", tiny.home
        total, somebody = fill(folder, home, wanted.releases, wanted.shipments)
        for number in range(wanted.real):
            shutil.copytree(tiny.folder, folder / "real" / f"{number:03}", symlinks=True)
        begun = time.perf_counter()
        label_shipments(folder, home, limit=100)
        first_s = time.perf_counter() - begun
        print(f"{wanted.releases} made-up releases with {total} shipments, and {wanted.real} real ones.")
        print(f"{machine()}\n\nReading {wanted.real} real releases for the first time: {first_s:.2f} s\n")
        print("| question | answers | in a process [s] | as a command [s] |\n| --- | --- | --- | --- |")
        slowest = 0.0
        questions = _QUESTIONS | {"one recipient, by name": {"recipient": somebody}}
        for words, asked in questions.items():
            inside, outside = [], []
            for _ in range(wanted.runs):
                begun = time.perf_counter()
                report = label_shipments(folder, home, Filter(**asked), limit=100)  # type: ignore[arg-type]
                inside.append(time.perf_counter() - begun)
                outside.append(_command(folder, home, asked))
            slowest = max(slowest, median(outside))
            print(f"| {words} | {report.fits} | {median(inside):.3f} | {median(outside):.3f} |")
        print(f"\nSlowest: {slowest:.3f} s; wanted: under {LIMIT_S:g} s.")
    return int(slowest >= LIMIT_S)


_QUESTIONS: dict[str, dict[str, object]] = {
    "everybody": {},
    "what is owed": {"outdated": True},
    "a kind": {"kind": "club-dj"},
    "a version": {"version": "dj-clean"},
    "a stretch of days": {"since": "2026-01-01", "until": "2026-06-30"},
    "a state": {"state": "superseded"},
}


def _command(folder: Path, home: Home, asked: dict[str, object]) -> float:
    """Ask by the command line, and return how long it took [s]."""
    words = [str(asked["recipient"])] if "recipient" in asked else []
    for name, value in asked.items():
        if name != "recipient":
            words += [f"--{name}"] if value is True else [f"--{name}", str(value)]
    begun = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "relkit", "shipments", *words, "--all", str(folder)],
        env=clean_environment(RELKIT_HOME=str(home.folder), PYTHONPATH=str(ROOT)),
        stdout=subprocess.DEVNULL,
        check=True,
    )
    return time.perf_counter() - begun


if __name__ == "__main__":
    sys.exit(main())
