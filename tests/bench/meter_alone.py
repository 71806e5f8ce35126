"""Run some meters over one file in a process of their own, and note its peak memory.

    python meter_alone.py WHAT FILE NOTE_FILE

WHAT is ``levels`` (loudness, range, maxima, true peak), ``faults`` (the same and the faults of a bounce),
``music`` (tempo and key) or ``nothing`` (what Python and numpy take by themselves). One thread.

Not here: what is compared with it (``measuring``).
"""

from __future__ import annotations

import atexit
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line has it; before numpy is imported
if not __package__:  # run as a file
    sys.path[0] = str(Path(__file__).resolve().parents[2])

import numpy as np

from relkit.audio.formats import PcmFormat
from relkit.audio.reading import SteadyFile
from relkit.audio.samples import Samples, to_float32
from tests.bench.watched import note


class Feedable(Protocol):
    """Any of the meters."""

    def feed(self, samples: Samples) -> None:
        """Take the next window."""


def meters(what: str, sound: PcmFormat) -> tuple[list[Feedable], Callable[[], object]]:
    """Return meters, and what asks them for their results."""
    from relkit.measure.faults import FaultMeter
    from relkit.measure.key import KeyMeter
    from relkit.measure.levels import Meter
    from relkit.measure.tempo import TempoMeter

    if what == "music":
        tempo, key = TempoMeter(sound.rate_hz, sound.channels), KeyMeter(sound.rate_hz, sound.channels)
        return [tempo, key], lambda: (tempo.result(), key.result())
    levels = Meter(sound.rate_hz, sound.channels, sound.channel_mask)
    if what == "levels":
        return [levels], lambda: (levels.levels(), levels.loudness.result(), levels.peak.true_peak_at_s())
    faults = FaultMeter(sound.rate_hz, sound.channels, 8 * sound.sample_bytes)
    return [levels, faults], lambda: (levels.levels(), levels.loudness.result(), faults.result())


def measure(what: str, path: Path) -> object:
    """Measure a file on the calling thread."""
    with SteadyFile(path) as file:
        sound = file.container.sound
        assert isinstance(sound, PcmFormat)
        fed, results = meters(what, sound)
        samples: Samples | None = None
        for part, window in file.windows():
            if part.kind != "essence":
                continue
            if samples is None:  # the first window is the largest
                samples = np.empty((len(window) // sound.frame_bytes, sound.channels), np.float32)
            taken = to_float32(window, sound, out=samples)
            for meter in fed:
                meter.feed(taken)
    return results()


if __name__ == "__main__":
    atexit.register(note, Path(sys.argv[3]).absolute())
    if sys.argv[1] != "nothing":
        measure(sys.argv[1], Path(sys.argv[2]))
