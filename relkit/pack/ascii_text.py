"""How does a name read where only ASCII may stand? The fields of ``bext`` and ``cart``.

Accents go, letters that other alphabets share with ours in sound are written
out, and what cannot be read in ASCII is marked: one "?" for each run of it. The
name itself, in its own script, stands in the ID3 tag of the same file.

Conventions
    most    bytes of ASCII, at most; what is longer ends in "..."

Sources
    [UAX15] Unicode Standard Annex 15: compatibility decomposition (NFKD)
    Cyrillic and Greek are spelt as on road signs, roughly; common practice, no source.

Not here: names of files, which keep their script (``relkit.pack.names``).
"""

from __future__ import annotations

import re
import unicodedata
from itertools import chain

from relkit.pack.names import one_line

_UNREADABLE = "\0"  # stands for a character while the text is put together; ``one_line`` leaves none

_LETTERS = dict(
    re.findall(
        r"(\S)=(\S*)",
        "ß=ss æ=ae œ=oe ø=o đ=d ð=d þ=th ł=l ħ=h ı=i ŋ=ng ŧ=t "
        "а=a б=b в=v г=g ґ=g ѓ=g д=d ђ=dj е=e ё=yo є=ye ж=zh з=z ѕ=dz и=i і=i ї=yi й=y ј=j к=k ќ=k "
        "л=l љ=lj м=m н=n њ=nj о=o п=p р=r с=s т=t ћ=c у=u ў=u ф=f х=kh ц=ts ч=ch џ=dz ш=sh щ=shch "
        "ъ= ы=y ь= э=e ю=yu я=ya "
        "α=a β=v γ=g δ=d ε=e ζ=z η=i θ=th ι=i κ=k λ=l μ=m ν=n ξ=x ο=o π=p ρ=r σ=s ς=s τ=t υ=y φ=f "
        "χ=ch ψ=ps ω=o",
    )
)
_MARKS = {
    **dict.fromkeys("‘’‚‛‹›ʻʼʹ′`´", "'"),
    **dict.fromkeys("“”„‟«»″", '"'),
    **dict.fromkeys("‐‑‒–—―−", "-"),
    **dict.fromkeys("⁄∕", "/"),
    "×": "x",
    "•": "-",
    "·": "-",
    "€": "EUR",
    "£": "GBP",
    "¡": "!",
    "¿": "?",
}


def to_ascii(text: str, most: int) -> str:
    """Return text in printable ASCII, on one line.

    Args:
        text: anything a person typed.
        most: bytes, 4 or more.
    """
    spelt = "".join(chain.from_iterable(map(_spelt, one_line(text))))
    if text.isupper():
        spelt = spelt.upper()
    line = " ".join(re.sub(f"{_UNREADABLE}+", "?", spelt).split())
    return line if len(line) <= most else line[: most - 3].rstrip() + "..."


def _spelt(char: str) -> str:
    """Return what stands for one character: ASCII, nothing, or the mark."""
    if char.isascii():
        return char
    known = _known(char)
    if known is not None:
        return known
    parts = unicodedata.normalize("NFKD", char)
    return "".join(part if part.isascii() else _part(part) for part in parts)


def _known(char: str) -> str | None:
    """Return what the tables have for a character, with its case."""
    if char in _MARKS:
        return _MARKS[char]
    letters = _LETTERS.get(char.lower())
    return letters if letters is None or char.islower() else letters.capitalize()


def _part(part: str) -> str:
    """Return what stands for a part of a decomposed character; accents and joiners go."""
    known = _known(part)
    if known is not None:
        return known
    return "" if unicodedata.category(part)[0] == "M" or part in "\u200c\u200d" else _UNREADABLE
