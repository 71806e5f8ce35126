"""Rules on DJ edits: how many bars, on the grid, a pulse in them, the song's own body between.

Sources
    Eight bars of drums and bass before and after: common practice, no source, and so are all limits

Not here: the measure (``joins``), removed words in the added bars (``rules_clean``).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator

from relkit.qc.ear import Ear
from relkit.qc.findings import Place, Severity
from relkit.qc.joins import Joins, Part
from relkit.qc.pack import Bounce, Pack
from relkit.qc.rule import Odd, rule
from relkit.qc.rules_clean import beat_s
from relkit.qc.rules_lines import comparable

BAR_SLACK = 0.1  # of a bar that an outro's last one may lack
STRIPPED_DB = -12.0  # a bar so far below the body has no beat to speak of
FADE_DB = 6.0  # between the first and the last two bars
NO_LOW_DB = -15.0
LEAST_PULSE = 0.2
CLICK = 9.0  # times as steep as what is within 2 ms of it; noise has 3 to 4
GAP_DB = 20.0
UNLIKE_CHAIN_DB = -30.0  # above: another limiter pass; then places in the body say nothing


def found(pack: Pack, ear: Ear) -> Iterator[tuple[Bounce, Bounce, Joins]]:
    """Yield every DJ edit with its song and how it holds it."""
    for edit, song in pack.dj_edits():
        if comparable(song, edit):
            joins = ear.joins(song, edit, beat_s(pack), pack.sheet.bars.meter.beats_per_bar)
            yield edit, song, joins


def _bar_s(pack: Pack) -> float | None:
    beat = beat_s(pack)
    return None if beat is None else beat * pack.sheet.bars.meter.beats_per_bar


def _offset_s(edit: Bounce, joins: Joins) -> float:
    return joins.offset_frames / edit.sound.sample_rate_hz


@rule(
    "dj-without-song",
    about="Does the DJ edit hold the whole song?",
    why="A DJ edit is the song with bars around it, not a loop or another mix.",
    todo="Build it from the version that it is named for.",
)
def dj_without_song(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """By the song's own samples."""
    for edit, song, joins in found(pack, ear):
        if not joins.found:
            yield Odd("fail", (edit.id, song.id), f"{song.id} is not in {edit.id}")


@rule(
    "dj-bars",
    about="Does the DJ edit have as many bars before and after the song as are asked for?",
    why="A DJ mixes in over the intro and out over the outro, and counts on their length.",
    todo="Add whole bars of the song's drums and bass; or set dj_intro_bars and dj_outro_bars in [limits].",
)
def dj_bars(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """In the song's meter, at its local tempo; without a declared tempo only that there is something."""
    bar_s = _bar_s(pack)
    for edit, song, joins in found(pack, ear):
        if not joins.found:
            continue
        downbeat_s = _offset_s(edit, joins) + float(pack.sheet.bars.first_downbeat_s)
        after_s = joins.parts["outro"].end_s - joins.parts["outro"].start_s if "outro" in joins.parts else 0.0
        for name, seconds in (("intro", downbeat_s), ("outro", after_s)):
            wanted = pack.limit(f"dj_{name}_bars")
            if bar_s is None:
                if seconds < 1 and wanted > 0:
                    yield Odd("fail", (edit.id,), f"{edit.id} has no {name}", measured=f"{seconds:.2f} s")
                continue
            bars = round(seconds / bar_s) if name == "intro" else int(seconds / bar_s + BAR_SLACK)
            if bars != wanted:
                yield Odd(
                    "fail" if bars < wanted else "warn",
                    (edit.id, song.id),
                    f"the {name} of {edit.id} has {bars} bars",
                    measured=f"{bars} bars ({seconds:.2f} s)",
                    expected=f"{wanted:g} bars",
                    places=(_place(pack, edit, joins, name),),
                    badness=abs(bars - wanted),
                )


def _place(pack: Pack, edit: Bounce, joins: Joins, name: str) -> Place:
    part = joins.parts.get(name)
    return _at(pack, edit, joins, part.start_s if part else 0.0, part.end_s if part else None)


def _at(pack: Pack, edit: Bounce, joins: Joins, start: float, end: float | None = None) -> Place:
    return pack.place(start, end, later_by_s=_offset_s(edit, joins))


@rule(
    "dj-grid",
    about="Does the song begin a whole number of bars after the edit's first beat, and that at once?",
    why="A grid that is set on the first beat is off in the song, and every mix with it.",
    todo="Put the body on the grid of the intro, and cut the file at its first beat.",
)
def dj_grid(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """The first downbeat of the song against the first beat of the file."""
    bar_s = _bar_s(pack)
    most_s, late_s = pack.limit("dj_grid_ms") / 1000, pack.limit("dj_first_beat_ms") / 1000
    for edit, song, joins in found(pack, ear):
        if not joins.found or "intro" not in joins.parts:
            continue
        if joins.first_beat_s > late_s:
            yield Odd(
                "fail",
                (edit.id,),
                f"{edit.id} does not begin with a beat",
                measured=f"first beat at {1000 * joins.first_beat_s:.0f} ms",
                expected=f"{1000 * late_s:g} ms at most",
                places=(pack.place(0.0, joins.first_beat_s),),
                badness=joins.first_beat_s,
            )
        if bar_s is None:
            continue
        downbeat_s = _offset_s(edit, joins) + float(pack.sheet.bars.first_downbeat_s)
        first_s = joins.first_beat_s if joins.first_beat_s > late_s else 0.0
        off_s = (downbeat_s - first_s) - round((downbeat_s - first_s) / bar_s) * bar_s
        if abs(off_s) > most_s:
            yield Odd(
                "fail",
                (edit.id, song.id),
                f"the song in {edit.id} is off the grid of its intro",
                measured=f"{1000 * off_s:+.0f} ms",
                expected=f"within {1000 * most_s:g} ms",
                places=(_at(pack, edit, joins, downbeat_s),),
                badness=abs(off_s),
            )


@rule(
    "dj-pulse",
    about="Do drums and bass run through intro and outro, at the level of the song?",
    why="A DJ needs a beat to mix on: a fade, a pad or silence is none.",
    todo="Take the bars from the hook, with its drums and bass, at full level.",
)
def dj_pulse(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Bar by bar: level, fade, pulse; missing low end is only asked about."""
    beats = pack.sheet.bars.meter.beats_per_bar
    for edit, _song, joins in found(pack, ear):
        for name, part in joins.parts.items() if joins.found else ():
            place = (_at(pack, edit, joins, part.start_s, part.end_s),)
            bars = [
                _together(part.level_db[start : start + beats])
                for start in range(0, len(part.level_db) - beats + 1, beats)
            ]
            bars = bars or part.level_db
            if not bars:
                continue
            away = _fade(name, bars)
            if min(bars) < STRIPPED_DB:
                yield Odd(
                    "fail",
                    (edit.id,),
                    f"the {name} of {edit.id} falls away from the song",
                    measured=f"{min(bars):.1f} dB re the body in its softest bar",
                    expected=f"{STRIPPED_DB:g} dB or more",
                    places=place,
                    badness=-min(bars),
                )
            elif away > FADE_DB:
                yield Odd(
                    "fail",
                    (edit.id,),
                    f"the {name} of {edit.id} is a fade",
                    measured=f"{away:.1f} dB between its ends",
                    expected=f"{FADE_DB:g} dB at most",
                    places=place,
                    badness=away,
                )
            elif part.pulse < LEAST_PULSE:
                yield Odd(
                    "fail",
                    (edit.id,),
                    f"the {name} of {edit.id} has no steady pulse on the song's grid",
                    measured=f"{part.pulse:.2f} of 1",
                    expected=f"{LEAST_PULSE:g} or more",
                    places=place,
                    badness=-part.pulse,
                )
            elif part.low_db and statistics.median(part.low_db) < NO_LOW_DB:
                yield Odd(
                    "warn",
                    (edit.id,),
                    f"the {name} of {edit.id} has neither kick nor bass",
                    measured=f"{statistics.median(part.low_db):.1f} dB below 150 Hz, re the body",
                    expected=f"{NO_LOW_DB:g} dB or more",
                    places=place,
                    badness=-statistics.median(part.low_db),
                )


def _together(levels_db: list[float]) -> float:
    """Return the level of some beats together: by energy, since a beat may be a rest [dB]."""
    return 10 * math.log10(statistics.fmean(10 ** (level / 10) for level in levels_db))


def _fade(name: str, bars: list[float]) -> float:
    """Return by how much an intro comes in, or an outro goes out, over its length [dB]."""
    if len(bars) < 4:
        return 0.0
    ends = statistics.fmean(bars[:2]), statistics.fmean(bars[-2:])
    return ends[1] - ends[0] if name == "intro" else ends[0] - ends[1]


@rule(
    "dj-join",
    about="Is the song joined without a hole or a click?",
    why="On the floor the energy drops exactly where it should carry on.",
    todo="Overlap the parts by a beat, with the decay of the last stroke, and bounce it again.",
)
def dj_join(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """The beat of the added bars that meets the body, and the bends of the waveform there."""
    most = pack.limit("dj_drop_db")
    for edit, _song, joins in found(pack, ear):
        for name, part in joins.parts.items() if joins.found else ():
            yield from _join(pack, edit, joins, name, part, most)


def _join(pack: Pack, edit: Bounce, joins: Joins, name: str, part: Part, most: float) -> Iterator[Odd]:
    place = (_at(pack, edit, joins, part.join_s),)
    if part.drop_db > most or part.gap_db > GAP_DB:
        worst = max(part.drop_db, part.gap_db)
        yield Odd(
            "fail",
            (edit.id,),
            f"the level falls where the {name} of {edit.id} meets the song",
            measured=f"{worst:.0f} dB below the other beats",
            expected=f"{most:g} dB at most",
            places=place,
            badness=worst,
        )
    if part.click > CLICK:
        yield Odd(
            "fail",
            (edit.id,),
            f"there is a click where the {name} of {edit.id} meets the song",
            measured=f"{part.click:.0f} times as steep as the waveform beside it",
            expected=f"{CLICK:g} at most",
            places=place,
            badness=part.click,
        )


@rule(
    "dj-body",
    about="Is the song in the DJ edit the song, at its level?",
    why="Who knows one version must find the other exactly so, only later; and a clean one as clean.",
    todo="Build the edit from the finished version of the song itself.",
    about_explicit=True,
)
def dj_body(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Level, and places that are not the song's; a separate limiter pass is only noted."""
    most, fail = pack.limit("dj_body_level_db"), pack.limit("level_fail_db")
    for edit, song, joins in found(pack, ear):
        if not joins.found:
            continue
        if joins.level_db is not None and abs(joins.level_db) > most:
            yield Odd(
                "fail" if abs(joins.level_db) > fail else "warn",
                (edit.id, song.id),
                f"the song in {edit.id} is {'louder' if joins.level_db > 0 else 'softer'} than {song.id}",
                measured=f"{joins.level_db:+.2f} dB",
                expected=f"within {most:g} dB",
                badness=abs(joins.level_db),
            )
        if joins.usual_db > UNLIKE_CHAIN_DB:
            yield Odd(
                "note",
                (edit.id, song.id),
                f"the song in {edit.id} went through another limiter pass",
                measured=f"{joins.usual_db:.0f} dB is not the same",
            )
        for start, end in joins.body[:MOST]:
            severity: Severity = "fail" if joins.usual_db < UNLIKE_CHAIN_DB or edit.is_clean else "warn"
            yield Odd(
                severity,
                (edit.id, song.id),
                f"{edit.id} has something else than {song.id} there",
                measured=f"{end - start:.2f} s",
                expected="the same audio",
                places=(_at(pack, edit, joins, start, end),),
                badness=end - start,
            )


MOST = 10  # places of one edit that are told
