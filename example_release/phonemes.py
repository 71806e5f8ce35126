"""The sounds that the singing voice can make: vowels as formants, consonants as short gestures.

Conventions
    formant     resonance of the vocal tract [Hz], lowest first
    voicing     0..1, how much of the vocal folds' tone is heard during a consonant
    noise       0..1, how much turbulent noise

Sources: formant values are rounded by ear from the averages that phonetics textbooks print for
adult voices (common knowledge, no single source); consonants are set by ear.

Not here: pitch, timing, synthesis (``voice``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

VOWELS: Final[dict[str, tuple[float, float, float, float]]] = {
    "a": (760, 1240, 2650, 3600),
    "e": (500, 1880, 2600, 3600),
    "i": (320, 2280, 2950, 3650),
    "o": (500, 900, 2550, 3500),
    "u": (350, 800, 2400, 3400),
}
CENTRAL: Final = (520.0, 1450.0, 2550.0, 3550.0)  # a mouth at rest


@dataclass(frozen=True)
class Consonant:
    """One gesture before (or after) a vowel.

    Attributes:
        seconds: length [s].
        voicing, noise: levels 0..1 while it lasts.
        centre_hz, width_hz: where the noise lies.
        formants: where the resonances go; ``None`` keeps the vowel's.
        burst: noise only in the last part, after a closure.
    """

    seconds: float
    voicing: float = 0.0
    noise: float = 0.0
    centre_hz: float = 4000.0
    width_hz: float = 2000.0
    formants: tuple[float, float, float, float] | None = None
    burst: bool = False


CONSONANTS: Final[dict[str, Consonant]] = {
    "": Consonant(0.02, 0.5),
    "s": Consonant(0.10, 0.0, 0.60, 7200, 2600),
    "sh": Consonant(0.10, 0.0, 0.55, 3300, 1500),
    "th": Consonant(0.07, 0.0, 0.18, 6500, 4500),
    "f": Consonant(0.08, 0.0, 0.22, 6000, 5000),
    "v": Consonant(0.06, 0.35, 0.10, 5500, 4500),
    "h": Consonant(0.07, 0.05, 0.20, 1700, 1500),
    "t": Consonant(0.07, 0.0, 0.65, 4800, 2800, burst=True),
    "k": Consonant(0.07, 0.0, 0.60, 2200, 1100, burst=True),
    "d": Consonant(0.05, 0.18, 0.35, 3800, 2400, (350, 1700, 2600, 3550), burst=True),
    "m": Consonant(0.07, 0.40, formants=(270, 1050, 2200, 3300)),
    "n": Consonant(0.07, 0.40, formants=(280, 1450, 2400, 3400)),
    "l": Consonant(0.06, 0.55, formants=(360, 1150, 2750, 3600)),
    "r": Consonant(0.06, 0.55, formants=(420, 1200, 1650, 3300)),
    "w": Consonant(0.08, 0.55, formants=(330, 680, 2300, 3400)),
    "y": Consonant(0.07, 0.55, formants=(300, 2250, 2950, 3650)),
}


@dataclass(frozen=True)
class Syllable:
    """Consonant, vowel, and a consonant or glide after it (keys of the tables; may be empty)."""

    onset: str
    vowel: str
    coda: str

    @property
    def lead_in_s(self) -> float:
        """How long before its beat the syllable begins [s]."""
        return CONSONANTS[self.onset].seconds


def parse(text: str) -> Syllable:
    """Read a written syllable, such as ``shen``.

    Raises:
        ValueError: it has no vowel, or a consonant that is not in the table.
    """
    at = next((place for place, letter in enumerate(text) if letter in VOWELS), None)
    if at is None:
        raise ValueError(f"syllable {text!r} has no vowel")
    syllable = Syllable(text[:at], text[at], text[at + 1 :])
    if syllable.onset not in CONSONANTS or syllable.coda not in CONSONANTS:
        raise ValueError(f"syllable {text!r} has a sound that nobody taught the voice")
    return syllable
