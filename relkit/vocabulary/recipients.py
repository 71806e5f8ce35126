"""Kinds of recipients. What each wants by default is common practice, no source.

Not here: the address book and a recipient's wishes (``relkit.release``).
"""

from __future__ import annotations

from enum import StrEnum


class RecipientKind(StrEnum):
    """Whom a package goes to; the value is what people type and records hold."""

    CLUB_DJ = "club-dj"
    RADIO_PROGRAMME = "radio-programme"
    MIX_SHOW = "mix-show"
    EVENT_DJ = "event-dj"
    ARENA = "arena"
    REMIXER = "remixer"
    LABEL = "label"
    SYNC = "sync"

    @property
    def human_label(self) -> str:
        """What a person reads: "club DJ", "radio programme"."""
        return self.value.replace("-", " ").replace("dj", "DJ")

    @property
    def one(self) -> str:
        """The label with its article: "a club DJ", "an arena"."""
        return f"{'an' if self.value[0] in 'aeiou' else 'a'} {self.human_label}"
