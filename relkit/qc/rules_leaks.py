"""Rules on what must not be heard: a voice in an instrumental, a beat in an acapella.

The explicit acapella is what a voice is known by, so that samples which belong to the beat are no
leak; the instrumental is what a beat is known by.

Sources
    Every limit: common practice, no source

Not here: the measure (``leaks``).
"""

from __future__ import annotations

from collections.abc import Iterator

from relkit.qc.ear import Ear
from relkit.qc.leaks import Leak
from relkit.qc.pack import Bounce, Pack
from relkit.qc.rule import Odd, rule
from relkit.qc.rules_lines import comparable, offset_of

MOST = 5  # places in one finding
STEADY_SHARE = 0.2  # of the file: no burst any more


def leaks(pack: Pack, parts: str) -> Iterator[tuple[Bounce, Bounce]]:
    """Yield (what must not be in it, version), for every version with these parts."""
    for one in pack.whole:
        if one.version.parts != parts:
            continue
        group = [each for each in pack.whole if each.version.length_group == one.version.length_group]
        wanted = "acapella" if parts == "instrumental" else "instrumental"
        others = [each for each in group if each.version.parts == wanted and comparable(each, one)]
        others.sort(key=lambda each: not each.version.may_be_explicit)
        if others:
            yield others[0], one


def offset_between(pack: Pack, ear: Ear, of: Bounce, in_: Bounce) -> int:
    """Return where a bounce would lie in another that has nothing in common with it: by the full mix."""
    lead = next(
        (
            one
            for one in pack.find("full", of.version.form)
            if one.version.length_group == of.version.length_group and comparable(one, of)
        ),
        None,
    )
    if lead is None:
        return 0
    first, second = (offset_of(pack, ear, lead, one) for one in (of, in_))
    return 0 if first is None or second is None else second - first


def _judged(pack: Pack, one: Bounce, found: Leak, what: str) -> Iterator[Odd]:
    """One finding for each severity: steady leaks and bursts by their own level."""
    more = pack.limit("leak_allowance_db")
    fail, warn = pack.limit("leak_fail_db") + more, pack.limit("leak_warn_db") + more
    by_severity: dict[str, list[list[float]]] = {}
    for burst in found.bursts:
        severity = "fail" if burst[2] > fail else "warn" if burst[2] > warn else "note"
        by_severity.setdefault(severity, []).append(burst)
    for severity, bursts in by_severity.items():
        bursts.sort(key=lambda burst: -burst[2])
        loudest = bursts[0]
        steady = loudest[1] - loudest[0] > STEADY_SHARE * found.seconds
        yield Odd(
            severity,  # type: ignore[arg-type]
            (one.id,),
            f"{what} is heard in {one.id}{' throughout' if steady else ''}",
            measured=f"{loudest[2]:.1f} dB re {one.id}" + (f", {len(bursts)} places" if bursts[1:] else ""),
            expected=f"{warn:g} dB at most",
            places=tuple(pack.place(start, end) for start, end, _level in bursts[:MOST]),
            badness=loudest[2],
        )


@rule(
    "voice-in-instrumental",
    about="Is the instrumental free of the lead, its doubles and its ad-libs?",
    why="Whoever sings, raps or speaks over it has a second voice in the way.",
    todo="Mute all vocal buses and their effect returns, and bounce it again.",
    about_explicit=True,
)
def voice_in_instrumental(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """The acapella's own samples, looked for in the instrumental."""
    for voice, one in leaks(pack, "instrumental"):
        found = ear.leak(voice, one, offset_between(pack, ear, voice, one))
        yield from _judged(pack, one, found, "the voice")


@rule(
    "beat-in-acapella",
    about="Is the acapella free of drums, bass and other instruments?",
    why="A remixer puts a beat of their own under it, and the old one clashes.",
    todo="Mute everything but voices and their effects, and bounce it again.",
)
def beat_in_acapella(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """The instrumental's own samples, looked for in the acapella."""
    for beat, one in leaks(pack, "acapella"):
        found = ear.leak(beat, one, offset_between(pack, ear, beat, one))
        yield from _judged(pack, one, found, "the beat")
