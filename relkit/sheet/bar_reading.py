"""The [bars] table of a sheet.

Not here: arithmetic (``relkit.bars``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from relkit.bars import (
    MAX_BEATS_PER_BAR,
    MAX_BPM,
    METER_NOTES,
    MIN_BPM,
    NOTE_VALUES,
    BadTempoError,
    BarMap,
    LiveTempo,
    Meter,
    TempoChange,
)
from relkit.sheet import fields
from relkit.sheet.fields import Field, WrongValueError

_METER = re.compile(r"([0-9]{1,2})/([0-9]{1,2})")
_BPM = fields.number(low=int(MIN_BPM), high=int(MAX_BPM), unit="beats per minute")
_SECONDS = fields.number(low=0, high=86_400, unit="seconds")
_WAYS = ("tempo_bpm", "tempo_changes", "tempo_live_bpm")


def _meter(name: str, value: Any) -> Meter:
    match = _METER.fullmatch(fields.text(name, value))
    if match is not None and 1 <= int(match[1]) <= MAX_BEATS_PER_BAR and int(match[2]) in METER_NOTES:
        return Meter(int(match[1]), int(match[2]))
    raise WrongValueError(
        f"{name} {fields.quoted(value)} is not a meter", 'Write it like "4/4", "3/4" or "6/8".'
    )


def _live(name: str, value: Any) -> LiveTempo:
    hint = f"Write the slowest and the fastest tempo: {name} = [118, 124]"
    if not isinstance(value, list) or len(value) != 2:
        raise WrongValueError(f"{name} must be a list of two numbers", hint)
    low, high = (_BPM(name, one) for one in value)
    if not low < high:
        raise WrongValueError(f"{name} goes from {low} to {high}", hint)
    return LiveTempo(low, high)


def _whole(name: str, value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 100_000:
        raise WrongValueError(f"{name} must be a whole number from 1", f"Write {name} = 33.")
    return value


_CHANGE = {
    "bpm": _BPM,
    "bar": _whole,
    "beat": fields.number(low=1, high=MAX_BEATS_PER_BAR + 1, unit="beats"),
    "at_s": _SECONDS,
}


def _change(name: str, value: Any) -> TempoChange:
    hint = "Write each as {bar = 33, bpm = 90} or {at_s = 61.5, bpm = 90}."
    table = fields.table(name, value)
    unknown = next((one for one in table if one not in _CHANGE), None)
    if unknown is not None:
        raise WrongValueError(f"key {fields.quoted(unknown)} is not known here", hint, within=(unknown,))
    if (
        "bpm" not in table
        or ("bar" in table) == ("at_s" in table)
        or ("beat" in table and "bar" not in table)
    ):
        raise WrongValueError("a tempo change needs bpm, and either bar (with beat) or at_s", hint)
    checked: dict[str, Any] = {}
    for one, raw in table.items():
        try:
            checked[one] = _CHANGE[one](one, raw)
        except WrongValueError as wrong:
            raise WrongValueError(wrong.fault, wrong.hint, within=(one,)) from None
    return TempoChange(**checked)


BAR_FIELDS = {
    "meter": Field(_meter),
    "tempo_bpm": Field(_BPM),
    "tempo_changes": Field(fields.list_of(_change)),
    "tempo_live_bpm": Field(_live),
    "tempo_counts": Field(fields.one_of(NOTE_VALUES)),
    "first_downbeat_s": Field(_SECONDS),
    "pickup_beats": Field(fields.number(low=0, high=MAX_BEATS_PER_BAR, unit="beats")),
}


def make_bar_map(table: Mapping[str, Any]) -> BarMap:
    """Put the checked keys of [bars] together.

    A song with a pick-up and no declared first downbeat starts with the pick-up.

    Raises:
        WrongValueError: keys that do not go together.
    """
    declared = [one for one in _WAYS if one in table]
    if len(declared) > 1:
        raise WrongValueError(
            f"the tempo is declared twice, by {' and '.join(declared)}",
            "Keep one of them.",
            within=(declared[1],),
        )
    meter = table.get("meter", Meter())
    if declared and "tempo_counts" not in table and meter.beat_note != 4:
        # In 6/8 some count eighths, some dotted quarters, some quarters: three different tempi.
        raise WrongValueError(
            f"meter {meter} leaves open which note the tempo counts",
            f'Add tempo_counts = "..." to [bars]: {fields.or_list(NOTE_VALUES)}.',
            within=("meter",),
        )
    tempo: tuple[TempoChange, ...] | LiveTempo | None = table.get("tempo_changes") or table.get(
        "tempo_live_bpm"
    )
    if "tempo_bpm" in table:
        tempo = (TempoChange(table["tempo_bpm"], bar=1),)
    counts = NOTE_VALUES[table.get("tempo_counts", "quarter")]
    pickup = table.get("pickup_beats", Fraction(0))
    try:
        bars = BarMap(meter, tempo, counts, table.get("first_downbeat_s", Fraction(0)), pickup)
    except BadTempoError as error:
        hint = "Start with bar = 1, and let each change come after the one before."
        raise WrongValueError(str(error), hint, within=("tempo_changes", error.change)) from None
    if pickup and "first_downbeat_s" not in table and (start_s := bars.song_start_s) is not None:
        bars = bars.later_by(-start_s)
    return bars
