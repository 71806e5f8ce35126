"""Rules on how the versions of a length group lie to each other: start, length, drift.

Each is compared with the group's full mix by its samples; where most of a group agree against that
mix, it is the mix that lies wrong.

Conventions
    late, long  [frames] and [ms]

Not here: DJ edits beside their song (``rules_dj``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from relkit.qc.ear import Ear
from relkit.qc.pack import Bounce, Pack
from relkit.qc.pairs import Lie
from relkit.qc.rule import Odd, rule

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
RATIO_ERROR = 2e-4
ENDING_S = 0.05  # of silence at a file's end that shows that nothing was cut off


def comparable(one: Bounce, other: Bounce) -> bool:
    """Whether two bounces can be laid beside each other."""
    return one.sound.sample_rate_hz == other.sound.sample_rate_hz and None not in (
        one.sound.sample_peak_dbfs,
        other.sound.sample_peak_dbfs,
    )


def members(pack: Pack) -> Iterator[tuple[Bounce, list[Bounce]]]:
    """Yield, for each length group, the version that the others are compared with, and those."""
    for group in pack.groups().values():
        if len(group) > 1:
            yield group[0], group[1:]


def offset_of(pack: Pack, ear: Ear, first: Bounce, one: Bounce) -> int | None:
    """Return how many frames later a version sounds than another; None where that cannot be told.

    A clean acapella is compared with the explicit one, with which it has much more in common.
    """
    explicit = pack.explicit_of(one) if one.version.parts == "acapella" and one.is_clean else None
    steps = [(first, one)]
    if explicit is not None and comparable(first, explicit) and comparable(explicit, one):
        steps = [(first, explicit), (explicit, one)]
    offset = 0
    for old, new in steps:
        lie = ear.lie(old, new)
        if not lie.alignable or lie.drift_frames_per_s is not None:
            return None
        offset += lie.offset_frames
    return offset


@rule(
    "not-lined-up",
    about="Do the versions of a length group start together, to the sample?",
    why="A DJ or editor who swaps one for another while it plays hears a jump or a flam.",
    todo="Bounce all versions from the same start marker of the session.",
)
def not_lined_up(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Measured by the samples, whatever the lengths are."""
    most_ms = pack.limit("start_late_warn_ms")
    for first, others in members(pack):
        offsets = {first.name: 0}
        for one in others:
            if comparable(first, one):
                at = offset_of(pack, ear, first, one)
                if at is not None:
                    offsets[one.name] = at
        counts = Counter(offsets.values())
        usual, number = counts.most_common(1)[0]
        usual = 0 if counts[0] == number else usual
        for one in (first, *others):
            late = offsets.get(one.name, usual) - usual
            if late == 0:
                continue
            late_ms = 1000 * late / one.sound.sample_rate_hz
            how = "later" if late > 0 else "earlier"
            yield Odd(
                "warn" if abs(late_ms) <= most_ms else "fail",
                (one.id,),
                f"{one.id} sounds {how} than the other versions",
                measured=f"{abs(late)} frames ({abs(late_ms):.3f} ms) {how}",
                expected="0 frames",
                badness=abs(late_ms),
            )


@rule(
    "nothing-in-common",
    about="Is it the same song at all?",
    why="A bounce of another song, or of another arrangement, has come in under this version's name.",
    todo="Listen to it; give it a length group of its own in the sheet if it is meant to be another.",
)
def nothing_in_common(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Whether enough of the samples agree with the group's full mix to tell."""
    for first, others in members(pack):
        if first.version.parts != "full":
            continue
        for one in others:
            if one.is_stem or not comparable(first, one):
                continue
            lie = ear.lie(first, one)
            if not lie.alignable and lie.drift_frames_per_s is None and not _ratio(first, one):
                yield Odd(
                    "warn",
                    (one.id, first.id),
                    f"{one.id} has no sound in common with {first.id}",
                    measured=f"{100 * lie.confidence:.0f} % of it agrees",
                )


def _ratio(first: Bounce, one: Bounce) -> tuple[int, int] | None:
    """Return two sample rates whose ratio is that of the lengths: what a wrong rate does."""
    if not first.sound.frames or not one.sound.frames:
        return None
    ratio = one.sound.frames / first.sound.frames
    for wrong in RATES_HZ:
        for right in RATES_HZ:
            if wrong != right and abs(ratio * right / wrong - 1) < RATIO_ERROR:
                return wrong, right
    return None


@rule(
    "drift",
    about="Do the versions of a length group stay together to the end?",
    why="They start together and come apart: nobody can play one over the other.",
    todo="Find the file that was imported at another sample rate or stretched; bounce it again.",
)
def drift(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """A line through where single windows lie; or lengths in the ratio of two sample rates."""
    for first, others in members(pack):
        for one in others:
            if not comparable(first, one):
                continue
            lie, rates = ear.lie(first, one), _ratio(first, one)
            slope = lie.drift_frames_per_s
            if slope is not None:
                ppm = 1e6 * slope / one.sound.sample_rate_hz
                end_ms = 1000 * slope * first.sound.duration_s / one.sound.sample_rate_hz
                yield Odd(
                    "fail",
                    (one.id, first.id),
                    f"{one.id} runs away from {first.id}",
                    measured=f"{ppm:+.0f} ppm, {abs(end_ms):.0f} ms at the end",
                    expected="no drift",
                    badness=abs(ppm),
                )
            elif rates is not None and not lie.alignable:
                yield Odd(
                    "fail",
                    (one.id, first.id),
                    f"{one.id} plays at the wrong speed: it has lengths of {rates[0]} Hz, not {rates[1]} Hz",
                    measured=f"{one.sound.frames} frames",
                    expected=f"{first.sound.frames} frames",
                )


@rule(
    "body-moves",
    about="Does every part of a version lie where it does in the full mix?",
    why="A bar or a moment was cut out or put in: from there on it cannot be swapped for the others.",
    todo="Bounce it again from the arrangement of the others, or give it a length group of its own.",
)
def body_moves(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Windows that clearly lie elsewhere, a stretch of them on end."""
    for first, others in members(pack):
        for one in others:
            if not comparable(first, one) or one.is_stem:
                continue
            lie = ear.lie(first, one)
            alone = one.version.parts == "acapella"  # too little of it to tell an end by
            run = (_run(lie) or (None if alone else _end(first, lie))) if lie.alignable else None
            if run is not None:
                yield Odd(
                    "fail",
                    (one.id, first.id),
                    f"part of {one.id} lies elsewhere than in {first.id}",
                    measured=f"{abs(run[1]):.0f} frames {'later' if run[1] > 0 else 'earlier'}",
                    expected="0 frames",
                    places=(pack.place(run[0]),),
                    badness=abs(run[1]),
                )


def _end(first: Bounce, lie: Lie) -> tuple[float, float] | None:
    """Return a time and by how much a whole end of the song lies elsewhere."""
    for offset, share in zip(lie.ends, (1 / 6, 5 / 6), strict=True):
        if offset is not None and abs(offset - lie.offset_frames) > 1:
            return share * first.sound.duration_s, offset - lie.offset_frames
    return None


def _run(lie: Lie) -> tuple[float, float] | None:
    """Return where two windows on end lie elsewhere by the same."""
    lags = lie.lags if lie.drift_frames_per_s is None else []
    for (time, lag), (_later, following) in pairwise(lags):
        if abs(lag) > 1 and abs(lag - following) <= 1:
            return time, lag
    return None


@rule(
    "length",
    about="Do the versions of a length group have one length, to the sample?",
    why="Whoever swaps one for another, or loops it, needs them to end together; a tail that is cut off is "
    "heard at once.",
    todo="Bounce all versions over the same selection of the session.",
)
def length(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Silence too much or too little is a warn with the frames; sound that is missing a fail."""
    for first, others in members(pack):
        group = [one for one in (first, *others) if one.sound.sample_rate_hz == first.sound.sample_rate_hz]
        counts = Counter(one.sound.frames for one in group)
        wanted, number = counts.most_common(1)[0]
        if counts[first.sound.frames] == number:
            wanted = first.sound.frames
        for one in group:
            off = one.sound.frames - wanted
            if off == 0 or _is_elsewhere(first, one, ear):
                continue
            trailing, rate_hz = ear.heard(one).trailing_silent_frames, one.sound.sample_rate_hz
            seconds = abs(off) / rate_hz
            if off > 0 and trailing >= off:
                severity, fault = "warn", f"{one.id} has silence after the end of the others"
                todo = f"Cut {off} frames of silence from its end."
            elif off > 0:
                severity, fault = "fail", f"{one.id} sounds on where the others have ended"
                todo = f"Bounce the others {off} frames longer, or this one shorter."
            elif _others_silent(group, wanted, -off, ear) or trailing >= ENDING_S * rate_hz:
                severity, fault = "warn", f"{one.id} ends before the others, in silence"
                todo = f"Add {-off} frames of silence to its end."
            else:
                severity, fault = "fail", f"the end of {one.id} is cut off"
                todo = f"Bounce it {-off} frames longer."
            yield Odd(
                severity,  # type: ignore[arg-type]
                (one.id,),
                fault,
                measured=f"{one.sound.frames} frames ({off:+d}, {seconds:.3f} s)",
                expected=f"{wanted} frames",
                places=(pack.place(min(one.sound.frames, wanted) / rate_hz),),
                badness=seconds,
                todo=todo,
            )


def _is_elsewhere(first: Bounce, one: Bounce, ear: Ear) -> bool:
    """Whether another rule speaks of this length already: a drift, a wrong speed."""
    if one is first or not comparable(first, one):
        return False
    lie = ear.lie(first, one)
    return lie.drift_frames_per_s is not None or (not lie.alignable and _ratio(first, one) is not None)


def _others_silent(group: list[Bounce], wanted: int, missing: int, ear: Ear) -> bool:
    """Whether the full mixes of the usual length are silent where a shorter one has ended."""
    full = [one for one in group if one.sound.frames == wanted and one.version.parts == "full"]
    return bool(full) and all(ear.heard(one).trailing_silent_frames >= missing for one in full)


@rule(
    "upside-down",
    about="Do all versions have the same polarity?",
    why="Mixed together, as remixers and mash-up DJs do, they cancel instead of adding up.",
    todo="Take out the polarity switch, and bounce it again.",
)
def upside_down(pack: Pack, ear: Ear) -> Iterator[Odd]:
    """Against the group's full mix."""
    for first, others in members(pack):
        for one in others:
            if comparable(first, one) and not one.is_stem:
                lie = ear.lie(first, one)
                if lie.alignable and lie.polarity < 0:
                    yield Odd("warn", (one.id, first.id), f"{one.id} is upside down against {first.id}")
