"""Raw frames to numbers, and the identity of a sound.

Conventions
    raw       whole frames as they lie in the file, channels interleaved
    samples   float32, shape (frames, channels), full scale 1.0
    scale     integers of b bits are divided by 2**(b - 1); exact up to 24 bits,
              rounded to nearest for 32-bit integers and float64

Not here: decoding MPEG; judging NaN and infinity (they pass as they are).
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.audio.formats import SAMPLE_BYTES, MpegFormat, PcmFormat

Raw = memoryview | bytes | bytearray | npt.NDArray[np.uint8]
Samples = npt.NDArray[np.float32]

_BLOCK_SAMPLES = 1 << 16  # 24-bit samples widened at a time: stays in cache


def to_float32(raw: Raw, fmt: PcmFormat, out: Samples | None = None) -> Samples:
    """Return the samples of whole frames.

    Args:
        raw: n * ``fmt.frame_bytes`` contiguous bytes.
        fmt: how they are written.
        out: shape (n or more, channels), C-contiguous; written from the start.
            Reusing one costs a quarter of taking fresh memory each time.

    Returns:
        Shape (n, channels); a view of ``out`` if given.

    Raises:
        ValueError: not whole frames, or ``out`` does not fit.
    """
    data = _as_bytes(raw, fmt)
    frames = len(data) // fmt.frame_bytes
    if out is None:
        out = np.empty((frames, fmt.channels), np.float32)
    elif out.dtype != np.float32 or out.shape[1:] != (fmt.channels,) or not out.flags.c_contiguous:
        raise ValueError(f"out is {out.dtype} {out.shape}, not contiguous float32 (frames, {fmt.channels})")
    elif len(out) < frames:
        raise ValueError(f"out has room for {len(out)} frames, not {frames}")
    taken = out[:frames]
    flat = taken.reshape(-1)
    if fmt.sample_format == "int24":
        _widen_int24(_flipped(data, fmt), flat)
    else:
        order = ">" if fmt.big_endian else "<"
        words: npt.NDArray[Any] = data.view(f"{order}{fmt.sample_format[0]}{fmt.sample_bytes}")
        with np.errstate(over="ignore", invalid="ignore"):  # a float64 beyond float32 becomes infinite
            np.copyto(flat, words, casting="unsafe")
    if fmt.sample_format == "uint8":
        np.subtract(flat, np.float32(128), out=flat)
    if not fmt.sample_format.startswith("float"):
        # int24 was widened to 32 bits, its lowest byte zero.
        bits = 32 if fmt.sample_format == "int24" else 8 * fmt.sample_bytes
        np.multiply(flat, np.float32(2.0 ** (1 - bits)), out=flat)
    return taken


def to_little_endian(raw: Raw, fmt: PcmFormat) -> npt.NDArray[np.uint8]:
    """Return the same frames as little-endian bytes: a view where they already are, else a copy.

    Raises:
        ValueError: not whole frames.
    """
    return _flipped(_as_bytes(raw, fmt), fmt)


def sound_identity(fmt: PcmFormat | MpegFormat, frames_sha256: str) -> str:
    """Return the identity of a sound. This format is frozen: it is in signed manifests.

    Two files hold the same sound when this agrees, whatever their containers,
    tags and byte orders. Anybody can compute it with two hashes: take the
    SHA-256 of the essence (PCM: the whole frames as little-endian interleaved
    bytes, without header; MP3: the MPEG frames from the first, with the Info
    frame, to the last), write it into this object without spaces or a newline,
    and take the SHA-256 of those bytes::

        {"channel_mask":3,"channels":2,"frames_sha256":"<64 hex>","rate_hz":44100,"sample_format":"int24"}

    For MP3 ``channel_mask`` is 0 and ``sample_format`` is "mpeg-layer-3".

    Args:
        fmt: byte order plays no part.
        frames_sha256: 64 lower-case hex digits.

    Raises:
        ValueError: ``frames_sha256`` is no such digest.
    """
    if len(frames_sha256) != 64 or set(frames_sha256) - set("0123456789abcdef"):
        raise ValueError(f"{frames_sha256!r} is not 64 lower-case hex digits")
    facts = {
        "channel_mask": fmt.channel_mask,
        "channels": fmt.channels,
        "frames_sha256": frames_sha256,
        "rate_hz": fmt.rate_hz,
        "sample_format": fmt.sample_format,
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _as_bytes(raw: Raw, fmt: PcmFormat) -> npt.NDArray[np.uint8]:
    """View the raw frames as bytes, checking that they are whole."""
    data = np.frombuffer(raw, np.uint8)
    if len(data) % fmt.frame_bytes:
        raise ValueError(f"{len(data)} bytes are no whole frames of {fmt.frame_bytes} bytes")
    return data


def _flipped(data: npt.NDArray[np.uint8], fmt: PcmFormat) -> npt.NDArray[np.uint8]:
    """Return little-endian bytes."""
    width = SAMPLE_BYTES[fmt.sample_format]
    if not fmt.big_endian or width == 1:
        return data
    if width == 3:
        flipped = np.empty_like(data)
        flipped[0::3], flipped[1::3], flipped[2::3] = data[2::3], data[1::3], data[0::3]
        return flipped
    return data.view(f"u{width}").byteswap().view(np.uint8)


def _widen_int24(data: npt.NDArray[np.uint8], out: Samples) -> None:
    """Write 24-bit samples times 256.

    Every sample is loaded as the 32-bit word that begins at it; the shift drops
    the neighbour's byte. Eight times as fast as copying three bytes out of four.
    """
    count = len(out)
    words = np.empty(min(count, _BLOCK_SAMPLES), np.int32)
    # The last sample has no neighbour to borrow a byte from.
    for start in range(0, count - 1, _BLOCK_SAMPLES):
        block = min(_BLOCK_SAMPLES, count - 1 - start)
        loads: npt.NDArray[np.int32] = np.ndarray((block,), "<i4", data, 3 * start, (3,))
        np.left_shift(loads, 8, out=words[:block])
        np.copyto(out[start : start + block], words[:block], casting="unsafe")
    if count:
        out[-1] = int.from_bytes(data[-3:].tobytes(), "little", signed=True) << 8
