"""What is this file made of? Head, essence and tail of WAV, RF64, AIFF and MP3.

Any bytes can be asked about: what is no audio container, or a broken one, is
one opaque part, so that it can be kept. Whether it may be taken in as a bounce
is a second question, and a second function.

Conventions
    offset, length   [bytes] from the start of the file
    parts            cover the file without gaps, in order

Memory: fixed small reads and one 256 KB window, whatever sizes the file claims.

Not here: the samples (``relkit.audio.samples``), reading steadily (``relkit.audio.reading``).
"""

from __future__ import annotations

from typing import BinaryIO

from relkit.audio.aiff import FORMS, read_aiff
from relkit.audio.flac import MAGIC, read_flac
from relkit.audio.formats import Container, ContainerName, MpegFormat, Part, PcmFormat
from relkit.audio.layout import RERENDER, BrokenAudioError, kept_whole, read_at
from relkit.audio.mpeg import read_mpeg
from relkit.audio.wav import MAGICS, read_wav
from relkit.errors import BadInputError
from relkit.filenames import shown

__all__ = [
    "BadBounceError",
    "Container",
    "MpegFormat",
    "Part",
    "PcmFormat",
    "read_container",
    "require_bounce",
]


class BadBounceError(BadInputError):
    """A file that should be a bounce is empty, no audio, cut short or broken."""


def read_container(file: BinaryIO, size_bytes: int) -> Container:
    """Return what the file is made of. The content never makes this fail.

    Args:
        file: seekable; left at any position.
        size_bytes: of the whole file.

    Raises:
        OSError: the file cannot be read.
    """
    head = read_at(file, 0, 12)
    name: ContainerName = "mp3"
    try:
        if head[:4] in MAGICS and head[8:] == b"WAVE":
            name = MAGICS[head[:4]]
            return read_wav(file, size_bytes)
        if head[:4] == b"FORM" and head[8:] in FORMS:
            name = FORMS[head[8:]]
            return read_aiff(file, size_bytes)
        if head[:4] == MAGIC:
            name = "other"
            return read_flac(file, size_bytes)
        return read_mpeg(file, size_bytes) or kept_whole(size_bytes)
    except BrokenAudioError as broken:
        return kept_whole(size_bytes, name, broken)
    except OverflowError:
        return kept_whole(size_bytes)


def require_bounce(container: Container, name: str) -> None:
    """Refuse what cannot be a bounce. Audio of a kind that is only kept passes.

    Args:
        container: from ``read_container``.
        name: of the file, for the message.

    Raises:
        BadBounceError: empty, no audio container, broken, or without a single frame.
    """
    if not container.parts:
        raise BadBounceError(f"{shown(name)} is empty (0 bytes)", hint=RERENDER)
    if container.fault is not None:
        raise BadBounceError(f"{shown(name)} is broken: {container.fault}", hint=container.hint or RERENDER)
    if container.name == "other":
        raise BadBounceError(
            f"{shown(name)} is not audio that can be taken in: no WAV, RF64, AIFF or MP3",
            hint="Export it as WAV; if it is one, it was damaged on the way: copy it again.",
        )
    if container.frames == 0:
        raise BadBounceError(f"{shown(name)} is broken: it has no audio", hint=RERENDER)
