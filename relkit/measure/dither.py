"""Was a signal brought to 16 bits without dither? Quiet passages tell.

Dither with a triangular density (two steps wide, as is usual) keeps the last bit moving: whatever the
signal, two samples in a row of one channel are equal with a probability of at most 38/64 = 0.594,
reached where the signal rests on a step (then 0, 1 and -1 have 3/4, 1/8 and 1/8). A signal that was only
rounded or cut rests: the end of a fade stands still for dozens of samples.

How it is told: the signal is looked at in windows of 1024 frames of one channel. One is quiet if its values
span 1 to 3 steps of 16 bits, and not only in one half of it (the edge of a mute is no fade). It rests if
more than three quarters of its samples equal the one before, ten standard deviations beyond what triangular
dither does; otherwise it moves. Shaped dither moves more, not less.

    undithered    4 quiet windows or more rest, and a tenth of all quiet ones
    dithered      otherwise, if 8 quiet windows or more move: by dither, or by noise in the recording, which
                  does the same service
    no answer     too few quiet windows, as in most songs that end before they are quiet

Rectangular dither of one step rests where the signal does, and counts as none at the very end of a fade.

Sources
    the densities: S. P. Lipshitz, R. A. Wannamaker, J. Vanderkooy, "Quantization and Dither: A Theoretical
    Survey", Journal of the AES 40 (1992); the probability follows from them; the limits are ours

Not here: how many bits are in use (``relkit.measure.faults``), whether it matters (``relkit.qc``).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

STEP = 2.0**-15  # of 16 bits
WINDOW_FRAMES = 1_024
QUIET_STEPS = 3
RESTING = 0.75
LEAST_RESTING, LEAST_SHARE = 4, 0.1
LEAST_MOVING = 8


class DitherWatch:
    """Counts windows that are quiet: those that rest, and those that move."""

    def __init__(self) -> None:
        self._moving = self._resting = 0
        self._first: int | None = None  # frame at which the first resting window begins

    def take(self, rows: npt.NDArray[np.float32], position: int) -> None:
        """Look at whole windows.

        Args:
            rows: shape (channels, n * ``WINDOW_FRAMES``), C-contiguous.
            position: frame of the signal at which they begin.
        """
        windows = rows.reshape(len(rows), -1, WINDOW_FRAMES)
        span = windows.max(axis=2) - windows.min(axis=2)
        for channel, index in np.argwhere((span > STEP / 2) & (span < (QUIET_STEPS + 0.5) * STEP)):
            self._look(windows[channel, index], position + int(index) * WINDOW_FRAMES)

    def _look(self, window: npt.NDArray[np.float32], position: int) -> None:
        """Count a quiet window."""
        if any(half.max() == half.min() for half in np.split(window, 2)):
            return
        if np.count_nonzero(window[1:] == window[:-1]) <= RESTING * (WINDOW_FRAMES - 1):
            self._moving += 1
            return
        self._resting += 1
        if self._first is None or position < self._first:
            self._first = position

    def undithered(self) -> bool | None:
        """Tell whether dither is missing; None where that cannot be told."""
        if self._resting >= max(LEAST_RESTING, LEAST_SHARE * (self._resting + self._moving)):
            return True
        return False if self._moving >= LEAST_MOVING else None

    @property
    def undithered_from(self) -> int | None:
        """The first frame at which it is seen that dither is missing; None if it is not."""
        return self._first if self.undithered() else None
