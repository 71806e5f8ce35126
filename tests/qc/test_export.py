"""Findings as SARIF 2.1.0, and the page that documents the rules.

[SARIF] is Static Analysis Results Interchange Format Version 2.1.0, OASIS Standard, 27 March 2020; what is
checked here is quoted by its section.
"""

from __future__ import annotations

import re
from pathlib import Path

from relkit.qc.findings import Finding, Place, Severity
from relkit.qc.limits import LIMITS
from relkit.qc.rule import RULES
from relkit.qc.sarif import sarif

PAGE = Path(__file__).resolve().parents[2] / "docs" / "reference" / "qc.md"


def finding(rule: str, severity: Severity, *places: Place) -> Finding:
    """Return a finding of a rule."""
    return Finding(
        rule, 1, severity, ("clean",), "it is wrong", "Because.", "Mend it.", "3 dB", "0 dB", places
    )


def test_a_log_has_what_the_standard_requires() -> None:
    """[SARIF] 3.13.2 version, 3.13.4 runs, 3.14.6 tool, 3.18.2 driver, 3.19.8 name, 3.27.11 message."""
    one = finding("level", "warn", Place(1000, 2000, "bar 1.3"))
    log = sarif([one], {"clean": "bounces/a b.wav"}, {}, tool_version="1.2.3", revision="00")
    assert log["version"] == "2.1.0"
    (run,) = log["runs"]
    assert run["tool"]["driver"]["name"] == "relkit"
    (result,) = run["results"]
    assert result["message"]["text"]
    assert result["level"] == "warning"  # 3.27.10: none, note, warning or error
    # 3.27.6: where both are there, the index leads to the rule of that id.
    assert run["tool"]["driver"]["rules"][result["ruleIndex"]]["id"] == result["ruleId"] == "level"
    (location,) = result["locations"]
    # 3.4.3: a URI reference, so a blank is escaped (RFC 3986, 2.1).
    assert location["physicalLocation"]["artifactLocation"]["uri"] == "bounces/a%20b.wav"
    assert location["properties"] == {"startMs": 1000, "endMs": 2000, "bars": "bar 1.3"}
    assert "suppressions" not in result


def test_an_accepted_finding_is_suppressed_with_its_reason() -> None:
    """[SARIF] 3.35.2 kind, 3.35.3 status, 3.35.4 justification."""
    one = finding("level", "fail")
    log = sarif([one], {}, {one.id: "meant so"}, tool_version="1.2.3", revision="00")
    (result,) = log["runs"][0]["results"]
    assert result["level"] == "error"
    assert result["suppressions"] == [{"kind": "external", "status": "accepted", "justification": "meant so"}]


def test_the_page_has_every_rule() -> None:
    """A section each, and none besides."""
    text = PAGE.read_text(encoding="utf-8")
    assert set(re.findall(r"^### `([a-z-]+)`$", text, re.MULTILINE)) == set(RULES)
    flat = " ".join(text.split())
    for rule in RULES.values():
        assert rule.about in flat
        assert rule.why in flat
        assert rule.todo in flat


def test_the_page_has_every_limit_with_its_default() -> None:
    """As the code has them."""
    told = dict(re.findall(r"^\| `(\w+)` \| ([^|]+) \|", PAGE.read_text(encoding="utf-8"), re.MULTILINE))
    assert told == {
        name: "none" if limit.default is None else f"{limit.default:g}" for name, limit in LIMITS.items()
    }
