"""The samples of any MP3, from whatever encoder, as libsndfile decodes it.

A process of its own decodes: the decoder writes remarks about damaged frames straight to stderr, where only
our own two lines belong, and a file from anywhere is best kept at arm's length.

Conventions
    samples    float32, shape (frames, channels), full scale 1.0; the encoder's delay and padding are
               left out where the file states them

Not here: what an MP3 is made of (``relkit.audio.mpeg``); decoding our own, where not a frame may be
missing (``relkit.audio.decoding``).
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from relkit.audio.samples import Samples
from relkit.errors import BadInputError
from relkit.filenames import shown

_WINDOW_FRAMES = 1 << 17
_SPARE_FRAMES = 2 * 1152  # of MPEG-1; layer III
_HINT = "It is damaged, or put together from several files: encode it again from the WAV."
_CHILD = """
import sys, soundfile
with soundfile.SoundFile(sys.argv[1]) as file:
    if file.format != "MP3" or file.channels != int(sys.argv[2]):
        sys.exit(1)
    for block in file.blocks(1 << 16, dtype="float32", always_2d=True):
        sys.stdout.buffer.write(block.data)
"""


class UnplayableError(BadInputError):
    """An MP3 that the decoder gives up on."""


def decoded(path: Path, channels: int, frames: int) -> Iterator[Samples]:
    """Yield an MP3's samples, window by window.

    Args:
        channels: that its MPEG frames have.
        frames: sample frames that it should have; decoders may differ by two MPEG frames, no more.

    Raises:
        UnplayableError: the decoder gave up, found another number of channels, or went past a stretch.
    """
    frame_bytes, taken = 4 * channels, 0
    command = [sys.executable, "-P", "-c", _CHILD, str(path.absolute()), str(channels)]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as child:
        assert child.stdout is not None  # noqa: S101 - it was asked for
        try:
            while data := child.stdout.read(_WINDOW_FRAMES * frame_bytes):
                whole = len(data) - len(data) % frame_bytes
                taken += whole // frame_bytes
                yield np.frombuffer(data[:whole], np.float32).reshape(-1, channels)
        except BaseException:
            child.kill()
            raise
    if child.returncode != 0:
        raise UnplayableError(f"{shown(path.name)} cannot be decoded", hint=_HINT)
    if abs(taken - frames) > _SPARE_FRAMES:
        raise UnplayableError(
            f"{shown(path.name)} cannot be decoded as a whole: {taken:,} of {frames:,} frames came out",
            hint=_HINT,
        )
