"""Cutting the name of a file into words, and taking artist and title out.

Conventions
    word      letters of one kind, or digits; cut at case changes, too
    folded    lower case, without accents and apostrophes; "and" folds away
    phrase    folded words joined by one space

Sources
    Common practice, no source.

Not here: what the words mean (``words``, ``recognition``).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from relkit.vocabulary.words import GLUED, TRADE_WORDS

_EXTENSION = re.compile(r"\.(wave?|aiff?|aifc|rf64|bwf|w64|flac|mp3|m4a|ogg|caf)$", re.IGNORECASE)
_ACRONYM = re.compile(r"(?<![A-Z])(DJ|TV)(?=[a-z])")  # "DJedit": no change of case marks the end
_BRACKETED = re.compile(r"\([^)]*\)|\[[^]]*\]")
_MAX_RUN = 60  # letters; a longer run is no glued trade words, and cutting it costs time


@dataclass(frozen=True)
class Word:
    """One word of a file name; empty where artist or title stood."""

    text: str  # as written
    folded: str


def stem(filename: str) -> str:
    """Return the last component without audio extensions."""
    name = unicodedata.normalize("NFC", re.split(r"[/\\]", filename)[-1])
    while (shorter := _EXTENSION.sub("", name)) != name:
        name = shorter
    return name


def fold(text: str) -> str:
    """Lower case without accents, width variants and apostrophes."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    return "".join(char for char in plain if not unicodedata.combining(char) and char not in "'\u2019")


def phrase_of(text: str) -> str:
    """Return a text in the form in which answers are remembered: "Radio_Edit" is "radio edit"."""
    return " ".join(word.folded for word in words_of(text) if word.folded)


def words_of(text: str) -> list[Word]:
    """Cut a text into words, at punctuation, between letters and digits, and at case changes."""
    text = _ACRONYM.sub(r" \1 ", re.sub(r"['\u2019]", "", text))
    pieces: list[str] = []
    for run in re.findall(r"[^\W\d_]+|\d+", unicodedata.normalize("NFC", text)):
        pieces.extend(_glued(run) or [part for hump in _humps(run) for part in _glued(hump) or [hump]])
    folded = ((piece, fold(piece)) for piece in pieces)
    return [Word(piece, "" if plain == "and" else plain) for piece, plain in folded]


def _humps(run: str) -> list[str]:
    """Cut "CleanDJIntro" into Clean, DJ, Intro."""
    cuts = [
        at
        for at in range(1, len(run))
        if run[at].isupper()
        and (run[at - 1].islower() or (run[at - 1].isupper() and run[at + 1 : at + 2].islower()))
    ]
    return [run[start:end] for start, end in zip([0, *cuts], [*cuts, len(run)], strict=True)]


def _glued(run: str) -> list[str] | None:
    """Cut "djintroclean" into words, if it is made of nothing but words of the trade."""
    plain = fold(run)
    if len(plain) != len(run) or len(run) > _MAX_RUN:
        return None
    ways: list[list[str] | None] = [[]]  # ways[n]: how the first n letters are cut, longest words last
    for end in range(1, len(plain) + 1):
        starts = (at for at in range(end) if ways[at] is not None and plain[at:end] in GLUED)
        best = next(starts, None)
        ways.append(None if best is None else [*(ways[best] or []), run[best:end]])
    return ways[-1]


def without_names(words: list[Word], *, artist: str | None, title: str | None) -> tuple[list[Word], bool]:
    """Take out artist and title once each; say whether the title was there (or is not known).

    Single words of them go, too, but for those that may speak of a version.

    An empty word stays in their place, so that the words around them do not
    become neighbours.
    """
    title_found = title is None
    for name in filter(None, (title, artist)):
        place = next(filter(None, (place_of(words, part) for part in _ways_to_write(name))), None)
        if place is None:
            continue
        start, end = place
        if name == artist and start and words[start - 1].folded == "dj":
            start -= 1  # "DJ Somebody" is one name
        words = [*words[:start], Word("", ""), *words[end:]]
        title_found = title_found or name == title
    # One word of a title is no proof that it is meant, unless it means nothing else here.
    own = {word.folded for name in (title, artist) if name for word in words_of(name)} - TRADE_WORDS
    return [Word("", "") if word.folded in own else word for word in words], title_found


def _ways_to_write(name: str) -> list[str]:
    """Return a name's folded letters: whole, without brackets, and cut after two or more words."""
    plain = [word.folded for word in words_of(name) if word.folded]
    bare = [word.folded for word in words_of(_BRACKETED.sub(" ", name)) if word.folded]
    cut = ["".join(bare[:count]) for count in range(len(bare) - 1, 1, -1)]
    if bare[:1] == ["the"]:
        cut.append("".join(bare[1:]))
    return [way for way in ("".join(plain), "".join(bare), *cut) if way]


def place_of(words: Sequence[Word], letters: str) -> tuple[int, int] | None:
    """Return the first run of whole words that has exactly these letters."""
    for start, first in enumerate(words):
        if not first.folded or not letters.startswith(first.folded):
            continue
        run = ""
        for end in range(start, len(words)):
            run += words[end].folded
            if run == letters:
                return start, end + 1
            if not letters.startswith(run) or not words[end].text:
                break
    return None
