"""What is sung: phrases of nonsense words on a melody, and the words that the clean edits drop.

Conventions
    beat     in quarter notes; within a phrase from the phrase's first bar line
    pitch    MIDI note number, 69 = A4 = 440 Hz
    text     words are parted by spaces, syllables by hyphens, one syllable a note
    word     numbered in the order of singing; times in seconds of the song. A word begins with its
             consonant, which lies before the beat, and ends with its last vowel

No word means anything. Some of them stand for what a family audience should not hear.

Not here: how a syllable sounds (``voice``), doubles and echoes (``session``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Final

from example_release.phonemes import parse
from example_release.scenario import BARS, BEATS_PER_BAR, seconds_of_beat

Note = tuple[float, float, int]  # beat in the phrase, length in beats, pitch


@dataclass(frozen=True)
class Phrase:
    """One breath of singing.

    Attributes:
        text: words and syllables.
        notes: one per syllable.
        bar: where its first bar line lies in the song.
        kind: the section's kind; decides doubles, harmonies and loudness.
    """

    text: str
    notes: tuple[Note, ...]
    bar: int
    kind: str

    @property
    def syllables(self) -> list[str]:
        """All syllables in order, one for each note."""
        return self.text.replace(" ", "-").split("-")

    @property
    def first_beat(self) -> int:
        """Where its first bar line lies in the song, in beats."""
        return self.bar * BEATS_PER_BAR


@dataclass(frozen=True)
class Word:
    """A sung word: number, letters, start and end in the song [s]."""

    index: int
    text: str
    start_s: float
    end_s: float


# A two-bar melody and the words that are sung to it.
_VERSE_A: Final = ((0.5, 0.5, 61), (1, 0.5, 61), (1.5, 0.9, 64), (2.5, 0.5, 62), (3, 1, 61))
_VERSE_A_TAIL: Final = ((4.5, 0.5, 59), (5, 0.5, 57), (5.5, 1.5, 61))
_VERSE_B: Final = ((0.5, 0.5, 61), (1, 0.5, 61), (1.5, 0.5, 64), (2, 0.5, 66), (2.5, 0.5, 64), (3, 1.25, 62))
_VERSE_B_TAIL: Final = ((5, 0.5, 61), (5.5, 0.5, 59), (6, 1.5, 57))
_VERSE_C: Final = ((0, 0.5, 62), (0.5, 0.5, 62), (1, 1, 66), (2.5, 0.5, 64), (3, 0.5, 62), (3.5, 0.6, 61))
_VERSE_C_TAIL: Final = ((4.5, 0.5, 64), (5, 0.5, 64), (5.5, 1.9, 59))
_VERSE_D: Final = ((0.5, 0.5, 62), (1, 0.75, 61), (2, 0.5, 62), (2.5, 1.1, 66))
_VERSE_D_TAIL: Final = ((4, 0.5, 68), (4.5, 0.5, 66), (5, 0.5, 64), (5.5, 2, 61))
VERSE: Final = (
    _VERSE_A + _VERSE_A_TAIL,
    _VERSE_B + _VERSE_B_TAIL,
    _VERSE_C + _VERSE_C_TAIL,
    _VERSE_D + _VERSE_D_TAIL,
)
PRE: Final = (
    ((0, 1.5, 66), (1.5, 0.5, 64), (2, 1.6, 62), (4, 1, 64), (5, 2.5, 66)),
    ((0, 1.5, 69), (1.5, 0.5, 66), (2, 1.6, 64), (4, 1, 66), (5, 2.5, 69)),
    ((0, 1, 69), (1, 1, 68), (2, 1.6, 66), (4, 1, 68), (5, 2.5, 69)),
    ((0, 1, 68), (1, 1, 68), (2, 1.8, 71), (4, 3.2, 68)),
)
_HOOK_TURN: Final = ((0, 0.75, 69), (0.75, 0.75, 69), (1.5, 1, 66), (2.5, 0.5, 68), (3, 0.9, 69))
_HOOK_ANSWER: Final = ((4, 0.75, 69), (4.75, 0.75, 69), (5.5, 1, 66), (6.5, 0.5, 64), (7, 0.8, 66))
_HOOK_RISE: Final = ((0, 0.75, 73), (0.75, 0.75, 73), (1.5, 1, 69), (2.5, 0.5, 71), (3, 0.9, 69))
_HOOK_FALL: Final = ((4, 1.5, 68), (5.5, 0.5, 66), (6, 1.6, 64))
_HOOK_CLOSE: Final = ((0, 0.75, 71), (0.75, 0.75, 71), (1.5, 1, 69), (2.5, 0.5, 66), (3, 0.9, 66))
_HOOK_LEAD: Final = ((4, 1, 65), (5, 0.5, 66), (5.5, 2, 68))  # E#: the leading note of F# minor
HOOK: Final = (
    _HOOK_TURN + _HOOK_ANSWER,
    _HOOK_RISE + _HOOK_FALL,
    _HOOK_TURN + _HOOK_ANSWER,
    _HOOK_CLOSE + _HOOK_LEAD,
)
BREAK: Final = (
    ((0, 2, 66), (2, 1.5, 64), (4, 1, 62), (5, 2.6, 61)),
    ((0, 2, 69), (2, 1.5, 68), (4, 1, 66), (5, 2.6, 64)),
)

_VERSE_1: Final = (
    "so-ra-ven a-lu mi-na-tel",
    "o-shen da-ri-wa lo te-ne-ru",
    "ki-la mo ve-sha-ru ta-li-o",
    "fa-ro de-lun sa-vi-ma-ne",
    "no-ra-vel i-lu mo-sa-ren",
    "a-ven du-ri-wa lo ke-ne-ra",
    "si-la mo ve-tha-ru na-li-o",
    "va-ro te-lun ha-vi-sa-ne",
)
_VERSE_2: Final = (
    "lo-ra-sen u-la ti-na-vel",
    "e-shen ma-ri-do la so-ne-ru",
    "vi-la no ke-sha-ru ma-li-o",
    "ha-ro ve-lun ta-vi-sa-ne",
)
_PRE: Final = ("wo-len-da ri-so", "wo-len-ma ti-ru", "a-ve-na shi-lo", "hey ta-ra o")
_HOOK: Final = (
    "lan-ta-ro ve la sho-ri-ma ne-wa",
    "lan-ta-ro ve-lu mi-na-ye",
    "lan-ta-ro ve la sho-ri-ma ne-o",
    "ta-lo-re shu-wo ha-ri-ne",
)
_BREAK: Final = ("u-lo me-ra", "u-lo ve-na")
# Calls between the lines of the later hooks: text, notes, bar within the hook.
_AD_LIBS: Final = (
    ("hey-ya", ((3.5, 0.5, 73), (4, 1, 71)), 2),
    ("o", ((7, 1.4, 76),), 3),
    ("lan-ta", ((3.25, 0.5, 73), (3.75, 0.8, 69)), 7),
    ("ye", ((3.5, 1.2, 76),), 10),
    ("o-wa", ((3.5, 0.75, 69), (4.25, 1.5, 73)), 14),
)


def _set(texts: tuple[str, ...], tunes: tuple[tuple[Note, ...], ...], section: str) -> list[Phrase]:
    """Lay texts on tunes, two bars each, from the start of a section."""
    place = BARS[section]
    return [
        Phrase(text, tunes[number % len(tunes)], place.first_bar + 2 * number, place.kind)
        for number, text in enumerate(texts)
    ]


@cache
def lead() -> tuple[Phrase, ...]:
    """Return everything that the lead voice sings, in order."""
    return tuple(
        _set(_VERSE_1, VERSE, "verse-1")
        + _set(_PRE, PRE, "pre")
        + _set(_HOOK * 2, HOOK, "hook-1")
        + _set(_VERSE_2, VERSE, "verse-2")
        + _set(_HOOK * 2, HOOK, "hook-2")
        + _set(_BREAK, BREAK, "break")
        + _set(_HOOK * 2, HOOK, "hook-3")
    )


@cache
def ad_libs() -> tuple[Phrase, ...]:
    """Return the calls between the lines."""
    return tuple(
        Phrase(text, notes, BARS[section].first_bar + bar, "ad-lib")
        for section in ("hook-2", "hook-3")
        for text, notes, bar in _AD_LIBS
    )


@cache
def words() -> tuple[Word, ...]:
    """Return every word of the lead voice with its place in the song."""
    found: list[Word] = []
    for phrase in lead():
        taken = 0
        for text in phrase.text.split(" "):
            syllables = text.split("-")
            first, last = phrase.notes[taken], phrase.notes[taken + len(syllables) - 1]
            taken += len(syllables)
            start = seconds_of_beat(phrase.first_beat + first[0]) - parse(syllables[0]).lead_in_s
            end = seconds_of_beat(phrase.first_beat + last[0] + last[1])
            if found and found[-1].end_s > start:  # a consonant takes its time from the vowel before
                found[-1] = replace(found[-1], end_s=start)
            found.append(Word(len(found), text.replace("-", ""), start, end))
    return tuple(found)
