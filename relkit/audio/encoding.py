"""Writing MP3 and FLAC from a stream of PCM frames.

MP3 is 320 kbit/s with a constant bit rate (joint stereo, as the encoder decides
from frame to frame). The encoder's Info frame says how much delay and padding a
player has to leave out, so the decoded length is that of the source to the
sample. The delay is the encoder's own and always the same: MP3s from here line
up with each other in every player, and with their WAVs in those that heed the
Info frame.

The bytes are decided by the frames, the recipe and the encoder's build; neither
the clock nor the sizes of the blocks play a part. A file is encoded once, stored
and identified by its source and recipe; ``mp3_made_with`` is noted beside it.

libsndfile writes MP3 from 16-bit stereo at half its level (1.2.2, measured), and
scales float by 32767. So integers always go in as 32-bit words, and float is
raised by 32768/32767: both then give one level, and 16-bit values one MP3.

Conventions
    raw     whole frames, channels interleaved, in the byte order of their format

Not here: other sample rates and depths (``relkit.audio.conversion``), tags
(``relkit.pack``), and running several encoders at once: libsndfile leaves
Python's lock while it encodes, so threads will do.
"""

from __future__ import annotations

from contextlib import suppress
from functools import lru_cache
from io import BytesIO
from types import TracebackType
from typing import Any, BinaryIO, ClassVar, Self

import numpy as np

from relkit.audio.callbacks import CalledBackFile
from relkit.audio.conversion import NotFiniteError, mp3_rate_hz
from relkit.audio.formats import PcmFormat
from relkit.audio.integers import left_justified
from relkit.audio.samples import Raw, Samples, to_float32, to_little_endian

MP3_RECIPE = "mp3-320-1"  # frozen; another bit rate, mode, scale or rule of rates is another recipe
FLAC_RECIPE = "flac-5-1"
MP3_RATES_HZ = (32_000, 44_100, 48_000)  # those of MPEG-1, the only ones that have 320 kbit/s
_FLOAT_SCALE = np.float32(32768 / 32767)
_PIECE_FRAMES = 1 << 16  # given to the encoder at a time


class _Writer:
    """One encoded file; the base of what is written through libsndfile."""

    _options: ClassVar[dict[str, Any]]

    def __init__(self, file: BinaryIO, fmt: PcmFormat, subtype: str) -> None:
        import soundfile

        self._fmt = fmt
        self._frames = 0
        self._file = CalledBackFile(file)
        with self._file.heeded():
            self._stream = soundfile.SoundFile(
                self._file, "w", fmt.rate_hz, fmt.channels, subtype, **self._options
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
            return
        import soundfile

        with suppress(soundfile.LibsndfileError):  # the file is given up: what is wrong with it is no news
            self._stream.close()

    def write(self, raw: Raw) -> None:
        """Encode the next frames.

        Args:
            raw: whole frames, any number; 64 Ki frames or more at a time cost least.

        Raises:
            OSError: the file cannot be written.
            NotFiniteError: a float sample is NaN or infinite.
            ValueError: not whole frames.
        """
        data = to_little_endian(raw, self._fmt)
        step = _PIECE_FRAMES * self._fmt.frame_bytes
        little = PcmFormat(self._fmt.sample_format, self._fmt.channels, self._fmt.rate_hz, 0)
        for start in range(0, len(data), step):
            piece = data[start : start + step]
            with self._file.heeded():
                if self._fmt.sample_format == "float32":
                    self._write_floats(to_float32(piece, little))
                else:
                    self._stream.buffer_write(left_justified(piece, little), "int32")
            self._frames += len(piece) // self._fmt.frame_bytes

    def close(self) -> None:
        """Write what is left, and complete the header. The file itself stays open.

        Raises:
            OSError: the file cannot be written.
        """
        with self._file.heeded():
            self._stream.close()

    def _write_floats(self, samples: Samples) -> None:
        """Encode float, after a look at it: the encoder would spread a NaN over the rest of the file."""
        finite = np.isfinite(samples)
        if not finite.all():
            bad = int(np.flatnonzero(~finite.all(axis=1))[0])
            raise NotFiniteError(self._frames + bad, self._fmt.rate_hz)
        self._stream.buffer_write(np.multiply(samples, _FLOAT_SCALE), "float32")


class Mp3Writer(_Writer):
    """Writes one MP3 by ``MP3_RECIPE``; use as a context manager.

    Float samples beyond full scale are encoded as they are: what becomes of
    them is up to the player.

    Args:
        file: seekable and writable; the MP3 begins where it stands.
        fmt: int16, int24, int32 or float32; mono or stereo; one of ``MP3_RATES_HZ``.

    Raises:
        ValueError: another format.
    """

    _options: ClassVar[dict[str, Any]] = {
        "format": "MP3",
        "bitrate_mode": "CONSTANT",
        "compression_level": 0.0,  # 320 kbit/s
    }

    def __init__(self, file: BinaryIO, fmt: PcmFormat) -> None:
        if not fmt.is_measurable or fmt.channels > 2 or fmt.rate_hz not in MP3_RATES_HZ:
            raise ValueError(f"no MP3 can be made from {fmt}")
        super().__init__(file, fmt, "MPEG_LAYER_III")


class FlacWriter(_Writer):
    """Writes one FLAC file by ``FLAC_RECIPE``, lossless; use as a context manager.

    Args:
        file: seekable and writable; the FLAC begins where it stands.
        fmt: int16 or int24; 1 to 8 channels.

    Raises:
        ValueError: another format.
    """

    _options: ClassVar[dict[str, Any]] = {
        "format": "FLAC",
        "compression_level": 0.625,  # level 5 of 8
    }

    def __init__(self, file: BinaryIO, fmt: PcmFormat) -> None:
        subtype = {"int16": "PCM_16", "int24": "PCM_24"}.get(fmt.sample_format)
        if subtype is None or not fmt.is_measurable:
            raise ValueError(f"no FLAC can be made from {fmt}")
        super().__init__(file, fmt, subtype)


def mp3_format(fmt: PcmFormat) -> PcmFormat:
    """Return the format in which frames of any rate go into an MP3; a part of ``MP3_RECIPE``.

    It is their own where MP3 has their rate. Others are converted, and left in
    float, since the encoder takes it: so nothing is dithered, and nothing clips.
    """
    rate_hz = mp3_rate_hz(fmt.rate_hz)
    if rate_hz == fmt.rate_hz:
        return fmt
    return PcmFormat("float32", fmt.channels, rate_hz, fmt.channel_mask)


@lru_cache
def mp3_made_with() -> str:
    """Name the programs whose version decides the bytes of an MP3."""
    made = BytesIO()
    with Mp3Writer(made, PcmFormat("int16", 1, 44_100, 0x4)) as writer:
        writer.write(bytes(2))
    # The encoder signs the Info frame with nine bytes; its name and version run together there.
    signature = made.getvalue()[21 + 120 : 21 + 129].rstrip(b"\0 ").decode("ascii", "replace")
    return f"{_libsndfile()}, {signature.replace('LAME', 'LAME ')}"


@lru_cache
def flac_made_with() -> str:
    """Name the programs whose version decides the bytes of a FLAC file."""
    made = BytesIO()
    with FlacWriter(made, PcmFormat("int16", 1, 44_100, 0x4)) as writer:
        writer.write(bytes(2))
    # The block after STREAMINFO begins with the encoder's name and its length.
    comments = made.getvalue()[4 + 4 + 34 + 4 :]
    signature = comments[4 : 4 + int.from_bytes(comments[:4], "little")].decode("ascii", "replace")
    return f"{_libsndfile()}, {signature.removeprefix('reference ')}"


def _libsndfile() -> str:
    """Name the library that leads to both encoders."""
    import soundfile

    return f"libsndfile {soundfile.__libsndfile_version__}"
