"""Quick hashes of files, and the mark of an untouched one: what tells a change before a file is really read.

xxHash notices change; nothing is trusted on its word (``relkit.release.scanning`` says
what follows from which).

Conventions
    mark      size, times and inode; taken before a file is hashed, never after
    glance    a whole file read once in a thread of its own, while the caller does something else

Not here: what is known of files, and reading them into the store.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from relkit.audio.formats import Container, PcmFormat
from relkit.errors import RelkitError
from relkit.release.metering import quick_of_sound

_BLOCK, _GLIMPSE = 1 << 20, 1 << 12  # bytes that are read at a time
# Of a glance: after each of them, its thread may have to wait 5 ms for one that is loading modules.
_GLANCE_BYTES = 1 << 24


@dataclass(frozen=True)
class Glance:
    """What one quick reading told of a file.

    Attributes:
        mark: what tells the file while nobody touches it.
        whole: xxHash of all of it; None if it cannot be read.
        essence: the quick key of its sound, as of ``essence_key``; None where it was not asked or not told.
    """

    mark: bytes
    whole: str | None
    essence: bytes | None


def mark_of(path: Path) -> bytes | None:
    """Return what tells an untouched file: size, times, inode; None if it cannot be had."""
    try:
        found = path.stat()
    except OSError:
        return None
    return f"{found.st_size} {found.st_mtime_ns} {found.st_ctime_ns} {found.st_ino}".encode()


def begin(paths: Iterable[tuple[Path, bool]]) -> dict[Path, Future[Glance | None]]:
    """Begin to glance at files, one after the other, in one thread; for each, whether it may be a sound."""
    pool = ThreadPoolExecutor(1, "relkit-glance")
    begun = {path: pool.submit(glance, path, may_sound=may_sound) for path, may_sound in paths}
    pool.shutdown(wait=False)
    return begun


def glance(path: Path, *, may_sound: bool) -> Glance | None:
    """Read a file once, quickly; None if it is not there."""
    import xxhash

    mark = mark_of(path)
    if mark is None:
        return None
    container = _container(path) if may_sound else None
    sound = container.sound if container and container.is_measurable else None
    is_plain = isinstance(sound, PcmFormat) and not sound.big_endian
    first = container.essence.offset if container and container.essence else 0
    last = first + container.essence.length if container and container.essence else 0
    whole = xxhash.xxh3_128()
    essence = quick_of_sound(sound) if isinstance(sound, PcmFormat) and is_plain else None
    at = 0
    try:
        buffer = memoryview(bytearray(min(_GLANCE_BYTES, path.stat().st_size)))
        with path.open("rb", buffering=0) as file:
            while got := file.readinto(buffer):
                whole.update(buffer[:got])
                if essence is not None:
                    essence.update(buffer[max(0, first - at) : max(0, min(got, last - at))])
                at += got
    except OSError:
        return Glance(mark, None, None)
    return Glance(mark, whole.hexdigest(), None if essence is None else bytes(essence.digest()))


def _container(path: Path) -> Container | None:
    """Return what a file is made of, or None where that is somebody else's fault to tell."""
    from relkit.audio.reading import SteadyFile

    try:
        with SteadyFile(path) as file:
            return file.container
    except (RelkitError, OSError):
        return None


def essence_key(path: Path, container: Container, *, glimpse: bool = False) -> bytes:
    """Return a quick key of a file's sound: xxHash of the essence as little-endian frames.

    Args:
        glimpse: only of four or five short pieces of it.
    """
    from relkit.audio.samples import to_little_endian

    sound, essence = container.sound, container.essence
    assert isinstance(sound, PcmFormat)  # noqa: S101 - asked only for what is measurable
    assert essence is not None  # noqa: S101 - likewise
    digest = quick_of_sound(sound)
    with path.open("rb") as file:
        step = max(1, (_GLIMPSE if glimpse else _BLOCK) // sound.frame_bytes) * sound.frame_bytes
        starts = range(0, essence.length, step)
        for start in starts[:: max(1, len(starts) // 4)] if glimpse else starts:
            file.seek(essence.offset + start)
            block = file.read(min(step, essence.length - start))
            if sound.big_endian:
                whole = len(block) - len(block) % sound.frame_bytes  # the file may have become shorter
                digest.update(to_little_endian(block[:whole], sound))
            else:
                digest.update(block)
    return bytes(digest.digest())
