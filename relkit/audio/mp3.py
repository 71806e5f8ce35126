"""The samples of an MP3, as libsndfile decodes it.

A process of its own decodes: the decoder writes remarks about damaged frames straight to stderr, where only
our own two lines belong, and a file from anywhere is best kept at arm's length.

Conventions
    samples    float32, shape (frames, channels), full scale 1.0; the encoder's delay and padding are
               left out where the file states them

Not here: what an MP3 is made of (``relkit.audio.mpeg``), encoding.
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
_CHILD = """
import sys, soundfile
with soundfile.SoundFile(sys.argv[1]) as file:
    if file.format != "MP3" or file.channels != int(sys.argv[2]):
        sys.exit(1)
    for block in file.blocks(1 << 16, dtype="float32", always_2d=True):
        sys.stdout.buffer.write(block.data)
"""


class UndecodableError(BadInputError):
    """An MP3 that the decoder gives up on."""


def decoded(path: Path, channels: int) -> Iterator[Samples]:
    """Yield an MP3's samples, window by window.

    Args:
        channels: that its frames have.

    Raises:
        UndecodableError: the decoder gave up, or found another number of channels.
    """
    frame_bytes = 4 * channels
    command = [sys.executable, "-P", "-c", _CHILD, str(path.absolute()), str(channels)]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as child:
        assert child.stdout is not None  # noqa: S101 - it was asked for
        try:
            while data := child.stdout.read(_WINDOW_FRAMES * frame_bytes):
                whole = len(data) - len(data) % frame_bytes
                yield np.frombuffer(data[:whole], np.float32).reshape(-1, channels)
        except BaseException:
            child.kill()
            raise
    if child.returncode != 0:
        raise UndecodableError(
            f"{shown(path.name)} cannot be decoded: it is damaged, or no plain MP3",
            hint="Encode it again from the WAV.",
        )
