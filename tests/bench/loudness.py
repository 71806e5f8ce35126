"""From a file to integrated loudness, loudness range and true peak, against ffmpeg's meter.

ffmpeg runs as a process, with one thread for decoding and one for filters; ours
runs in this one, on one thread, and as ``relkit commit`` does it with two beside the reader.

Not here: whether the figures are right (``tests/measure``).
"""

from __future__ import annotations

from pathlib import Path

from relkit.audio.formats import PcmFormat
from relkit.audio.reading import SteadyFile
from relkit.audio.samples import to_float32
from relkit.measure.levels import Meter
from relkit.release.metering import LAG, MeterTee
from tests.bench.running import Spent, ready, run, timed


def ffmpeg(path: Path) -> Spent:
    """Measure with ffmpeg."""
    ready([path])
    words = ["ffmpeg", "-nostdin", "-v", "error", "-threads", "1", "-filter_threads", "1", "-i", path.name]
    return run([*words, "-af", "ebur128=peak=true:framelog=verbose", "-f", "null", "-"], path.parent)


def one_thread(path: Path) -> Spent:
    """Measure on the calling thread."""
    ready([path])
    with timed() as spent, SteadyFile(path) as file:
        sound = file.container.sound
        assert isinstance(sound, PcmFormat)
        meter = Meter(sound.rate_hz, sound.channels, sound.channel_mask)
        for part, window in file.windows():
            if part.kind == "essence":
                meter.feed(to_float32(window, sound))
        meter.levels()
    return spent


def two_threads(path: Path) -> Spent:
    """Measure as a commit does."""
    ready([path])
    with timed() as spent, SteadyFile(path) as file:
        sound = file.container.sound
        assert isinstance(sound, PcmFormat)
        with MeterTee(sound) as meter:
            for part, window in file.windows(buffers=LAG + 1):
                if part.kind == "essence":
                    meter.feed(window)
        meter.levels(path.name)
    return spent
