"""ID3v2.3 for MP3, AIFF and WAV; Vorbis comments and a picture for FLAC.

One tag serves all three: the whole of it in front of MPEG frames, or inside a
chunk of AIFF or WAV. Its bytes follow from the facts alone: the order of the
frames is set here, there is no padding, and nothing says when or with what a
tag was written. No rating of a listener, no private and no personal frame.

mutagen encodes the frames. Which encoding is settled here: ISO-8859-1 where a
text fits, else UTF-16 with a byte order mark; and UTF-8, which v2.3 does not
list, for a text with characters beyond U+FFFF: v2.3 means UCS-2, which has
none, and exiftool and mediainfo read UTF-16 pairs as two broken characters.

v2.3 splits TPE1, TCOM and TEXT at "/" and cannot escape it, so a slash inside
a name is written there as U+2215, which looks the same. In a genre,
parentheses and slashes stand for numbers of a list; see ``_genre``.

Sources
    [ID3]   id3v2.3.0; standards digest, ID3v2 and MP3
    [FLAC]  RFC 9639, sections 8.6 (Vorbis comment) and 8.8 (picture)
    TXXX names, and comment names that [FLAC] does not list: common practice, no source

Not here: what the texts are (``relkit.pack.tag_texts``), chunks of WAV that are
no ID3 (``relkit.pack.wav_chunks``, ``relkit.pack.cart``), where a tag goes in a file.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import Any

from relkit.pack.facts import SongFacts, VersionFile
from relkit.pack.tag_texts import TagTexts, tag_texts

ID3_CHUNK_WAV = b"id3 "
ID3_CHUNK_AIFF = b"ID3 "
FLAC_VORBIS_COMMENT, FLAC_PICTURE = 4, 6  # block types, [FLAC] section 8.1

_LATIN1, _UTF16, _UTF8 = 0, 1, 3
_FRONT_COVER = 3
_HEADER_BYTES = 10  # of a tag, and of a frame
_MOST_BYTES = 2**28 - 1  # four times seven bits
_FLAC_MOST_BYTES = 2**24 - 1
_SLASH = "\u2215"
_VENDOR = "relkit"


# --- ID3


def id3_tag(song: SongFacts, file: VersionFile, cover_jpeg: bytes | None) -> bytes:
    """Return a whole ID3v2.3 tag.

    Args:
        song: as this recipient may know it.
        file: the file that the tag goes into.
        cover_jpeg: front cover, of the size for embedding; None for no picture.

    Raises:
        ValueError: the cover is no JPEG, or larger than a tag can be (256 MB).
    """
    frames = b"".join(map(_frame_bytes, _frames(tag_texts(song, file), cover_jpeg)))
    if len(frames) > _MOST_BYTES:
        raise ValueError("a cover of 256 MB does not fit into a tag")
    size = bytes(len(frames) >> shift & 0x7F for shift in (21, 14, 7, 0))
    return b"ID3\x03\x00\x00" + size + frames


def _frames(texts: TagTexts, cover_jpeg: bytes | None) -> Iterator[Any]:
    """Yield mutagen's frames as they are written: what players show comes first, the picture last."""
    from mutagen import id3

    for name, text in _text_frames(texts):
        if text:
            yield getattr(id3, name)(encoding=_encoding(text), text=[text])
    described = (
        ("Tempo", texts.exact_tempo),
        ("Publisher", texts.publisher),
        ("Barcode", texts.gtin),
        ("Copyright", None if texts.copyright_line else texts.copyright),
    )
    for name, text in described:
        if text:
            yield id3.TXXX(encoding=_encoding(text), desc=name, text=[text])
    if texts.comment:
        # Without a description: players show that one and may overlook others.
        yield id3.COMM(encoding=_encoding(texts.comment), lang="eng", desc="", text=[texts.comment])
    if cover_jpeg is not None:
        _require_jpeg(cover_jpeg)
        yield id3.APIC(encoding=_LATIN1, mime="image/jpeg", type=_FRONT_COVER, desc="", data=cover_jpeg)


def _text_frames(texts: TagTexts) -> Iterator[tuple[str, str | None]]:
    """Yield names of text frames and their text."""
    day = texts.release_date
    yield "TIT2", texts.title
    yield "TPE1", _names([texts.artist])
    yield "TALB", texts.album
    yield "TPE4", texts.remixer
    yield "TBPM", texts.bpm
    yield "TKEY", texts.key
    yield "TCON", _genre(texts.genre)
    yield "TYER", f"{day.year:04d}" if day else None
    yield "TDAT", f"{day.day:02d}{day.month:02d}" if day else None
    yield "TSRC", texts.isrc
    yield "TPUB", texts.label
    yield "TCOM", _names(texts.composers)
    yield "TEXT", _names(texts.lyricists)
    yield "TCOP", texts.copyright_line
    yield "TLAN", texts.language
    yield "TLEN", None if texts.length_ms is None else str(texts.length_ms)


def _names(names: Sequence[str]) -> str:
    """Join names by the separator of v2.3, which none of them may hold."""
    return "/".join(name.replace("/", _SLASH) for name in names)


def _genre(genre: str | None) -> str | None:
    """Return a genre that no reader takes for a number of the list.

    [ID3] escapes a parenthesis by doubling it, which exiftool, mediainfo and
    ffmpeg show as it is; square brackets mean nothing to anybody.
    """
    if genre is None:
        return None
    return genre.translate({ord("("): "[", ord(")"): "]", ord("/"): _SLASH})


def _encoding(text: str) -> int:
    """Return the narrowest encoding that every reader takes; see the module."""
    if all(char <= "\xff" for char in text):
        return _LATIN1
    return _UTF16 if all(char <= "\uffff" for char in text) else _UTF8


def _frame_bytes(frame: Any) -> bytes:
    """Return one frame as v2.3 writes it: plain size, no flags."""
    from mutagen.id3 import ID3

    tag, out = ID3(), io.BytesIO()
    tag.add(frame)
    # Asked for v2.3, mutagen would turn UTF-8 into UTF-16; the body of a frame is the same in both.
    tag.save(out, v1=0, v2_version=4 if frame.encoding == _UTF8 else 3, padding=lambda _: 0)
    written = out.getvalue()[_HEADER_BYTES:]
    body = written[_HEADER_BYTES:]
    return written[:4] + len(body).to_bytes(4, "big") + b"\0\0" + body


def _require_jpeg(cover: bytes) -> None:
    if not cover.startswith(b"\xff\xd8\xff"):
        raise ValueError("the cover is no JPEG")


# --- FLAC


def flac_blocks(song: SongFacts, file: VersionFile, cover_jpeg: bytes | None) -> list[tuple[int, bytes]]:
    """Return metadata blocks for a FLAC file: (type, content), to stand behind STREAMINFO.

    They take the place of a Vorbis comment that an encoder wrote.

    Args:
        song, file, cover_jpeg: as for ``id3_tag``.

    Raises:
        ValueError: the cover is no JPEG, or larger than a block can be (16 MB).
    """
    from mutagen.flac import VCFLACDict

    comment = VCFLACDict()
    comment.vendor = _VENDOR
    comment.extend(_comments(tag_texts(song, file)))
    blocks = [(FLAC_VORBIS_COMMENT, comment.write(framing=False))]
    if cover_jpeg is not None:
        blocks.append((FLAC_PICTURE, _flac_picture(cover_jpeg)))
    if any(len(content) > _FLAC_MOST_BYTES for _, content in blocks):
        raise ValueError("a cover of 16 MB does not fit into a block")
    return blocks


def _comments(texts: TagTexts) -> Iterator[tuple[str, str]]:
    """Yield names and values; a name with several values comes several times."""
    single = (
        ("TITLE", texts.title),
        ("ARTIST", texts.artist),
        ("ALBUM", texts.album),
        ("REMIXER", texts.remixer),
        ("BPM", texts.exact_tempo or texts.bpm),
        ("KEY", texts.key),
        ("GENRE", texts.genre),
        ("DATE", texts.release_date.isoformat() if texts.release_date else None),
        ("ISRC", texts.isrc),
        ("ORGANIZATION", texts.label),
        ("PUBLISHER", texts.publisher),
        ("COPYRIGHT", texts.copyright),
        ("LANGUAGE", texts.language),
        ("BARCODE", texts.gtin),
        ("COMMENT", texts.comment or None),
    )
    yield from ((name, text) for name, text in single if text)
    yield from (("COMPOSER", name) for name in texts.composers)
    yield from (("LYRICIST", name) for name in texts.lyricists)


def _flac_picture(cover_jpeg: bytes) -> bytes:
    """Return the content of a picture block; width and height are those of the JPEG."""
    from mutagen.flac import Picture
    from PIL import Image

    _require_jpeg(cover_jpeg)
    picture = Picture()
    picture.type, picture.mime, picture.data = _FRONT_COVER, "image/jpeg", cover_jpeg
    with Image.open(io.BytesIO(cover_jpeg)) as image:
        picture.width, picture.height = image.size
    picture.depth = 24
    content: bytes = picture.write()
    return content
