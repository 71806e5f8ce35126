"""What do the files of a package say about the song? The facts that tags, names and note share.

Everything here was declared in the sheet, or measured: tags and note only
write it out. A fact that is not declared is None or empty, and is then left
out everywhere, never filled with a guess.

Conventions
    text      as a person typed it; whoever writes it out makes it safe for its place
    tempo     beats per minute, exact, of the note that the sheet's tempo counts
    times     [s] from the first sample of the file
    days      civil days; an embargo has a zone

Not here: reading the sheet (``relkit.sheet``), who gets which title
(``relkit.release``), the text of a tag or note (``relkit.pack.tags``, ``relkit.pack.note``).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from relkit.manifest import SoundFacts, VersionFacts
from relkit.vocabulary import Key

if TYPE_CHECKING:
    from relkit.bars import BarMap
    from relkit.sheet import Sheet


@dataclass(frozen=True)
class SongFacts:
    """The song, as a recipient may know it.

    Attributes:
        title: what this recipient may read: the clean one where the sheet has one and they need it.
        album: the single, EP or album that it belongs to.
        tempo_bpm: None where the tempo changes, is live or is not declared.
        tempo_text: "122 BPM", "118-124 BPM (live)"; None where it is not declared.
        meter: "4/4".
        label: the record label; ``publisher`` is the music publisher.
        gtin: of the release, digits only.
        credits: what somebody did, and the names of those who did it.
        embargo: not to be played or published before this moment; with a zone.
        end_date: last day of use.
        promo_line: "For promotional use only" or what the sheet says instead; None for no such line.
    """

    artist: str
    title: str
    featured: tuple[str, ...] = ()
    remixer: str | None = None
    album: str | None = None
    genre: str | None = None
    language: str | None = None
    release_date: dt.date | None = None
    embargo: dt.datetime | None = None
    end_date: dt.date | None = None
    tempo_bpm: Fraction | None = None
    tempo_text: str | None = None
    meter: str = "4/4"
    key: Key | None = None
    composers: tuple[str, ...] = ()
    lyricists: tuple[str, ...] = ()
    publisher: str | None = None
    label: str | None = None
    copyright: str | None = None
    gtin: str | None = None
    credits: tuple[tuple[str, tuple[str, ...]], ...] = ()
    contact: str | None = None
    pronunciation: str | None = None
    promo_line: str | None = None


@dataclass(frozen=True)
class Timers:
    """Where things happen in one file; what is not certain is None.

    Attributes:
        audible_from_s, audible_to_s: first and last sound.
        vocal_from_s: the first word: until here a presenter can talk.
        segue_s: where the next record can begin.
    """

    audible_from_s: float | None = None
    audible_to_s: float | None = None
    vocal_from_s: float | None = None
    segue_s: float | None = None


@dataclass(frozen=True)
class VersionFile:
    """One version as one file of a package.

    Attributes:
        name: path in the package.
        version: its axes, label and rating.
        sound: what was measured of this very file.
        isrc: 12 characters without hyphens.
        ending: "cold" or "fade".
        last_words: the last words that are sung or spoken.
        max_momentary_lufs, max_short_term_lufs: highest loudness over 0.4 s and 3 s; None if not
            measured. They are the bounce's, and so only known at its sample rate.
        made_by: what was done to the bounce to get this file, for people
            ("24-bit to 16-bit, dithered"); empty where its samples are the bounce's own.
    """

    name: str
    version: VersionFacts
    sound: SoundFacts | None = None
    isrc: str | None = None
    ending: str | None = None
    last_words: str | None = None
    timers: Timers = Timers()
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None
    made_by: str = ""


def song_facts(sheet: Sheet, *, clean: bool) -> SongFacts:
    """Return what a sheet says about its song to a recipient.

    Args:
        clean: for somebody who must not read the title of an explicit song: the
            clean title stands in its place where the sheet has one.
    """
    return SongFacts(
        artist=sheet.artist,
        title=(sheet.clean_title if clean else None) or sheet.title,
        featured=sheet.featured,
        remixer=sheet.remixer,
        album=sheet.album,
        genre=sheet.genre,
        language=sheet.language,
        release_date=sheet.release_date,
        embargo=sheet.embargo,
        end_date=sheet.end_date,
        tempo_bpm=_one_tempo(sheet.bars),
        tempo_text=sheet.bars.tempo_text,
        meter=str(sheet.bars.meter),
        key=sheet.key,
        composers=sheet.composers,
        lyricists=sheet.lyricists,
        publisher=sheet.publisher,
        label=sheet.label,
        copyright=sheet.copyright,
        gtin=sheet.gtin,
        credits=sheet.credits,
        contact=sheet.contact,
        pronunciation=sheet.pronunciation,
        promo_line=sheet.promo_line or None,
    )


def _one_tempo(bars: BarMap) -> Fraction | None:
    """Return the tempo of a song that has one and keeps it."""
    tempi = {change.bpm for change in bars.tempo} if isinstance(bars.tempo, tuple) else set()
    return tempi.pop() if len(tempi) == 1 else None
