"""Reading RIFF WAVE and its 64-bit forms RF64 and BW64: where the audio lies.

Conventions
    sizes    [bytes]; a chunk's own size does not count its pad byte
    essence  whole frames; what is left of a last, partial frame counts as meta

Sources
    [RIFF] Microsoft/IBM Multimedia Programming Interface 1.0, WAVE; WAVE_FORMAT_EXTENSIBLE (mmreg.h)
    [RF64] EBU Tech 3306; ITU-R BS.2088

Not here: RIFX (big-endian RIFF), which nobody bounces to (common practice, no source).
"""

from __future__ import annotations

import struct
from typing import BinaryIO

from relkit.audio.formats import SAMPLE_BYTES, Container, ContainerName, PcmFormat, default_mask
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

MAGICS: dict[bytes, ContainerName] = {b"RIFF": "wav", b"RF64": "rf64", b"BW64": "bw64"}
UNKNOWN = 0xFFFFFFFF  # a 32-bit size that ds64 replaces, or that was never filled in
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # after the 16-bit tag in a subformat GUID
_MAX_TABLE = 1024  # entries of ds64 that are looked at


def read_wav(file: BinaryIO, size_bytes: int) -> Container:
    """Read a file that begins with one of ``MAGICS`` and has WAVE at byte 8.

    Raises:
        BrokenAudioError: the file is no usable WAV; ``read_container`` makes it a fault.
        OverflowError: absurdly many chunks.
    """
    head = read_at(file, 0, 12)
    name = MAGICS[head[:4]]
    riff_size = int.from_bytes(head[4:8], "little")
    long_sizes: dict[bytes, int] = {}
    if name != "wav":
        long_sizes = _read_ds64(file)
    if riff_size in (0, UNKNOWN) and b"riff" not in long_sizes:
        raise BrokenAudioError(UNFINISHED)

    def real_size(chunk_id: bytes, size: int) -> int:
        return long_sizes.get(chunk_id, size) if size == UNKNOWN else size

    format_chunk: Chunk | None = None
    data: Chunk | None = None
    spans: list[Span] = []
    riff_end = 8 + real_size(b"riff", riff_size)
    end = 12
    for chunk in walk(file, size_bytes, start=12, order="little", real_size=real_size):
        if data is not None and chunk.offset - 8 >= riff_end:
            break
        if chunk.id == b"data" and data is None:
            if format_chunk is None:
                raise BrokenAudioError("its audio comes before the description of its format, or has none")
            data = chunk
            spans.append(("essence", chunk.offset, chunk.size))  # cut to whole frames below
        else:
            if chunk.id == b"fmt ":
                if format_chunk is not None:
                    raise BrokenAudioError("it describes its format twice")
                format_chunk = chunk
            spans += foreign_runs(file, chunk)
        end = min(size_bytes, chunk.offset + chunk.size + chunk.size % 2)
    if format_chunk is None:
        raise BrokenAudioError("it does not describe its format (no fmt chunk)")
    if data is None:
        raise BrokenAudioError("it has no audio (no data chunk)", frames=0)
    _check_data(data, size_bytes, end)
    spans += large_run(end, size_bytes - end)
    sound = _read_format(read_at(file, format_chunk.offset, min(format_chunk.size, 40)))
    if sound is None:
        kept: list[Span] = [s if s[0] != "essence" else ("opaque", s[1], s[2]) for s in spans]
        return Container(name, cover(size_bytes, kept))
    frames = data.size // sound.frame_bytes
    spans = [s if s[0] != "essence" else (s[0], s[1], frames * sound.frame_bytes) for s in spans]
    if frames == 0:
        raise BrokenAudioError("it has no audio (no whole sample frame)", frames=0)
    return Container(name, cover(size_bytes, spans), sound, frames)


def _read_ds64(file: BinaryIO) -> dict[bytes, int]:
    """Return the 64-bit sizes by chunk id, the whole file's under b"riff"; empty if there is no ds64."""
    head = read_at(file, 12, 8 + 28)
    if head[:4] != b"ds64" or len(head) < 8 + 24:
        return {}
    size, riff, data = struct.unpack_from("<IQQ", head, 4)
    sizes: dict[bytes, int] = {}
    if len(head) == 8 + 28 and size > 28:
        count = min(int.from_bytes(head[32:36], "little"), (size - 28) // 12, _MAX_TABLE)
        table = read_at(file, 12 + 8 + 28, 12 * count)
        sizes = dict(struct.iter_unpack("<4sQ", table[: len(table) // 12 * 12]))
    return sizes | {b"riff": riff, b"data": data}


def _check_data(data: Chunk, size_bytes: int, end: int) -> None:
    """Refuse audio that is not all there."""
    if data.claimed > data.size and any(data.claimed in sizes for sizes in PLACEHOLDERS):
        raise BrokenAudioError(UNFINISHED)
    if data.claimed > data.size:
        missing = data.claimed - data.size
        raise BrokenAudioError(
            f"it was cut short: {missing:,} of {data.claimed:,} bytes of audio are missing"
        )
    # Size 0 and then bytes that are no chunks: the recorder stopped before it could fill in the size.
    if data.size == 0 and end < size_bytes and end == data.offset:
        raise BrokenAudioError(UNFINISHED)


def _read_format(fmt: bytes) -> PcmFormat | None:
    """Return the sample format, or None for a coding that is only kept (ADPCM, A-law ...)."""
    if len(fmt) < 16:
        raise BrokenAudioError("the description of its format is too short")
    tag, channels, rate_hz, _, align, bits = struct.unpack_from("<HHIIHH", fmt)
    mask = default_mask(channels)
    if tag == _EXTENSIBLE:
        if len(fmt) < 40:
            raise BrokenAudioError("the description of its format is too short")
        valid_bits, mask, tag = struct.unpack_from("<HIH", fmt, 18)
        if fmt[26:40] != _GUID_TAIL:
            return None
        if tag == _PCM and valid_bits > bits:
            raise BrokenAudioError(f"its format makes no sense: {valid_bits} valid bits of {bits}")
    if tag not in (_PCM, _FLOAT):
        return None
    if channels == 0 or rate_hz == 0 or bits == 0:
        raise BrokenAudioError(f"its format makes no sense: {channels} channels, {rate_hz} Hz, {bits} bits")
    width = (bits + 7) // 8
    if align != width * channels:
        raise BrokenAudioError(
            f"its format makes no sense: {channels} channels of {bits} bits in frames of {align} bytes"
        )
    sample_format = f"float{8 * width}" if tag == _FLOAT else "uint8" if width == 1 else f"int{8 * width}"
    if sample_format not in SAMPLE_BYTES:
        return None
    return PcmFormat(sample_format, channels, rate_hz, mask)
