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

from relkit.audio.formats import Part
from relkit.audio.samples import Samples
from relkit.errors import BadInputError
from relkit.filenames import shown

_WINDOW_FRAMES = 1 << 17
_SPARE_FRAMES = 2 * 1152  # of MPEG-1; layer III
_HINT = "It is damaged, or put together from several files: encode it again from the WAV."
# The library is given a pipe that begins at the first MPEG frame: it plays a pipe to its end, where it would
# trust a guess of the length of a file that does not state it. It takes some pipes for places to seek in.
_CHILD = """
import os, sys, threading, soundfile

class Stream(soundfile.SoundFile):
    def seekable(self):
        return False

def feed(path, offset, length):
    with open(path, "rb") as file, open(theirs, "wb") as pipe:
        file.seek(offset)
        while length > 0 and (data := file.read(min(length, 1 << 16))):
            pipe.write(data)
            length -= len(data)

ours, theirs = os.pipe()
path, channels, offset, length = sys.argv[1], *map(int, sys.argv[2:])
threading.Thread(target=feed, args=(path, offset, length), daemon=True).start()
with Stream(ours) as stream:
    if stream.format != "MP3" or stream.channels != channels:
        os._exit(1)
    while len(samples := stream.read(1 << 16, dtype="float32", always_2d=True)):
        sys.stdout.buffer.write(samples.data)
sys.stdout.buffer.flush()
os._exit(0)  # whether the feeder still holds something or not
"""


class UnplayableError(BadInputError):
    """An MP3 that the decoder gives up on."""


def decoded(path: Path, essence: Part, channels: int, frames: int) -> Iterator[Samples]:
    """Yield an MP3's samples, window by window.

    Args:
        essence: where its MPEG frames are.
        channels: that they have.
        frames: sample frames that it should have; decoders may differ by two MPEG frames, no more.

    Raises:
        UnplayableError: the decoder gave up, found another number of channels, or went past a stretch.
    """
    frame_bytes, taken = 4 * channels, 0
    facts = [str(fact) for fact in (channels, essence.offset, essence.length)]
    command = [sys.executable, "-P", "-c", _CHILD, str(path.absolute()), *facts]
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
