"""Audio files made byte by byte from the published layouts, without the code under test.

Sources
    RIFF and RF64: standards digest 3.1, 3.2; AIFF 1.3; id3v2.3.0 and id3v2.4.0-structure
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

from hypothesis import strategies as st

PCM_GUID = bytes.fromhex("0100000000001000800000aa00389b71")
FLOAT_GUID = bytes.fromhex("0300000000001000800000aa00389b71")
JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 24  # over 4 KB; only its bytes matter


def chunk(chunk_id: bytes, payload: bytes, *, order: str = "<", claimed: int | None = None) -> bytes:
    """Return id, size, payload and the pad byte after an odd one."""
    size = len(payload) if claimed is None else claimed
    return chunk_id + struct.pack(order + "I", size) + payload + b"\0" * (len(payload) % 2)


def fmt(
    channels: int = 2,
    rate_hz: int = 44_100,
    bits: int = 24,
    *,
    tag: int = 1,
    extra: bytes = b"",
    align: int = 0,
) -> bytes:
    """Return the payload of a fmt chunk."""
    align = align or channels * ((bits + 7) // 8)
    return struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * align, align, bits) + extra


def extensible(
    channels: int, rate_hz: int, bits: int, mask: int, guid: bytes = PCM_GUID, *, valid: int | None = None
) -> bytes:
    """Return the payload of a WAVE_FORMAT_EXTENSIBLE fmt chunk."""
    extra = struct.pack("<HHI", 22, bits if valid is None else valid, mask) + guid
    return fmt(channels, rate_hz, bits, tag=0xFFFE, extra=extra)


def riff(*chunks: bytes, magic: bytes = b"RIFF", claimed: int | None = None) -> bytes:
    """Return a whole WAVE file."""
    body = b"WAVE" + b"".join(chunks)
    return magic + struct.pack("<I", len(body) if claimed is None else claimed) + body


def rf64(before: list[bytes], data: bytes, after: list[bytes], magic: bytes = b"RF64") -> bytes:
    """Return a 64-bit WAVE file: ds64 first, 0xFFFFFFFF in the 32-bit fields."""
    rest = b"".join(before) + chunk(b"data", data, claimed=0xFFFFFFFF) + b"".join(after)
    size = 4 + 8 + 28 + len(rest)
    ds64 = chunk(b"ds64", struct.pack("<QQQI", size, len(data), 0, 0))
    return riff(ds64, rest, magic=magic, claimed=0xFFFFFFFF)


def extended(rate_hz: int) -> bytes:
    """Return a whole number as 80-bit extended."""
    exponent = rate_hz.bit_length() - 1
    return struct.pack(">HQ", 16383 + exponent, rate_hz << (63 - exponent))


def comm(channels: int, frames: int, bits: int, rate_hz: int, coding: bytes | None = None) -> bytes:
    """Return a COMM chunk, of AIFF-C when there is a coding."""
    payload = struct.pack(">hIh", channels, frames, bits) + extended(rate_hz)
    return chunk(b"COMM", payload + (coding + b"\0\0" if coding else b""), order=">")


def ssnd(data: bytes, *, skip: int = 0, block: int = 0, claimed: int | None = None) -> bytes:
    """Return an SSND chunk whose audio begins ``skip`` bytes late."""
    payload = struct.pack(">II", skip, block) + b"\xaa" * skip + data
    return chunk(b"SSND", payload, order=">", claimed=claimed)


def form(*chunks: bytes, kind: bytes = b"AIFF", claimed: int | None = None) -> bytes:
    """Return a whole AIFF or AIFF-C file."""
    body = kind + b"".join(chunks)
    return b"FORM" + struct.pack(">I", len(body) if claimed is None else claimed) + body


def synchsafe(number: int) -> bytes:
    """Return four bytes of seven bits."""
    return bytes(number >> shift & 0x7F for shift in (21, 14, 7, 0))


def id3_frame(frame_id: bytes, payload: bytes, version: int = 3) -> bytes:
    """Return one frame of a 2.2, 2.3 or 2.4 tag."""
    if version == 2:
        return frame_id + len(payload).to_bytes(3, "big") + payload
    size = synchsafe(len(payload)) if version == 4 else len(payload).to_bytes(4, "big")
    return frame_id + size + b"\0\0" + payload


def id3_tag(*frames: bytes, version: int = 3, padding: int = 0, flags: int = 0) -> bytes:
    """Return a whole tag; with flag 0x10 it gets a footer."""
    body = b"".join(frames) + bytes(padding)
    ends = bytes([version, 0, flags]) + synchsafe(len(body))
    return b"ID3" + ends + body + (b"3DI" + ends if flags & 0x10 else b"")


def picture(version: int = 3, encoding: int = 0, description: str = "front", image: bytes = JPEG) -> bytes:
    """Return a picture frame."""
    codec, end = [("latin-1", b"\0"), ("utf-16", b"\0\0"), ("utf-16-be", b"\0\0"), ("utf-8", b"\0")][encoding]
    mime = b"JPG" if version == 2 else b"image/jpeg\0"
    head = bytes([encoding]) + mime + b"\3" + description.encode(codec) + end
    return id3_frame(b"PIC" if version == 2 else b"APIC", head + image, version)


def mpeg_frames(count: int, seed: int = 1) -> bytes:
    """Return frames of 128 kbit/s, 44.1 kHz, joint stereo: headers with noise that holds no sync."""
    noise = bytes((seed * 31 + n * n) % 251 for n in range(417 - 4))  # 417 bytes: standards digest 4.3
    return (b"\xff\xfb\x90\x64" + noise) * count


@dataclass(frozen=True)
class Planted:
    """A file and what was put into it."""

    file: bytes
    essence: bytes
    frame_bytes: int
    frames: int
    channels: int
    rate_hz: int
    sample_format: str


_FOREIGN = st.tuples(
    st.sampled_from([b"LIST", b"JUNK", b"bext", b"cart", b"fact", b"PAD ", b"id3 ", b"~zz~"]),
    st.one_of(
        st.binary(max_size=40), st.integers(4000, 9001).map(lambda n: b"\x01\xff" * (n // 2) + b"x" * (n % 2))
    ),
)
_SHAPES = st.sampled_from(
    [("uint8", 8), ("int16", 16), ("int24", 24), ("int32", 32), ("float32", 32), ("float64", 64)]
)


@st.composite
def wav_files(draw: st.DrawFn) -> Planted:
    """WAV and RF64 with anything around and a partial frame at the end."""
    sample_format, bits = draw(_SHAPES)
    channels = draw(st.integers(1, 8))
    rate_hz = draw(st.integers(1, 400_000))
    is_float = sample_format.startswith("float")
    if draw(st.booleans()):
        described = extensible(
            channels, rate_hz, bits, draw(st.integers(0, 0xFF)), FLOAT_GUID if is_float else PCM_GUID
        )
    else:
        described = fmt(channels, rate_hz, bits, tag=3 if is_float else 1, extra=draw(st.binary(max_size=20)))
    frame_bytes = channels * bits // 8
    essence = _noise(draw(st.integers(1, 3000)) * frame_bytes, draw(st.integers(0, 255)))
    data = essence + b"p" * draw(st.integers(0, frame_bytes - 1))
    before = [chunk(*item) for item in draw(st.lists(_FOREIGN, max_size=3))]
    before.insert(draw(st.integers(0, len(before))), chunk(b"fmt ", described))
    before += [chunk(*item) for item in draw(st.lists(_FOREIGN, max_size=2))]
    after = [chunk(*item) for item in draw(st.lists(_FOREIGN, max_size=3))]
    if draw(st.booleans()):
        file = riff(*before, chunk(b"data", data), *after)
    else:
        file = rf64(before, data, after, draw(st.sampled_from([b"RF64", b"BW64"])))
    if len(data) % 2 and not after and draw(st.booleans()):
        file = file[:-1]  # the pad byte was forgotten
    else:
        file += draw(st.binary(max_size=30))
    return Planted(file, essence, frame_bytes, len(essence) // frame_bytes, channels, rate_hz, sample_format)


_AIFC = {b"NONE": None, b"twos": None, b"sowt": None, b"in24": "int24", b"in32": "int32", b"fl32": "float32"}


@st.composite
def aiff_files(draw: st.DrawFn) -> Planted:
    """AIFF and AIFF-C with anything around, chunks in any order, an offset in SSND."""
    coding = draw(st.sampled_from([None, *_AIFC]))
    bits = draw(st.integers(1, 32))
    sample_format = _AIFC.get(coding or b"") or f"int{8 * math.ceil(bits / 8)}"
    bits = bits if coding is None or _AIFC[coding] is None else int(sample_format[-2:])
    channels = draw(st.integers(1, 8))
    rate_hz = draw(st.integers(1, 400_000))
    frame_bytes = channels * math.ceil(bits / 8)
    essence = _noise(draw(st.integers(1, 3000)) * frame_bytes, draw(st.integers(0, 255)))
    frames = len(essence) // frame_bytes
    data = essence + b"p" * draw(st.integers(0, frame_bytes - 1))
    chunks = [chunk(*item, order=">") for item in draw(st.lists(_FOREIGN, max_size=4))]
    chunks += [
        comm(channels, frames, bits, rate_hz, coding),
        ssnd(data, skip=draw(st.sampled_from([0, 0, 1, 512]))),
    ]
    file = form(*draw(st.permutations(chunks)), kind=b"AIFC" if coding else b"AIFF")
    return Planted(file, essence, frame_bytes, frames, channels, rate_hz, sample_format)


def _noise(length: int, seed: int) -> bytes:
    """Return bytes that repeat only after 64 KB."""
    return (bytes((seed + n * n // 7) & 0xFF for n in range(251)) * (length // 251 + 1))[:length]
