"""Decoding MP3, to measure what a listener will get.

The encoder's delay and padding are left out as its Info frame says, so frame 0
is frame 0 of the source, and there are as many frames as the source had.

Conventions
    samples   float32, shape (frames, channels), full scale 1.0; not clipped

Not here: deciding what is an MP3 (``relkit.audio.container``), and PCM, which
needs no decoder (``relkit.audio.samples``).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

import numpy as np

from relkit.audio.callbacks import CalledBackFile
from relkit.audio.samples import Samples
from relkit.errors import BadInputError

BLOCK_FRAMES = 1 << 16


class UndecodableError(BadInputError):
    """An MP3 cannot be decoded, or not to its end."""

    def __init__(self, reason: str) -> None:
        super().__init__(
            f"the MP3 cannot be decoded: {reason}",
            hint="The file is damaged: encode it again from its source.",
        )


def mp3_samples(file: BinaryIO, block_frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
    """Decode an MP3 from where the file stands to its end.

    Args:
        file: seekable.
        block_frames: of every block but the last; 1 or more.

    Yields:
        Samples in a buffer that is used again for the next block.

    Raises:
        UndecodableError: no MP3, or broken.
        OSError: the file cannot be read.
    """
    import soundfile

    if block_frames < 1:
        raise ValueError(f"block_frames {block_frames} must be 1 or more")
    called = CalledBackFile(file)
    try:
        with called.heeded():
            stream = soundfile.SoundFile(called)
        with stream:
            if stream.subtype != "MPEG_LAYER_III":
                raise UndecodableError(f"it is {stream.subtype_info}")
            buffer = np.empty((block_frames, stream.channels), np.float32)
            left = stream.frames
            while left > 0:
                with called.heeded():
                    taken = stream.read(out=buffer)
                if not len(taken):
                    raise UndecodableError(f"it breaks off {left:,} sample frames before its end")
                left -= len(taken)
                yield taken
    except soundfile.LibsndfileError as error:
        raise UndecodableError(error.error_string) from error
