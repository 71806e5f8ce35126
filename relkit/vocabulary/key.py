"""A musical key: "F# minor" for people, "F#m" in files. There is no other code.

Sources
    [ID3] ID3v2.3.0, frame TKEY: tonic A to G, "b" or "#", "m" for minor

Not here: finding the key of a recording (``relkit.measure``).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_KEY = re.compile(r"([A-G][b#]?) (major|minor)")


@dataclass(frozen=True)
class Key:
    """Tonic ("F#", "Bb", "C") and mode ("major", "minor")."""

    tonic: str
    mode: str

    @classmethod
    def parse(cls, text: str) -> Key:
        """Read "F# minor".

        Raises:
            ValueError: written in any other way.
        """
        match = _KEY.fullmatch(text)
        if match is None:
            raise ValueError(f"{text!r} is no key")
        return cls(match[1], match[2])

    @property
    def tkey(self) -> str:
        """What a TKEY frame holds: at most three characters, [ID3]."""
        return self.tonic + ("m" if self.mode == "minor" else "")

    def __str__(self) -> str:
        return f"{self.tonic} {self.mode}"
