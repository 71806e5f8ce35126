"""A Python file that libsndfile may call back, without losing an error.

An exception cannot travel through a C library: soundfile prints it and goes
on, so that a full disk would leave a short file behind and say nothing. Here
it is kept, and raised when the library has come back.

Conventions
    place    [bytes] from where the file stood at the start, so that the library may
             write or read behind something else, such as a tag

Not here: encoding and decoding (``relkit.audio.encoding``, ``relkit.audio.decoding``).
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO


class CalledBackFile:
    """Wraps a seekable binary file; give it to ``soundfile.SoundFile``.

    Args:
        file: at the place that the library will take for the start.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._start = file.tell()
        self._error: BaseException | None = None

    @contextmanager
    def heeded(self) -> Iterator[None]:
        """Around every call of the library: raise the first error that a call back met.

        It takes the place of whatever the library made of it.
        """
        try:
            yield
        finally:
            if self._error is not None:
                raise self._error

    def write(self, data: bytes) -> int:
        """Write all of it; 0 after an error."""
        view = memoryview(data)
        try:
            while view and self._error is None:
                view = view[self._file.write(view) :]  # a raw file may take less
        except BaseException as error:  # noqa: BLE001 - kept, and raised by heeded
            self._keep(error)
        return 0 if self._error else len(data)

    def read(self, count: int) -> bytes:
        """Read up to so many bytes; none after an error."""
        if self._error is None:
            try:
                return self._file.read(count)
            except BaseException as error:  # noqa: BLE001 - kept, and raised by heeded
                self._keep(error)
        return b""

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move, and return the place."""
        try:
            self._file.seek(offset + (self._start if whence == os.SEEK_SET else 0), whence)
        except BaseException as error:  # noqa: BLE001 - kept, and raised by heeded
            self._keep(error)
        return self.tell()

    def tell(self) -> int:
        """Return the place."""
        try:
            return self._file.tell() - self._start
        except BaseException as error:  # noqa: BLE001 - kept, and raised by heeded
            self._keep(error)
        return 0

    def _keep(self, error: BaseException) -> None:
        """Keep the first error: what follows is only its consequence."""
        self._error = self._error or error
