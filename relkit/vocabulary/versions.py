"""A version is a point on four axes: parts, form, rating, language.

The id is only a short name. Rules about versions follow from the axes, so that
a version which a sheet invents is treated like the well-known ones.

Conventions
    id          lower-case words joined by "-", at most 40 characters
    rating      declared by a person, never inferred from an id or a file name;
                None is "not declared" and counts as explicit
    language    ISO 639 code of two or three lower-case letters, or None

Sources
    The lists are common practice, no source.

Not here: which version a file name means (``recognition``), which file holds
a version (``relkit.sheet``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

MAX_ID_LENGTH = 40
ID_RULE = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")

PARTS = ("full", "instrumental", "acapella", "tv", "stems", "other")  # tv: everything but the lead vocal
FORMS = ("song", "dj-edit", "intro-only", "short", "extended", "other")
RATINGS = ("explicit", "clean", "no-edit-needed")
REMOVABLE = ("swearing", "sex", "drugs", "violence", "brands", "sound-alikes")

_SHARED_LENGTH = {"song": "song", "dj-edit": "dj-edit"}  # forms whose versions must match in length
_LABEL_WORDS = {"dj": "DJ", "tv": "TV"}


def is_slug(text: str) -> bool:
    """Whether a text can be a version's id or a length group's name."""
    return len(text) <= MAX_ID_LENGTH and ID_RULE.fullmatch(text) is not None


def default_label(version_id: str) -> str:
    """Return what people read for an id when the sheet gives no label.

    The well-known ids have the trade's words; others are written in title case.
    """
    trade = {"dj": "DJ Edit", "dj-clean": "DJ Edit Clean"}
    words = (_LABEL_WORDS.get(word, word.capitalize()) for word in version_id.split("-"))
    return trade.get(version_id) or " ".join(words)


def default_length_group(version_id: str, form: str) -> str:
    """Return the group within which lengths must match: a shared one, or the version's own."""
    return _SHARED_LENGTH.get(form, version_id)


@dataclass(frozen=True)
class Version:
    """One version of a song, on its four axes.

    Attributes:
        id: see the module's conventions.
        parts: one of ``PARTS``.
        form: one of ``FORMS``.
        rating: one of ``RATINGS``, or None for "not declared".
        language: ISO 639 code, or None.
        removed: what a clean version is free of, from ``REMOVABLE``.
        length_group: versions of one group start and end together; empty asks
            for the default of the form.
        label: for people and file names; empty asks for the default of the id.

    Raises:
        ValueError: the id is no slug, or a value is none of the axis.
    """

    id: str
    parts: str = "full"
    form: str = "song"
    rating: str | None = None
    language: str | None = None
    removed: tuple[str, ...] = ()
    length_group: str = ""
    label: str = ""

    def __post_init__(self) -> None:
        if not is_slug(self.id):
            raise ValueError(f"{self.id!r} is no version id")
        for axis, value, known in (("parts", self.parts, PARTS), ("form", self.form, FORMS)):
            if value not in known:
                raise ValueError(f"{axis} {value!r} is none of {', '.join(known)}")
        if self.rating is not None and self.rating not in RATINGS:
            raise ValueError(f"rating {self.rating!r} is none of {', '.join(RATINGS)}")
        if not set(self.removed) <= set(REMOVABLE):
            raise ValueError(f"removed {self.removed!r} has more than {', '.join(REMOVABLE)}")
        # Frozen for everybody else: a derived default is filled in once, here.
        object.__setattr__(
            self, "length_group", self.length_group or default_length_group(self.id, self.form)
        )
        object.__setattr__(self, "label", self.label or default_label(self.id))

    @property
    def may_be_explicit(self) -> bool:
        """Whether a recipient who excludes explicit material must not get this."""
        return self.rating not in {"clean", "no-edit-needed"}


WELL_KNOWN: Mapping[str, Version] = MappingProxyType(
    {
        version.id: version
        for version in (
            Version("main"),
            Version("explicit"),
            Version("clean"),
            Version("instrumental", parts="instrumental"),
            Version("acapella", parts="acapella"),
            Version("acapella-clean", parts="acapella"),
            Version("dj", form="dj-edit"),
            Version("dj-clean", form="dj-edit"),
        )
    }
)
"""Axes of the ids that everybody uses. No rating is among them: ratings are declared."""
