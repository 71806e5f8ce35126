"""``measure``: the numbers of any audio file, in a release or not.

One reading names the sound; if it was measured before, under whatever name or tags,
nothing more is done. Otherwise a second reading feeds every meter.

Not here: the meters (``relkit.measure``); what a number is good or bad for.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from relkit.audio.container import require_bounce
from relkit.audio.formats import Container, PcmFormat
from relkit.audio.reading import SteadyFile
from relkit.audio.samples import sound_identity, to_float32
from relkit.errors import UsageError
from relkit.release.home import Home
from relkit.release.scanning import Hashing
from relkit.store.cache import Cache

if TYPE_CHECKING:
    from relkit.measure.tempo import DeclaredTempo, Tempo

VERSION = "relkit-measure-1"  # goes up whenever a figure of any signal may change
_FILES_AT_ONCE = 2


@dataclass(frozen=True)
class Measured:
    """What is known of one file.

    Attributes:
        numbers: under names that have their units; None for a kind of audio that is kept, not measured.
    """

    path: Path
    container: str
    sound_identity: str | None
    sample_format: str | None
    sample_rate_hz: int | None
    channels: int | None
    frames: int | None
    numbers: dict[str, Any] | None

    @property
    def duration_s(self) -> float | None:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz if self.frames and self.sample_rate_hz else None


def measure(
    paths: Sequence[Path], home: Home, *, tempo_bpm: float | None = None, beats_per_bar: int = 4
) -> list[Measured]:
    """Measure files, two at a time.

    Args:
        tempo_bpm: what the tempo is said to be; the answer says whether the music agrees.
        beats_per_bar: of the meter.

    Returns:
        One answer for each path, in their order.

    Raises:
        UsageError: a tempo or meter that cannot be.
        BadInputError: a file that cannot be read or is no bounce.
    """
    from relkit.measure.tempo import DeclaredTempo

    try:
        hint = None if tempo_bpm is None else DeclaredTempo(tempo_bpm)
    except ValueError as error:
        raise UsageError(str(error), hint="Give the tempo in beats per minute, for example 122.") from error
    if not 1 <= beats_per_bar <= 16:
        raise UsageError(
            f"{beats_per_bar} beats in a bar cannot be", hint="Give the upper number of the meter, 1 to 16."
        )
    cache = Cache(home.folder / "measured.sqlite")
    try:
        with ThreadPoolExecutor(_FILES_AT_ONCE, "relkit-measure") as pool:
            named = list(pool.map(_named, paths))
            keys = [_key(identity, hint, beats_per_bar) for _container, identity in named]
            kept = [cache.get("measured", key) if key else None for key in keys]
            fresh = [
                pool.submit(_numbers, path, container, hint, beats_per_bar) if key and not old else None
                for path, (container, _identity), key, old in zip(paths, named, keys, kept, strict=True)
            ]
            numbers = [
                job.result() if job else json.loads(old) if old else None
                for job, old in zip(fresh, kept, strict=True)
            ]
        rows = [
            (key, json.dumps(number).encode())
            for key, number, job in zip(keys, numbers, fresh, strict=True)
            if key and job
        ]
        cache.put("measured", rows)
    finally:
        cache.close()
    return [
        _answer(path, container, identity, number)
        for path, (container, identity), number in zip(paths, named, numbers, strict=True)
    ]


def _named(path: Path) -> tuple[Container, str | None]:
    """Read a file for its identity; None for a kind of audio that is only kept."""
    with SteadyFile(path) as file:
        require_bounce(file.container, path.name)
        hashing = Hashing(file.container)
        for part, data in file.windows():
            hashing.feed(part, data)
        digest = hashing.finish().frames_sha256
        sound = file.container.sound
        return file.container, sound_identity(sound, digest) if sound and digest else None


def _key(identity: str | None, hint: DeclaredTempo | None, beats_per_bar: int) -> bytes | None:
    """Name an answer: the sound, and everything else that it depends on."""
    if identity is None:
        return None
    return f"{VERSION} {identity} {hint.bpm if hint else None} {beats_per_bar}".encode()


def _numbers(
    path: Path, container: Container, hint: DeclaredTempo | None, beats_per_bar: int
) -> dict[str, Any] | None:
    """Feed every meter from one reading."""
    from relkit.measure.faults import FaultMeter
    from relkit.measure.key import KeyMeter
    from relkit.measure.levels import Meter
    from relkit.measure.tempo import TempoMeter

    sound = container.sound
    if not container.is_measurable or not isinstance(sound, PcmFormat):
        return None
    levels = Meter(sound.rate_hz, sound.channels, sound.channel_mask)
    faults = FaultMeter(sound.rate_hz, sound.channels, 8 * sound.sample_bytes)
    tempo = TempoMeter(sound.rate_hz, sound.channels)
    key = KeyMeter(sound.rate_hz, sound.channels)
    with SteadyFile(path) as file:
        for part, data in file.windows():
            if part.kind == "essence":
                samples = to_float32(data, sound)
                for meter in (levels, faults, tempo, key):
                    meter.feed(samples)
    loudness = levels.levels().rounded()
    curve = levels.loudness.result()
    return {
        **{name: value for name, value in loudness.items() if name != "frames"},
        "max_momentary_lufs": _rounded(curve.max_momentary_lufs, 2),
        "max_short_term_lufs": _rounded(curve.max_short_term_lufs, 2),
        **_tempo_document(tempo.result(hint, beats_per_bar)),
        **key.result().rounded(),
        **faults.result().rounded(),
    }


def _tempo_document(tempo: Tempo) -> dict[str, Any]:
    """Return a tempo under names that say what they are of, BPM to 0.01, times to 1 ms."""
    names = {
        "kind": "tempo",
        "bpm": "tempo_bpm",
        "confidence": "tempo_confidence",
        "agreement": "tempo_agreement",
    }
    document: dict[str, Any] = {}
    for name, value in asdict(tempo).items():
        places = 2 if "bpm" in name or name == "confidence" else 3 if name.endswith("_s") else 1
        if isinstance(value, tuple):
            value = [[_rounded(at, 3), _rounded(bpm, 2)] for at, bpm in value]
        document[names.get(name, f"tempo_{name}")] = (
            _rounded(value, places) if isinstance(value, float) else value
        )
    return document


def _rounded(value: float | None, places: int) -> float | None:
    """Round, with null for what is infinite or cannot be told."""
    return None if value is None or abs(value) == float("inf") else round(value, places) + 0.0


def _answer(path: Path, container: Container, identity: str | None, numbers: Any) -> Measured:
    sound = container.sound
    return Measured(
        path,
        container.name,
        identity,
        sound.sample_format if sound else None,
        sound.rate_hz if sound else None,
        sound.channels if sound else None,
        container.frames,
        numbers,
    )
