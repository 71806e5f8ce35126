"""Rules on the declared tempo and key, against those that are heard in the lead.

Sources
    Near keys: common practice, no source; the same ones that MIREX counts in part

Not here: measuring them (``relkit.measure``).
"""

from __future__ import annotations

from collections.abc import Iterator

from relkit.qc.ear import Ear
from relkit.qc.pack import Pack
from relkit.qc.rule import Odd, rule
from relkit.vocabulary.key import Key

LEAST_SURE = 0.4  # confidence below which a meter is not believed against a person


@rule(
    "tempo",
    about="Does the declared tempo agree with the music, to the last beat?",
    why="DJ programs lay their grid by it, and it stands in the folder's name.",
    todo="Correct tempo_bpm in the sheet, or declare changes or a live range there.",
)
def tempo(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Half and double are a note: which one is meant is a matter of taste."""
    lead = pack.lead
    heard = ear.heard(lead).tempo if lead else None
    if lead is None or heard is None or heard["bpm"] is None or pack.sheet.bars.tempo is None:
        return
    said = pack.sheet.bars.tempo_text or ""
    agreement, drift, bpm = heard["agreement"], heard["drift_ms"], heard["bpm"]
    measured = f"{bpm:.2f} BPM, {heard['kind']}"
    most = pack.limit("grid_drift_ms")
    if agreement is None or heard["confidence"] < LEAST_SURE:
        return
    if agreement == "contradicts" and not (drift is not None and abs(drift) <= most):
        badness = abs(drift) if drift is not None else 1e6
        yield Odd(
            "warn",
            (lead.id,),
            f"the music does not have the declared tempo of {said}",
            measured=measured + (f", {abs(drift):.0f} ms at the last beat" if drift is not None else ""),
            expected=f"{said}, within {most:g} ms at the last beat",
            badness=badness,
        )
    elif drift is not None and abs(drift) > most:
        yield Odd(
            "warn",
            (lead.id,),
            f"a grid of {said} leaves the music",
            measured=f"{abs(drift):.0f} ms at the last beat",
            expected=f"{most:g} ms at most",
            badness=abs(drift),
        )
    elif agreement not in {"agrees", "unknown", "contradicts"}:
        yield Odd(
            "note",
            (lead.id,),
            f"the tempo may be counted otherwise: the declared one is the {agreement}",
            measured=measured,
            expected=said,
        )


@rule(
    "key",
    about="Is the declared key the one that is heard, or a near relative of it?",
    why="Mixing in key goes by it.",
    todo="Correct key in the sheet, if your ears agree.",
)
def key(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Relative, parallel, and fifths up and down count as near: meters and people confuse them."""
    lead, declared = pack.lead, pack.sheet.key
    heard = ear.heard(lead).key if lead else None
    if lead is None or declared is None or heard is None or heard["key"] is None:
        return
    found = Key.parse(heard["key"])
    if number_of(found) in near_keys(declared) or heard["key_confidence"] < LEAST_SURE:
        return
    yield Odd(
        "warn",
        (lead.id,),
        f"the music does not sound like {declared}",
        measured=str(found),
        expected=f"{declared} or a near relative",
    )


_NOTES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def number_of(one: Key) -> tuple[int, str]:
    """Return tonic (0 is C) and mode of a key, however it is spelt."""
    step = {"#": 1, "b": -1}.get(one.tonic[1:], 0)
    return (_NOTES[one.tonic[0]] + step) % 12, one.mode


def near_keys(key: Key) -> set[tuple[int, str]]:
    """Return, as tonic and mode, a key with its relative, its parallel and its neighbours by a fifth."""
    tonic, mode = number_of(key)
    other = "minor" if mode == "major" else "major"
    relative = (tonic + (9 if mode == "major" else 3)) % 12
    fifths = {((tonic + fifth) % 12, mode) for fifth in (5, 7)}
    return {(tonic, mode), (relative, other), (tonic, other)} | fifths
