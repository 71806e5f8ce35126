"""Reading AIFF and uncompressed AIFF-C: where the audio lies.

Conventions
    sizes    [bytes], big-endian in the file
    essence  whole frames, as many as COMM counts

Sources
    [AIFF]  Audio Interchange File Format 1.3 (COMM, SSND, the 80-bit rate)
    [AIFC]  AIFF-C draft of 1991 (COMM's compression type); "sowt", "fl32" and "in24"
            as stock programs write them (common practice)

Not here: compressed AIFF-C, which is only kept.
"""

from __future__ import annotations

from fractions import Fraction
from typing import BinaryIO

from relkit.audio.formats import Container, ContainerName, PcmFormat, default_mask
from relkit.audio.id3 import foreign_runs
from relkit.audio.layout import (
    PLACEHOLDERS,
    UNFINISHED,
    BrokenAudioError,
    Chunk,
    Span,
    cover,
    large_run,
    read_at,
    walk,
)

FORMS: dict[bytes, ContainerName] = {b"AIFF": "aiff", b"AIFC": "aifc"}
_COMM_BYTES = 18
_SSND_HEAD_BYTES = 8  # offset and block size
# Compression type -> (format, big-endian); the width of "int" is that of COMM's sample size.
_CODINGS = {
    b"NONE": ("int", True),
    b"twos": ("int", True),
    b"sowt": ("int", False),
    b"raw ": ("uint8", True),
    b"in24": ("int24", True),
    b"in32": ("int32", True),
    b"fl32": ("float32", True),
    b"FL32": ("float32", True),
    b"fl64": ("float64", True),
    b"FL64": ("float64", True),
}


def read_aiff(file: BinaryIO, size_bytes: int) -> Container:
    """Read a file that begins with FORM and has one of ``FORMS`` at byte 8.

    Raises:
        BrokenAudioError: the file is no usable AIFF; ``read_container`` makes it a fault.
        OverflowError: absurdly many chunks.
    """
    head = read_at(file, 0, 12)
    name = FORMS[head[8:12]]
    form_size = int.from_bytes(head[4:8], "big")
    if form_size in (0, 0xFFFFFFFF):
        raise BrokenAudioError(UNFINISHED)
    chunks: list[Chunk] = []
    end = 12
    for chunk in walk(file, size_bytes, start=12, order="big"):
        if chunk.offset - 8 >= 8 + form_size and any(known.id == b"SSND" for known in chunks):
            break
        chunks.append(chunk)
        end = min(size_bytes, chunk.offset + chunk.size + chunk.size % 2)
    comm = _only(chunks, b"COMM", "it does not describe its format (no COMM chunk)")
    sound, claimed_frames = _read_comm(read_at(file, comm.offset, min(comm.size, 22)), name)
    ssnd = _only(chunks, b"SSND", "it has no audio (no SSND chunk)")
    if ssnd.claimed > ssnd.size and any(ssnd.claimed in sizes for sizes in PLACEHOLDERS):
        raise BrokenAudioError(UNFINISHED)
    if ssnd.claimed == 0 or (claimed_frames == 0 and ssnd.claimed > _SSND_HEAD_BYTES):
        raise BrokenAudioError(UNFINISHED)
    start, length = _audio(file, ssnd, sound, claimed_frames)
    spans: list[Span] = []
    for chunk in chunks:
        if chunk is not ssnd:
            spans += foreign_runs(file, chunk)
            continue
        spans += large_run(chunk.offset + _SSND_HEAD_BYTES, start - chunk.offset - _SSND_HEAD_BYTES)
        spans.append(("opaque" if sound is None else "essence", start, length))
        spans += large_run(start + length, chunk.offset + chunk.size - start - length)
    spans += large_run(end, size_bytes - end)
    return Container(name, cover(size_bytes, spans), sound, None if sound is None else claimed_frames)


def _only(chunks: list[Chunk], chunk_id: bytes, fault: str) -> Chunk:
    """Return the one chunk of that id."""
    found = [chunk for chunk in chunks if chunk.id == chunk_id]
    if not found:
        raise BrokenAudioError(fault)
    if len(found) > 1:
        raise BrokenAudioError(f"it has {len(found)} {chunk_id.decode()} chunks where one is allowed")
    return found[0]


def _audio(file: BinaryIO, ssnd: Chunk, sound: PcmFormat | None, frames: int) -> tuple[int, int]:
    """Return where the audio starts and how long it is."""
    skip = int.from_bytes(read_at(file, ssnd.offset, 4), "big")  # [AIFF]: bytes before the first frame
    start = ssnd.offset + _SSND_HEAD_BYTES + skip
    room = ssnd.offset + ssnd.size - start
    wanted = frames * sound.frame_bytes if sound is not None else ssnd.claimed - _SSND_HEAD_BYTES - skip
    if room < max(wanted, 0) or room < 0:
        raise BrokenAudioError(
            f"it was cut short: {wanted - max(room, 0):,} of {wanted:,} bytes of audio are missing"
            if wanted > 0
            else "its sound chunk is shorter than its own header"
        )
    if frames == 0:
        raise BrokenAudioError("it has no audio (no sample frame)", frames=0)
    return start, wanted


def _read_comm(comm: bytes, name: ContainerName) -> tuple[PcmFormat | None, int]:
    """Return (sample format, frames); None for a coding that is only kept."""
    if len(comm) < _COMM_BYTES + (4 if name == "aifc" else 0):
        raise BrokenAudioError("the description of its format is too short")
    channels = int.from_bytes(comm[:2], "big", signed=True)
    frames = int.from_bytes(comm[2:6], "big")
    bits = int.from_bytes(comm[6:8], "big", signed=True)
    coding, big_endian = _CODINGS.get(comm[18:22] if name == "aifc" else b"NONE", (None, True))
    if coding is None:
        return None, frames
    rate_hz = _extended(comm[8:18])
    if channels < 1 or rate_hz < 1 or bits < 1 or bits > 64:
        raise BrokenAudioError(f"its format makes no sense: {channels} channels, {rate_hz} Hz, {bits} bits")
    if coding == "int":
        if bits > 32:
            return None, frames
        coding = f"int{8 * ((bits + 7) // 8)}"  # [AIFF]: left-justified in whole bytes
    return PcmFormat(coding, channels, rate_hz, default_mask(channels), big_endian), frames


def _extended(ten: bytes) -> int:
    """Return an 80-bit extended number, rounded; 0 where it is no sensible rate."""
    exponent = int.from_bytes(ten[:2], "big") - 16383  # a set sign bit makes this huge
    mantissa = int.from_bytes(ten[2:], "big")
    if not 0 <= exponent < 32:
        return 0
    return round(Fraction(mantissa, 2 ** (63 - exponent)))
