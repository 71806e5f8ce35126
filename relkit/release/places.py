"""Places in a song, as people write them: "1:23.4", "1:23.4-1:25", "bar 33", "bars 33-34".

Bars are those of the sheet of the revision that was sent. A DJ edit has bars
before the song's first, so there a place is told by its time in the file.

Not here: where a place lies in other versions (``passages``).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from relkit.bars import BarMap
from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import Place
from relkit.release.rejections import clock
from relkit.release.workspace import VerifiedRevision, Workspace

_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,2}(?:\.\d{1,3})?)")


class BadPlaceInSongError(UsageError):
    """A place that is written in no known way, or that cannot be told."""


def places_in(
    workspace: Workspace, source: VerifiedRevision, version: str | None, at: Sequence[str]
) -> list[Place]:
    """Read places in a version, as far as the file reaches.

    Raises:
        BadPlaceInSongError: not a place, one beyond the end, or bars where nothing says where bars are.
    """
    if not at:
        return []
    from relkit.release.packaging import sheet_of

    sounds = [
        entry.sound
        for entry in source.manifest.files
        if entry.version is not None and entry.version.id == version and entry.sound is not None
    ]
    longest_ms = max((round(1000 * sound.duration_s) for sound in sounds), default=0)
    form = next(
        (
            entry.version.form
            for entry in source.manifest.files
            if entry.version and entry.version.id == version
        ),
        "song",
    )
    bars = sheet_of(workspace, source).bars if form != "dj-edit" else BarMap()
    places = [parsed_place(text, bars) for text in at]
    for text, place in zip(at, places, strict=True):
        if place.start_ms >= longest_ms:
            raise BadPlaceInSongError(
                f"{shown(text)} lies behind the end of {version}",
                hint=f"It lasts {clock(longest_ms)}.",
            )
    return [place.model_copy(update={"end_ms": min(place.end_ms, longest_ms)}) for place in places]


def parsed_place(text: str, bars: BarMap) -> Place:
    """Read "1:23.4", "1:23.4-1:25", "bar 33" or "bars 33-34".

    Raises:
        BadPlaceInSongError: none of them, a stretch that runs backwards, or bars without a bar map.
    """
    wanted = " ".join(text.lower().split())
    wrong = BadPlaceInSongError(
        f"{shown(text)} is not a place in a song",
        hint="Write minutes and seconds, 1:23.4 or 1:23.4-1:25, or bars, bar 33 or bars 33-34.",
    )
    if wanted.startswith("bar"):
        if not bars.has_grid:
            raise BadPlaceInSongError(
                f"nothing says where {shown(text)} is",
                hint="Give the time in the file, like 1:23.4; bars need a tempo in the sheet, and none are "
                "counted in DJ edits.",
            )
        numbers = re.fullmatch(r"bars? (\d{1,5})(?: ?- ?(\d{1,5}))?", wanted)
        if numbers is None:
            raise wrong
        first, last = int(numbers[1]), int(numbers[2] or numbers[1])
        start, end = bars.seconds_of_bar(first), bars.seconds_of_bar(last + 1)
        assert start is not None and end is not None  # noqa: S101, PT018 - it has a grid
        start_ms, end_ms = round(1000 * start), round(1000 * end)
    else:
        first_text, dash, last_text = wanted.partition("-")
        start_ms = _milliseconds(first_text, wrong)
        end_ms = _milliseconds(last_text, wrong) if dash else start_ms
    if not 0 <= start_ms <= end_ms:
        raise wrong
    return Place(start_ms=start_ms, end_ms=end_ms)


def _milliseconds(text: str, wrong: BadPlaceInSongError) -> int:
    found = _CLOCK.fullmatch(text.strip())
    if found is None or (found[1] is not None and float(found[2]) >= 60):
        raise wrong
    return 60_000 * int(found[1] or 0) + round(1000 * float(found[2]))
