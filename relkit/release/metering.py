"""Measuring a bounce beside whatever else one reading of it feeds.

Two threads of their own: one converts samples and hears loudness, one looks for
peaks. They lag a little behind the reader, so nobody waits for anybody at the end
of each window.

Not here: the meters (``relkit.measure``), and whether a sound was measured before
(``relkit.release.scanning``).
"""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from relkit.audio.formats import Container, PcmFormat

if TYPE_CHECKING:
    from relkit.audio.samples import Samples

LEVELS = ("integrated_loudness_lufs", "loudness_range_lu", "true_peak_dbtp", "sample_peak_dbfs")
LAG = 2  # windows that may still be being measured when the next is fed; a reader needs one buffer more


class MeterTee:
    """Measures the windows of one reading. Use as a context; ask for ``levels`` after it.

    A window must stay as it is until ``LAG`` further ones were fed.
    """

    def __init__(self, sound: PcmFormat) -> None:
        from relkit.measure.levels import Meter

        self._sound = sound
        self._quick = quick_of_sound(sound)
        self._meter = Meter(sound.rate_hz, sound.channels, sound.channel_mask)
        self._buffers: list[Samples | None] = [None] * (LAG + 1)
        self._turn = 0
        self._waiting: deque[Future[Future[None]]] = deque()

    def __enter__(self) -> Self:
        self._loudness = ThreadPoolExecutor(1, "relkit-loudness")
        self._peak = ThreadPoolExecutor(1, "relkit-peak")
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            self._settle(0)
        for pool in (self._loudness, self._peak):
            pool.shutdown(cancel_futures=True)

    def feed(self, data: memoryview) -> None:
        """Take the next window: whole frames."""
        self._settle(LAG - 1)
        self._turn = (self._turn + 1) % len(self._buffers)
        self._waiting.append(self._loudness.submit(self._measure, data, self._turn))

    def _settle(self, left: int) -> None:
        """Wait until only so many windows are still being measured."""
        while len(self._waiting) > left:
            self._waiting.popleft().result().result()

    def _measure(self, data: memoryview, turn: int) -> Future[None]:
        """Convert a window, have its peak looked for, and hear its loudness meanwhile."""
        import numpy as np

        from relkit.audio.samples import to_float32, to_little_endian

        self._quick.update(to_little_endian(data, self._sound))
        frames = len(data) // self._sound.frame_bytes
        buffer = self._buffers[turn]
        if buffer is None or len(buffer) < frames:
            buffer = self._buffers[turn] = np.empty((frames, self._sound.channels), np.float32)
        samples = to_float32(data, self._sound, out=buffer)
        peak = self._peak.submit(self._meter.peak.feed, samples)
        self._meter.loudness.feed(samples)
        return peak

    @property
    def key(self) -> bytes:
        """The quick key of what was measured, see ``quick_of_sound``."""
        return bytes(self._quick.digest())

    def levels(self, name: str) -> dict[str, Any]:
        """Return the numbers, JSON-ready.

        Raises:
            BadBounceError: samples that are no numbers, infinite, or absurdly large.
        """
        from relkit.audio.container import BadBounceError
        from relkit.filenames import shown
        from relkit.measure.levels import METER_VERSION

        if self._meter.nonfinite:
            raise BadBounceError(
                f"{shown(name)} holds samples that are not numbers (NaN, infinite, or absurdly large)",
                hint="Bounce it again; a plug-in in the session is probably broken at that place.",
            )
        document = self._meter.levels().rounded()
        return {**{field: document[field] for field in LEVELS}, "meter": METER_VERSION}


def measured(path: Path, container: Container) -> MeterTee:
    """Measure in a reading of its own."""
    from relkit.audio.reading import SteadyFile

    assert isinstance(container.sound, PcmFormat)  # noqa: S101 - what is measurable is PCM
    with MeterTee(container.sound) as meter, SteadyFile(path) as file:
        for part, data in file.windows(buffers=LAG + 1):
            if part.kind == "essence":
                meter.feed(data)
    return meter


def quick_of_sound(sound: PcmFormat) -> Any:
    """Begin a quick hash of a sound: of what its identity covers, so not of its byte order."""
    import xxhash

    return xxhash.xxh3_128(repr(replace(sound, big_endian=False)).encode())
