"""What is heard at an edit: the band alone, the band under something else, or no band at all?

The instrumental is lined up with the edited version beforehand. In each few milliseconds it may have a
gain of its own, because the edit may lie before a compressor.

Conventions
    rest       [dB] what the instrumental does not explain, re all that is heard
    level      [dB] of the instrumental in what is heard, re the instrumental at the gain given

Source
    Every threshold here: common practice, no source; tried on generated pairs (``tests/support``)

Not here: lining up (``align``), where edits are (``regions``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from relkit.measure.excerpts import Recording, excerpt
from relkit.measure.leftover import COARSE_GRAIN, SILENT, Stretch, block_frames, fitted, leftover

REACH = 6  # blocks on both sides
ALONE_DB = -18.0
SOUNDS_DB = -9.0  # to a dip of a compressor it may fall so far


@dataclass(frozen=True)
class Underneath:
    """What is heard at a place.

    Attributes:
        sounds: whether the instrumental does.
        alone: whether nothing else does.
        level_db, rest_db: see the module's header.
    """

    sounds: bool
    alone: bool
    level_db: float
    rest_db: float


class _Part:
    """A stretch of a recording as a recording."""

    def __init__(self, source: Recording, first: int, frames: int) -> None:
        self._source, self._first = source, first
        self.frames, self.channels = frames, source.channels

    def read(self, first: int, end: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
        return excerpt(self._source, self._first + first, end - first)


def underneath(
    heard: Recording,
    first: int,
    end: int,
    music: Recording,
    music_first: int,
    rate_hz: int,
    gain: float = 1.0,
) -> Underneath | None:
    """Look for the instrumental at one place of an edited version.

    Args:
        heard: the edited version.
        first, end: the place [frames].
        music: the instrumental, with the same number of channels.
        music_first: its frame that sounds at ``first``.
        rate_hz: of both.
        gain: from the instrumental to the version elsewhere, signed.

    Returns:
        What is heard; None where the instrumental itself is silent.
    """
    grain = COARSE_GRAIN if end - first > 40 * COARSE_GRAIN else 1
    frames = end - first
    whole = (Stretch(0, frames, 0),)
    rest = leftover(
        _Part(music, music_first, frames),
        _Part(heard, first, frames),
        whole,
        gain,
        block_frames(rate_hz, grain),
        grain,
    )
    band, all_heard = float(rest.old.sum()), float(rest.new.sum())
    if band <= SILENT * rest.values * len(rest.old):
        return None
    fit = fitted(rest, REACH)
    level_db = 20 * math.log10(max(1 + float(rest.cross.sum()) / band, 1e-6))
    unexplained = float(fit.unexplained.sum() * rest.values)
    rest_db = 10 * math.log10(max(unexplained / all_heard, 1e-12)) if all_heard else 0.0
    sounds = all_heard > 0 and level_db > SOUNDS_DB
    return Underneath(sounds, sounds and rest_db < ALONE_DB, level_db, rest_db)
