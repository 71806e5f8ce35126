"""Rules on how loud versions are beside each other. No target is assumed, and nothing is normalised.

Full mixes are compared where they are the same, so that what a clean edit mutes does not count.

Sources
    Every limit: common practice, no source

Not here: peaks (``rules_bounce``), DJ edits (``rules_dj``).
"""

from __future__ import annotations

from collections.abc import Iterator

from relkit.qc.ear import Ear
from relkit.qc.pack import Bounce, Pack
from relkit.qc.rule import Odd, rule
from relkit.qc.rules_lines import comparable, members

WHOLE_FILE_LU = 0.5  # noted beyond
ENOUGH_ALIKE = 0.5  # share of a song that must be unedited for its level to be compared


@rule(
    "level",
    about="Are the full mixes equally loud where they are the same?",
    why="A change from one version to the other, on air or in a set, must not lose or gain volume.",
    todo="Bounce both through the same chain with the same settings.",
)
def level(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """At matching passages; what is muted in one of them does not count."""
    match, warn, fail = (pack.limit(f"level_{name}_db") for name in ("match", "warn", "fail"))
    for first, others in members(pack):
        if first.version.parts != "full":
            continue
        for one in others:
            if one.version.parts != "full" or not comparable(first, one):
                continue
            lie = ear.lie(first, one)
            if not lie.alignable:
                continue
            found = ear.difference(first, one)
            off = found.level_db
            if off is None or found.edited_share > ENOUGH_ALIKE:
                off = None
            if off is not None and abs(off) > match:
                yield Odd(
                    "fail" if abs(off) > fail else "warn" if abs(off) > warn else "note",
                    (one.id, first.id),
                    f"{one.id} is {'louder' if off > 0 else 'softer'} than {first.id} where they agree",
                    measured=f"{off:+.2f} dB",
                    expected=f"within {match:g} dB",
                    badness=abs(off),
                )
            else:
                yield from _whole_file(first, one)


def _whole_file(first: Bounce, one: Bounce) -> Iterator[Odd]:
    """A note on the difference of whole files, which muted words explain."""
    loud = (first.sound.integrated_loudness_lufs, one.sound.integrated_loudness_lufs)
    if loud[0] is None or loud[1] is None or abs(loud[1] - loud[0]) <= WHOLE_FILE_LU:
        return
    yield Odd(
        "note",
        (one.id, first.id),
        f"as a whole, {one.id} is not as loud as {first.id}",
        measured=f"{loud[1] - loud[0]:+.2f} LU",
        todo="Nothing, if what was edited explains it.",
    )


@rule(
    "alternate-soft",
    about="Are instrumental and acapella brought up to level?",
    why="A DJ who reaches for one of them between two records must not have to ride the gain.",
    todo="Bring it up through the mastering chain; or set alternates_same_chain = 1 in [limits] if both "
    "come from the mix's own chain on purpose.",
)
def alternate_soft(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Instrumentals by integrated loudness, acapellas by their loudest 3 s."""
    lead = pack.lead
    if lead is None or lead.version.parts != "full":
        return
    same_chain = pack.limit("alternates_same_chain") > 0
    loud = lead.sound.integrated_loudness_lufs
    peak = ear.heard(lead).max_short_term_lufs
    for one in pack.whole:
        if one.version.form != lead.version.form or one.version.parts not in {"instrumental", "acapella"}:
            continue
        if same_chain:
            if comparable(lead, one):
                lie, most = ear.lie(lead, one), pack.limit("level_fail_db")
                if lie.alignable and abs(lie.gain_db) > most:
                    yield Odd(
                        "warn",
                        (one.id, lead.id),
                        f"{one.id} is not at its level in {lead.id}",
                        measured=f"{lie.gain_db:+.1f} dB",
                        expected=f"within {most:g} dB",
                        badness=abs(lie.gain_db),
                        todo="Bounce it with the chain and settings of the mix.",
                    )
            continue
        if one.version.parts == "instrumental":
            below, most = (
                _below(loud, one.sound.integrated_loudness_lufs),
                pack.limit("instrumental_below_mix_lu"),
            )
        else:
            below, most = (
                _below(peak, ear.heard(one).max_short_term_lufs),
                pack.limit("acapella_below_mix_lu"),
            )
        if below is not None and below > most:
            yield Odd(
                "warn",
                (one.id, lead.id),
                f"{one.id} is much softer than {lead.id}",
                measured=f"{below:.1f} LU below",
                expected=f"{most:g} LU at most",
                badness=below,
            )


def _below(loud: float | None, soft: float | None) -> float | None:
    return None if loud is None or soft is None else loud - soft


@rule(
    "unmastered",
    about="Was every mix mastered?",
    why="Beside the others it sounds thin and quiet; turning it up does not help, since its peaks are in the "
    "way.",
    todo="Bounce it through the mastering chain.",
)
def unmastered(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Softer than the lead, with peaks that stand out much further: a limiter is missing, not gain."""
    lead = pack.lead
    crest = _crest(lead, ear) if lead else None
    if lead is None or crest is None:
        return
    most = pack.limit("unmastered_crest_db")
    for one in pack.whole:
        if one is lead or one.version.parts not in {"full", "instrumental", "tv"}:
            continue
        found = _crest(one, ear)
        if found is not None and found - crest > most:
            yield Odd(
                "warn",
                (one.id, lead.id),
                f"{one.id} seems not to be mastered",
                measured=f"peaks {found:.1f} dB above its loudness",
                expected=f"{crest:.1f} dB, as in {lead.id}, within {most:g} dB",
                badness=found - crest,
            )


def _crest(one: Bounce, ear: Ear) -> float | None:
    """Return how far the true peak stands above the loudest 3 s [dB]."""
    peak, loud = one.sound.true_peak_dbtp, ear.heard(one).max_short_term_lufs
    return None if peak is None or loud is None else peak - loud
