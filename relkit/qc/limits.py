"""The numbers that rules go by: a default each, which a sheet's ``[limits]`` may replace.

Every default is common practice without a published source, unless it names one: they are what
engineers, stations and DJs were observed to let pass, not a standard.

Conventions
    names      end in their unit; a switch is 0 or 1

Not here: what a rule does with them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Limit:
    """One number.

    Attributes:
        default: what holds where the sheet says nothing; None is "no limit".
        meaning: one line, for the documentation.
    """

    default: float | None
    meaning: str


LIMITS: Mapping[str, Limit] = MappingProxyType(
    {
        "start_late_warn_ms": Limit(
            1, "how far versions of a length group may lie apart before it is a fail"
        ),
        "leading_silence_s": Limit(2, "of a full mix or instrumental, before it is noted"),
        "dj_intro_bars": Limit(8, "bars before the song in a DJ edit"),
        "dj_outro_bars": Limit(8, "bars after the song in a DJ edit"),
        "dj_grid_ms": Limit(10, "how far from the grid the body of a DJ edit may lie"),
        "dj_first_beat_ms": Limit(10, "how late the first beat of a DJ edit may come"),
        "dj_body_level_db": Limit(0.3, "by how much the body of a DJ edit may differ from the song"),
        "dj_drop_db": Limit(9, "how far the level may fall in the beat at a join"),
        "level_match_db": Limit(0.2, "full mixes nearer than this at matching passages are one level"),
        "level_warn_db": Limit(0.5, "full mixes further apart than this are asked about"),
        "level_fail_db": Limit(1, "full mixes further apart than this are sent back"),
        "instrumental_below_mix_lu": Limit(3, "how far below the full mix an instrumental may be"),
        "acapella_below_mix_lu": Limit(
            8, "how far below the full mix an acapella may be, by maximum short-term loudness"
        ),
        "alternates_same_chain": Limit(
            0,
            "1: instrumental and acapella come from the mix's own chain, nothing is brought up to level, and "
            "both must lie in the mix at its level",
        ),
        "unmastered_crest_db": Limit(
            6, "a peak so much further above the loudness than in the full mix is no master's"
        ),
        "true_peak_note_dbtp": Limit(-1, "EBU R 128 (2023) has it as maximum in production; noted above"),
        "true_peak_warn_dbtp": Limit(0, "above it, a converter or encoder may clip"),
        "true_peak_fail_dbtp": Limit(None, "no limit unless the sheet sets one"),
        "leak_fail_db": Limit(-20, "a voice in an instrumental, or a beat in an acapella, above it"),
        "leak_warn_db": Limit(-35, "the same, to be asked about"),
        "leak_allowance_db": Limit(
            0, "what the two before are raised by: 10 for a song that was played in one room"
        ),
        "left_fail_db": Limit(-20, "what may be left of a removed word, re the word itself"),
        "left_warn_db": Limit(-35, "the same, to be asked about"),
        "dc_offset_percent": Limit(1, "DC offset, of full scale; a fifth of it is noted"),
        "mono_loss_db": Limit(6, "what a mono sum may lose"),
        "grid_drift_ms": Limit(40, "how far a grid of the declared tempo may have left the last beat"),
    }
)
