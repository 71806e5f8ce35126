"""A song with every fact, and files of it, for the tests of tags, chunks and notes.

Every name is a coinage; the ISRC is the agency's own made-up example (standards digest, 5.1).
"""

from __future__ import annotations

import datetime as dt
from fractions import Fraction
from typing import Any

from relkit.manifest import SoundFacts, VersionFacts
from relkit.pack.facts import SongFacts, Timers, VersionFile
from relkit.vocabulary import Key
from tests.support.tagged_files import FRAMES, RATE_HZ

RECORDED_AT = dt.datetime(2031, 4, 5, 23, 30, 15, tzinfo=dt.timezone(dt.timedelta(hours=-2)))

SCRIPTS = {
    "latin": "Ænima façade Žižkov ñ",
    "plain": "Lanterns on the Weir",
    "cyrillic": "Фонари над плотиной",
    "cjk": "堰の上の灯 등불 灯笼",
    "arabic": "فوانيس على السد",
    "hebrew": "פנסים על הסכר",
    "emoji": "Night 🌙 shift 👩🏽\u200d🎤",
}
HOSTILE = {
    "quotes": "He said \"no\" and 'yes' `then`",
    "newlines": "one\r\ntwo\nthree",
    "slashes": "AB/CD\\EF // G",
    "nul": "left\0right",
    "right-to-left marks": "abc\u202edef\u202c \u200fghi",
    "300 characters": "Long " * 60,
    "markup": "<b>bold</b> &amp; {x} $(y) %s [red]",
    "genre syntax": "(17)(RX) 42/80",
    "digits": "90",
    "separators": "a; b, c=d | e:f",
}


def song(**changed: Any) -> SongFacts:
    """Return a song that has everything."""
    facts: dict[str, Any] = {
        "artist": "Ostrel Vane",
        "title": "Lanterns on the Weir",
        "featured": ("Ada Sluice", "Bram Tailrace", "Cato Penstock"),
        "remixer": "Pellucine Docket",
        "album": "Weir Songs",
        "genre": "House",
        "language": "de",
        "release_date": dt.date(2031, 5, 23),
        "embargo": dt.datetime(2031, 5, 20, 6, 0, tzinfo=dt.timezone(dt.timedelta(hours=2))),
        "tempo_bpm": Fraction(253, 2),
        "tempo_text": "126.5 BPM",
        "key": Key("F#", "minor"),
        "composers": ("Ostrel Vane", "Dorn Lade"),
        "lyricists": ("Ada Sluice",),
        "publisher": "Quern Songs",
        "label": "Ninefathom Kettle",
        "copyright": "2031 Ninefathom Kettle",
        "gtin": "6291041500213",
        "contact": "promo@kettle.example",
        "promo_line": "For promotional use only",
    }
    return SongFacts(**{**facts, **changed})


def sound(**changed: Any) -> SoundFacts:
    """Return what was measured of one of the files of ``tagged_files``."""
    facts: dict[str, Any] = {
        "identity": "ab" * 32,
        "sample_format": "int16",
        "sample_rate_hz": RATE_HZ,
        "channels": 2,
        "frames": FRAMES,
        "integrated_loudness_lufs": -10.04,
        "loudness_range_lu": 7.3,
        "true_peak_dbtp": -1.0,
        "meter": "a meter",
    }
    return SoundFacts(**{**facts, **changed})


def version(**changed: Any) -> VersionFacts:
    """Return a clean version."""
    facts: dict[str, Any] = {
        "id": "clean",
        "label": "Clean",
        "parts": "full",
        "form": "song",
        "rating": "clean",
        "removed": ["swearing", "drugs"],
        "length_group": "song",
    }
    return VersionFacts(**{**facts, **changed})


def file(**changed: Any) -> VersionFile:
    """Return a file with everything; its timers are those of a half second of sound."""
    facts: dict[str, Any] = {
        "name": "WAV/x.wav",
        "version": version(),
        "sound": sound(),
        "isrc": "AA6Q72000047",
        "ending": "cold",
        "last_words": "home by the water",
        "timers": Timers(0.01, 0.45, 0.2, 0.4),
        "made_by": "24-bit to 16-bit, dithered",
    }
    return VersionFile(**{**facts, **changed})
