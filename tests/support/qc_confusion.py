"""Runs every bad and every sound pack through QC and writes the table of docs/reference/qc.md.

    python -m tests.support.qc_confusion        takes some minutes

Not here: the packs (``bad_packs``, ``sound_packs``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from relkit.qc.findings import SEVERITIES, Finding
from relkit.store.cache import Cache
from tests.support.bad_packs import Defect, groups
from tests.support.sound_packs import ODDITIES, Oddity

PAGE = Path(__file__).resolve().parents[2] / "docs" / "reference" / "qc.md"
BEGIN, END = "<!-- confusion: begin -->\n", "<!-- confusion: end -->\n"


def missed(defect: Defect, findings: Iterable[Finding]) -> list[str]:
    """Return the rules that should have found a defect and did not."""
    grave = SEVERITIES.index(defect.severity)
    found = {
        one.rule
        for one in findings
        if SEVERITIES.index(one.severity) <= grave
        and (defect.version is None or defect.version in one.versions)
    }
    return [rule for rule in defect.rules if rule not in found]


def row(name: str, defects: Sequence[Defect], memory: Cache) -> tuple[str, list[str]]:
    """Return a line of the table, and the names of what was missed."""
    lost = [defect.name for defect in defects if missed(defect, defect.made().findings(memory))]
    rules = sorted({rule for defect in defects for rule in defect.rules})
    return (
        f"| {name} | {len(defects)} | {len(defects) - len(lost)} | {len(lost)} | "
        + ", ".join(f"`{rule}`" for rule in rules)
        + " |",
        lost,
    )


def judged(oddities: Sequence[Oddity], memory: Cache) -> tuple[list[str], list[str]]:
    """Return the names of the sound packs that fail, and of those that are asked about, with the rules."""
    fails: list[str] = []
    warns: list[str] = []
    for oddity in oddities:
        found = oddity.make().findings(memory)
        for severity, told in (("fail", fails), ("warn", warns)):
            rules = sorted({one.rule for one in found if one.severity == severity})
            if rules:
                told.append(f"{oddity.name} ({', '.join(rules)})")
    return fails, warns


def table(memory: Cache) -> str:
    """Return the text between the marks of the page."""
    lines = ["| defects | packs | found by its rule | missed | rules |", "| --- | --- | --- | --- | --- |"]
    lost: list[str] = []
    for name, defects in groups():
        text, gone = row(name, defects, memory)
        lines.append(text)
        lost += gone
    fails, warns = judged(ODDITIES, memory)
    lines += [
        "",
        f"Missed: {'; '.join(lost) or 'none'}.",
        "",
        f"Of {len(ODDITIES)} sound packs with oddities, {len(fails)} fail"
        + (f": {'; '.join(fails)}" if fails else "")
        + f". Asked about: {'; '.join(warns) or 'none'}.",
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the table into the page."""
    text = PAGE.read_text(encoding="utf-8")
    made = BEGIN + table(Cache(Path(":memory:"))) + END
    PAGE.write_text(re.sub(f"{BEGIN}.*?{END}", lambda _: made, text, flags=re.DOTALL), encoding="utf-8")


if __name__ == "__main__":
    main()
