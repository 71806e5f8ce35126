"""What is heard of a revision's audio: each bounce decoded once, whatever was measured remembered.

A bounce is decoded when a rule first asks for something that is not remembered. That one pass feeds
the meters and fills a file in the folder for temporary files, in which pairs of bounces are then
compared; memory does not grow with the length of a song. What was measured is kept by the identity
of the sounds that it was measured of, so that after a new edit of one version only what has that
version in it is measured again, and after none nothing is even decoded.

Not here: the measures (``heard``, ``pairs``, ``joins``, ``remains``), where audio comes from.
"""

from __future__ import annotations

import dataclasses
import json
import tempfile
import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, BinaryIO, Self

from relkit.qc import heard
from relkit.qc.heard import Heard, Hearing, Hint
from relkit.qc.pack import Bounce

if TYPE_CHECKING:
    from relkit.measure.excerpts import Recording
    from relkit.measure.slabs import Samples
    from relkit.qc.joins import Joins
    from relkit.qc.leaks import Leak
    from relkit.qc.pairs import Difference, Lie
    from relkit.qc.remains import Remains
    from relkit.store.cache import Cache

Sink = Callable[["Samples"], object]
Span = tuple[float, float]  # [s]
Opener = Callable[[Bounce, Sink], None]  # hands over all samples of a bounce, in order
AT_ONCE = 2
KIND = "qc"
_BITS = {"uint8": 8, "int16": 16, "int24": 24, "int32": 32}


class Spooled:
    """A decoded bounce in a temporary file."""

    def __init__(self, file: BinaryIO, frames: int, channels: int) -> None:
        import numpy as np

        self.frames, self.channels = frames, channels
        self._file = file
        shape = (frames, channels)
        self._samples: Samples = (
            np.memmap(file, np.float32, "r", shape=shape) if frames else np.zeros(shape, np.float32)
        )

    def read(self, first: int, end: int) -> Samples:
        """Return a view; see ``relkit.measure.excerpts.Recording``."""
        import numpy as np

        return np.asarray(self._samples[first:end])

    def close(self) -> None:
        """Give the room back."""
        del self._samples
        self._file.close()


class Ear:
    """Answers rules; use as a context.

    Args:
        opener: gives the samples of a bounce.
        cache: where answers are remembered.
        hint: what is declared of the song.
        lead: identity of the sound of which tempo and key are asked; another file may have it, too.
    """

    def __init__(self, opener: Opener, cache: Cache, hint: Hint, lead: str | None) -> None:
        self._opener, self._cache = opener, cache
        self._hint, self._lead = hint, lead
        self._spooled: dict[str, Spooled] = {}
        self._locks: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()
        self._known: dict[bytes, Any] = {}
        self.decoded: list[str] = []  # names of what had to be decoded

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for each in self._spooled.values():
            each.close()
        self._spooled.clear()

    def warm(self, jobs: Iterable[Callable[[], object]]) -> None:
        """Do what rules will ask for, some of it side by side."""
        with ThreadPoolExecutor(AT_ONCE, "relkit-qc") as pool:
            for done in [pool.submit(job) for job in jobs]:
                done.result()

    # --- one bounce

    def heard(self, bounce: Bounce) -> Heard:
        """Return what is heard in a bounce alone."""
        found = self._remembered(self._heard_key(bounce))
        if found is None:
            self.recording(bounce)
            found = self._remembered(self._heard_key(bounce))
        if found is None:
            raise ValueError(f"{bounce.name} was decoded and not heard")
        return Heard(**found)

    def recording(self, bounce: Bounce) -> Recording:
        """Return the samples of a bounce."""
        identity = bounce.sound.identity
        with self._lock:
            lock = self._locks.setdefault(identity, threading.Lock())
        with lock:
            if identity not in self._spooled:
                self._spooled[identity] = self._decode(bounce)
            return self._spooled[identity]

    def _heard_key(self, bounce: Bounce) -> bytes:
        hint = self._hint_for(bounce)
        said = f"{hint.tempo_bpm} {hint.beats_per_bar}" if hint else ""
        return f"{heard.VERSION} {bounce.sound.identity} {said}".encode()

    def _hint_for(self, bounce: Bounce) -> Hint | None:
        return self._hint if bounce.sound.identity == self._lead else None

    def _decode(self, bounce: Bounce) -> Spooled:
        """Decode a bounce, hear it unless that is remembered, and keep its samples."""
        sound, key = bounce.sound, self._heard_key(bounce)
        hearing = None
        if self._remembered(key) is None:
            bits, hint = _BITS.get(sound.sample_format), self._hint_for(bounce)
            hearing = Hearing(sound.sample_rate_hz, sound.channels, sound.channel_mask, bits, hint)
        # The file is open as long as its samples may be asked for.
        file: BinaryIO = tempfile.TemporaryFile()  # noqa: SIM115
        frames = 0

        def take(samples: Samples) -> None:
            nonlocal frames
            frames += len(samples)
            file.write(samples.data)
            if hearing:
                hearing.feed(samples)

        try:
            self._opener(bounce, take)
            file.flush()
        except BaseException:
            file.close()
            raise
        self.decoded.append(bounce.name)
        if hearing:
            self._remember(key, dataclasses.asdict(hearing.result()))
        return Spooled(file, frames, sound.channels)

    # --- two bounces and more

    def lie(self, reference: Bounce, other: Bounce) -> Lie:
        """Return how a bounce lies to another."""
        from relkit.qc import pairs

        if reference.sound.identity == other.sound.identity:
            return pairs.Lie(True, 0, 0.0, 1, 1.0, [], [None, None])
        found = self._asked(
            pairs.LIE_VERSION,
            (reference, other),
            lambda: pairs.lie(
                self.recording(reference), self.recording(other), reference.sound.sample_rate_hz
            ),
        )
        return pairs.Lie(**found)

    def difference(self, old: Bounce, new: Bounce) -> Difference:
        """Return where a bounce differs from another that lies to it as ``lie`` says."""
        from relkit.qc import pairs

        lie = self.lie(old, new)
        found = self._asked(
            pairs.DIFFERENCE_VERSION,
            (old, new),
            lambda: pairs.difference(self.recording(old), self.recording(new), old.sound.sample_rate_hz, lie),
        )
        return pairs.Difference(**found)

    def joins(self, song: Bounce, edit: Bounce, beat_s: float | None, bar_beats: int) -> Joins:
        """Return how a DJ edit holds its song."""
        from relkit.qc import joins

        lie = self.lie(song, edit)
        found = self._asked(
            f"{joins.VERSION} {beat_s} {bar_beats}",
            (song, edit),
            lambda: joins.joins(
                self.recording(song),
                self.recording(edit),
                song.sound.sample_rate_hz,
                lie,
                (beat_s, bar_beats),
            ),
        )
        return joins.Joins(**found)

    def leak(self, of: Bounce, in_: Bounce, offset: int) -> Leak:
        """Return how much of a bounce is in another; offset as in ``leaks.leak``."""
        from relkit.qc import leaks

        found = self._asked(
            f"{leaks.VERSION} {offset}",
            (of, in_),
            lambda: leaks.leak(self.recording(of), self.recording(in_), of.sound.sample_rate_hz, offset),
        )
        return leaks.Leak(**found)

    def remains(
        self,
        explicit: Bounce,
        clean: Bounce,
        voice: Bounce,
        beat: Bounce | None,
        places: Sequence[Sequence[float]],
    ) -> Remains:
        """Return what is left of the words that a clean version mutes; see ``remains.remains``."""
        from relkit.qc import remains

        others = [clean, voice, *([beat] if beat else [])]
        offsets = [self.lie(explicit, one).offset_frames for one in others]
        said = " ".join(f"{start:.3f}-{end:.3f}" for start, end in places)
        found = self._asked(
            f"{remains.VERSION} {offsets} {said}",
            (explicit, *others),
            lambda: remains.remains(
                (
                    self.recording(explicit),
                    self.recording(clean),
                    self.recording(voice),
                    self.recording(beat) if beat else None,
                ),
                explicit.sound.sample_rate_hz,
                (offsets[0], offsets[1], offsets[2] if beat else 0),
                places,
            ),
        )
        return remains.Remains(**found)

    def sounds_again(self, voice: Bounce, in_: Bounce, word: Span, within: Span) -> float | None:
        """Return where a word of the voice sounds again in a stretch of a bounce; see ``remains``."""
        from relkit.qc import remains

        found = self._asked(
            f"{remains.VERSION} again {word} {within}",
            (voice, in_),
            lambda: remains.again(
                self.recording(voice), self.recording(in_), voice.sound.sample_rate_hz, word, within
            ),
        )
        return remains.Again(**found).at_s

    # --- memory

    def _asked(self, kind: str, of: tuple[Bounce, ...], make: Callable[[], Any]) -> dict[str, Any]:
        key = " ".join((kind, *(one.sound.identity for one in of))).encode()
        found = self._remembered(key)
        if found is None:
            found = dataclasses.asdict(make())
            self._remember(key, found)
        return found

    def _remembered(self, key: bytes) -> dict[str, Any] | None:
        with self._lock:
            if key not in self._known:
                kept = self._cache.get(KIND, key)
                if kept is None:
                    return None
                self._known[key] = json.loads(kept)
            found: dict[str, Any] = self._known[key]
            return found

    def _remember(self, key: bytes, answer: dict[str, Any]) -> None:
        row = json.dumps(answer).encode()
        with self._lock:
            self._known[key] = json.loads(row)
            self._cache.put(KIND, [(key, row)])
