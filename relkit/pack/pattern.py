"""How does a pattern become the name of a file? Fields are filled in, and an empty one takes its text along.

    {artist} feat. {featured} - {title} ({remixer} Remix) ({version}, {language})

    everything    A feat. B - Song (C Remix) (Clean, ES)
    no guests     A - Song (C Remix) (Clean, ES)
    only a song   A - Song (Clean)

A pattern is text with slots; a slot is a field, or a pair of brackets with
slots inside. A slot that is filled brings the text in front of it, back to the
slot before; the first slot brings what the pattern begins with, the last one
what it ends with. An empty slot brings nothing, and brackets are empty when all
their fields are. What a field holds is never read as a pattern.

Sources
    Common practice, no source.

Not here: what the fields hold, and whether the result is safe as a name (``relkit.pack.names``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

DEFAULT_PATTERN = "{artist} feat. {featured} - {title} ({remixer} Remix) ({version}, {language})"

_SLOT = re.compile(r"\{(?P<field>[a-z]+)\}|\((?P<round>[^()]*)\)|\[(?P<square>[^\[\]]*)\]")
_FIELD = re.compile(r"\{[a-z]+\}")


@dataclass(frozen=True)
class Pattern:
    """A pattern that was read.

    Attributes:
        slots: names of fields, and bracketed patterns.
        texts: what stands before each slot, and behind the last; one more than slots.
        brackets: what stands around it all, "", "()" or "[]".
    """

    slots: tuple[str | Pattern, ...]
    texts: tuple[str, ...]
    brackets: str = ""

    def filled(self, values: Mapping[str, str]) -> str:
        """Return the text with its fields filled in; "" if all of them are empty.

        Raises:
            ValueError: a field has no value, not even an empty one.
        """
        found = [self._value(slot, values) for slot in self.slots]
        kept = [place for place, value in enumerate(found) if value]
        if not kept:
            return ""
        pieces = [(self.texts[place] if place not in kept[:1] else "") + found[place] for place in kept]
        start = self.texts[0] if kept[0] == 0 else ""
        end = self.texts[-1] if kept[-1] == len(found) - 1 else ""
        return f"{self.brackets[:1]}{start}{''.join(pieces)}{end}{self.brackets[1:]}"

    def _value(self, slot: str | Pattern, values: Mapping[str, str]) -> str:
        if isinstance(slot, Pattern):
            return slot.filled(values)
        if slot not in values:
            raise ValueError(f"{{{slot}}} is no field of a name")
        return values[slot]


@lru_cache(maxsize=64)
def read_pattern(text: str, brackets: str = "") -> Pattern:
    """Read a pattern. Brackets without a field inside, or without a partner, are text."""
    slots: list[str | Pattern] = []
    texts, at = [""], 0
    for match in _SLOT.finditer(text):
        if match["field"] is None and not _FIELD.search(match[0]):
            continue
        texts[-1] += text[at : match.start()]
        at = match.end()
        slots.append(match["field"] or read_pattern(match[0][1:-1], match[0][0] + match[0][-1]))
        texts.append("")
    texts[-1] += text[at:]
    return Pattern(tuple(slots), tuple(texts), brackets)
