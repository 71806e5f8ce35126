"""Findings, limits, memory: what every rule relies on."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from relkit.qc.ear import Ear
from relkit.qc.findings import Finding, Place
from relkit.qc.limits import LIMITS
from relkit.qc.pack import Pack
from relkit.qc.rule import RULES, Odd, rule
from relkit.store.cache import Cache
from tests.support.made_song import Style, pack, parts
from tests.support.qc_packs import Made, heard_findings, told


def test_a_sound_pack_has_neither_fail_nor_warn(sound: Made, memory: Cache) -> None:
    """Nothing to do for anybody."""
    found = sound.findings(memory)
    assert {one.severity for one in found} <= {"note"}, told(found)


def test_each_bounce_is_decoded_once_and_the_second_time_none(sound: Made) -> None:
    """In memory of its own."""
    memory = Cache(Path(":memory:"))
    given = sound.pack()
    first, decoded = heard_findings(given, sound.audio, memory)
    assert sorted(decoded) == sorted(one.name for one in given.bounces)
    again, decoded = heard_findings(given, sound.audio, memory)
    assert (again, decoded) == (first, [])


def test_after_a_new_clean_edit_what_does_not_depend_on_it_is_not_measured(
    sound: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The DJ edit explicit is not even decoded; how it lies to its song is remembered."""
    memory = Cache(Path(":memory:"))
    heard_findings(sound.pack(), sound.audio, memory)
    made = parts(Style())
    edited = pack(made).audio["clean"].copy()
    edited[44_100:88_200] = 0
    sound.audio["clean"] = edited
    measured: list[str] = []
    kept = Ear._remember

    def noting(ear: Ear, key: bytes, answer: dict[str, object]) -> None:
        measured.append(key.decode())
        kept(ear, key, answer)

    monkeypatch.setattr(Ear, "_remember", noting)
    given = sound.pack()
    _findings, decoded = heard_findings(given, sound.audio, memory)
    assert "dj.wav" not in decoded
    fresh = next(one.sound.identity for one in given.bounces if one.id == "clean")
    # The words of the acapella are looked for at the union of all edits, which is another one now.
    others = [key for key in measured if fresh not in key and not key.startswith("qc-remains")]
    assert others == []


def test_a_rule_says_all_that_it_should() -> None:
    """For the documentation, and for whoever reads a finding."""
    for one in RULES.values():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", one.id)
        assert one.about.endswith("?"), one.id
        assert one.why.endswith("."), one.id
        assert one.todo.endswith("."), one.id
        assert one.judge.__doc__, one.id


def test_an_id_is_one_rules_only() -> None:
    """Ids are for ever."""
    with pytest.raises(ValueError, match="already"):
        rule("rating", about="?", why=".", todo=".")(nothing)


def nothing(_pack: Pack, _ear: Ear) -> Iterator[Odd]:
    """Find nothing."""
    yield from ()


def finding(**more: object) -> Finding:
    """Return a finding with some of its fields."""
    return Finding(**({"rule": "r", "rule_version": 1, "severity": "fail", "versions": ("clean",),
                       "fault": "f", "why": "w", "todo": "t"} | more))  # type: ignore[arg-type]  # fmt: skip


def test_an_id_stands_for_rule_versions_and_place() -> None:
    """And for nothing that a small change of the measure changes."""
    there = Place(1000, 2000)
    one = finding(places=(there,), measured="-3.0 dB")
    assert one.id == finding(places=(there,), measured="-3.1 dB", fault="g", severity="warn").id
    assert re.fullmatch("[0-9a-f]{8}", one.id)
    others = [finding(places=(Place(1001, 2000),)), finding(places=(there,), versions=("dj",)), finding()]
    assert len({one.id, *(each.id for each in others)}) == 4


def test_a_place_has_time_and_bars(sound: Made) -> None:
    """Bar 3, beat 2 at 122 BPM begins at 9 beats of 60/122 s."""
    given = sound.pack()
    at = 9 * 60 / 122
    assert str(given.place(at)) == "0:04.426 (bar 3.2)"
    assert str(given.place(at, at + 2)) == "0:04.426-0:06.426 (bars 3.2-4.2)"
    # In a DJ edit the song's bars keep their numbers: 8 bars of 4 beats come before bar 1.
    later = 32 * 60 / 122
    assert str(given.place(at + later, later_by_s=later)).endswith("(bar 3.2)")
    sound.bars = ""
    assert str(sound.pack().place(at)) == "0:04.426"


def test_the_sheet_sets_limits(sound: Made, memory: Cache) -> None:
    """A wrong name is found, a number replaces the default."""
    sound.limits = "true_peak_fail_dbtp = -3\ntrue_peek = 1"
    found = sound.findings(memory)
    assert {one.rule for one in found if one.severity == "fail"} == {"true-peak"}
    (wrong,) = [one for one in found if one.rule == "label-copy" and one.measured == "true_peek"]
    assert wrong.severity == "warn"


def test_every_limit_names_its_unit() -> None:
    """A bare number has its unit in its name; switches and counts say what they are."""
    units = ("_ms", "_s", "_db", "_dbfs", "_dbtp", "_lu", "_percent", "_bars")
    for name, limit in LIMITS.items():
        assert name.endswith(units) or "0" in limit.meaning or "1" in limit.meaning, name
