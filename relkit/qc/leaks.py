"""How much of one bounce is in another where it should not be: a voice in a beat, a beat in a voice.

Conventions
    times      [s] from the first frame of the bounce that is listened to
    level      [dB] re its own mean where it is not silent; see ``relkit.measure.presence``

Not here: the measure itself, and what is too much (``rules_leaks``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording
    from relkit.measure.slabs import Samples

VERSION = "qc-leak-1"  # goes up whenever a value may change
MOST_SHARE_DB = 1.0  # of the level that it has where it belongs


@dataclass(frozen=True)
class Leak:
    """What was found.

    Attributes:
        overall_db: of all of it; None if nothing was found.
        bursts: (start [s], end [s], level [dB]), in order of time. What is louder here than where it comes
            from is none: then it is the other one that leaked.
        seconds: how long the two were compared.
    """

    overall_db: float | None
    bursts: list[list[float]]
    seconds: float


class Later:
    """A recording from another frame on: negative to begin with silence."""

    def __init__(self, of: Recording, first: int, frames: int) -> None:
        self._of, self._first = of, first
        self.frames, self.channels = frames, of.channels

    def read(self, first: int, end: int) -> Samples:
        """Return frames; see ``relkit.measure.excerpts.Recording``."""
        from relkit.measure.excerpts import excerpt

        return excerpt(self._of, self._first + first, end - first)


def leak(of: Recording, in_: Recording, rate_hz: int, offset: int) -> Leak:
    """Look for one bounce in another.

    Args:
        offset: frame of ``in_`` at which frame 0 of ``of`` would sound.
    """
    from relkit.measure.presence import presence

    found = presence(Later(of, -offset, in_.frames), in_, rate_hz)
    overall = found.overall_db
    return Leak(
        overall_db=None if overall < -200 else overall,
        bursts=[
            [one.start_s, one.end_s, one.level_db]
            for one in found.bursts
            if one.share_db < MOST_SHARE_DB and one.level_db > -200
        ],
        seconds=in_.frames / rate_hz,
    )
