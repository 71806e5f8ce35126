"""Packs with one fault each, or two, and the rule that has to find it.

Every defect is a change of the same sound pack (``made_song``), subtle ones beside gross ones. A
defect that is found has a fail or warn of its rule; where the trade only takes note, a note.

Not here: sound packs with oddities (``sound_packs``), the table (``qc_confusion``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tests.support.made_song import Style, pack, parts
from tests.support.pack_changes import (
    CLEANS,
    Change,
    all_louder,
    another_song,
    axes,
    body_gain,
    cleans,
    click,
    cover,
    cut,
    dj,
    double,
    everything,
    fade_in,
    faint_noise,
    floats_over,
    full_echo,
    gain,
    gap_at_end,
    hole,
    intro_curve,
    late_start,
    leaked,
    low_passed,
    mapped,
    no_low_intro,
    off_grid,
    one_missing,
    outro_curve,
    pad_intro,
    raw,
    remade,
    removed,
    said,
    same_as,
    shifted,
    silent_first,
    stretched,
    unmastered,
    with_bars,
    without,
    word_in_intro,
    word_in_outro,
)
from tests.support.qc_packs import Made


@dataclass(frozen=True)
class Defect:
    """What is wrong, and who finds it.

    Attributes:
        rules: ids; every one of them must find something.
        severity: at least this grave.
        version: that a finding must be about, if any.
    """

    name: str
    rules: tuple[str, ...]
    changes: tuple[Change, ...]
    severity: str = "warn"
    version: str | None = None

    def made(self) -> Made:
        """Return the pack."""
        song = parts(Style())
        made = pack(song)
        for change in self.changes:
            change(made, song)
        return made


FACTS: tuple[Defect, ...] = (
    Defect("no clean version", ("pack-incomplete",), (without("clean"),)),
    Defect("no instrumental", ("pack-incomplete",), (without("instrumental"),)),
    Defect("no clean DJ edit", ("pack-incomplete",), (without("dj-clean"),)),
    Defect("no cover", ("pack-incomplete",), (said(has_cover=False),)),
    Defect(
        "one version at 48 kHz", ("formats-differ",), (said(rates_hz={"clean": 48_000}),), "fail", "clean"
    ),
    Defect("one version with 16 bits", ("formats-differ",), (said(formats={"dj": "int16"}),), "fail", "dj"),
    Defect(
        "one version in one channel",
        ("formats-differ",),
        (mapped("acapella", lambda samples: samples[:, :1]),),
        "fail",
        "acapella",
    ),
    Defect("clean declared explicit", ("rating",), (axes("clean", rating="explicit"),), "fail", "clean"),
    Defect("a version without a rating", ("rating",), (axes("dj", rating=None),), "warn", "dj"),
    Defect("explicit declared clean", ("rating",), (axes("explicit", rating="clean"),), "fail", "explicit"),
    Defect("nobody said what was removed", ("rating",), (axes("clean", removed=[]),), "note", "clean"),
    Defect("one ISRC twice", ("label-copy",), (said(isrcs=("AAA993100001",) * 2),), "fail"),
    Defect(
        "used up before it is out",
        ("label-copy",),
        (said(facts="release_date = 2031-05-02\nend_date = 2030-05-02"),),
        "fail",
    ),
    Defect("a limit that no rule has", ("label-copy",), (said(limits="level_warm_db = 2"),)),
    Defect("copyright without a year", ("label-copy",), (said(facts='copyright = "Ninefathom"'),)),
    Defect("a cover that is no square", ("artwork",), (cover("cover-not-square", "warn"),)),
    Defect("a small cover", ("artwork",), (cover("cover-small", "note"),), "note"),
)

LINES: tuple[Defect, ...] = (
    Defect("clean one frame late", ("not-lined-up",), (shifted("clean", 1),), "warn", "clean"),
    Defect(
        "instrumental 30 ms late", ("not-lined-up",), (shifted("instrumental", 1323),), "fail", "instrumental"
    ),
    Defect("acapella 5 ms early", ("not-lined-up",), (shifted("acapella", -220),), "fail", "acapella"),
    Defect("all but the full mix agree", ("not-lined-up",), (shifted("explicit", 441),), "fail", "explicit"),
    Defect("clean 100 ppm slow", ("drift",), (stretched("clean", 1.0001),), "fail", "clean"),
    Defect("acapella 300 ppm fast", ("drift",), (stretched("acapella", 0.9997),), "fail", "acapella"),
    Defect(
        "48 kHz taken for 44.1", ("drift",), (stretched("instrumental", 48 / 44.1),), "fail", "instrumental"
    ),
    Defect("44.1 kHz taken for 48", ("drift",), (stretched("clean", 44.1 / 48),), "fail", "clean"),
    Defect("silence at the end", ("length",), (cut("clean", -1000),), "warn", "clean"),
    Defect("the tail is cut off", ("length",), (cut("instrumental", 44_100 * 3),), "fail", "instrumental"),
    Defect("DJ edits of two lengths", ("length",), (cut("dj-clean", 5000),), "fail", "dj-clean"),
    Defect(
        "sound after the end",
        ("length",),
        (mapped("clean", lambda one: np.concatenate([one, one[20_000:40_000]])),),
        "fail",
        "clean",
    ),
    Defect("the instrumental of another song", ("nothing-in-common",), (another_song("instrumental"),)),
    Defect("the acapella of another song", ("nothing-in-common",), (another_song("acapella"),)),
    Defect(
        "a bar missing in the clean version", ("body-moves",), (removed("clean", 12.0, 60 / 122 * 4),), "fail"
    ),
    Defect("a tenth of a beat missing", ("body-moves",), (removed("instrumental", 13.0, 0.05),), "fail"),
    Defect("clean upside down", ("upside-down",), (mapped("clean", np.negative),), "warn", "clean"),
    Defect("acapella upside down", ("upside-down",), (mapped("acapella", np.negative),), "warn", "acapella"),
)

LEVELS: tuple[Defect, ...] = (
    Defect("clean 0.3 dB soft", ("level",), (gain("clean", -0.3),), "note", "clean"),
    Defect("clean 0.7 dB soft", ("level",), (gain("clean", -0.7),), "warn", "clean"),
    Defect("clean 1.5 dB loud", ("level",), (gain("clean", 1.5),), "fail", "clean"),
    Defect(
        "instrumental 4 dB soft", ("alternate-soft",), (gain("instrumental", -4),), "warn", "instrumental"
    ),
    Defect("acapella 12 dB soft", ("alternate-soft",), (gain("acapella", -12),), "warn", "acapella"),
    Defect(
        "same chain, and not its level",
        ("alternate-soft",),
        (said(limits="alternates_same_chain = 1"), gain("instrumental", -2)),
        "warn",
        "instrumental",
    ),
    Defect("a bounce without the master", ("unmastered",), (remade("instrumental", how=unmastered),)),
)

BOUNCES: tuple[Defect, ...] = (
    Defect("true peak over full scale", ("true-peak",), (all_louder,)),
    Defect("little room at the peaks", ("true-peak",), (gain("clean", 1.6),), "note", "clean"),
    Defect("floats over full scale", ("true-peak",), (floats_over,), "fail"),
    Defect(
        "over the sheet's own limit", ("true-peak",), (said(limits="true_peak_fail_dbtp = -2.5"),), "fail"
    ),
    Defect("clean clips", ("clipping", "level"), (gain("clean", 6),), "fail", "clean"),
    Defect("instrumental clips", ("clipping",), (gain("instrumental", 4),), "fail", "instrumental"),
    Defect(
        "the right channel is dead", ("dead-channel",), (mapped("clean", lambda one: one * [1, 0]),), "fail"
    ),
    Defect("the left channel is dead", ("dead-channel",), (mapped("dj", lambda one: one * [0, 1]),), "fail"),
    Defect("a silent acapella", ("silent",), (mapped("acapella", np.zeros_like),), "fail", "acapella"),
    Defect("next to silent", ("silent",), (mapped("instrumental", faint_noise),), "fail", "instrumental"),
    Defect("DC in the DJ edit", ("dc-offset",), (mapped("dj", lambda one: one + 0.02),), "warn", "dj"),
    Defect("a little DC", ("dc-offset",), (mapped("clean", lambda one: one + 0.004),), "note", "clean"),
    Defect(
        "one channel upside down", ("phase",), (mapped("clean", lambda one: one * [1, -1]),), "warn", "clean"
    ),
    Defect("too wide", ("phase",), (mapped("instrumental", lambda one: one * [1, -0.7]),), "warn"),
    Defect(
        "mono among stereo",
        ("mono",),
        (mapped("clean", lambda one: np.repeat(one.mean(axis=1, keepdims=True), 2, 1)),),
        "warn",
        "clean",
    ),
    Defect("leaning to the left", ("mono",), (mapped("dj", lambda one: one * [1, 0.6]),), "warn", "dj"),
    Defect("3 s of silence first", ("long-silence-first",), (silent_first,)),
    Defect(
        "16 bits in 24",
        ("bit-depth",),
        (raw("clean", lambda one: np.rint(one * 32768) / 32768, "int24"),),
        "warn",
        "clean",
    ),
    Defect(
        "20 bits in 24",
        ("bit-depth",),
        (raw("dj", lambda one: np.rint(one * 2**19) / 2**19, "int24"),),
        "note",
        "dj",
    ),
    Defect("from an MP3", ("low-pass",), (mapped("clean", low_passed),), "warn", "clean"),
    Defect("instrumental from an MP3", ("low-pass",), (mapped("instrumental", low_passed),), "warn"),
    Defect("tempo off by 2", ("tempo",), (said(bars="tempo_bpm = 124"),)),
    Defect("tempo off by 0.3", ("tempo",), (said(bars="tempo_bpm = 122.3"),)),
    Defect("another key", ("key",), (said(key="C minor"),)),
)

DJS: tuple[Defect, ...] = (
    Defect("4 bars of intro", ("dj-bars",), (dj("dj", with_bars(4, 8)),), "fail", "dj"),
    Defect("no outro", ("dj-bars",), (dj("dj", with_bars(8, 0)),), "fail", "dj"),
    Defect("7 bars of outro", ("dj-bars",), (dj("dj", with_bars(8, 7)),), "fail", "dj"),
    Defect("the body 30 ms late", ("dj-grid",), (dj("dj", off_grid(0.03)),), "fail", "dj"),
    Defect("the body half a beat late", ("dj-grid",), (dj("dj", off_grid(0.246)),), "fail", "dj"),
    Defect("80 ms before the first beat", ("dj-grid",), (dj("dj", late_start(0.08)),), "fail", "dj"),
    Defect("an intro that fades in", ("dj-pulse",), (dj("dj", intro_curve(fade_in)),), "fail", "dj"),
    Defect(
        "an outro that fades out",
        ("dj-pulse",),
        (dj("dj", outro_curve(lambda frames: fade_in(frames)[::-1])),),
        "fail",
        "dj",
    ),
    Defect("a silent bar in the intro", ("dj-pulse",), (dj("dj", intro_curve(hole)),), "fail", "dj"),
    Defect("a pad for an intro", ("dj-pulse",), (dj("dj", pad_intro),), "fail", "dj"),
    Defect("an intro without kick and bass", ("dj-pulse",), (dj("dj", no_low_intro),), "warn", "dj"),
    Defect("a hole at the join", ("dj-join",), (dj("dj", intro_curve(gap_at_end(0.4))),), "fail", "dj"),
    Defect("a short hole at the join", ("dj-join",), (dj("dj", intro_curve(gap_at_end(0.2))),), "fail", "dj"),
    Defect("a click at the join", ("dj-join",), (dj("dj", click),), "fail", "dj"),
    Defect("the body 0.6 dB loud", ("dj-body",), (dj("dj", body_gain(0.6)),), "warn", "dj"),
    Defect("the body 2 dB soft", ("dj-body",), (dj("dj", body_gain(-2)),), "fail", "dj"),
    Defect(
        "the explicit body in the clean edit", ("dj-body",), (same_as("dj-clean", "dj"),), "fail", "dj-clean"
    ),
    Defect("another song's DJ edit", ("dj-without-song",), (another_song("dj"),), "fail", "dj"),
)


CLEAN: tuple[Defect, ...] = (
    Defect(
        "the explicit file as the clean one", ("clean-is-explicit",), (same_as("clean", "explicit"),), "fail"
    ),
    Defect(
        "the explicit mix, dithered anew",
        ("clean-is-explicit",),
        (same_as("clean", "explicit"), mapped("clean", lambda one: one + faint_noise(one) * 0.05)),
        "fail",
    ),
    Defect(
        "the explicit acapella as the clean one",
        ("clean-is-explicit",),
        (same_as("acapella-clean", "acapella"),),
        "fail",
        "acapella-clean",
    ),
    Defect(
        "a word heard in the clean acapella",
        ("word-left",),
        (one_missing("acapella-clean"),),
        "fail",
        "acapella-clean",
    ),
    Defect("a word heard in the clean mix", ("word-left",), (one_missing("clean"),), "fail", "clean"),
    Defect("a word heard in the clean DJ edit", ("dj-body",), (one_missing("dj-clean"),), "fail", "dj-clean"),
    Defect(
        "the mix muted 90 ms late",
        ("word-left",),
        (remade("clean", how=lambda song: cleans(song, late_s=0.09)),),
        "fail",
        "clean",
    ),
    Defect(
        "the mix muted 80 ms too short",
        ("word-left",),
        (remade("clean", how=lambda song: cleans(song, early_s=0.1)),),
        "fail",
        "clean",
    ),
    Defect(
        "words only 12 dB down",
        ("word-left",),
        (remade(*CLEANS, how=lambda song: cleans(song, gain=0.25)),),
        "fail",
    ),
    Defect(
        "words only 26 dB down",
        ("word-left",),
        (remade(*CLEANS, how=lambda song: cleans(song, gain=0.05)),),
        "warn",
    ),
    Defect("all muted 90 ms late", ("word-left",), (everything(late_s=0.09),)),
    Defect("a double left in", ("word-left",), (everything(left=double(-6)),)),
    Defect("an echo left in", ("word-left",), (everything(echo=full_echo),)),
    Defect("a word in the clean intro", ("word-in-dj-edit",), (dj("dj-clean", word_in_intro),), "fail"),
    Defect("a soft word in the clean outro", ("word-in-dj-edit",), (dj("dj-clean", word_in_outro),), "fail"),
    Defect(
        "the voice 5 dB down in the beat",
        ("voice-in-instrumental",),
        (leaked("instrumental", -5, "voice"),),
        "fail",
        "instrumental",
    ),
    Defect(
        "the voice 18 dB down in the beat",
        ("voice-in-instrumental",),
        (leaked("instrumental", -18, "voice"),),
        "warn",
        "instrumental",
    ),
    Defect(
        "one ad-lib in the beat",
        ("voice-in-instrumental",),
        (leaked("instrumental", -6, "voice", 8.3, 9.2),),
        "fail",
        "instrumental",
    ),
    Defect(
        "drums in the acapella",
        ("beat-in-acapella",),
        (leaked("acapella", -12, "drums"),),
        "warn",
        "acapella",
    ),
    Defect(
        "the beat in the acapella",
        ("beat-in-acapella",),
        (leaked("acapella", -24, "beat"),),
        "warn",
        "acapella",
    ),
    Defect(
        "four bars of beat in the acapella",
        ("beat-in-acapella",),
        (leaked("acapella-clean", -10, "beat", 8.0, 16.0),),
        "fail",
        "acapella-clean",
    ),
)

PAIRS: tuple[Defect, ...] = (
    Defect("late and soft", ("not-lined-up", "level"), (shifted("clean", 200), gain("clean", -2)), "fail"),
    Defect(
        "upside down and long", ("upside-down", "length"), (mapped("clean", np.negative), cut("clean", -700))
    ),
    Defect(
        "late, with a voice",
        ("not-lined-up", "voice-in-instrumental"),
        (leaked("instrumental", -5, "voice"), shifted("instrumental", 500)),
        "fail",
    ),
    Defect(
        "a click and a hole", ("dj-join", "dj-bars"), (dj("dj", with_bars(8, 7)), dj("dj", click)), "fail"
    ),
    Defect(
        "from an MP3, and soft", ("low-pass", "level"), (mapped("clean", low_passed), gain("clean", -1.4))
    ),
    Defect("DC and leaning", ("dc-offset", "mono"), (mapped("dj", lambda one: one * [1, 0.6] + 0.02),)),
    Defect(
        "two words in two places",
        ("word-left", "dj-body"),
        (one_missing("clean"), one_missing("dj-clean", 3)),
        "fail",
    ),
    Defect(
        "no cover, and one dead channel",
        ("pack-incomplete", "dead-channel"),
        (said(has_cover=False), mapped("dj", lambda one: one * [0, 1])),
    ),
)

DEFECTS: tuple[Defect, ...] = FACTS + LINES + LEVELS + BOUNCES + DJS + CLEAN + PAIRS


def groups() -> Iterator[tuple[str, tuple[Defect, ...]]]:
    """Yield the defects by what they are about."""
    yield from {
        "facts": FACTS,
        "lining up": LINES,
        "level": LEVELS,
        "one bounce": BOUNCES,
        "DJ edits": DJS,
        "clean": CLEAN,
        "in pairs": PAIRS,
    }.items()
