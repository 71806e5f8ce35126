"""Rules on one bounce: level at its peaks, and what a session may have done to it by mistake.

Sources
    True peak: EBU R 128 (2023) asks for -1 dBTP at most in production. All other limits: common
    practice, no source

Not here: how loud versions are beside each other (``rules_level``), tempo and key (``rules_music``).
"""

from __future__ import annotations

from collections.abc import Iterator

from relkit.qc.ear import Ear
from relkit.qc.pack import Pack
from relkit.qc.rule import Odd, rule

FEW_CLIPS = 3  # flat tops beyond what its siblings have, from which on a bounce clips by mistake
FULL_SCALE_DBFS = -0.05


@rule(
    "true-peak",
    about="How high is the true peak, and does it pass the sheet's own limit?",
    why="Above 0 dBTP a converter or an MP3 encoder may clip what the file itself still holds.",
    todo="Lower the ceiling of the last limiter, or leave it so on purpose.",
)
def true_peak(pack: Pack, _ear: Ear) -> Iterator[Odd]:
    """A fail only by the sheet's own limit, and for floats that would clip when they are converted."""
    note, warn = pack.limit("true_peak_note_dbtp"), pack.limit("true_peak_warn_dbtp")
    most = pack.limit_or_none("true_peak_fail_dbtp")
    for one in pack.bounces:
        peak, sample = one.sound.true_peak_dbtp, one.sound.sample_peak_dbfs
        if peak is None:
            continue
        measured = f"{peak:+.2f} dBTP"
        if one.sound.sample_format.startswith("float") and sample is not None and sample > 0:
            yield Odd(
                "fail",
                (one.id,),
                f"{one.id} goes over full scale and will clip when it is converted",
                measured=f"{sample:+.2f} dBFS",
                expected="0 dBFS at most",
                badness=sample,
                todo="Bounce it with the output below full scale.",
            )
        elif most is not None and peak > most:
            yield Odd(
                "fail",
                (one.id,),
                f"the true peak of {one.id} is over the sheet's limit",
                measured=measured,
                expected=f"{most:+.2f} dBTP at most",
                badness=peak,
            )
        elif peak > warn:
            yield Odd(
                "warn",
                (one.id,),
                f"the true peak of {one.id} is above full scale",
                measured=measured,
                expected=f"{warn:+.2f} dBTP at most",
                badness=peak,
            )
        elif peak > note:
            yield Odd(
                "note",
                (one.id,),
                f"the true peak of {one.id} leaves little room",
                measured=measured,
                expected=f"{note:+.2f} dBTP at most",
                badness=peak,
            )


@rule(
    "clipping",
    about="Does one bounce clip where its siblings do not?",
    why="Flat tops that only one version has are not the master's sound: its output was too hot.",
    todo="Bounce it again with the same output level as the others.",
)
def clipping(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Flat tops at full scale are a fail beside siblings without any, else a note: a loud master."""
    masters = [one for one in pack.whole if one.version.parts in {"full", "instrumental"}]
    runs = {one.name: ear.heard(one).clipped_runs for one in pack.bounces}
    for one in pack.bounces:
        count = runs[one.name]
        if not count:
            continue
        others = [runs[each.name] for each in masters if each.name != one.name]
        alone = bool(others) and max(others) * 10 < count and count > FEW_CLIPS
        yield Odd(
            "fail" if alone and (one.sound.sample_peak_dbfs or 0) > FULL_SCALE_DBFS else "note",
            (one.id,),
            f"{one.id} clips where the other versions do not" if alone else f"{one.id} has flat tops",
            measured=f"{count} flat top(s)",
            expected=f"{max(others)} or fewer, as in the others" if others else "none",
            places=tuple(pack.place(time) for time in ear.heard(one).first_clipped_s[:3]),
            badness=count,
        )


@rule(
    "dead-channel",
    about="Is a channel silent while another sounds?",
    why="Half of the room hears nothing.",
    todo="Check the routing of the output, and bounce it again.",
)
def dead_channel(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """A channel below -80 dBFS while another is above -60 dBFS."""
    for one in pack.bounces:
        for channel in ear.heard(one).dead_channels:
            name = ("left", "right")[channel] if one.sound.channels == 2 else f"{channel + 1}."
            yield Odd(
                "fail", (one.id,), f"the {name} channel of {one.id} is silent", measured="below -80 dBFS"
            )


@rule(
    "silent",
    about="Is there any sound in it?",
    why="Somebody muted the wrong bus, and a recipient gets nothing.",
    todo="Bounce it again.",
)
def silent(pack: Pack, _ear: Ear) -> Iterator[Odd]:
    """A file of silence."""
    for one in pack.bounces:
        peak = one.sound.sample_peak_dbfs
        if peak is None or peak < -70:
            yield Odd(
                "note" if one.is_stem else "fail",
                (one.id,),
                f"{one.id} is silent",
                measured="silence" if peak is None else f"{peak:.1f} dBFS",
            )


@rule(
    "dc-offset",
    about="Is the waveform off centre?",
    why="It takes headroom, and clicks where the file starts, stops or is cut.",
    todo="Find the plug-in that adds it, or put a high-pass at the lowest setting on the output.",
)
def dc_offset(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Over the limit a warn, over a fifth of it a note: limiters and saturation leave a little."""
    most = pack.limit("dc_offset_percent")
    for one in pack.bounces:
        worst = 100 * max((abs(offset) for offset in ear.heard(one).dc_offsets), default=0.0)
        if worst > most / 5:
            yield Odd(
                "warn" if worst > most else "note",
                (one.id,),
                f"{one.id} has a DC offset",
                measured=f"{worst:.2f} % of full scale",
                expected=f"{most:g} % at most",
                badness=worst,
            )


@rule(
    "phase",
    about="What is left when it is played in mono?",
    why="Clubs, phones and some radio play the sum of both channels: what cancels is gone there.",
    todo="Look for a channel that is upside down, or a widener that is set too far.",
)
def phase(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """The loss of a mono sum; more where the channels are opposite on the whole."""
    most = pack.limit("mono_loss_db")
    for one in pack.whole:
        heard = ear.heard(one)
        loss, correlation = heard.mono_loss_db, heard.correlation
        if loss is None or correlation is None or heard.dead_channels:
            continue
        if loss > most:
            measured = "everything" if loss >= 99 else f"{loss:.1f} dB, correlation {correlation:+.2f}"
            yield Odd(
                "warn",
                (one.id,),
                f"{one.id} loses much of itself in mono",
                measured=measured,
                expected=f"{most:g} dB at most",
                badness=loss,
            )


@rule(
    "mono",
    about="Is a stereo file mono, or leaning to one side?",
    why="Fine if it was meant; a sign of a wrong output setting if it was not.",
    todo="Check the output of the session.",
)
def mono(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Two equal channels: a note, or a warn where the siblings are stereo."""
    stereo = {one.name: ear.heard(one).dual_mono for one in pack.whole if one.sound.channels == 2}
    for one in pack.whole:
        if stereo.get(one.name):
            wide = any(dual is False for name, dual in stereo.items() if name != one.name)
            apart = wide and one.version.parts != "acapella"
            yield Odd("warn" if apart else "note", (one.id,), f"both channels of {one.id} are the same")
        level = ear.heard(one).level_difference_db
        if level is not None and abs(level) > 3 and not ear.heard(one).dead_channels:
            side = "left" if level > 0 else "right"
            yield Odd(
                "warn",
                (one.id,),
                f"{one.id} leans to the {side}",
                measured=f"{abs(level):.1f} dB",
                expected="3 dB at most",
                badness=abs(level),
            )


@rule(
    "long-silence-first",
    about="Is there a long silence before the first sound?",
    why="On air it is dead air; in a DJ program the cue is wrong.",
    todo="Bounce from where the music begins, all versions alike.",
)
def long_silence_first(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Of mixes and instrumentals; acapellas and stems may begin late."""
    most = pack.limit("leading_silence_s")
    for one in pack.whole:
        if one.version.parts not in {"full", "instrumental", "tv"} or one.sound.sample_peak_dbfs is None:
            continue
        seconds = ear.heard(one).leading_silent_frames / one.sound.sample_rate_hz
        if seconds > most:
            yield Odd(
                "warn",
                (one.id,),
                f"{one.id} begins with silence",
                measured=f"{seconds:.2f} s",
                expected=f"{most:g} s at most",
                places=(pack.place(0.0, seconds),),
                badness=seconds,
            )


@rule(
    "bit-depth",
    about="Are all bits of the file in use, and was it dithered where it has 16?",
    why="A 24-bit file with 16 bits in it came through something with 16; without dither its fades crackle.",
    todo="Bounce from the session at 24 bits; dither once, at the very end, where 16 bits are made.",
)
def bit_depth(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Bits that are always 0, and roundings that show."""
    for one in pack.bounces:
        heard, width = ear.heard(one), {"int24": 24, "int32": 32}.get(one.sound.sample_format)
        if width and heard.effective_bits and heard.effective_bits < min(width, 24):
            yield Odd(
                "warn" if heard.effective_bits <= 16 else "note",
                (one.id,),
                f"{one.id} does not use all of its bits",
                measured=f"{heard.effective_bits} bits in use",
                expected=f"{width} bits",
                badness=24 - heard.effective_bits,
            )
        if heard.undithered_at_s is not None:
            yield Odd(
                "warn",
                (one.id,),
                f"{one.id} was brought to 16 bits without dither",
                places=(pack.place(heard.undithered_at_s),),
            )


@rule(
    "low-pass",
    about="Does the spectrum of one bounce end where that of its siblings goes on?",
    why="So sounds what came from an MP3: somebody imported the wrong file.",
    todo="Bounce it from the session, not from a lossy file.",
)
def low_pass(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Only where full mixes and instrumentals disagree; an edge that all have is the sound of the song."""
    for group in (
        [one for one in pack.whole if one.version.parts in {"full", "instrumental"}],
        [one for one in pack.whole if one.version.parts == "acapella"],
    ):
        edges = {one.name: ear.heard(one).low_pass_hz for one in group}
        if not any(edge is None for edge in edges.values()):
            continue
        for one in group:
            edge = edges[one.name]
            if edge is not None:
                yield Odd(
                    "warn",
                    (one.id,),
                    f"{one.id} has nothing above {edge / 1000:.1f} kHz, as after an MP3",
                    measured=f"{edge} Hz",
                    expected="an open spectrum, as in the others",
                    badness=-edge,
                )
