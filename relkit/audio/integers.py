"""Integer samples between files and arithmetic: raw frames to 32-bit words and back.

Conventions
    raw      whole frames as they lie in the file, channels interleaved
    words    int32, one for each sample, channels interleaved

Not here: samples as numbers of full scale 1.0 (``relkit.audio.samples``).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from relkit.audio.formats import PcmFormat
from relkit.audio.samples import Raw, to_little_endian

Words = npt.NDArray[np.int32]


def left_justified(raw: Raw, fmt: PcmFormat) -> Words:
    """Return integer samples with their top bits in front, as libsndfile takes every depth.

    Args:
        raw: whole frames.
        fmt: int16, int24 or int32.

    Returns:
        Shape (samples,); the bits that the format does not have are zero.

    Raises:
        ValueError: not whole frames.
    """
    data = to_little_endian(raw, fmt)
    if fmt.sample_format == "int16":
        words: Words = np.left_shift(data.view("<i2"), 16, dtype=np.int32)
        return words
    if fmt.sample_format == "int24":
        wide = np.zeros(len(data) // 3 * 4, np.uint8)
        for place in range(3):
            wide[place + 1 :: 4] = data[place::3]
        return wide.view("<i4").astype(np.int32, copy=False)
    return data.view("<i4").astype(np.int32, copy=False)


def packed(words: Words, fmt: PcmFormat) -> bytes:
    """Return words as frames of int16, int24 or int32; each must fit its format."""
    if fmt.sample_format == "int16":
        return in_byte_order(words.astype("<i2").view(np.uint8), fmt)
    four = words.astype("<i4", copy=False).view(np.uint8)
    if fmt.sample_format == "int32":
        return in_byte_order(four, fmt)
    three = np.empty(len(words) * 3, np.uint8)
    for place in range(3):
        three[place::3] = four[place::4]
    return in_byte_order(three, fmt)


def in_byte_order(little: npt.NDArray[np.uint8], fmt: PcmFormat) -> bytes:
    """Return little-endian frames in the byte order of ``fmt``."""
    # Turning bytes round is its own inverse, so the reader of big-endian frames writes them, too.
    return (
        to_little_endian(little, replace(fmt, big_endian=True)).tobytes()
        if fmt.big_endian
        else little.tobytes()
    )
