"""The audio of a bounce in the store: as a stream of frames, or any stretch of it.

Not here: giving back whole files (``package_files``), what is done with the audio.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from relkit.audio.formats import PcmFormat
from relkit.audio.samples import Samples, to_float32, to_little_endian
from relkit.manifest import FileEntry
from relkit.release.derived import StoredFile
from relkit.store import restoring
from relkit.store.excerpts import Essence
from relkit.store.repository import Repository

Sink = Callable[[bytes | memoryview], object]


class WholeFrames:
    """Regroups blocks of any length so that each holds whole frames."""

    def __init__(self, frame_bytes: int, sink: Callable[[memoryview], object]) -> None:
        self._frame_bytes = frame_bytes
        self._sink = sink
        self._left = b""

    def __call__(self, block: bytes | memoryview) -> None:
        """Take the next block."""
        data = memoryview(self._left + block if self._left else block)
        whole = len(data) - len(data) % self._frame_bytes
        self._left = bytes(data[whole:])
        if whole:
            self._sink(data[:whole])


def pcm_of(entry: FileEntry) -> PcmFormat | None:
    """Return how a bounce's samples are written, byte order apart; None where they cannot be read here."""
    sound = entry.sound
    if sound is None:
        return None
    try:
        fmt = PcmFormat(sound.sample_format, sound.channels, sound.sample_rate_hz, sound.channel_mask)
        return fmt if fmt.is_measurable else None
    except (KeyError, ValueError):
        return None


class StoredRecording:
    """A bounce that can be read anywhere, as ``relkit.measure.excerpts.Recording`` asks for.

    Raises:
        DamagedError: its layout cannot be read; so does ``read`` of a chunk.
        ValueError: its samples cannot be read; see ``pcm_of``.
    """

    def __init__(self, repository: Repository, stored: StoredFile) -> None:
        fmt = pcm_of(stored.entry)
        if fmt is None:
            raise ValueError(f"{stored.entry.name} has no samples that can be read")
        self.format = fmt
        self._essence = Essence(repository, stored.tree)

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self._essence.size_bytes // self.format.frame_bytes

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self.format.channels

    def read(self, first: int, end: int) -> Samples:
        """Return the frames from ``first`` up to ``end``: float32, shape (end - first, channels)."""
        width = self.format.frame_bytes
        return to_float32(self._essence.read(first * width, end * width), self.format)


def size_of(repository: Repository, stored: StoredFile) -> int:
    """Return how many bytes of audio a stored file has."""
    part = restoring.essence_of(repository, stored.tree)
    return part.size_bytes if part else 0


def read_audio(repository: Repository, stored: StoredFile, sink: Sink) -> None:
    """Hand the audio of a stored file to a sink: PCM as whole little-endian frames, anything else as it is.

    Raises:
        DamagedError: the store does not give the file back; what was handed over is no good.
    """
    entry, fmt = stored.entry, pcm_of(stored.entry)
    part = restoring.essence_of(repository, stored.tree)
    take: Callable[[memoryview], object] = sink
    if fmt is not None and part is not None:
        lying = replace(fmt, big_endian=part.big_endian)
        take = WholeFrames(lying.frame_bytes, lambda block: sink(to_little_endian(block, lying).data))
    restoring.restore_essence(repository, stored.tree, take, entry.sha256, size_bytes=entry.size_bytes)


def read_samples(repository: Repository, stored: StoredFile, sink: Callable[[Samples], object]) -> None:
    """Hand the samples of a bounce to a sink, block by block: float32, shape (frames, channels).

    Raises:
        DamagedError: as ``read_audio``.
        ValueError: its samples cannot be read; see ``pcm_of``.
    """
    fmt = pcm_of(stored.entry)
    if fmt is None:
        raise ValueError(f"{stored.entry.name} has no samples that can be read")
    read_audio(repository, stored, lambda block: sink(to_float32(block, fmt)))
