"""What stands around a sound in a file of a package: header, tags, broadcast chunks.

A sound is one thing and what is said about it another: the same sound in another
wrapping is a few hundred new bytes in the store.

Conventions
    head, tail   bytes before and behind the sound; the sound itself is not touched
    order        club players want the audio near the start of a WAV, so text and cover come
                 behind it; playout systems read ``bext`` and ``cart`` before it

Not here: what the tags say (``relkit.pack.tags``), making the sound (``relkit.audio``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from relkit.audio.heads import aiff_head, wav_head
from relkit.audio.samples import to_little_endian
from relkit.manifest import SoundFacts
from relkit.pack.cart import cart_chunk
from relkit.pack.facts import SongFacts, VersionFile
from relkit.pack.renditions import Rendition
from relkit.pack.tags import ID3_CHUNK_AIFF, ID3_CHUNK_WAV, flac_blocks, id3_tag
from relkit.pack.wav_chunks import bext_chunk, info_chunk

BROADCAST = frozenset({"wav-radio", "wav-48k24"})  # formats whose readers look for bext and cart
_LAST_BLOCK = 0x80


@dataclass(frozen=True)
class Wrapping:
    """What stands around a sound.

    Attributes:
        container: what the file is called by who opens it.
        turned: brings a block of whole little-endian frames into the byte order of the file.
    """

    container: str
    head: bytes
    tail: bytes = b""
    turned: Callable[[bytes | memoryview], bytes | memoryview] = lambda block: block


def wrapped(
    rendition: Rendition,
    song: SongFacts,
    file: VersionFile,
    *,
    frames: int,
    cover_jpeg: bytes | None,
    recorded_at: datetime,
    bounce: SoundFacts,
) -> Wrapping:
    """Return what stands around the sound of a file.

    Args:
        rendition: one that has a target.
        file: its ``sound`` is that of the file.
        frames: of the sound.
        cover_jpeg: the small cover, or None.
        recorded_at: of the revision, with a zone.
        bounce: what the sound was made from.
    """
    target = rendition.target
    assert target is not None  # noqa: S101 - a bounce that goes out as it is has no wrapping
    if rendition.folder == "MP3":
        return Wrapping("mp3", id3_tag(song, file, cover_jpeg))
    if rendition.folder == "FLAC":
        return Wrapping("flac", _flac_text(flac_blocks(song, file, cover_jpeg)))
    tag = id3_tag(song, file, cover_jpeg)
    if rendition.folder == "AIFF":
        lying = replace(target, big_endian=True)
        head, tail = aiff_head(lying, frames, after=[(ID3_CHUNK_AIFF, tag)])
        # Turning the bytes of every sample round is the same in both directions.
        return Wrapping("aiff", head, tail, lambda block: to_little_endian(block, lying).data)
    info = info_chunk(song, file)
    before = []
    if rendition.format in BROADCAST:
        before = [
            (b"bext", _even(bext_chunk(song, file, recorded_at, bounce=bounce))),
            (b"cart", _even(cart_chunk(song, file))),
        ]
    after = [*([(b"LIST", info)] if info else []), (ID3_CHUNK_WAV, tag)]
    head, tail = wav_head(target, frames, before=before, after=after)
    return Wrapping("rf64" if head.startswith(b"RF64") else "wav", head, tail)


def _even(text: bytes) -> bytes:
    """Return text that ends at an even place: in RF64, libsndfile loses the audio behind an odd chunk."""
    return text + b"\0" * (len(text) % 2)


def _flac_text(blocks: list[tuple[int, bytes]]) -> bytes:
    """Return metadata blocks as they stand between a FLAC file's stream information and its frames."""
    last = len(blocks) - 1
    return b"".join(
        bytes([kind | (_LAST_BLOCK if place == last else 0)]) + len(content).to_bytes(3, "big") + content
        for place, (kind, content) in enumerate(blocks)
    )
