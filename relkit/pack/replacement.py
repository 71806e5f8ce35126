"""What does a package say of the one that it takes the place of? Which, what changed, what holds.

The recipient has cue points, edits and playlists on the earlier files. So a
note claims what was compared and measured, and names what was not.

Conventions
    places    [s] from the first sample of the new file, written m:ss.mmm
    labels    of versions, as people typed them; what is returned here is one line each

Not here: comparing (``relkit.release``), the layout (``relkit.pack.note``, ``relkit.pack.page``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from relkit.pack.names import one_line


@dataclass(frozen=True)
class Place:
    """A stretch that sounds other than before.

    Attributes:
        start_s, end_s: in the new file [s].
        bars: the same in words, "bars 45 to 46"; empty without a map of bars.
    """

    start_s: float
    end_s: float
    bars: str = ""


@dataclass(frozen=True)
class Replacement:
    """What an earlier package held that this one takes the place of.

    Attributes:
        revision: that the earlier package was built from.
        recorded_on: day of that revision, "yyyy-mm-dd".
        changed, unchanged, added, removed: labels of versions (and of the cover).
        same_length: every changed version lasts as long as before, to the sample; None: not compared.
        same_start: every changed version starts at the same place as before; None: not measured.
        places: where a changed version differs, by its label; what is not in it was not compared.
    """

    revision: int
    recorded_on: str
    changed: Sequence[str] = ()
    unchanged: Sequence[str] = ()
    added: Sequence[str] = ()
    removed: Sequence[str] = ()
    same_length: bool | None = True
    same_start: bool | None = None
    places: Mapping[str, Sequence[Place]] = field(default_factory=dict)


def clock(milliseconds: int) -> str:
    """Return a time or a length as m:ss.mmm; minutes do not turn into hours."""
    minutes, rest = divmod(milliseconds, 60_000)
    return f"{minutes}:{rest // 1000:02d}.{rest % 1000:03d}"


def replaces(old: Replacement) -> str:
    """Say which package this one takes the place of."""
    return f"an earlier one: revision {old.revision}, recorded on {one_line(old.recorded_on)}."


def parts_replaced(old: Replacement) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return what changed and what did not: a word of ours, and labels with their places in words."""
    parts = [
        ("Changed", old.changed),
        ("Unchanged", old.unchanged),
        ("Added", old.added),
        ("Removed", old.removed),
    ]
    found = []
    for name, labels in parts:
        known = old.places if name == "Changed" else {}
        listed = [(one_line(label) or "unnamed", _places(known.get(label, ()))) for label in labels]
        if listed or name == "Changed":
            found.append((name, listed or [("nothing", "")]))
    return found


def _places(places: Sequence[Place]) -> str:
    """Return where a version changed: "0:12.500 to 0:13.000, bars 7 to 8; ..."."""
    said = []
    for place in places:
        start, end = (clock(round(1000 * moment)) for moment in (place.start_s, place.end_s))
        said.append(", ".join(filter(None, [f"{start} to {end}", one_line(place.bars)])))
    return "; ".join(said)


def advice(old: Replacement) -> list[str]:
    """Say whether cue points hold, and which earlier files are still good."""
    said = [*_cue_points(old)] if old.changed else []
    if old.unchanged:
        said.append("Unchanged versions are made from the same audio as before, sample for sample.")
    if old.changed or old.removed:
        said.append("Please stop using the earlier files of what changed or was removed.")
    return said


def _cue_points(old: Replacement) -> Iterator[str]:
    """Yield what was measured, and nothing that was not."""
    if old.same_length is False:
        yield "The length of what changed is different: check cue points and edits."
    elif old.same_length is None:
        yield "Whether what changed is as long as before was not compared: check cue points and edits."
    elif old.same_start:
        yield (
            "What changed has the same length as before and starts at the same place: cue points stay valid."
        )
    elif old.same_start is None:
        yield (
            "What changed has the same length as before. Whether it starts at the same place was not "
            "measured: try a cue point before you rely on it."
        )
    if old.same_start is False:
        yield "What changed does not start at the same place as before: set cue points again."
