"""How the bytes of one chunk are written, losslessly.

Each coding turns whole frames into a blob and back. All of them are frozen:
a blob written once must be readable for ever, so a better coding gets a new
name, and a store names the codings that it uses in its ``format`` blob.

    plain            the bytes themselves
    flac             a FLAC stream of 16- or 24-bit integers
    int32-flac24     u32 n, n bytes FLAC of ``x >> 8``, zlib of the low bytes
    float32-flac24   u32 n, n bytes FLAC of q, zlib of four byte planes; q is the
                     sample rounded to 24 bits and clipped, and the planes (lowest
                     byte first) hold ``bits(x) - bits(float32(q / 2**23))``, modulo
                     2**32, zig-zag coded. Exact for every bit pattern: where x is
                     not a number, q is 0 and the planes carry all of x.
    fill             no blob: the chunk is one byte repeated

Conventions
    raw         little-endian interleaved frames, as bytes
    u32         little-endian
    FLAC        always says 44100 Hz, so that a blob does not depend on the rate

Not here: where chunks begin and end (``relkit.store.chunking``).
"""

from __future__ import annotations

import errno
import io
import os
import struct
import tempfile
import threading
import zlib

import numpy as np
import numpy.typing as npt

from relkit.errors import DamagedError
from relkit.store.layout import FLAC, FLOAT32, INT32, PLAIN

Planes = list[npt.NDArray[np.int32]]  # one array a channel; samples are whole numbers, not shifted

NOMINAL_RATE_HZ = 44_100
_LEVEL = 3  # on mastered music 4 % larger than the usual 5, and a third faster
_FULL = np.float32(2**23)


class DamagedChunkError(DamagedError):
    """A stored chunk does not decode to what its layout says."""


def coding_for(sample_format: str, channels: int) -> str:
    """Return the coding that suits a sample format; ``plain`` where none does."""
    if not 1 <= channels <= 8:  # what a FLAC stream can hold
        return PLAIN
    return {"int16": FLAC, "int24": FLAC, "int32": INT32, "float32": FLOAT32}.get(sample_format, PLAIN)


def encode(coding: str, raw: bytes, channels: int, sample_bytes: int) -> tuple[str, bytes]:
    """Code one chunk; falls back to ``plain`` where that is smaller, as for noise.

    Args:
        coding: what ``coding_for`` gave.
        raw: whole frames, at least one.
        channels: 1 to 8.
        sample_bytes: bytes of one sample of one channel.

    Returns:
        The coding that was used, and the blob.
    """
    if coding == FLAC:
        blob = _flac(_planes(raw, channels, sample_bytes), 8 * sample_bytes)
    elif coding == INT32:
        blob = _encode_int32(raw, channels)
    elif coding == FLOAT32:
        blob = _encode_float32(raw, channels)
    else:
        return PLAIN, raw
    return (coding, blob) if len(blob) < len(raw) else (PLAIN, raw)


def decode(coding: str, blob: bytes, size_bytes: int, channels: int, sample_bytes: int) -> bytes:
    """Return the raw frames of a chunk.

    Raises:
        DamagedChunkError: the blob is broken or gives another number of bytes.
    """
    try:
        if coding == FLAC:
            raw = _packed(_unflac(blob, size_bytes // sample_bytes, channels), sample_bytes)
        elif coding == INT32:
            raw = _decode_int32(blob, size_bytes, channels)
        elif coding == FLOAT32:
            raw = _decode_float32(blob, size_bytes, channels)
        elif coding == PLAIN:
            raw = blob
        else:
            raise DamagedChunkError(
                f"a chunk is in the unknown coding {coding!r}",
                hint="A newer relkit wrote this store: update relkit, then try again.",
            )
    except (RuntimeError, ValueError, struct.error, zlib.error) as error:
        raise DamagedChunkError(f"a stored chunk does not decode: {error}", hint=_HINT) from error
    if len(raw) != size_bytes:
        raise DamagedChunkError(
            f"a stored chunk decodes to {len(raw)} bytes where {size_bytes} are recorded", hint=_HINT
        )
    return raw


_HINT = "Run relkit audit to see what is affected, then restore the store from a copy."


def _planes(raw: bytes, channels: int, sample_bytes: int) -> Planes:
    """Return the samples of every channel by itself."""
    if sample_bytes == 2:
        return _parted(np.frombuffer(raw, "<i2"), channels)
    frame_bytes = 3 * channels
    return [_plane_of_int24(raw, start, frame_bytes) for start in range(0, frame_bytes, 3)]


def _parted(samples: npt.NDArray[np.integer], channels: int) -> Planes:
    return [plane.astype(np.int32) for plane in samples.reshape(-1, channels).T]


def _plane_of_int24(raw: bytes, start: int, frame_bytes: int) -> npt.NDArray[np.int32]:
    # Every 24-bit sample is loaded as the 32-bit word that ends with it, and the shift drops the
    # neighbour's byte; the very first one has no neighbour to borrow from.
    count = len(raw) // frame_bytes
    plane = np.empty(count, np.int32)
    plane[0] = int.from_bytes(raw[start : start + 3], "little", signed=True)
    if count > 1:
        words: npt.NDArray[np.int32] = np.ndarray(
            (count - 1,), "<i4", raw, frame_bytes + start - 1, (frame_bytes,)
        )
        np.right_shift(words, 8, out=plane[1:])
    return plane


def _packed(samples: npt.NDArray[np.int32], sample_bytes: int) -> bytes:
    """Return samples that fill the top bits of 32, as libsndfile gives them, as raw frames."""
    if sample_bytes == 2:
        return (samples >> 16).astype("<i2").tobytes()
    # Four samples of 24 bits are three words of 32: three times as fast as copying bytes.
    values = samples.view(np.uint32) >> np.uint32(8)
    whole = len(values) // 4 * 4
    first, second, third, fourth = (values[place:whole:4] for place in range(4))
    words = np.empty((whole // 4, 3), "<u4")
    words[:, 0] = first | second << np.uint32(24)
    words[:, 1] = second >> np.uint32(8) | third << np.uint32(16)
    words[:, 2] = third >> np.uint32(16) | fourth << np.uint32(8)
    rest = values[whole:].astype("<u4").view(np.uint8).reshape(-1, 4)[:, :3]
    return words.tobytes() + rest.tobytes()


class _Scratch:
    """A file in memory for libsndfile to write to and read from.

    Given a Python file object, libsndfile would call back into Python for every
    few kilobytes, and threads that code at once would wait for one another there.
    """

    def __init__(self) -> None:
        if hasattr(os, "memfd_create"):  # Linux
            self._file = os.memfd_create("relkit")
        else:
            with tempfile.TemporaryFile() as made:
                self._file = os.dup(made.fileno())

    def __del__(self) -> None:
        os.close(self._file)

    def filled(self, data: bytes) -> int:
        """Return the descriptor of the file, at its start, with this content."""
        os.ftruncate(self._file, 0)
        os.lseek(self._file, 0, os.SEEK_SET)
        view = memoryview(data)
        while view:
            view = view[os.write(self._file, view) :]
        os.lseek(self._file, 0, os.SEEK_SET)
        return self._file

    def content(self) -> bytes:
        """Return what was written."""
        size = os.lseek(self._file, 0, os.SEEK_END)
        os.lseek(self._file, 0, os.SEEK_SET)
        return os.read(self._file, size)


class _OfThisThread(threading.local):
    """What every thread has for itself, and lets go of when it ends."""

    def __init__(self) -> None:
        self.scratch = _Scratch()


_here = _OfThisThread()


def _flac(planes: Planes, bits: int) -> bytes:
    """Code one FLAC stream; ``plibflac`` does it a fifth faster, where there is one for the system."""
    try:
        import plibflac
    except ImportError:
        return _flac_by_libsndfile(planes, bits)
    out = io.BytesIO()
    with plibflac.Encoder(
        out,
        channels=len(planes),
        bits_per_sample=bits,
        sample_rate=NOMINAL_RATE_HZ,
        compression_level=_LEVEL,
    ) as stream:
        stream.write(planes)
    return out.getvalue()


def _flac_by_libsndfile(planes: Planes, bits: int) -> bytes:
    import soundfile

    samples = np.stack(planes, axis=1) << (32 - bits)
    try:
        with soundfile.SoundFile(
            _here.scratch.filled(b""),
            "w",
            NOMINAL_RATE_HZ,
            len(planes),
            f"PCM_{bits}",
            format="FLAC",
            closefd=False,
            compression_level=_LEVEL / 8,
        ) as stream:
            stream.write(samples)
    except soundfile.LibsndfileError as error:  # samples are always fit: only room can be lacking
        raise OSError(errno.EFBIG, f"no room to code audio in memory: {error}") from error
    return _here.scratch.content()


def _unflac(blob: bytes, count: int, channels: int) -> npt.NDArray[np.int32]:
    """Decode ``count`` samples in all; a stream that claims more or less is refused unread."""
    import soundfile

    with soundfile.SoundFile(_here.scratch.filled(blob), closefd=False) as stream:
        if stream.format != "FLAC" or stream.channels != channels or stream.frames * channels != count:
            raise ValueError("the stream is not the one that was recorded")
        samples: npt.NDArray[np.int32] = stream.read(dtype="int32", always_2d=True).reshape(-1)
    return samples


def _squeezed(data: bytes) -> bytes:
    """Compress byte planes: mostly long runs, which is what Z_RLE looks for."""
    coder = zlib.compressobj(6, zlib.DEFLATED, 15, 9, zlib.Z_RLE)
    return coder.compress(data) + coder.flush()


def _unsqueezed(data: bytes, size_bytes: int) -> bytes:
    """Decompress, never to more than was announced."""
    decoder = zlib.decompressobj()
    out = decoder.decompress(data, size_bytes + 1)  # a limit of 0 would mean none
    if len(out) != size_bytes or not decoder.eof:
        raise ValueError("byte planes of another size than recorded")
    return out


def _join(flac: bytes, planes: bytes) -> bytes:
    return struct.pack("<I", len(flac)) + flac + _squeezed(planes)


def _split(blob: bytes, planes_bytes: int) -> tuple[bytes, bytes]:
    (size,) = struct.unpack_from("<I", blob)
    return blob[4 : 4 + size], _unsqueezed(blob[4 + size :], planes_bytes)


def _encode_int32(raw: bytes, channels: int) -> bytes:
    samples = np.frombuffer(raw, "<i4")
    low = (samples & 0xFF).astype(np.uint8)
    return _join(_flac(_parted(samples >> 8, channels), 24), low.tobytes())


def _decode_int32(blob: bytes, size_bytes: int, channels: int) -> bytes:
    flac, low = _split(blob, size_bytes // 4)
    return (_unflac(flac, size_bytes // 4, channels) | np.frombuffer(low, np.uint8)).astype("<i4").tobytes()


def _nearest(quantised: npt.NDArray[np.int32]) -> npt.NDArray[np.uint32]:
    """Return the bit patterns of float32(q / 2**23): exact, since q has 24 bits."""
    return (quantised.astype("<f4") / _FULL).view("<u4")


def _encode_float32(raw: bytes, channels: int) -> bytes:
    bits = np.frombuffer(raw, "<u4")
    with np.errstate(invalid="ignore"):  # a signalling NaN is a bit pattern like any other
        scaled = bits.view("<f4").astype("<f8") * 2.0**23
    scaled[~np.isfinite(scaled)] = 0
    quantised = np.clip(np.rint(scaled), -(2**23), 2**23 - 1).astype(np.int32)
    difference = (bits - _nearest(quantised)).view("<i4")
    zigzag = ((difference << 1) ^ (difference >> 31)).astype("<i4").view(np.uint8).reshape(-1, 4)
    return _join(_flac(_parted(quantised, channels), 24), zigzag.T.tobytes())


def _decode_float32(blob: bytes, size_bytes: int, channels: int) -> bytes:
    flac, planes = _split(blob, size_bytes)
    quantised = _unflac(flac, size_bytes // 4, channels) >> 8
    zigzag = np.frombuffer(planes, np.uint8).reshape(4, -1).T.copy().view("<u4").reshape(-1)
    difference = (zigzag >> np.uint32(1)) ^ (np.uint32(0) - (zigzag & np.uint32(1)))
    return (_nearest(quantised) + difference).astype("<u4").tobytes()
