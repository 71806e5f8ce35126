"""What do the tags of one file say, whatever kind of tag it is?

Each text is one line without control and direction marks, so it can never be
read as more than the one value that it is.

Conventions
    None, ()   not declared; no tag has it then

Sources
    [ID3] id3v2.3.0, TBPM: an integer; TCOP: a year, a space, an owner
    What a title and a comment hold: common practice, no published source.

Not here: bytes (``relkit.pack.tags``, ``relkit.pack.wav_chunks``, ``relkit.pack.cart``).
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from relkit.manifest import VersionFacts
from relkit.pack import statements
from relkit.pack.facts import SongFacts, VersionFile
from relkit.pack.languages import three_letters
from relkit.pack.names import one_line

_YEAR_FIRST = re.compile(r"(?:[©℗]|\([cCpP]\)|[Cc]opyright)?\s*([0-9]{4})(?![0-9])[\s,.:]*(.*)")


@dataclass(frozen=True)
class TagTexts:
    """The texts of one file's tags.

    Attributes:
        title: with the version: "Song Title (Clean)".
        artist: with the guests: "Example Artist feat. A, B & C".
        bpm: the tempo as an integer [ID3], rounded half up.
        exact_tempo: where the integer is not all of it: "126.5", or "118-124 BPM (live)".
        label: the record label, or the publisher where there is no label.
        publisher: the music publisher, where ``label`` does not have it.
        copyright_line: year, space, owner [ID3]; without a declared year there is none.
        copyright: as declared.
        language: ISO 639-2; none of a version without words.
        rating: in words.
        comment: what a DJ or presenter must not miss, on one line.
        length_ms: rounded half up.
    """

    title: str
    artist: str
    remixer: str | None
    album: str | None
    bpm: str | None
    exact_tempo: str | None
    key: str | None
    isrc: str | None
    label: str | None
    publisher: str | None
    composers: tuple[str, ...]
    lyricists: tuple[str, ...]
    copyright_line: str | None
    copyright: str | None
    release_date: dt.date | None
    genre: str | None
    language: str | None
    gtin: str | None
    rating: str
    comment: str
    length_ms: int | None


def tag_texts(song: SongFacts, file: VersionFile) -> TagTexts:
    """Return what the tags of a file say."""
    label, publisher = _line(song.label), _line(song.publisher)
    language = None if file.version.parts == "instrumental" else file.version.language or song.language
    owner = _line(song.copyright)
    return TagTexts(
        title=_title(song, file.version),
        artist="".join(statements.who(song)),
        remixer=_line(song.remixer),
        album=_line(song.album),
        bpm=None if song.tempo_bpm is None else str(math.floor(song.tempo_bpm + Fraction(1, 2))),
        exact_tempo=_exact_tempo(song),
        key=song.key.tkey if song.key else None,
        isrc=_line(file.isrc),
        label=label or publisher,
        publisher=publisher if label and publisher != label else None,
        composers=_lines(song.composers),
        lyricists=_lines(song.lyricists),
        copyright_line=_year_and_owner(owner),
        copyright=owner,
        release_date=song.release_date,
        genre=_genre(song.genre),
        language=three_letters(language) if language else None,
        gtin=_line(song.gtin),
        rating=_rating(file.version),
        comment=_comment(song, file.version),
        length_ms=_length_ms(file),
    )


def _line(text: str | None) -> str | None:
    return one_line(text or "") or None


def _lines(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(filter(None, map(one_line, texts)))


def _title(song: SongFacts, version: VersionFacts) -> str:
    label = one_line(version.label)
    return statements.title(song) + (f" ({label})" if label else "")


def _genre(text: str | None) -> str | None:
    """Return a genre; a bare number would be taken for one of the numbered genres, in any kind of tag."""
    genre = _line(text)
    return f"Genre {genre}" if genre and genre.isascii() and genre.isdigit() else genre


def _exact_tempo(song: SongFacts) -> str | None:
    """Return the tempo where an integer does not say all of it."""
    if song.tempo_bpm is None:
        return _line(song.tempo_text)
    return None if song.tempo_bpm.denominator == 1 else _decimals(song.tempo_bpm)


def _decimals(number: Fraction) -> str:
    """Return a number with all its decimals, or to a millionth where they never end."""
    millionths = math.floor(number * 10**6 + Fraction(1, 2))
    whole, rest = divmod(millionths, 10**6)
    return f"{whole}.{rest:06d}".rstrip("0").rstrip(".")


def _year_and_owner(text: str | None) -> str | None:
    """Return a copyright as TCOP holds it; a year is never made up."""
    match = _YEAR_FIRST.fullmatch(text or "")
    return f"{match[1]} {match[2]}" if match else None


def _rating(version: VersionFacts) -> str:
    """Return the rating in words; a clean version says what it is free of."""
    removed = ", ".join(_lines(version.removed))
    return statements.rating_of(version) + (f" (without {removed})" if removed else "")


def _comment(song: SongFacts, version: VersionFacts) -> str:
    parts = [
        song.promo_line,
        f"Rating: {_rating(version)}",
        f"Not before {moment(song.embargo)}" if song.embargo else None,
        f"Not after {song.end_date.isoformat()}" if song.end_date else None,
        f"Contact: {song.contact}" if _line(song.contact) else None,
    ]
    return "; ".join(_lines(part or "" for part in parts))


def moment(when: dt.datetime) -> str:
    """Return a moment to the minute, with its distance from UTC; never the name of a zone."""
    return when.strftime("%Y-%m-%d %H:%M ") + (when.strftime("%z") or "(no zone)")


def _length_ms(file: VersionFile) -> int | None:
    sound = file.sound
    if sound is None or not sound.sample_rate_hz:
        return None
    return (2000 * sound.frames + sound.sample_rate_hz) // (2 * sound.sample_rate_hz)
