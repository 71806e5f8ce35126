"""From one sample format to another: rate, depth, byte order, as a stream.

A package holds WAVs that play everywhere, made from bounces of any rate and
depth. Each must line up with its bounce, and come out the same on another day,
whatever the sizes of the blocks it went through.

Conventions
    raw      whole frames, channels interleaved, in the byte order of their format
    length   frames * new rate / old rate, half a frame rounded up
    start    frame 0 of the result is the same instant as frame 0 of the source
    LSB      the step of the target's integers; full scale is 1.0, or 2**(bits - 1) steps
    dither   triangular, 2 LSB from peak to peak, added before rounding to nearest; used
             wherever an integer target cannot hold the result exactly, in silence too
    over     a sample beyond ±1.0 before dither; an integer target clips it

The dither of a sample depends on nothing but the seed and the sample's place.
So two versions that go through with one seed, and share a stretch at the same
place, still share it afterwards, byte for byte; with two seeds they never do.
All of this is frozen under ``recipe``: another noise, filter or rounding is another name.

Sources
    [LWV]    Lipshitz, Wannamaker, Vanderkooy: Quantization and Dither: A Theoretical
             Survey, JAES 40 (1992) 355: triangular dither of 2 LSB makes mean and
             power of the error independent of the signal (from memory)
    [PHILOX] Salmon et al.: Parallel Random Numbers: As Easy as 1, 2, 3 (2011); numpy
             promises that a bit generator's words stay the same from version to version

Not here: which format a recipient gets, where the seed comes from, another number
of channels, and lowering the level so that nothing clips.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.audio.formats import PcmFormat
from relkit.audio.integers import in_byte_order, packed
from relkit.audio.samples import Raw, to_float32, to_little_endian
from relkit.errors import BadInputError

SEED_BYTES = 32
_PIECE_FRAMES = 1 << 15  # converted at a time: bounds the memory of a large block
_FLUSH_FRAMES = 1 << 12  # silence given to the filter at a time until its last frames are out
_WORDS = {"int16": "16-bit", "int24": "24-bit", "int32": "32-bit", "float32": "32-bit float"}


class NotFiniteError(BadInputError):
    """A float file holds samples that are no numbers, and cannot be converted or encoded."""

    def __init__(self, frame: int, rate_hz: int) -> None:
        super().__init__(
            f"the audio has a sample that is no finite number (NaN or infinite) at {frame / rate_hz:.3f} s",
            hint="A plug-in has failed there: render the bounce again, then commit it.",
        )
        self.frame = frame


def mp3_rate_hz(rate_hz: int) -> int:
    """Return the rate at which MP3 is made from audio of this rate: 32, 44.1 or 48 kHz.

    The three stay as they are. Others go to 44.1 kHz where the rate is of its
    family (a multiple of 11.025 kHz), so that the ratio is simple, else to 48 kHz.
    """
    if rate_hz in (32_000, 44_100, 48_000):
        return rate_hz
    return 44_100 if rate_hz % 11_025 == 0 else 48_000


def recipe(target: PcmFormat) -> str:
    """Name what decides a conversion, beside its source and its seed: frozen with the rules above."""
    return f"pcm-{target.sample_format}-{target.rate_hz}-1"


def converted_frames(frames: int, source: PcmFormat, target: PcmFormat) -> int:
    """Return how many frames so many become: the exact ratio, half a frame rounded up."""
    return (2 * frames * target.rate_hz + source.rate_hz) // (2 * source.rate_hz)


def needs(source: PcmFormat, target: PcmFormat) -> bool:
    """Whether frames have to be rewritten at all, if only in another byte order."""
    return _resampled(source, target) or _refilled(source, target) or source.big_endian != target.big_endian


def is_dithered(source: PcmFormat, target: PcmFormat) -> bool:
    """Whether the target's integers cannot hold the result exactly."""
    if target.sample_format == "float32":
        return False
    narrower = source.sample_format == "float32" or source.sample_bytes > target.sample_bytes
    return _resampled(source, target) or narrower


def describe(source: PcmFormat, target: PcmFormat) -> str:
    """Say what happens to the sound, for a person: "96 kHz to 48 kHz, 32-bit float to 24-bit, dithered".

    Empty where it stays as it is; a byte order is not worth a word.
    """
    said = []
    if _resampled(source, target):
        said.append(f"{source.rate_hz / 1000:g} kHz to {target.rate_hz / 1000:g} kHz")
    if _refilled(source, target):
        said.append(f"{_WORDS[source.sample_format]} to {_WORDS[target.sample_format]}")
    if is_dithered(source, target):
        said.append("dithered")
    return ", ".join(said)


def made_with() -> str:
    """Name the programs whose version decides the bytes of a conversion."""
    import soxr

    return f"numpy {np.__version__}, soxr {soxr.__version__}"


class Converter:
    """Converts one stream of frames; feed all of them, then take the rest with ``finish``.

    The result does not depend on how the stream was cut into blocks. Memory: what a
    block and its result take, and about 3 MB for stereo.

    Args:
        source, target: int16, int24, int32 or float32; 1 to 8 channels, the same number.
        seed: 32 bytes that decide the dither.

    Attributes:
        clipped: samples beyond full scale so far that an integer target could not hold.
        over_db: how far the highest of them lay over full scale [dB]; 0.0 if there is none.

    Raises:
        ValueError: a format that is no bounce's, another number of channels, or a seed of another length.
    """

    def __init__(self, source: PcmFormat, target: PcmFormat, seed: bytes) -> None:
        if not (source.is_measurable and target.is_measurable and source.channels == target.channels):
            raise ValueError(f"cannot convert {source} to {target}")
        if len(seed) != SEED_BYTES:
            raise ValueError(f"a seed has {SEED_BYTES} bytes, not {len(seed)}")
        self.clipped = 0
        self.over_db = 0.0
        self._source, self._target = source, target
        self._same = not _resampled(source, target) and not _refilled(source, target)
        self._taken = self._given = 0  # frames
        self._finished = False
        # [PHILOX] one half of the seed is the key; the other is the upper half of the counter,
        # whose lower half counts on from 0.
        key, place = (int.from_bytes(half, "little") for half in (seed[:16], seed[16:]))
        self._random = np.random.Philox(key=key, counter=place << 128)
        self._resampler: Any = None
        if _resampled(source, target):
            import soxr

            # Its stream is free of delay: the filter's own is taken off at the start.
            self._resampler = soxr.ResampleStream(
                source.rate_hz, target.rate_hz, source.channels, "float64", "VHQ"
            )

    def feed(self, raw: Raw) -> bytes:
        """Take the next frames, and return those that are ready.

        Args:
            raw: whole frames, any number of them.

        Raises:
            NotFiniteError: a sample is NaN or infinite, and the samples have to be changed.
            ValueError: not whole frames, or the stream was finished.
        """
        if self._finished:
            raise ValueError("the stream was finished")
        data = to_little_endian(raw, self._source)
        if self._same:
            return in_byte_order(data, self._target)
        step = _PIECE_FRAMES * self._source.frame_bytes
        return b"".join(self._piece(data[start : start + step]) for start in range(0, len(data), step))

    def finish(self) -> bytes:
        """Return the last frames.

        Raises:
            ValueError: the stream was finished before.
        """
        if self._finished:
            raise ValueError("the stream was finished")
        self._finished = True
        if self._resampler is None:
            return b""
        wanted = converted_frames(self._taken, self._source, self._target)
        silence = np.zeros((_FLUSH_FRAMES, self._source.channels))
        out = []
        while self._given < wanted:
            samples = self._resampler.resample_chunk(silence)[: wanted - self._given]
            out.append(self._written(samples))
        return b"".join(out)

    def _piece(self, little: npt.NDArray[np.uint8]) -> bytes:
        """Convert some frames."""
        samples = self._read(little)
        if not math.isfinite(_peak(samples)):
            bad = np.flatnonzero(~np.isfinite(samples).all(axis=1))[0]
            raise NotFiniteError(self._taken + int(bad), self._source.rate_hz)
        self._taken += len(samples)
        if self._resampler is not None:
            samples = self._resampler.resample_chunk(samples)
        return self._written(samples)

    def _read(self, little: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
        """Return samples of full scale 1.0, exactly."""
        if self._source.sample_format == "int32":  # which float32 would round
            words = little.view("<i4").reshape(-1, self._source.channels)
            return words.astype(np.float64) * 2.0**-31
        little_format = PcmFormat(self._source.sample_format, self._source.channels, self._source.rate_hz, 0)
        return to_float32(little, little_format).astype(np.float64)

    def _written(self, samples: npt.NDArray[np.float64]) -> bytes:
        """Return samples as frames of the target."""
        self._given += len(samples)
        if self._target.sample_format == "float32":
            return in_byte_order(samples.astype("<f4").reshape(-1).view(np.uint8), self._target)
        self._count_overs(samples)
        full = 2.0 ** (8 * self._target.sample_bytes - 1)
        steps = samples.reshape(-1) * full
        if is_dithered(self._source, self._target):
            steps += self._dither(len(steps))
            steps += 0.5
            np.floor(steps, out=steps)
        np.clip(steps, -full, full - 1, out=steps)
        return packed(steps.astype(np.int32), self._target)

    def _dither(self, count: int) -> npt.NDArray[np.float64]:
        """Return the next values of the noise: the difference of two evenly spread ones, in LSB."""
        # One word of 64 bits for each sample, so that every sample has its place in the sequence:
        # its lower half minus its upper half, over 2**32.
        halves = self._random.random_raw(count).astype("<u8", copy=False).view("<u4")
        noise: npt.NDArray[np.float64] = np.subtract(halves[0::2], halves[1::2], dtype=np.float64)
        noise *= 2.0**-32
        return noise

    def _count_overs(self, samples: npt.NDArray[np.float64]) -> None:
        """Note what lies beyond full scale."""
        peak = _peak(samples)
        if peak > 1.0:
            self.clipped += int(np.count_nonzero(np.abs(samples) > 1.0))
            self.over_db = max(self.over_db, 20 * math.log10(peak))


def _resampled(source: PcmFormat, target: PcmFormat) -> bool:
    return source.rate_hz != target.rate_hz


def _refilled(source: PcmFormat, target: PcmFormat) -> bool:
    return source.sample_format != target.sample_format


def _peak(samples: npt.NDArray[np.float64]) -> float:
    """Return the largest magnitude; NaN or infinite if a sample is."""
    return float(max(samples.max(), -samples.min())) if samples.size else 0.0
