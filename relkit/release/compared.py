"""What became of a version between two bounces: as long, at the same place, and other where?

A recipient has cue points on the earlier file. What is said to them rests on
samples that are the same at the same place. The store cuts audio by content, so
its layouts tell most of it without reading a sample; only what they leave open
is decoded, and compared byte for byte.

Where a new master or fresh dither has changed every sample, the two are lined
up by ear (``relkit.measure.align``), and no places are named.

Conventions
    frames    of the new bounce
    start     the same if samples agree at their place; another if they agree elsewhere only;
              None where that cannot be told

Not here: which versions are compared (``replacing``), words (``relkit.pack.replacement``).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from relkit.manifest import SoundFacts
from relkit.release.derived import StoredFile
from relkit.release.stored_audio import pcm_of, read_audio, read_samples
from relkit.store import restoring
from relkit.store.layout import FILL

if TYPE_CHECKING:
    from relkit.audio.formats import PcmFormat
    from relkit.audio.samples import Samples
    from relkit.release.workspace import Workspace
    from relkit.store.repository import Repository

Span = tuple[int, int]  # first frame, and the first behind it

ENOUGH_S = 1.0  # of equal sound that has to be found before anything is said of places
MOST_CHANGED = 0.25  # of a version; beyond that, a list of places says nothing
READ_ANYWAY_S = 60.0  # what the layouts leave open is read up to this, however much of the version it is
JOINED_S = 0.25  # changes that are closer are told as one
MOST_PLACES = 12
MOST_ALIGNED_S = 1200.0  # lining up holds both in memory
SURE = 0.5  # confidence of a line-up below which nothing is said
_KIND = "compared-1"  # another number whenever the same two sounds may give another answer


@dataclass(frozen=True)
class Compared:
    """What was found; None is "not known".

    Attributes:
        same_length: to the sample.
        same_start: see the module's header.
        places: where samples differ, in order; empty where there is nothing to name.
    """

    same_length: bool | None = None
    same_start: bool | None = None
    places: Sequence[Span] = ()


def compare(workspace: Workspace, old: StoredFile, new: StoredFile) -> Compared:
    """Compare two bounces of one version.

    Raises:
        DamagedError: the store does not give one of them back.
    """
    before, after = old.entry.sound, new.entry.sound
    if before is None or after is None:
        return Compared()
    key = f"{before.identity} {after.identity}".encode()
    kept = workspace.cache.get(_KIND, key)
    if kept is not None:
        document = json.loads(kept)
        return Compared(document["same_length"], document["same_start"], [*map(tuple, document["places"])])
    found = Compared(_same_length(before, after), *_start_and_places(workspace.repository, old, new))
    workspace.cache.put(_KIND, [(key, json.dumps(asdict(found)).encode())])
    return found


def _same_length(old: SoundFacts, new: SoundFacts) -> bool | None:
    """Say whether two sounds last equally long; lengths at two rates are rounded apart."""
    left, right = old.frames * new.sample_rate_hz, new.frames * old.sample_rate_hz
    if old.sample_rate_hz == new.sample_rate_hz or left == right:
        return left == right
    # A frame of either rate may be lost in rounding, and no more can be said then.
    return False if abs(left - right) > max(old.sample_rate_hz, new.sample_rate_hz) else None


def _start_and_places(
    repository: Repository, old: StoredFile, new: StoredFile
) -> tuple[bool | None, Sequence[Span]]:
    fmt, former = pcm_of(new.entry), pcm_of(old.entry)
    if fmt is None or former is None or fmt.rate_hz != former.rate_hz:
        return None, ()
    if fmt != former:
        return _lined_up(repository, old, new, fmt.rate_hz), ()
    before, after = (_Cut.of(repository, stored, fmt.frame_bytes) for stored in (old, new))
    same, moved = before.same(after), before.moved(after)
    enough = ENOUGH_S * fmt.rate_hz
    if same < enough:
        return False if moved >= enough else _lined_up(repository, old, new, fmt.rate_hz), ()
    if moved:
        return None, ()
    open_spans = _left_open(before.equal(after), min(before.frames, after.frames), after.frames)
    if _frames(open_spans) > max(MOST_CHANGED * after.frames, READ_ANYWAY_S * fmt.rate_hz):
        return True, ()
    runs = [*_differing(repository, old, new, fmt, open_spans)]
    if _frames(runs) > MOST_CHANGED * after.frames:
        return True, ()
    return True, _joined(runs, round(JOINED_S * fmt.rate_hz))


def _frames(spans: Sequence[Span]) -> int:
    return sum(end - first for first, end in spans)


# --- by how the store has cut them


@dataclass(frozen=True)
class _Cut:
    """A sound as the store has cut it, in frames: pieces by place and digest, and fills by byte."""

    frames: int
    pieces: dict[tuple[int, str], Span]
    fills: list[tuple[Span, str]]

    @classmethod
    def of(cls, repository: Repository, stored: StoredFile, frame_bytes: int) -> _Cut:
        """Read a layout."""
        layout, blobs = restoring.read_layout(repository, stored.tree)
        at, pieces, fills = 0, {}, []
        for part, chunk, _oid in restoring.rows_of(repository, layout, blobs):
            if part.kind != "essence":
                continue
            span = at, at + chunk.size_bytes // frame_bytes
            at = span[1]
            if chunk.coding == FILL:
                fills.append((span, chunk.sha256))
            else:
                pieces[span[0], chunk.sha256] = span
        return cls(at, pieces, fills)

    def same(self, other: _Cut) -> int:
        """Return how many frames of sound the other has at the same place."""
        return _frames(self._shared(other))

    def moved(self, other: _Cut) -> int:
        """Return how many frames of sound the other has at another place only."""
        here = {digest for _first, digest in self.pieces}
        return sum(
            end - first
            for (place, digest), (first, end) in other.pieces.items()
            if digest in here and (place, digest) not in self.pieces
        )

    def equal(self, other: _Cut) -> list[Span]:
        """Return what is the same at the same place, silence with it, in order."""
        silent = [
            (max(mine[0], theirs[0]), min(mine[1], theirs[1]))
            for mine, byte in self.fills
            for theirs, same in other.fills
            if byte == same
        ]
        return sorted([*self._shared(other), *(span for span in silent if span[0] < span[1])])

    def _shared(self, other: _Cut) -> list[Span]:
        return [span for key, span in other.pieces.items() if self.pieces.get(key) == span]


def _left_open(equal: Sequence[Span], common: int, frames: int) -> list[Span]:
    """Return what lies between the equal spans, and what only the new bounce has behind them."""
    found, at = [], 0
    for first, end in [*equal, (common, common)]:
        if first > at:
            found.append((at, first))
        at = max(at, end)
    return [*found, *([(common, frames)] if frames > common else [])]


# --- by their samples


def _differing(
    repository: Repository, old: StoredFile, new: StoredFile, fmt: PcmFormat, spans: Sequence[Span]
) -> Iterator[Span]:
    """Yield runs of frames that differ within some spans."""
    import numpy as np

    before, after = (_excerpts(repository, stored, fmt.frame_bytes, spans) for stored in (old, new))
    for (first, end), one, other in zip(spans, before, after, strict=True):
        if len(one) < len(other):  # behind the end of the old one
            yield first, end
            continue
        rows = [
            np.frombuffer(data[: len(other)], np.uint8).reshape(-1, fmt.frame_bytes) for data in (one, other)
        ]
        places = np.flatnonzero((rows[0] != rows[1]).any(axis=1))
        for run in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1):
            if len(run):
                yield first + int(run[0]), first + int(run[-1]) + 1


def _excerpts(
    repository: Repository, stored: StoredFile, frame_bytes: int, spans: Sequence[Span]
) -> list[bytes]:
    """Return the frames of some spans, as far as the sound reaches."""
    found = [bytearray() for _ in spans]
    at = 0

    def keep(block: bytes | memoryview) -> None:
        nonlocal at
        for taken, (first, end) in zip(found, spans, strict=True):
            inside = slice(max(first * frame_bytes - at, 0), max(end * frame_bytes - at, 0))
            taken += memoryview(block)[inside]
        at += len(block)

    read_audio(repository, stored, keep)
    return [bytes(taken) for taken in found]


def _joined(runs: Sequence[Span], gap: int) -> Sequence[Span]:
    """Join runs that are close, and closer ones until there are few."""
    found = sorted(runs)
    while True:
        joined: list[Span] = []
        for first, end in found:
            if joined and first - joined[-1][1] <= gap:
                joined[-1] = joined[-1][0], max(end, joined[-1][1])
            else:
                joined.append((first, end))
        if len(joined) <= MOST_PLACES:
            return joined
        found, gap = joined, 2 * gap


# --- by ear


def _lined_up(repository: Repository, old: StoredFile, new: StoredFile, rate_hz: int) -> bool | None:
    """Say whether two sounds without a sample in common start at the same place."""
    from relkit.measure.align import align

    sounds = [stored.entry.sound for stored in (old, new)]
    if any(sound is None or sound.frames > MOST_ALIGNED_S * rate_hz for sound in sounds):
        return None
    found = align(_samples(repository, old), _samples(repository, new), rate_hz)
    if not found.alignable or found.confidence < SURE:
        return None
    return found.offset_frames == 0


def _samples(repository: Repository, stored: StoredFile) -> Samples:
    import numpy as np

    blocks: list[Samples] = []
    read_samples(repository, stored, lambda block: blocks.append(block.copy()))
    return np.concatenate(blocks)
