"""What do WAV files say outside of ID3? RIFF INFO, and the Broadcast Wave chunk ``bext``.

Both are old and narrow. INFO has no encoding of its own: a reader that keeps to
RIFF takes ISO-8859-1, as exiftool and mediainfo do; ffmpeg takes UTF-8. Both of
these put INFO before the ID3 chunk, which holds any script. So a file has
INFO only if all of it fits ISO-8859-1, and else lets the ID3 chunk speak alone.
``bext`` is ASCII and says a name as well as ASCII can.

Conventions
    chunk      what stands behind the chunk's name and size; the even byte is the writer's
    loudness   hundredths of LUFS, LU or dBTP as signed 16 bits; 0x7FFF where there is no figure
    times      UTC

Sources
    [RIFF]  Microsoft and IBM, Multimedia Programming Interface 1.0 (1991): LIST INFO; without a
            CSET chunk text is ISO-8859-1
    [3285]  EBU Tech 3285 version 2; standards digest, bext
    [R98]   EBU R 98: the coding history

Not here: ``cart`` (``relkit.pack.cart``), ID3 (``relkit.pack.tags``), in which order chunks stand.
"""

from __future__ import annotations

import datetime as dt
import math
import struct

from relkit.manifest import SoundFacts
from relkit.pack.ascii_text import to_ascii
from relkit.pack.facts import SongFacts, VersionFile
from relkit.pack.tag_texts import tag_texts

INFO_CHUNK = b"LIST"
BEXT_CHUNK = b"bext"

NO_FIGURE = 0x7FFF  # [3285]
_BEXT_VERSION = 2
_UMID_BYTES, _RESERVED_BYTES = 64, 180
_WORD_BITS = {"uint8": 8, "int8": 8, "int16": 16, "int24": 24, "int32": 32, "float32": 32, "float64": 64}
_MODES = {1: "mono", 2: "stereo"}  # [R98] knows no others
_MOST_NOTE = 120  # characters of free text in a line of history


def info_chunk(song: SongFacts, file: VersionFile) -> bytes | None:
    """Return the content of a LIST chunk of type INFO, or None where a text does not fit ISO-8859-1.

    Source:
        [RIFF]: each text ends in a NUL, and each subchunk at an even byte.
    """
    texts = tag_texts(song, file)
    fields = (
        (b"INAM", texts.title),
        (b"IART", texts.artist),
        (b"IPRD", texts.album),
        (b"ICRD", texts.release_date.isoformat() if texts.release_date else None),
        (b"IGNR", texts.genre),
        (b"ICMT", texts.comment),
        (b"ICOP", texts.copyright),
    )
    try:
        encoded = [(name, text.encode("latin-1") + b"\0") for name, text in fields if text]
    except UnicodeEncodeError:
        return None
    return b"INFO" + b"".join(
        name + struct.pack("<I", len(text)) + text + b"\0" * (len(text) % 2) for name, text in encoded
    )


def bext_chunk(
    song: SongFacts,
    file: VersionFile,
    recorded_at: dt.datetime,
    *,
    bounce: SoundFacts | None = None,
) -> bytes:
    """Return the content of a ``bext`` chunk, version 2.

    Args:
        song, file: whose; integrated loudness, range and true peak are those of ``file.sound``.
        recorded_at: when the revision was recorded, with a zone.
        bounce: what the file was made from; a line of history where it is another sound.

    Raises:
        ValueError: ``recorded_at`` has no zone.

    Source:
        [3285]: the layout.
    """
    if recorded_at.utcoffset() is None:
        raise ValueError("the time of a revision needs a zone")
    when = recorded_at.astimezone(dt.UTC)
    texts, sound = tag_texts(song, file), file.sound
    figures = (
        sound.integrated_loudness_lufs if sound else None,
        sound.loudness_range_lu if sound else None,
        sound.true_peak_dbtp if sound else None,
        file.max_momentary_lufs,
        file.max_short_term_lufs,
    )
    return b"".join(
        [
            _field(f"{texts.artist} - {texts.title}", 256),
            _field(texts.label or texts.artist, 32),
            _field(texts.isrc or "", 32),
            f"{when.year:04d}-{when:%m-%d}".encode(),
            f"{when:%H:%M:%S}".encode(),
            struct.pack("<QH", 0, _BEXT_VERSION),  # a song begins at midnight
            bytes(_UMID_BYTES),
            *(struct.pack("<h", hundredths(figure)) for figure in figures),
            bytes(_RESERVED_BYTES),
            coding_history(file, bounce).encode("ascii"),
        ]
    )


def hundredths(figure: float | None) -> int:
    """Return a loudness or peak as [3285] writes it; ``NO_FIGURE`` for None and for silence."""
    if figure is None or not math.isfinite(figure):
        return NO_FIGURE
    return max(-0x8000, min(NO_FIGURE - 1, round(100 * figure)))


def coding_history(file: VersionFile, bounce: SoundFacts | None = None) -> str:
    """Return where the samples come from, a line for each generation, [R98]; empty where nothing is known."""
    lines = []
    sound = file.sound
    if bounce is not None and (sound is None or bounce.identity != sound.identity):
        lines.append(_generation(bounce, "bounce"))
    if sound is not None:
        lines.append(_generation(sound, file.made_by))
    return "".join(f"{line}\r\n" for line in lines)


def _generation(sound: SoundFacts, note: str) -> str:
    """Return one line of history; a comma in the note would begin another field."""
    bits, mode = _WORD_BITS.get(sound.sample_format), _MODES.get(sound.channels)
    kind = " float" if sound.sample_format.startswith("float") else ""
    free = to_ascii(f"{note.replace(',', ';')}{kind}", _MOST_NOTE).replace(",", ";")
    fields = [
        "A=PCM" if bits else "A=MPEG1L3",
        f"F={sound.sample_rate_hz}",
        f"W={bits}" if bits else "",
        f"M={mode}" if mode else "",
        f"T={free}" if free else "",
    ]
    return ",".join(filter(None, fields))


def _field(text: str, size_bytes: int) -> bytes:
    """Return text in ASCII with at least one NUL behind it, for readers that look for one."""
    return to_ascii(text, size_bytes - 1).encode("ascii").ljust(size_bytes, b"\0")
