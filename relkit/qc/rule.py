"""What a rule is: a function of the pack and of what is heard in it, with an id that never changes.

    @rule("dead-channel", about="...", why="...", todo="...")
    def dead_channel(pack: Pack, ear: Ear) -> Iterator[Odd]:
        yield Odd("fail", (version.id,), "the right channel is silent", ...)

Not here: the rules, running them (``check``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from relkit.qc.findings import Finding, Place, Severity

if TYPE_CHECKING:
    from relkit.qc.ear import Ear
    from relkit.qc.pack import Pack


@dataclass(frozen=True)
class Odd:
    """What a rule's function yields; the rule makes a finding of it. Attributes as in ``Finding``."""

    severity: Severity
    versions: tuple[str, ...]
    fault: str
    measured: str = ""
    expected: str = ""
    places: tuple[Place, ...] = ()
    badness: float = 0.0
    todo: str | None = None  # instead of the rule's own
    why: str | None = None


Judge = Callable[["Pack", "Ear"], Iterator[Odd]]


@dataclass(frozen=True)
class Rule:
    """One rule.

    Attributes:
        id: lower-case words joined by hyphens.
        version: goes up when it judges otherwise.
        about: what it asks, for the documentation; one line.
        why, todo: of its findings, unless they say otherwise.
        about_explicit: whether it keeps explicit material from where none is expected.
    """

    id: str
    version: int
    about: str
    why: str
    todo: str
    about_explicit: bool
    judge: Judge

    def findings(self, pack: Pack, ear: Ear) -> Iterator[Finding]:
        """Yield what the rule finds."""
        for odd in self.judge(pack, ear):
            yield Finding(
                rule=self.id,
                rule_version=self.version,
                severity=odd.severity,
                versions=odd.versions,
                fault=odd.fault,
                why=odd.why or self.why,
                todo=odd.todo or self.todo,
                measured=odd.measured,
                expected=odd.expected,
                places=odd.places,
                badness=odd.badness,
                about_explicit=self.about_explicit,
            )


RULES: dict[str, Rule] = {}


def rule(
    rule_id: str, *, about: str, why: str, todo: str, version: int = 1, about_explicit: bool = False
) -> Callable[[Judge], Judge]:
    """Register a function as a rule.

    Raises:
        ValueError: the id is taken.
    """

    def register(judge: Judge) -> Judge:
        if rule_id in RULES:
            raise ValueError(f"there is a rule {rule_id!r} already")
        RULES[rule_id] = Rule(rule_id, version, about, why, todo, about_explicit, judge)
        return judge

    return register
