"""A year of one release: recipients, revisions, shipments, replies, and a plain model that knows the answers.

40 recipients (two of one name), 25 revisions, 300 shipments (late entries, two to one on
one day, over new year, from three time zones), 120 replies, withdrawals, renames. After every
step the release is asked, and the model, which is nothing but lists and loops, has to agree.
In the end every package that ever went out comes out again, byte for byte.

Conventions
    a take      number of a bounce's noise: what a version sounds like
    days        civil, where the user is on that day; moments are UTC
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from relkit import Release
from relkit.errors import UsageError
from relkit.release import address_book
from relkit.release.gates import ClosedGateError
from relkit.release.home import Home
from tests.support.releases import contents
from tests.support.tiny_release import tiny_wav

VERSIONS = ("explicit", "clean", "instrumental", "acapella")
KINDS = ("club-dj", "radio-programme", "remixer", "arena", "label")
CLEAN_ONLY = {"radio-programme", "arena"}
ZONES = ("Pacific/Auckland", "Europe/Lisbon", "America/Los_Angeles")
RECIPIENTS, REVISIONS, SHIPMENTS, REPLIES = 40, 25, 300, 120


@dataclass
class Sent:
    """A shipment, as the model has it."""

    id: str
    to: str
    kind: str
    day: str
    order: int
    revision: int
    takes: dict[str, int]
    name: str
    said: str
    files: dict[str, str]
    taken_back: str | None = None  # "withdrawn" or "never sent"


@dataclass
class Rejected:
    """A rejection, as the model has it."""

    number: int
    record: str
    by: str
    shipment: str
    version: str
    take: int
    answered: int | None = None
    taken_back: bool = False


@dataclass
class Model:
    """All that happened, and what follows from it."""

    names: dict[str, list[str]] = field(default_factory=dict)  # id to all names, the present one last
    kinds: dict[str, str] = field(default_factory=dict)
    takes: dict[str, int] = field(default_factory=dict)  # of the newest revision
    said: str = ""
    revision: int = 0
    sent: list[Sent] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)

    def in_order(self, who: str) -> list[Sent]:
        """Return what somebody was sent, oldest first."""
        return sorted((each for each in self.sent if each.to == who), key=lambda each: (each.day, each.order))

    def standing(self, who: str) -> list[Sent]:
        """Return what still counts of it."""
        return [each for each in self.in_order(who) if each.taken_back is None]

    def goes(self, rejection: Rejected) -> bool:
        """Say whether a rejection counts."""
        shipment = next(each for each in self.sent if each.id == rejection.shipment)
        return not rejection.taken_back and shipment.taken_back is None

    def stops(self, who: str, versions: list[str]) -> bool:
        """Say whether a shipment of the newest revision must be stopped."""
        return any(
            (each.by == who or each.answered is not None)
            and each.version in versions
            and self.takes[each.version] == each.take
            for each in self.rejected
            if self.goes(each)
        )

    def holding(self, who: str) -> tuple[str, str, set[str], set[str], set[str]] | None:
        """Return shipment, state, changed, retagged and gone versions of what somebody holds."""
        theirs = [each for each in self.in_order(who) if each.taken_back != "never sent"]
        if not theirs:
            return None
        held = {version: each for each in theirs for version in each.takes}
        gone = {version for version in held if version not in self.takes}
        changed = {
            version
            for version, each in held.items()
            if version not in gone and each.takes[version] != self.takes[version]
        }
        retagged = {
            version
            for version, each in held.items()
            if each.said != self.said and version not in changed | gone
        }
        waits = any(each.by == who and each.answered is None and self.goes(each) for each in self.rejected)
        state = (
            "withdrawn"
            if theirs[-1].taken_back
            else "rejected"
            if waits
            else "superseded"
            if changed or gone
            else "tags superseded"
            if retagged
            else "current"
        )
        return theirs[-1].id, state, changed, retagged, gone


class Year:
    """The release, the clock, and the model beside them."""

    def __init__(self, release: Release, home: Home, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.release, self.home, self.out = release, home, out
        self.model = Model()
        self.chance = random.Random(20_260_301)
        self.moment = datetime(2026, 3, 1, 9, tzinfo=UTC)
        self._zone = ZoneInfo(ZONES[0])
        year = self

        class Today(date):
            @classmethod
            def today(cls) -> Today:
                day = year.moment.astimezone(year._zone).date()
                return cls(day.year, day.month, day.day)

        for module in ("ship", "replies", "withdraw", "commit"):
            monkeypatch.setattr(f"relkit.release.{module}.now", lambda: self.moment)
        for module in ("ship", "replies"):
            monkeypatch.setattr(f"relkit.release.{module}.date", Today)
        # A few hundred frames of noise are no music; rules about packs are tested where they are.
        monkeypatch.setattr("relkit.release.quality.check", lambda *_: None)
        monkeypatch.setattr("relkit.release.quality.stops", lambda *_: [])
        self._today: Callable[[], date] = Today.today

    def later(self) -> None:
        """Let some hours go by, and travel now and then."""
        self.moment += timedelta(minutes=self.chance.randint(1, 2_500))
        if self.chance.random() < 0.1:
            self._zone = ZoneInfo(self.chance.choice(ZONES))

    def add_everybody(self) -> None:
        """Fill the address book; the last two share a name."""
        for number in range(RECIPIENTS):
            kind = KINDS[number % len(KINDS)]
            name = f"Somebody {number:02}" if number < RECIPIENTS - 2 else "Mara Quell"
            made = address_book.add(self.home, name, kind=kind, another=number == RECIPIENTS - 1)
            self.model.names[made.id], self.model.kinds[made.id] = [name], kind

    def commit(self) -> None:
        """Bounce one or two versions again, or leave one out, or say something else in the sheet."""
        model, folder = self.model, self.release.folder
        without: list[str] = []
        fate = self.chance.random()
        if not model.revision:
            model.takes = {version: 10 + number for number, version in enumerate(VERSIONS)}
        elif fate < 0.15:
            sheet = folder / "release.toml"
            model.said = f"genre {model.revision}"
            text = sheet.read_text("utf-8").replace("# genre", "genre", 1)
            lines = [
                f'genre = "{model.said}"' if line.startswith("genre =") else line
                for line in text.splitlines()
            ]
            sheet.write_text("\n".join(lines) + "\n", "utf-8")
        elif fate < 0.25 and len(model.takes) == len(VERSIONS):
            without = ["acapella"]
            del model.takes["acapella"]
        else:
            for version in self.chance.sample(VERSIONS, self.chance.choice((1, 1, 2))):
                model.takes[version] = self.chance.randrange(100, 1 << 30)
        for version in VERSIONS:
            if version in model.takes:
                (folder / f"bounces/{version}.wav").write_bytes(tiny_wav(model.takes[version]))
            elif version not in without:
                without.append(version)
        waiting = [each for each in model.rejected if each.answered is None and model.goes(each)]
        answers = [each for each in waiting if model.takes.get(each.version) != each.take]
        report = self.release.commit(without=without, answers=[each.number for each in answers])
        assert report.changed
        model.revision = report.manifest.revision
        for each in answers:
            each.answered = model.revision

    def ship(self, who: str, late_days: int = 0) -> None:
        """Ship the newest revision; where a rejected version would go unchanged, only with a reason."""
        model = self.model
        usual = {
            "club-dj": list(VERSIONS),
            "radio-programme": ["clean", "instrumental"],
            "remixer": list(VERSIONS),
            "arena": ["clean", "instrumental"],
            "label": list(VERSIONS),
        }[model.kinds[who]]
        only: list[str] = []
        if self.chance.random() < 0.3:
            only = [self.chance.choice([each for each in usual if each in model.takes])]
        versions = [each for each in only or usual if each in model.takes]
        day = self._today() - timedelta(days=late_days)
        order: dict[str, Any] = {"only": only, "formats": ["wav-native"]}
        order |= {"folder": self.out / str(len(model.sent))}
        if late_days:
            order["shipped_on"] = day.isoformat()
        if model.stops(who, versions):
            with pytest.raises(ClosedGateError, match="rejection"):
                self.release.ship(who, **order)
            order["despite"] = "they asked for it as it is"
        report = self.release.ship(who, **order)
        record = report.record
        assert (record.recipient.id, record.shipped_on, set(record.versions)) == (
            who,
            day.isoformat(),
            set(versions),
        )
        takes = {version: model.takes[version] for version in versions}
        model.sent.append(
            Sent(
                record.id,
                who,
                model.kinds[who],
                record.shipped_on,
                len(model.sent),
                model.revision,
                takes,
                model.names[who][-1],
                model.said,
                contents(report.path),
            )
        )
        shutil.rmtree(order["folder"])

    def reply(self) -> None:
        """Answer the newest shipment of somebody, one time in three with a rejection."""
        model = self.model
        shipment = self.chance.choice([each for each in model.sent if model.standing(each.to)])
        shipment = model.standing(shipment.to)[-1]
        answer = self.chance.choice(("received", "playing", "accepted", "asked", "rejected", "rejected"))
        version = self.chance.choice(list(shipment.takes))
        first, last = date.fromisoformat(shipment.day), self._today()
        if last < first:
            return  # the user travelled west, where the day of the shipment has not come yet
        day = first + timedelta(days=self.chance.randint(0, (last - first).days))
        report = self.release.reply(
            shipment.to, answer, version=version, text="because", replied_on=day.isoformat()
        )
        record = report.record
        assert record.replied_on == day.isoformat()
        if answer == "rejected":
            assert record.number == 1 + len(model.rejected)
            model.rejected.append(
                Rejected(record.number, record.id, shipment.to, shipment.id, version, shipment.takes[version])
            )

    def withdraw(self) -> None:
        """Take back a shipment or a rejection."""
        model = self.model
        if model.rejected and self.chance.random() < 0.3:
            one = self.chance.choice(model.rejected)
            if not one.taken_back:
                self.release.withdraw(one.record, reason="a mix-up")
                one.taken_back = True
            return
        shipment = self.chance.choice([each for each in model.sent if each.taken_back is None])
        never = self.chance.random() < 0.5
        self.release.withdraw(shipment.id, reason="a slip", never_sent=never)
        shipment.taken_back = "never sent" if never else "withdrawn"

    def rename(self) -> None:
        """Give somebody another name."""
        who = self.chance.choice(list(self.model.names)[: RECIPIENTS - 2])
        name = f"Renamed {self.chance.randrange(10_000)}"
        address_book.edit(self.home, who, name=name)
        self.model.names[who].append(name)

    # --- questions

    def ask_who_holds_what(self) -> None:
        """Everybody at once, and what is owed."""
        model = self.model
        told = {
            each.recipient_id: (
                each.shipment,
                each.state,
                set(each.changed),
                set(each.retagged),
                set(each.gone),
            )
            for each in self.release.shipments().holdings
        }
        known = {who: holding for who in model.names if (holding := model.holding(who)) is not None}
        assert told == known

    def ask_what_is_owed(self) -> None:
        """Only those whose files sound different, or are gone."""
        model = self.model
        told = {each.recipient_id for each in self.release.shipments(outdated=True).holdings}
        assert told == {
            who for who in model.names if (holding := model.holding(who)) and (holding[2] or holding[4])
        }

    def ask_what_was_sent(self) -> None:
        """One recipient on a day, in a month, by any of their names."""
        from relkit.release import ledger
        from relkit.release.sent import sent_entry

        model, workspace = self.model, self.release._workspace
        who = self.chance.choice(list(model.names))
        name = self.chance.choice([model.names[who][-1], *(each.name for each in model.standing(who))])
        of_that_name = {each.to for each in model.sent if each.taken_back is None and each.name == name}
        of_that_name |= {other for other in model.names if model.names[other][-1] == name}
        asked = name if of_that_name == {who} else who
        day = (date(2026, 1, 1) + timedelta(days=self.chance.randrange(430))).isoformat()
        book = ledger.read(workspace)
        for question, fits in (
            ({}, model.standing(who)),
            ({"on": day}, [each for each in model.standing(who) if each.day <= day]),
            ({"month": day[:7]}, [each for each in model.standing(who) if each.day[:7] == day[:7]]),
        ):
            if fits:
                assert sent_entry(workspace, book, asked, **question).record.id == fits[-1].id
            else:
                with pytest.raises(UsageError):
                    sent_entry(workspace, book, asked, **question)

    def ask_for_the_diary(self) -> None:
        """Everything is in it, once, by day."""
        events = self.release.history().events
        days = [event.day for event in events]
        assert days == sorted(days, reverse=True)
        assert sum(event.revision is not None for event in events) == self.model.revision
        shipped = [event.record.id for event in events if event.record and event.record.type == "shipped"]
        assert sorted(shipped) == sorted(each.id for each in self.model.sent)
        gone = {event.record.id for event in events if event.record and event.withdrawn}
        assert gone >= {each.id for each in self.model.sent if each.taken_back}


@pytest.fixture
def year(release: Release, home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Year:
    """A year before anything happened."""
    sheet = release.folder / "release.toml"
    if "genre =" not in sheet.read_text("utf-8"):
        sheet.write_text('genre = "none"\n' + sheet.read_text("utf-8"), "utf-8")
    return Year(release, home, tmp_path / "out", monkeypatch)


def test_a_year(year: Year, tmp_path: Path) -> None:
    """Every question, after every step."""
    model, chance = year.model, year.chance
    year.add_everybody()
    year.commit()
    steps = (
        ["commit"] * (REVISIONS - 1)
        + ["ship"] * (SHIPMENTS - 20)
        + ["twice"] * 10
        + ["reply"] * REPLIES
        + ["withdraw"] * 14
        + ["rename"] * 8
    )
    chance.shuffle(steps)
    first = steps.index("ship")
    steps[0], steps[first] = steps[first], steps[0]
    replies = 0
    for step in steps:
        year.later()
        if step == "commit":
            year.commit()
        elif step == "ship":
            year.ship(chance.choice(list(model.names)), late_days=chance.choice((0, 0, 0, 1, 45)))
        elif step == "twice":
            who = chance.choice(list(model.names))
            year.ship(who)
            year.ship(who)
        elif step == "reply":
            year.reply()
            replies += 1
        else:
            getattr(year, step)()
        year.ask_who_holds_what()
        if step == "commit":
            year.ask_what_is_owed()
        if step != "reply":  # which changes nothing of it
            year.ask_what_was_sent()
    year.ask_for_the_diary()
    assert (model.revision, len(model.sent), replies) == (REVISIONS, SHIPMENTS, REPLIES)
    assert {each.day[:4] for each in model.sent} == {"2026", "2027"}

    for number, each in enumerate(model.sent):
        made = year.release.checkout_shipment(each.id, tmp_path / "again" / str(number))
        assert contents(made.path) == each.files
        shutil.rmtree(tmp_path / "again" / str(number))
    assert year.release.audit().findings == []
