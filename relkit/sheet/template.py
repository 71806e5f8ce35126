"""The sheet of a new release: calm, commented, complete.

What is declared here is what a person would declare for the usual pack. The
rating of each version is written out so that somebody reads it and mends it.

Not here: changing a sheet that exists (``editing``).
"""

from __future__ import annotations

import re
from decimal import Decimal

from relkit.errors import UsageError
from relkit.sheet.errors import SheetError
from relkit.sheet.model import DEFAULT_COVER, FORMAT
from relkit.sheet.reading import parse_sheet
from relkit.sheet.toml_text import as_key, as_value
from relkit.vocabulary import WELL_KNOWN, Version

# id, rating, remark. Common practice, no source: what a pack holds with and without explicit content.
_EXPLICIT_PACK = (
    ("explicit", "explicit", ""),
    ("clean", "clean", ""),
    ("instrumental", "no-edit-needed", "words in samples of the beat count, too"),
    ("acapella", "explicit", ""),
    ("acapella-clean", "clean", ""),
    ("dj", "explicit", "with a rhythmic intro and outro"),
    ("dj-clean", "clean", ""),
)
_PLAIN_PACK = (
    ("main", "no-edit-needed", ""),
    ("instrumental", "no-edit-needed", ""),
    ("acapella", "no-edit-needed", ""),
    ("dj", "no-edit-needed", "with a rhythmic intro and outro"),
)

_DECIMAL = re.compile(r"[1-9][0-9]*(\.[0-9]+)?")

_HEAD = """\
# Release sheet: what only people know about this song.
# Lines that start with "#" are remarks: take the "#" away to use them.

format = {format}
artist = {artist}
title = {title}
# clean_title = "..."          # instead of the title, for whoever must not read that one
# featured = ["..."]
# remixer = "..."              # the name alone
# album = "..."                # single, EP or album
# label = "..."                # record label
# publisher = "..."            # music publisher
# genre = "..."
# release_date = 2031-05-23
# embargo = 2031-05-16T00:00:00+01:00   # no play before; with its time zone
# end_date = 2031-12-31        # last day of use
# language = "en"              # ISO 639
# composers = ["..."]
# lyricists = ["..."]
# copyright = "2031 ..."
# gtin = "6291041500213"       # EAN or UPC of the release
# pronunciation = "..."        # how to say artist and title
# promo_line = "For promotional use only"
# contact = "..."              # whom a recipient can ask
{key}

[bars]
meter = "4/4"
{tempo}
# tempo_counts = "quarter"     # the note that the tempo counts
# first_downbeat_s = 0.0       # seconds from the start of the files to bar 1
# pickup_beats = 0             # beats before bar 1

[artwork]
cover = {cover}  # PNG, JPEG or TIFF
# clean_cover = "artwork/cover-clean.png"

# [credits]                    # what somebody did, and who; a list for several
# "Mixed by" = "..."

# One table for every version. The rating is a promise to stations and schools,
# so somebody has to make it: explicit, clean or no-edit-needed. Without one, a
# version counts as explicit. A clean version says what was removed, out of
# swearing, sex, drugs, violence, brands, sound-alikes.
"""
_TAIL = """
# What you answered when a file name left a question; relkit adds lines here.
[names]
"""


class BadFactsError(UsageError):
    """A new release was given an artist, title, tempo or key that cannot be one."""


def new_sheet_text(
    artist: str,
    title: str,
    tempo_bpm: str | float | Decimal | None = None,
    key: str | None = None,
    *,
    explicit: bool = True,
) -> str:
    """Return the text of a new sheet.

    Args:
        artist, title: any text that is not blank.
        tempo_bpm: [BPM]; as text it keeps its digits.
        key: like "F# minor".
        explicit: whether the song has anything that needs a clean edit.

    Raises:
        BadFactsError: one of them cannot stand in a sheet.
    """
    pack = _EXPLICIT_PACK if explicit else _PLAIN_PACK
    head = _HEAD.format(
        format=FORMAT,
        artist=as_value(artist),
        title=as_value(title),
        key=f"key = {as_value(key)}" if key is not None else '# key = "F# minor"',
        tempo=f"tempo_bpm = {_number(tempo_bpm)}" if tempo_bpm is not None else "# tempo_bpm = 120",
        cover=as_value(DEFAULT_COVER),
    )
    tables = (version_table(WELL_KNOWN[one], rating=rating, remark=remark) for one, rating, remark in pack)
    text = head + "".join(f"\n{table}" for table in tables) + _TAIL
    try:
        parse_sheet(text)
    except SheetError as error:
        # Nobody has seen this sheet yet: its line would mean nothing.
        raise BadFactsError(error.faults[0].fault, hint=error.faults[0].hint) from error
    return text


def _number(value: str | float | Decimal) -> str:
    """Write a number as given; what is no number stays text, and the check will say so."""
    return str(value) if _DECIMAL.fullmatch(str(value)) else as_value(str(value))


def version_table(
    version: Version,
    *,
    path: str | None = None,
    is_folder: bool = False,
    rating: str | None = None,
    remark: str = "",
) -> str:
    """Return the table of one version, axes written out.

    Args:
        path: where its bounce is; None for the usual place.
        rating: as declared by a person; None leaves it out.
    """
    kind = "folder" if is_folder else "file"
    lines = [
        f"[versions.{as_key(version.id)}]" + (f"  # {remark}" if remark else ""),
        f"{kind} = {as_value(path or f'bounces/{version.id}.wav')}",
        f"parts = {as_value(version.parts)}",
        f"form = {as_value(version.form)}",
    ]
    if version.language is not None:
        lines.append(f"language = {as_value(version.language)}")
    if rating is not None:
        lines.append(f"rating = {as_value(rating)}")
    if version.removed:
        lines.append(f"removed = {as_value(list(version.removed))}")
    elif rating == "clean":
        lines.append('# removed = ["swearing"]')
    return "\n".join(lines) + "\n"
