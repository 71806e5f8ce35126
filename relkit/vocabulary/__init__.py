"""What the trade calls things: versions, keys, kinds of recipients, names of bounces.

    versions      a version is a point on four axes with a short id
    key           a musical key
    recipients    who receives a package
    words         how people write versions in file names
    cutting       a file name in words
    recognition   from a file name to a version, or to a question

What only ``commit`` needs (``cutting`` and ``recognition``) is imported when it
is first used, so that other commands start without it.

Not here: which versions a release has (``relkit.sheet``), and the names that
relkit itself gives to files (``relkit.pack``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from relkit.vocabulary.key import Key
from relkit.vocabulary.recipients import RecipientKind
from relkit.vocabulary.versions import (
    FORMS,
    MAX_ID_LENGTH,
    PARTS,
    RATINGS,
    REMOVABLE,
    WELL_KNOWN,
    Version,
    is_slug,
)

if TYPE_CHECKING:
    from relkit.vocabulary.cutting import phrase_of
    from relkit.vocabulary.recognition import Ambiguous, Recognised, Unrecognised, recognise

__all__ = [
    "FORMS",
    "MAX_ID_LENGTH",
    "PARTS",
    "RATINGS",
    "REMOVABLE",
    "WELL_KNOWN",
    "Ambiguous",
    "Key",
    "RecipientKind",
    "Recognised",
    "Unrecognised",
    "Version",
    "is_slug",
    "phrase_of",
    "recognise",
]


def __getattr__(name: str) -> object:
    """Import what is not there yet at its first use."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from relkit.vocabulary import cutting, recognition

    return getattr(cutting if name == "phrase_of" else recognition, name)
