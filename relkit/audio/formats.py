"""What a file is made of and how its samples are written: facts, no reading.

Conventions
    offset, length   [bytes] from the start of the file
    rate_hz          sample frames per second
    channel_mask     speaker bits of WAVE_FORMAT_EXTENSIBLE; 0 where nobody said
    frame            one sample of every channel (PCM)

Sources
    [MASK] standards digest, RIFF basics: mono is 0x4 (centre), stereo 0x3

Not here: finding these facts in a file (``relkit.audio.container``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PartKind = Literal["meta", "opaque", "essence"]
ContainerName = Literal["wav", "rf64", "bw64", "aiff", "aifc", "mp3", "other"]

SAMPLE_BYTES = {
    "uint8": 1,
    "int8": 1,
    "int16": 2,
    "int24": 3,
    "int32": 4,
    "int64": 8,
    "float32": 4,
    "float64": 8,
}
MEASURABLE_FORMATS = frozenset({"int16", "int24", "int32", "float32"})
MAX_CHANNELS = 8
RATES_HZ = range(8_000, 384_000 + 1)


def default_mask(channels: int) -> int:
    """Return the speaker mask of a format that has no field for it: mono 0x4, stereo 0x3, else 0 [MASK]."""
    return {1: 0x4, 2: 0x3}.get(channels, 0)


@dataclass(frozen=True)
class PcmFormat:
    """How plain samples are written.

    Attributes:
        sample_format: a key of ``SAMPLE_BYTES``. The width is that of the stored
            word: 20 valid bits in three bytes are "int24".
        channels: interleaved, 1 or more.
        rate_hz: 1 or more.
        channel_mask: 0 to 2**32 - 1.
        big_endian: byte order in the file. No part of the sound identity.
    """

    sample_format: str
    channels: int
    rate_hz: int
    channel_mask: int
    big_endian: bool = False

    @property
    def sample_bytes(self) -> int:
        """Bytes of one sample of one channel."""
        return SAMPLE_BYTES[self.sample_format]

    @property
    def frame_bytes(self) -> int:
        """Bytes of one sample of every channel."""
        return self.sample_bytes * self.channels

    @property
    def is_measurable(self) -> bool:
        """Whether this is a bounce proper: it can be measured and coded, not only kept."""
        return (
            self.sample_format in MEASURABLE_FORMATS
            and 1 <= self.channels <= MAX_CHANNELS
            and self.rate_hz in RATES_HZ
        )


@dataclass(frozen=True)
class MpegFormat:
    """MPEG-1, -2 or -2.5 layer III.

    Attributes:
        bitrate_bps: of the first frame that holds sound; with ``is_variable``, only an example.
        frame_samples: samples per channel in one MPEG frame: 1152 or 576.
    """

    channels: int
    rate_hz: int
    bitrate_bps: int
    is_variable: bool
    frame_samples: int
    sample_format: str = "mpeg-layer-3"
    channel_mask: int = 0

    @property
    def is_measurable(self) -> bool:
        """Never: the frames are kept as they are."""
        return False


@dataclass(frozen=True)
class Part:
    """A stretch of the file.

    ``meta`` is structure and small text; ``opaque`` a large run that is kept
    alone (a picture, a foreign chunk); ``essence`` the audio: whole PCM frames,
    or MPEG frames from the first to the last whole one.
    """

    kind: PartKind
    offset: int
    length: int

    @property
    def end(self) -> int:
        """The first byte after it."""
        return self.offset + self.length


@dataclass(frozen=True)
class Container:
    """What a file turned out to be.

    Attributes:
        name: "other" for anything that is no known audio container.
        parts: cover the file from 0 to its size without gaps, in order; at most
            one is essence. An empty file has none.
        sound: None where the audio is of a kind that is only kept.
        frames: sample frames (per channel); for MP3 without the encoder's delay
            and padding where the file states them. None where ``sound`` is None.
        fault, hint: one line each for a person, when the file claims to be audio but is broken.
    """

    name: ContainerName
    parts: tuple[Part, ...]
    sound: PcmFormat | MpegFormat | None = None
    frames: int | None = None
    fault: str | None = None
    hint: str | None = None

    @property
    def essence(self) -> Part | None:
        """The audio's part, if the file has any."""
        return next((part for part in self.parts if part.kind == "essence"), None)

    @property
    def is_measurable(self) -> bool:
        """Whether the audio is a bounce proper (see ``PcmFormat.is_measurable``)."""
        return self.fault is None and self.sound is not None and self.sound.is_measurable
