"""What does a playout system read first? The AES46 ``cart`` chunk of a WAV for radio.

Only the station knows its cut numbers and categories of its own, so these stay
blank. There is no end date unless the sheet has one: a field without a date is
blank. The date "9999-12-31" that some writers put there instead is not in any
text at hand, and a reader that does not know it would show it to people.

Conventions
    text      ASCII, as ``relkit.pack.ascii_text`` makes it; NUL-padded
    dates     yyyy-mm-dd and hh:mm:ss without a zone: those of the sheet's own zone
    timers    samples from the first one of the file, below 2**31

Sources
    [CART]  AES46-2002; standards digest, cart: layout, timer names
    That 32768 stands for full scale, and ``EOD``: common practice, no source.

Not here: where words begin and music ends (``relkit.pack.timers``), ``bext``
(``relkit.pack.wav_chunks``).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from relkit.manifest import SoundFacts
from relkit.pack.ascii_text import to_ascii
from relkit.pack.facts import SongFacts, Timers, VersionFile
from relkit.pack.tag_texts import TagTexts, tag_texts

CART_CHUNK = b"cart"

_VERSION = b"0101"
_TEXT_BYTES = 64
_RESERVED_BYTES, _URL_BYTES = 276, 1024
_FULL_SCALE = 32768
_TIMERS = 8
_MOST_SAMPLES = 2**31  # readers differ on whether the number has a sign
_MOST_TAG_LINE = 500
_PRODUCER = "relkit"  # without its version: the same package has the same bytes from the next one
_ENDINGS = {"cold": "Ends cold", "fade": "Fades out"}


def cart_chunk(song: SongFacts, file: VersionFile) -> bytes:
    """Return the content of a ``cart`` chunk, version 01.01.

    The start date is the embargo. Without one it is blank: a promotional copy goes out
    before the release, and a playout system would refuse it until that day. Times need
    ``file.sound``, for its rate; without it there are no timers.

    Source:
        [CART].
    """
    texts = tag_texts(song, file)
    return b"".join(
        [
            _VERSION,
            _field(texts.title),
            _field(texts.artist),
            _field(""),  # cut id: the station's
            _field(""),  # client id: of advertising
            _field("MUSIC"),
            _field(f"Rating: {texts.rating}"),
            _field(_out_cue(file)),
            _start(song),
            _end(song),
            _field(_PRODUCER),
            _field(""),
            _field(texts.isrc or ""),
            struct.pack("<i", _FULL_SCALE),
            _timers(file),
            bytes(_RESERVED_BYTES),
            bytes(_URL_BYTES),
            b"".join(f"{line}\r\n".encode("ascii") for line in _tag_text(texts)),
        ]
    )


def _field(text: str) -> bytes:
    """Return text in ASCII with at least one NUL behind it, for readers that look for one."""
    return to_ascii(text, _TEXT_BYTES - 1).encode("ascii").ljust(_TEXT_BYTES, b"\0")


def _out_cue(file: VersionFile) -> str:
    """Return the closing words, or how a version without them ends."""
    return file.last_words or _ENDINGS.get(file.ending or "", "")


def _start(song: SongFacts) -> bytes:
    until = song.embargo
    return _date_and_time(f"{until.date().isoformat()}{until:%H:%M:%S}" if until else "")


def _end(song: SongFacts) -> bytes:
    return _date_and_time(f"{song.end_date.isoformat()}23:59:59" if song.end_date else "")


def _date_and_time(text: str) -> bytes:
    return text.encode("ascii").ljust(18, b"\0")


def _timers(file: VersionFile) -> bytes:
    """Return the eight slots; unused ones are zero."""
    slots = [] if file.sound is None else list(_known_timers(file.timers, file.sound))
    written = b"".join(name + struct.pack("<I", samples) for name, samples in slots)
    return written.ljust(_TIMERS * 8, b"\0")


def _known_timers(timers: Timers, sound: SoundFacts) -> Iterator[tuple[bytes, int]]:
    """Yield names and places of what is certain. Pairs are whole and in order, or not there."""
    first, last = (_sample(time, sound) for time in (timers.audible_from_s, timers.audible_to_s))
    vocal, segue = (_sample(time, sound) for time in (timers.vocal_from_s, timers.segue_s))
    if first is not None and last is not None and first < last:
        yield b"AUDs", first
        yield b"AUDe", last
    if vocal is not None and (first or 0) < vocal:
        yield b"INTs", first or 0
        yield b"INTe", vocal
    if segue is not None and last is not None and segue <= last:
        yield b"SEGs", segue
        yield b"SEGe", last
    if last is not None:
        yield b"EOD ", last


def _sample(time_s: float | None, sound: SoundFacts) -> int | None:
    """Return the sample nearest to a time; None where the file has none there."""
    if time_s is None:
        return None
    sample = round(time_s * sound.sample_rate_hz)
    return sample if 0 <= sample <= sound.frames and sample < _MOST_SAMPLES else None


def _tag_text(texts: TagTexts) -> Iterator[str]:
    """Yield lines of free text for people at the station."""
    lines = (
        texts.comment,
        f"Label: {texts.label}" if texts.label else "",
        f"Composers: {', '.join(texts.composers)}" if texts.composers else "",
        f"Copyright: {texts.copyright}" if texts.copyright else "",
    )
    yield from filter(None, (to_ascii(line, _MOST_TAG_LINE) for line in lines))
