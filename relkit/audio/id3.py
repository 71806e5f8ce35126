"""Where the large runs in an ID3v2 tag lie: pictures, and other frames over 4 KB.

A changed title must not change the bytes of the part that holds the picture,
so a picture is cut exactly where its data begins, after its description. A tag
that cannot be followed is simply not cut: nothing here fails.

Conventions
    offset   [bytes] from the start of the file
    tag      header, body, and footer if there is one

Sources
    [ID3] id3v2.3.0 (sections 3.1, 3.3, 4.15), id3v2.4.0-structure (3.1, 3.4, 4, 6.2)
    [V22] id3v2-00 (3.2, 4.15)

Not here: what the text frames say, and writing tags (``relkit.pack``).
"""

from __future__ import annotations

from typing import BinaryIO

from relkit.audio.layout import OPAQUE_OVER_BYTES, Chunk, Span, large_run, read_at

HEADER_BYTES = 10
_MAX_FRAMES = 1_000
_PICTURE_HEAD_BYTES = 1024  # encoding, MIME type, picture type, description; more is not a description


def _synchsafe(four: bytes) -> int | None:
    """Return seven bits of each byte, or None where an eighth bit is set."""
    if len(four) != 4 or any(byte & 0x80 for byte in four):
        return None
    return four[0] << 21 | four[1] << 14 | four[2] << 7 | four[3]


def tag_length(header: bytes) -> int | None:
    """Return the length of the tag that these 10 bytes begin, or None if they begin none."""
    if len(header) < HEADER_BYTES or header[:3] != b"ID3" or header[3] == 0xFF or header[4] == 0xFF:
        return None
    size = _synchsafe(header[6:10])
    if size is None:
        return None
    has_footer = header[3] == 4 and header[5] & 0x10
    return HEADER_BYTES + size + (HEADER_BYTES if has_footer else 0)


def large_runs(file: BinaryIO, offset: int, length: int) -> list[Span]:
    """Return the opaque runs of the tag in ``length`` bytes at ``offset``."""
    header = read_at(file, offset, HEADER_BYTES)
    whole = tag_length(header)
    if length <= OPAQUE_OVER_BYTES or whole is None:
        return []
    size = _synchsafe(header[6:10]) or 0
    end = offset + min(length, HEADER_BYTES + size)
    version, flags = header[3], header[5]
    start = offset + HEADER_BYTES
    # Unsynchronisation before 2.4 shifts everything behind it against the sizes: not followed.
    if version not in (2, 3, 4) or (version < 4 and flags & 0x80):
        return large_run(start, end - start)
    if version > 2 and flags & 0x40:  # extended header
        field = read_at(file, start, 4)
        start += (_synchsafe(field) or 0) if version == 4 else 4 + int.from_bytes(field, "big")
    runs: list[Span] = []
    for _ in range(_MAX_FRAMES):
        frame = _frame(file, start, end, version)
        if frame is None:
            break
        name, payload, frame_size, plain = frame
        skip = _picture_start(file, payload, frame_size, name) if plain else 0
        runs += large_run(payload + skip, frame_size - skip)
        start = payload + frame_size
    return runs


def foreign_runs(file: BinaryIO, chunk: Chunk) -> list[Span]:
    """Return the large runs of a WAV or AIFF chunk that is not the audio; it may hold a whole tag."""
    runs = large_runs(file, chunk.offset, chunk.size) if chunk.id.lower() == b"id3 " else []
    return runs or large_run(chunk.offset, chunk.size)


def _frame(file: BinaryIO, at: int, end: int, version: int) -> tuple[bytes, int, int, bool] | None:
    """Return (id, payload offset, size, written plainly) of the frame at ``at``, or None at the end."""
    id_bytes, head = (3, 6) if version == 2 else (4, 10)
    header = read_at(file, at, head)
    if len(header) < head or at + head >= end or not _is_frame_id(header[:id_bytes]):
        return None
    payload = at + head
    if version == 2:
        size = int.from_bytes(header[3:6], "big")
        plain = True
    else:
        size = int.from_bytes(header[4:8], "big")
        plain = header[9] == 0
    if version == 4:
        # Some writers put plain sizes into 2.4 tags: the size that ends at something sensible is meant.
        safe = _synchsafe(header[4:8])
        if safe is not None and (
            _ends_well(file, payload + safe, end) or not _ends_well(file, payload + size, end)
        ):
            size = safe
    return (header[:id_bytes], payload, size, plain) if 0 < size <= end - payload else None


def _is_frame_id(text: bytes) -> bool:
    """Whether these are capital letters and digits, as frame ids are."""
    return all(0x41 <= byte <= 0x5A or 0x30 <= byte <= 0x39 for byte in text)


def _ends_well(file: BinaryIO, at: int, end: int) -> bool:
    """Whether a frame, padding or the tag's end is here."""
    if at >= end:
        return at == end
    text = read_at(file, at, 4)
    return _is_frame_id(text) or not any(text)


def _picture_start(file: BinaryIO, payload: int, size: int, name: bytes) -> int:
    """Return where in an APIC or PIC frame the picture begins; 0 for any other frame."""
    if name not in (b"APIC", b"PIC"):
        return 0
    head = read_at(file, payload, min(size, _PICTURE_HEAD_BYTES))
    mime_end = 4 if name == b"PIC" else head.find(b"\0", 1) + 1  # after "JPG", or after MIME and its NUL
    if mime_end <= 0:
        return 0
    text = mime_end + 1  # after the picture type
    if head[:1] in (b"\1", b"\2"):  # UTF-16: the terminator is a whole zero unit
        while head[text : text + 2] not in (b"\0\0", b"", head[-1:]):
            text += 2
        return text + 2 if head[text : text + 2] == b"\0\0" else 0
    return head.find(b"\0", text) + 1
