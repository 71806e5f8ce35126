"""Heads and tails: what makes a WAV or an AIFF file of raw frames.

A file is head, essence and tail in a row. The essence is not looked at here, so
a retagged file shares it byte for byte with the one before.

    WAV    RIFF, fmt, [fact], chunks before, data | frames | [pad], chunks after
    AIFF   FORM, COMM, chunks before, SSND        | frames | [pad], chunks after

A WAV of integers, mono or stereo, has format tag 1, which everything reads, and
float has tag 3. WAVE_FORMAT_EXTENSIBLE is for what those cannot say: more than
two channels, or a channel mask other than the usual one. Over 4 GiB, WAV
becomes RF64; AIFF has no such form. (In RF64, libsndfile 1.2.2 does not find the
audio behind a chunk of odd size: let those before the audio be even.)

Conventions
    sizes    [bytes]; a chunk's own size does not count its head or its pad byte
    chunk    (id of four bytes, content); every chunk begins on an even place

Sources
    [RIFF] Microsoft/IBM Multimedia Programming Interface 1.0, WAVE; WAVE_FORMAT_EXTENSIBLE
           (mmreg.h); standards digest 3.1
    [RF64] EBU Tech 3306; standards digest 3.2
    [AIFF] Audio Interchange File Format 1.3; the chunk "ID3 " is common practice

Not here: what the chunks say (``relkit.pack``), and reading (``relkit.audio.wav``, ``relkit.audio.aiff``).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable

from relkit.audio.formats import PcmFormat, default_mask
from relkit.errors import BadInputError

ChunkBytes = tuple[bytes, bytes]

LIMIT_BYTES = 0xFFFFFFFF  # what a 32-bit size can say
_CHUNK_HEAD_BYTES = 8
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # after the 16-bit tag in a subformat GUID
_DS64_BYTES = 28


class TooLongForAiffError(BadInputError):
    """The audio does not fit into an AIFF file."""

    def __init__(self, size_bytes: int) -> None:
        super().__init__(
            f"the audio is too long for AIFF: {size_bytes:,} bytes, and 4 GiB is the most",
            hint="Ask for WAV or FLAC instead.",
        )


def wav_head(
    fmt: PcmFormat,
    frames: int,
    before: Iterable[ChunkBytes] = (),
    after: Iterable[ChunkBytes] = (),
    *,
    limit_bytes: int = LIMIT_BYTES,
) -> tuple[bytes, bytes]:
    """Return what stands before and behind the frames of a WAV.

    Args:
        fmt: little-endian int16, int24, int32 or float32.
        frames: 1 or more.
        before: chunks between the description of the format and the audio, in order.
        after: chunks behind the audio, in order.
        limit_bytes: a larger RIFF size makes it RF64.

    Raises:
        ValueError: another format, no frame, or a chunk id that is not four bytes.
    """
    _check(fmt, frames, big_endian=False)
    floating = fmt.sample_format == "float32"
    data_bytes = frames * fmt.frame_bytes
    # [RIFF] wants the count of frames beside every format but plain integers.
    fact = _chunk(b"fact", struct.pack("<I", min(frames, LIMIT_BYTES))) if floating else b""
    front = b"WAVE" + _chunk(b"fmt ", _wav_format(fmt)) + fact + _chunks(before)
    tail = bytes(data_bytes % 2) + _chunks(after)
    riff_bytes = len(front) + _CHUNK_HEAD_BYTES + data_bytes + len(tail)
    if riff_bytes <= limit_bytes:
        head = b"RIFF" + struct.pack("<I", riff_bytes) + front + b"data" + struct.pack("<I", data_bytes)
        return head, tail
    riff_bytes += _CHUNK_HEAD_BYTES + _DS64_BYTES
    ds64 = _chunk(b"ds64", struct.pack("<QQQI", riff_bytes, data_bytes, frames, 0))
    unsaid = struct.pack("<I", LIMIT_BYTES)  # [RF64]: ds64 says it
    return b"RF64" + unsaid + front[:4] + ds64 + front[4:] + b"data" + unsaid, tail


def aiff_head(
    fmt: PcmFormat,
    frames: int,
    before: Iterable[ChunkBytes] = (),
    after: Iterable[ChunkBytes] = (),
    *,
    limit_bytes: int = LIMIT_BYTES,
) -> tuple[bytes, bytes]:
    """Return what stands before and behind the frames of an AIFF file.

    Args:
        fmt: big-endian int16, int24 or int32. A channel mask has no place in it.
        frames: 1 or more.
        before, after: as for ``wav_head``; ``(b"ID3 ", tag)`` behind the audio holds tags.
        limit_bytes: the largest FORM size.

    Raises:
        TooLongForAiffError: over the limit.
        ValueError: another format, no frame, or a chunk id that is not four bytes.
    """
    _check(fmt, frames, big_endian=True)
    if fmt.sample_format == "float32":
        raise ValueError("AIFF holds integers only")
    data_bytes = frames * fmt.frame_bytes
    comm = struct.pack(">hIh", fmt.channels, min(frames, LIMIT_BYTES), 8 * fmt.sample_bytes)
    front = b"AIFF" + _chunk(b"COMM", comm + _extended(fmt.rate_hz), ">") + _chunks(before, ">")
    tail = bytes(data_bytes % 2) + _chunks(after, ">")
    sound_head = struct.pack(">II", 0, 0)  # the first frame follows at once; no blocks
    form_bytes = len(front) + _CHUNK_HEAD_BYTES + len(sound_head) + data_bytes + len(tail)
    if form_bytes > min(limit_bytes, LIMIT_BYTES):
        raise TooLongForAiffError(form_bytes)
    ssnd = b"SSND" + struct.pack(">I", len(sound_head) + data_bytes) + sound_head
    return b"FORM" + struct.pack(">I", form_bytes) + front + ssnd, tail


def _check(fmt: PcmFormat, frames: int, *, big_endian: bool) -> None:
    """Refuse what no caller should ask for."""
    if not fmt.is_measurable or fmt.big_endian != big_endian or frames < 1:
        raise ValueError(f"no head for {frames} frames of {fmt}")


def _chunk(chunk_id: bytes, content: bytes, order: str = "<") -> bytes:
    """Return a whole chunk, padded to an even size."""
    if len(chunk_id) != 4:
        raise ValueError(f"{chunk_id!r} is no chunk id of four bytes")
    return chunk_id + struct.pack(f"{order}I", len(content)) + content + bytes(len(content) % 2)


def _chunks(chunks: Iterable[ChunkBytes], order: str = "<") -> bytes:
    """Return chunks in a row."""
    return b"".join(_chunk(chunk_id, content, order) for chunk_id, content in chunks)


def _wav_format(fmt: PcmFormat) -> bytes:
    """Return the content of a "fmt " chunk [RIFF]."""
    tag = _FLOAT if fmt.sample_format == "float32" else _PCM
    bits = 8 * fmt.sample_bytes
    sizes = (fmt.channels, fmt.rate_hz, fmt.rate_hz * fmt.frame_bytes, fmt.frame_bytes, bits)
    if fmt.channels > 2 or fmt.channel_mask != default_mask(fmt.channels):
        more = struct.pack("<HHIH", 22, bits, fmt.channel_mask, tag) + _GUID_TAIL
        return struct.pack("<HHIIHH", _EXTENSIBLE, *sizes) + more
    plain = struct.pack("<HHIIHH", tag, *sizes)
    return plain if tag == _PCM else plain + struct.pack("<H", 0)  # no further fields follow


def _extended(rate_hz: int) -> bytes:
    """Return a whole number as the 80-bit float that [AIFF] keeps a rate in."""
    exponent = rate_hz.bit_length() - 1
    return struct.pack(">HQ", 16383 + exponent, rate_hz << (63 - exponent))
