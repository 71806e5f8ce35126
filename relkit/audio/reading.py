"""One steady reading of a file: every byte once, in order, and the same file at the end.

A session may still be writing while the file is read. What was read counts
only after ``confirm`` found size, time and inode as they were at the start.

Conventions
    windows   pieces of one part each, in file order; of PCM essence whole frames
    buffers   reused: a window is good until ``buffers`` further ones were taken

A change within the time stamp's grain that keeps the size (some milliseconds
on usual file systems) cannot be seen.

Not here: what the file is made of (``relkit.audio.container``), and whether it
is fit to be a bounce (``require_bounce``).
"""

from __future__ import annotations

import io
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from relkit.audio.container import read_container
from relkit.audio.formats import Container, Part, PcmFormat
from relkit.errors import BadInputError
from relkit.filenames import shown

WINDOW_BYTES = 1 << 21  # threads meet at the end of each window: not too often, and still in the cache


class UnreadableFileError(BadInputError):
    """A file is missing, may not be read, or is no file."""


class BadNameError(BadInputError):
    """A file name is not valid UTF-8, so that it cannot be written into a manifest."""


class FileChangedError(BadInputError):
    """A file changed while it was read."""

    def __init__(self, name: str, how: str) -> None:
        super().__init__(
            f"{shown(name)} changed while it was read: {how}",
            hint="Wait until whatever writes it has finished, then run the command again.",
        )


class SteadyFile:
    """A file opened for one steady reading; use as a context manager.

    Attributes:
        path: as given.
        size_bytes: at the start.
        container: what it is made of; never fails on content.

    Raises:
        UnreadableFileError: vanished, no permission, a folder, a pipe, or a read error.
        BadNameError: the file's own name is not valid UTF-8.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self._name = self.path.name
        try:
            self._name.encode()
        except UnicodeEncodeError:
            raise BadNameError(
                f"the file name {shown(self._name)} is not valid UTF-8",
                hint="Rename the file with ordinary letters and run the command again.",
            ) from None

    def __enter__(self) -> Self:
        with self._readable():
            # Without O_NONBLOCK, opening a named pipe would wait for a writer for ever.
            flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
            descriptor = os.open(self.path, flags)
            try:
                self._stat = os.fstat(descriptor)
                if not stat.S_ISREG(self._stat.st_mode):
                    raise self._no_file(self._stat.st_mode)
                self.size_bytes = self._stat.st_size
                self._file = io.FileIO(descriptor, "rb", closefd=False)
                self.container: Container = self._parse()
            except BaseException:
                os.close(descriptor)
                raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._file.fileno())

    def windows(
        self, window_bytes: int = WINDOW_BYTES, *, buffers: int = 1
    ) -> Iterator[tuple[Part, memoryview]]:
        """Read the whole file; ``confirm`` is called after the last window.

        Args:
            window_bytes: at most this many at a time (one frame, if a frame is larger).
            buffers: how many are used in turn. With 3, one thread can still work
                on the last two windows while this one reads the next.

        Yields:
            The part, and its next bytes. Copy what must outlive the buffer.

        Raises:
            FileChangedError: shorter than at the start, or ``confirm`` failed.
            UnreadableFileError: a read error.
        """
        if window_bytes < 1 or buffers < 1:
            raise ValueError(f"window_bytes {window_bytes} and buffers {buffers} must be 1 or more")
        sound = self.container.sound
        frame_bytes = sound.frame_bytes if isinstance(sound, PcmFormat) else 1
        framed_bytes = max(1, window_bytes // frame_bytes) * frame_bytes
        room = min(max(window_bytes, framed_bytes), self.size_bytes)
        pool = [memoryview(bytearray(room)) for _ in range(buffers)]
        turn = 0
        with self._readable():
            self._file.seek(0)
        for part in self.container.parts:
            step = framed_bytes if part.kind == "essence" else window_bytes
            for start in range(0, part.length, step):
                window = pool[turn % buffers][: min(step, part.length - start)]
                self._fill(window)
                turn += 1
                yield part, window
        self.confirm()

    def confirm(self) -> None:
        """Check that the open file, and the file of that name, are what they were at the start.

        Raises:
            FileChangedError: they are not.
        """
        before = self._stat
        try:
            for now in (os.fstat(self._file.fileno()), self.path.stat()):
                if (now.st_dev, now.st_ino) != (before.st_dev, before.st_ino):
                    raise FileChangedError(self._name, "another file took its place")
                if now.st_size != before.st_size:
                    how = f"it had {before.st_size:,} bytes and has {now.st_size:,}"
                    raise FileChangedError(self._name, how)
                if now.st_mtime_ns != before.st_mtime_ns:
                    raise FileChangedError(self._name, "it was written to")
        except OSError as error:
            raise FileChangedError(self._name, "it was moved or deleted") from error

    def _parse(self) -> Container:
        """Read the container's facts through a small buffer that is then thrown away."""
        buffered = io.BufferedReader(self._file)
        try:
            return read_container(buffered, self.size_bytes)
        finally:
            buffered.detach()

    def _fill(self, window: memoryview) -> None:
        """Fill a window; a short file has changed, since its size was known."""
        done = 0
        while done < len(window):
            with self._readable():
                got = self._file.readinto(window[done:])
            if not got:
                raise FileChangedError(self._name, "it became shorter")
            done += got

    @contextmanager
    def _readable(self) -> Iterator[None]:
        """Turn what the system says about this file into what a person can act on."""
        try:
            yield
        except FileNotFoundError as error:
            raise UnreadableFileError(
                f"{shown(self._name)} is not there",
                hint=f"Nothing is at {shown(self.path)}; was it moved or renamed?",
            ) from error
        except PermissionError as error:
            raise UnreadableFileError(
                f"{shown(self._name)} may not be read: permission denied",
                hint="Give yourself the right to read it (its properties, or chmod u+r).",
            ) from error
        except OSError as error:
            raise UnreadableFileError(
                f"{shown(self._name)} cannot be read: {error.strerror or error}",
                hint="Check the disk or stick it is on, or copy the file from a backup.",
            ) from error

    def _no_file(self, mode: int) -> UnreadableFileError:
        """Say what stands where a file should be."""
        kind = "a folder" if stat.S_ISDIR(mode) else "a named pipe" if stat.S_ISFIFO(mode) else "a device"
        return UnreadableFileError(
            f"{shown(self._name)} is {kind}, not a file", hint="Give the name of an audio file."
        )
