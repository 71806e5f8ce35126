"""Small audio files with given tags inside, and what stock tools read out of them.

The containers are put together here from the published layouts, not by relkit:
a fault in relkit's own writer would otherwise hide one in its tags.

Sources
    RIFF and IFF: a chunk is a name, a size (RIFF little-endian, IFF big-endian), its content and an
    even byte that the size does not count; FLAC: RFC 9639, section 8.1.
"""

from __future__ import annotations

import io
import json
import struct
import subprocess
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from PIL import Image

RATE_HZ = 44_100
FRAMES = 22_050
Chunks = Iterable[tuple[bytes, bytes]]


def jpeg(side: int = 64) -> bytes:
    """Return a cover."""
    out = io.BytesIO()
    Image.new("RGB", (side, side), (24, 58, 92)).save(out, "JPEG")
    return out.getvalue()


def _encoded(kind: str) -> bytes:
    out = io.BytesIO()
    tone = np.sin(np.arange(FRAMES) / 16) * 0.2
    soundfile.write(out, np.stack([tone, tone], 1), RATE_HZ, format=kind)
    return out.getvalue()


def mp3(tag: bytes) -> bytes:
    """Return an MP3 with a tag in front."""
    return tag + _encoded("MP3")


def wav(*, before: Chunks = (), after: Chunks = ()) -> bytes:
    """Return a 16-bit stereo WAV with chunks before and after the audio."""
    samples = np.zeros((FRAMES, 2), "<i2")
    samples[::50] = 3_000
    fmt = struct.pack("<HHIIHH", 1, 2, RATE_HZ, RATE_HZ * 4, 4, 16)
    chunks = [(b"fmt ", fmt), *before, (b"data", samples.tobytes()), *after]
    body = b"WAVE" + b"".join(
        name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)
        for name, content in chunks
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


def aiff(*, after: Chunks = ()) -> bytes:
    """Return an AIFF with chunks behind those that libsndfile writes."""
    body = _encoded("AIFF")[8:] + b"".join(
        name + struct.pack(">I", len(content)) + content + b"\0" * (len(content) % 2)
        for name, content in after
    )
    return b"FORM" + struct.pack(">I", len(body)) + body


def flac(blocks: Sequence[tuple[int, bytes]]) -> bytes:
    """Return a FLAC file with these blocks behind STREAMINFO, and no others."""
    plain = _encoded("FLAC")
    at, last = 4, False
    while not last:
        last = bool(plain[at] & 0x80)
        at += 4 + int.from_bytes(plain[at + 1 : at + 4], "big")
    kept = [(0, plain[8:42]), *blocks]
    heads = [
        bytes([kind | (0x80 if number == len(kept) - 1 else 0)]) + len(content).to_bytes(3, "big") + content
        for number, (kind, content) in enumerate(kept)
    ]
    return plain[:4] + b"".join(heads) + plain[at:]


def by_exiftool(files: Sequence[Path]) -> list[dict[str, Any]]:
    """Return what exiftool reads, "Group:Tag" by value, for each file."""
    said = subprocess.run(
        ["exiftool", "-j", "-G1", "-a", "-n", "-charset", "filename=utf8", *map(str, files)],
        capture_output=True,
        check=True,
    )
    return list(json.loads(said.stdout))


def by_mediainfo(files: Sequence[Path]) -> list[dict[str, Any]]:
    """Return the general track that mediainfo reads, for each file; its own extra fields among the others."""
    said = subprocess.run(["mediainfo", "--Output=JSON", *map(str, files)], capture_output=True, check=True)
    read = json.loads(said.stdout)
    general = [each["media"]["track"][0] for each in (read if isinstance(read, list) else [read])]
    return [track | track.get("extra", {}) for track in general]


def by_ffprobe(file: Path) -> dict[str, str]:
    """Return the tags that ffprobe reads, in lower case."""
    said = subprocess.run(
        ["ffprobe", "-v", "error", "-show_entries", "format_tags", "-of", "json", str(file)],
        capture_output=True,
        check=True,
    )
    tags = json.loads(said.stdout)["format"].get("tags", {})
    return {name.lower(): value for name, value in tags.items()}
