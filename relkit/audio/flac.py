"""Reading FLAC: where its text ends and its frames begin.

A FLAC file is kept and delivered here, never taken in as a bounce. It is cut so
that other text does not change the bytes of the frames.

Conventions
    offset   [bytes] from the start of the file

Sources
    [FLAC]  RFC 9639, section 8 (metadata blocks)

Not here: what the text says and writing it (``relkit.pack.tags``), the frames
(libFLAC, through soundfile).
"""

from __future__ import annotations

from typing import BinaryIO

from relkit.audio.formats import Container
from relkit.audio.layout import BrokenAudioError, Span, cover, large_run, read_at

MAGIC = b"fLaC"
_HEAD_BYTES = 4
_LAST = 0x80
_STREAMINFO, _STREAMINFO_BYTES = 0, 34
_MAX_BLOCKS = 1000


def read_flac(file: BinaryIO, size_bytes: int) -> Container:
    """Return how a file that begins with ``MAGIC`` is cut: pictures and frames on their own.

    Raises:
        BrokenAudioError: it ends before its frames.
    """
    spans: list[Span] = []
    frames = _frames_start(file, size_bytes, spans)
    return Container("other", cover(size_bytes, [*spans, ("opaque", frames, size_bytes - frames)]))


def flac_start(file: BinaryIO) -> tuple[bytes, int]:
    """Return what a file with the same frames must begin with, and where the frames lie.

    Returns:
        Magic and stream information, the latter not marked as the last block; offset of the first frame.

    Raises:
        BrokenAudioError: no FLAC file.
    """
    head = read_at(file, 0, len(MAGIC) + _HEAD_BYTES + _STREAMINFO_BYTES)
    if head[:4] != MAGIC or len(head) < 42 or head[4] & ~_LAST != _STREAMINFO:
        raise BrokenAudioError("it is no FLAC file")
    return MAGIC + bytes([_STREAMINFO]) + head[5:], _frames_start(file, file.seek(0, 2), [])


def _frames_start(file: BinaryIO, size_bytes: int, spans: list[Span]) -> int:
    """Walk the metadata blocks; note the large ones, and return where they end."""
    at = len(MAGIC)
    for _ in range(_MAX_BLOCKS):
        head = read_at(file, at, _HEAD_BYTES)
        if len(head) < _HEAD_BYTES:
            break
        length = int.from_bytes(head[1:], "big")
        spans += large_run(at + _HEAD_BYTES, min(length, size_bytes - at - _HEAD_BYTES))
        at += _HEAD_BYTES + length
        if head[0] & _LAST:
            if at > size_bytes:
                break
            return at
    raise BrokenAudioError("it ends before its audio begins")
