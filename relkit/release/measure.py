"""``measure``: the numbers of any audio file, in a release or not.

One reading names the sound; if it was measured before, under whatever name or tags,
nothing more is done. Otherwise a second reading feeds every meter. A file that
cannot be measured stops no other.

A file that lies in a release folder is compared with what the release sheet declares: its
tempo settles whether 87 or 174 is meant, unless the caller gives one.

Not here: the meters (``relkit.measure``); what a number is good or bad for.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from relkit.audio.container import require_bounce
from relkit.audio.formats import MAX_CHANNELS, RATES_HZ, Container, PcmFormat
from relkit.audio.mp3 import decoded
from relkit.audio.reading import SteadyFile
from relkit.audio.samples import Samples, sound_identity, to_float32
from relkit.errors import BadInputError, RelkitError, UsageError
from relkit.release.declared import Declarations, Declared
from relkit.release.home import Home
from relkit.release.scanning import Hashing, Progress
from relkit.store.cache import Cache

if TYPE_CHECKING:
    from relkit.measure.loudness import LoudnessMeter
    from relkit.measure.tempo import Tempo

VERSION = "relkit-measure-4"  # goes up whenever a figure of any signal may change
CURVE_STEP_S = 0.5
_CURVE_WINDOW_S = 3.0
_FILES_AT_ONCE = 2


@dataclass(frozen=True)
class Measured:
    """What is known of one file.

    Attributes:
        error: why nothing is; all that follows is then None.
        numbers: under names that have their units; None for a kind of audio that is kept, not measured.
    """

    path: Path
    error: RelkitError | None = None
    container: str | None = None
    sound_identity: str | None = None
    sample_format: str | None = None
    sample_rate_hz: int | None = None
    channels: int | None = None
    frames: int | None = None
    declared: Declared = field(default_factory=Declared)
    numbers: dict[str, Any] | None = None

    @property
    def duration_s(self) -> float | None:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz if self.frames and self.sample_rate_hz else None

    def document(self) -> dict[str, Any]:
        """Return everything, ready for JSON."""
        duration_s = self.duration_s
        return {
            **{
                name: value for name, value in vars(self).items() if name not in {"path", "error", "declared"}
            },
            "path": str(self.path),
            "fault": str(self.error) if self.error else None,
            "hint": self.error.hint if self.error else None,
            "duration_s": None if duration_s is None else round(duration_s, 6),
            "declared": asdict(self.declared),
        }


@dataclass(frozen=True)
class _Named:
    """A file after its first reading."""

    path: Path
    declared: Declared
    container: Container
    identity: str | None

    @property
    def key(self) -> bytes | None:
        """Name the numbers: by the sound, and by everything else that they depend on."""
        sound = self.container.sound
        if self.identity is None or sound is None or not 1 <= sound.channels <= MAX_CHANNELS:
            return None
        if sound.rate_hz not in RATES_HZ:
            return None
        said = f"{self.declared.tempo_bpm} {self.declared.beats_per_bar}"
        return f"{VERSION} {self.identity} {said}".encode()


def measure(
    paths: Sequence[Path],
    home: Home,
    *,
    tempo_bpm: float | None = None,
    beats_per_bar: int | None = None,
    progress: Progress | None = None,
) -> list[Measured]:
    """Measure files, two at a time.

    Args:
        tempo_bpm: what the tempo is said to be; the answer says whether the music agrees. By
            default what the sheet says, for files that lie in a release folder.
        beats_per_bar: of the meter; by default the sheet's, or 4.
        progress: told how many of the bytes to be read are done, while one file or another is.

    Returns:
        One answer for each path, in their order; with an error where a file cannot be read or is no audio.

    Raises:
        UsageError: a tempo or meter that cannot be.
    """
    _require_possible(tempo_bpm, beats_per_bar)
    with suppress(OSError):  # without it, what is measured is remembered only until the end
        home.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    cache = Cache(home.folder / "measured.sqlite")
    pool = ThreadPoolExecutor(_FILES_AT_ONCE, "relkit-measure")
    telling = _Telling(progress)
    try:
        declared = Declarations(home, tempo_bpm, beats_per_bar)
        telling.begin("reading", paths)
        named = list(pool.map(lambda path: _tried(_named, path, declared.of(path), telling), paths))
        numbers = _all_numbers([one for one in named if isinstance(one, _Named)], cache, pool, telling)
    finally:
        telling.stop.set()  # after Ctrl-C nobody waits for the files that were begun
        pool.shutdown(cancel_futures=True)
        cache.close()
    return [
        Measured(path, one)
        if isinstance(one, RelkitError)
        else _answer(one, numbers[one.key] if one.key else None)
        for path, one in zip(paths, named, strict=True)
    ]


def _all_numbers(
    named: Sequence[_Named], cache: Cache, pool: ThreadPoolExecutor, telling: _Telling
) -> dict[bytes, dict[str, Any] | RelkitError]:
    """Return the numbers of every sound by key: kept ones, and fresh ones, which are then kept."""
    found: dict[bytes, dict[str, Any] | RelkitError] = {}
    fresh: dict[bytes, _Named] = {}
    for one in named:
        if one.key is None:
            continue
        old = cache.get("measured", one.key)
        if old is None:
            fresh.setdefault(one.key, one)
        else:
            found[one.key] = json.loads(old)
    telling.begin("measuring", [one.path for one in fresh.values()])
    jobs: dict[bytes, Future[dict[str, Any] | RelkitError]] = {
        key: pool.submit(_tried, _numbers, one, telling) for key, one in fresh.items()
    }
    for key, job in jobs.items():
        found[key] = numbers = job.result()
        if not isinstance(numbers, RelkitError):
            cache.put("measured", [(key, json.dumps(numbers).encode())])
    return found


def _tried(work: Any, *arguments: Any) -> Any:
    """Do it, or return what was wrong with the file."""
    try:
        return work(*arguments)
    except BadInputError as error:
        return error


def _require_possible(tempo_bpm: float | None, beats_per_bar: int | None) -> None:
    from relkit.measure.tempo import DeclaredTempo

    try:
        _ = None if tempo_bpm is None else DeclaredTempo(tempo_bpm)
    except ValueError as error:
        raise UsageError(str(error), hint="Give the tempo in beats per minute, for example 122.") from error
    if beats_per_bar is not None and not 1 <= beats_per_bar <= 16:
        raise UsageError(
            f"{beats_per_bar} beats in a bar cannot be", hint="Give the upper number of the meter, 1 to 16."
        )


# --- reading


class _Telling:
    """Adds up, over files that are read side by side, how much is done.

    Attributes:
        stop: once it is set, whoever reads gives up.
    """

    def __init__(self, progress: Progress | None) -> None:
        self.stop = threading.Event()
        self._progress = progress
        self._lock = threading.Lock()

    def begin(self, what: str, paths: Sequence[Path]) -> None:
        """Begin to read files, from the start."""
        self._what, self._done = what, 0
        self._total = sum(path.stat().st_size for path in paths if path.is_file()) if self._progress else 0

    def __call__(self, path: Path, size_bytes: int) -> None:
        """Note that so many more bytes are done."""
        if self.stop.is_set():
            raise CancelledError
        if self._progress is None:
            return
        with self._lock:
            self._done += size_bytes
            self._progress(f"{self._what} {path.name}", min(self._done, self._total), self._total)


def _named(path: Path, declared: Declared, telling: _Telling) -> _Named:
    """Read a file for its identity; None for a kind of audio that is only kept."""
    with SteadyFile(path) as file:
        require_bounce(file.container, path.name)
        hashing = Hashing(file.container)
        for part, data in file.windows():
            hashing.feed(part, data)
            telling(path, len(data))
        digest = hashing.finish().frames_sha256
        sound = file.container.sound
        return _Named(
            path, declared, file.container, sound_identity(sound, digest) if sound and digest else None
        )


def _windows(path: Path, container: Container, telling: _Telling) -> Iterator[Samples]:
    """Yield a file's samples."""
    sound = container.sound
    with SteadyFile(path) as file:
        if isinstance(sound, PcmFormat):
            for part, data in file.windows():
                if part.kind == "essence":
                    yield to_float32(data, sound)
                telling(path, len(data))
            return
        essence, frames = container.essence, container.frames or 0
        assert sound is not None  # noqa: S101 - what has a key has a sound
        assert essence is not None  # noqa: S101 - likewise
        for samples in decoded(path, essence, sound.channels, frames):
            yield samples
            telling(path, file.size_bytes * len(samples) // max(1, frames))
        file.confirm()


# --- numbers


def _numbers(named: _Named, telling: _Telling) -> dict[str, Any]:
    """Feed every meter from one reading."""
    from relkit.measure.faults import FaultMeter
    from relkit.measure.key import KeyMeter
    from relkit.measure.levels import Meter
    from relkit.measure.tempo import DeclaredTempo, TempoMeter

    sound, declared = named.container.sound, named.declared
    assert sound is not None  # noqa: S101 - what has a key has a sound
    rate_hz, channels = sound.rate_hz, sound.channels
    bits = 8 * sound.sample_bytes if isinstance(sound, PcmFormat) else None
    levels = Meter(rate_hz, channels, sound.channel_mask)
    faults = FaultMeter(rate_hz, channels, bits)
    tempo = TempoMeter(rate_hz, channels)
    key = KeyMeter(rate_hz, channels)
    for samples in _windows(named.path, named.container, telling):
        for meter in (levels, faults, tempo, key):
            meter.feed(samples)
    hint = None if declared.tempo_bpm is None else DeclaredTempo(declared.tempo_bpm)
    loudness = levels.loudness.result()
    return {
        **{name: value for name, value in levels.levels().rounded().items() if name != "frames"},
        "true_peak_at_s": _rounded(levels.peak.true_peak_at_s(), 3),
        "max_momentary_lufs": _rounded(loudness.max_momentary_lufs, 2),
        "max_short_term_lufs": _rounded(loudness.max_short_term_lufs, 2),
        **_tempo_document(tempo.result(hint, declared.beats_per_bar)),
        **key.result().rounded(),
        **faults.result().rounded(),
        "loudness_curve": _curve(levels.loudness),
    }


def _curve(meter: LoudnessMeter) -> dict[str, Any]:
    """Return short-term loudness over time; entry i is of the 3 s that begin at i * 0.5 s."""
    steps = round(CURVE_STEP_S * 10)  # the meter has a value every 100 ms
    return {
        "window_s": _CURVE_WINDOW_S,
        "step_s": CURVE_STEP_S,
        "short_term_lufs": [_rounded(float(value), 2) for value in meter.short_term_lufs()[::steps]],
    }


def _tempo_document(tempo: Tempo) -> dict[str, Any]:
    """Return a tempo under names that say what they are of, BPM to 0.01, times to 1 ms."""
    names = {
        "kind": "tempo",
        "bpm": "tempo_bpm",
        "confidence": "tempo_confidence",
        "agreement": "tempo_agreement",
        "curve": "tempo_curve_s_bpm",
        "sections": "tempo_sections_s_bpm",
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


def _answer(named: _Named, numbers: dict[str, Any] | RelkitError | None) -> Measured:
    if isinstance(numbers, RelkitError):
        return Measured(named.path, numbers)
    sound = named.container.sound
    return Measured(
        named.path,
        None,
        named.container.name,
        named.identity,
        sound.sample_format if sound else None,
        sound.rate_hz if sound else None,
        sound.channels if sound else None,
        named.container.frames,
        named.declared,
        numbers,
    )
