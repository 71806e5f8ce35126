"""Findings for other programs, as SARIF 2.1.0.

SARIF is an OASIS standard for exactly this: rules, results with a level and places, stable
fingerprints, and suppressions with a justification, which is what an accepted finding is. Readers of
it exist in most build systems. It knows lines and bytes of files, not seconds: times stand in the
message, in the name of a logical location ("clean/0:44.262") and, as numbers, in the property bags
that the standard provides. Formats for test results (JUnit's XML has no standard at all) know no
place, no note and no acceptance.

Sources
    [SARIF] Static Analysis Results Interchange Format (SARIF) Version 2.1.0, OASIS Standard, 27 March
            2020: 3.19 tool component, 3.27 result, 3.33 logical location, 3.35 suppression, 3.49 rule

Not here: writing it to a file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from relkit.qc.findings import Finding, Place
from relkit.qc.rule import RULES

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/os/schemas/sarif-schema-2.1.0.json"
_LEVELS = {"fail": "error", "warn": "warning", "note": "note"}


def sarif(
    findings: Sequence[Finding],
    files: Mapping[str, str],
    accepted: Mapping[str, str],
    *,
    tool_version: str,
    revision: str,
) -> dict[str, Any]:
    """Return one SARIF log with one run.

    Args:
        files: name of a version's file by the version's id.
        accepted: reason by the id of an accepted finding.
        tool_version: of relkit.
        revision: digest of the revision's manifest.
    """
    rules = list(RULES.values())
    places = {rule.id: at for at, rule in enumerate(rules)}
    return {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "relkit",
                        "semanticVersion": tool_version,
                        "rules": [
                            {
                                "id": rule.id,
                                "shortDescription": {"text": rule.about},
                                "fullDescription": {"text": rule.why},
                                "help": {"text": rule.todo},
                                "properties": {"version": rule.version},
                            }
                            for rule in rules
                        ],
                    }
                },
                "columnKind": "unicodeCodePoints",
                "results": [_result(one, places, files, accepted) for one in findings],
                "properties": {"revision": revision},
            }
        ],
    }


def _result(
    one: Finding, rules: Mapping[str, int], files: Mapping[str, str], accepted: Mapping[str, str]
) -> dict[str, Any]:
    """Return a finding as a result."""
    told = ": ".join(
        filter(None, (one.fault, "; expected ".join(filter(None, (one.measured, one.expected)))))
    )
    where = "" if not one.places else f" At {', '.join(map(str, one.places))}."
    result: dict[str, Any] = {
        "ruleId": one.rule,
        "ruleIndex": rules[one.rule],
        "level": _LEVELS[one.severity],
        "kind": "fail",  # also of a note: something was found
        "message": {"text": f"{told}.{where} {one.todo}"},
        "locations": _locations(one, files),
        "partialFingerprints": {"relkitFinding/v1": one.id},
        "properties": {
            "versions": list(one.versions),
            "measured": one.measured,
            "expected": one.expected,
        },
    }
    if one.id in accepted:
        result["suppressions"] = [
            {"kind": "external", "status": "accepted", "justification": accepted[one.id]}
        ]
    return result


def _locations(one: Finding, files: Mapping[str, str]) -> list[dict[str, Any]]:
    """Return a location for every place, in the first version; for the file if there is no place."""
    if not one.versions:
        return []
    version = one.versions[0]
    return [
        {
            "physicalLocation": {"artifactLocation": {"uri": _uri(files.get(version, version))}},
            "logicalLocations": [
                {
                    "name": version,
                    "fullyQualifiedName": version if place is None else f"{version}/{place}",
                    "kind": "version",
                }
            ],
            "properties": {}
            if place is None
            else {"startMs": place.start_ms, "endMs": place.end_ms, "bars": place.bars or ""},
        }
        for place in _places(one)
    ]


def _places(one: Finding) -> Sequence[Place | None]:
    return one.places or (None,)


def _uri(name: str) -> str:
    from urllib.parse import quote

    return quote(name)
