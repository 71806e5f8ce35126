"""``qc`` on a real release: from the store, remembered, accepted, and in the way of a shipment."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from relkit import Release
from relkit.errors import UsageError
from relkit.manifest import AcceptedRecord
from relkit.qc.findings import Finding, Place
from relkit.release.gates import ClosedGateError
from relkit.release.home import Home
from relkit.release.quality import NoSuchFindingError, QualityReport, covers
from tests.support.releases import RATE_HZ, Samples, wav, written


def tune(seed: int, seconds: float = 8.0) -> Samples:
    """Return noise in strokes: long enough for rules to listen, alike nowhere."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    strokes = np.exp(-(time % 0.5) / 0.1)[:, None]
    return np.asarray(0.2 * rng.standard_normal((len(time), 2)) * strokes, np.float64)


@pytest.fixture
def two(release: Release, tmp_path: Path) -> Release:
    """A release whose clean version is the explicit file: a fail."""
    song = wav(tune(1))
    files = [written(tmp_path / f"Lanterns on the Weir_{name}.wav", song) for name in ("explicit", "clean")]
    release.commit(files)
    return release


def the_fail(report: QualityReport) -> Finding:
    """Return the one thing that would be sent back."""
    (found,) = report.open("fail")
    assert found.rule == "clean-is-explicit"
    return found


def test_a_fail_stops_a_shipment_until_there_is_a_reason(two: Release) -> None:
    """The signed record has the reason and what was found."""
    found = the_fail(two.quality())
    with pytest.raises(ClosedGateError, match=found.id) as stopped:
        two.ship("Ixby Marrowlet", kind="club-dj")
    assert [gate.gate for gate in stopped.value.gates] == ["quality"]
    record = two.ship("Ixby Marrowlet", kind="club-dj", despite="they asked for both").record
    assert record.despite == "they asked for both"
    (gate,) = record.gates
    assert gate.gate == "quality"
    assert found.id in gate.findings[0]


def test_an_accepted_finding_stops_nobody_but_whoever_excludes_explicit_material(two: Release) -> None:
    """It is shown as accepted, and withdrawn like any record."""
    found = the_fail(two.quality())
    record = two.accept(found.id, reason="the song has nothing explicit")
    report = two.quality()
    assert report.open("fail") == []
    assert report.accepted[found.id] == record
    assert report.document()["counts"]["fail"] == 0
    assert two.ship("Ixby Marrowlet", kind="club-dj").record.gates == []
    with pytest.raises(ClosedGateError, match=found.id):
        two.ship("Radio Tarnquell", kind="radio-programme")
    two.withdraw(record.id, reason="it has")
    assert the_fail(two.quality()).id == found.id


def test_it_is_carried_forward(two: Release, home: Home) -> None:
    """Another revision, and the same finding in it."""
    found = the_fail(two.quality())
    two.accept(found.id, reason="so it is meant")
    sheet = two.folder / "release.toml"
    sheet.write_text(sheet.read_text("utf-8") + "\n# another revision\n", "utf-8")
    assert two.commit().changed
    assert two.quality().revision == 2
    assert two.quality().open("fail") == []
    assert home.folder.is_dir()


def test_what_cannot_be_accepted(two: Release) -> None:
    """No reason, no such finding, twice."""
    found = the_fail(two.quality())
    with pytest.raises(UsageError, match="why may it stay"):
        two.accept(found.id, reason=" ")
    with pytest.raises(NoSuchFindingError, match="no finding 00000000"):
        two.accept("00000000", reason="x")
    two.accept(found.id, reason="x")
    with pytest.raises(UsageError, match="accepted already"):
        two.accept(found.id, reason="x")


def record(finding: Finding) -> AcceptedRecord:
    """Return an acceptance of a finding."""
    return AcceptedRecord(
        format=1,
        id="0" * 32,
        release_id="0" * 32,
        recorded_at="2031-01-01T00:00:00+00:00",
        of="0" * 64,
        after=[],
        revision=1,
        rule=finding.rule,
        rule_version=finding.rule_version,
        severity=finding.severity,
        versions=list(finding.versions),
        places=[{"start_ms": one.start_ms, "end_ms": one.end_ms} for one in finding.places],
        fault=finding.fault,
        badness=finding.badness,
        reason="x",
    )


@pytest.mark.parametrize(
    ("change", "holds"),
    [
        ({}, True),
        ({"places": (Place(1050, 2000),)}, True),
        ({"places": (Place(1500, 2000),)}, False),
        ({"badness": 3.001}, True),
        ({"badness": 2.0}, True),
        ({"badness": 3.5}, False),
        ({"severity": "fail"}, False),
        ({"severity": "note"}, True),
        ({"rule_version": 2}, False),
        ({"versions": ("dj",)}, False),
        ({"rule": "other"}, False),
    ],
)
def test_it_holds_as_long_as_it_is_no_worse(change: dict[str, object], holds: bool) -> None:
    """Same rule, version and place; no graver."""
    fields = {
        "rule": "level", "rule_version": 1, "severity": "warn", "versions": ("clean",), "fault": "f",
        "why": "w", "todo": "t", "places": (Place(1000, 2000),), "badness": 3.0,
    }  # fmt: skip
    old = Finding(**fields)  # type: ignore[arg-type]
    assert covers(record(old), Finding(**(fields | change))) is holds  # type: ignore[arg-type]


def test_short_bounces_are_listed_and_not_listened_to(release: Release, tmp_path: Path) -> None:
    """Two seconds are no song."""
    release.commit([written(tmp_path / "Lanterns on the Weir_explicit.wav", wav(tune(1, 2.0)))])
    report = release.quality()
    assert report.not_heard == ["bounces/explicit.wav"]
    assert report.open("fail") == []
