"""One sound, made from a bounce in one pass: converted, encoded, measured.

Converted frames are measured on their way; an MP3 is decoded again and measured
as a player will hear it, because encoding moves the peaks. That can wait until a
core has nothing to encode.

Not here: which sound (``relkit.pack.renditions``), where from and where to
(``rendering``), the converter and encoders themselves (``relkit.audio``).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from relkit.audio.formats import Container, Part, PcmFormat
from relkit.audio.samples import sound_identity, to_float32
from relkit.manifest import SoundFacts
from relkit.measure.levels import METER_VERSION, Meter
from relkit.pack.renditions import Rendition
from relkit.release.metering import LEVELS
from relkit.release.stored_audio import Sink

if TYPE_CHECKING:
    from relkit.audio.formats import MpegFormat

_BLOCK = 1 << 20


@dataclass(frozen=True)
class Made:
    """What came of it.

    Attributes:
        start, size_bytes: where in the file the sound lies.
        facts: with identity and levels, of what a player gets to hear.
        made_with: the programs whose version decides the bytes.
        clipped: samples over full scale that were cut off in converting.
        over_db: how far the highest of them lay over it.
        prefix: what a file of this format must begin with, before any text.
    """

    start: int
    size_bytes: int
    facts: SoundFacts
    made_with: str
    prefix: bytes = b""
    clipped: int = 0
    over_db: float = 0.0


def make(
    read: Callable[[Sink], object], sound: PcmFormat, rendition: Rendition, seed: bytes, out: BinaryIO
) -> Callable[[], Made]:
    """Make the sound of a rendition.

    Args:
        read: hands the bounce's frames to a sink, little-endian.
        sound: how they are written.
        rendition: one that has a recipe.
        seed: 32 bytes that decide the dither.
        out: empty, readable and seekable.

    Returns:
        What does the rest, which may wait: it reads ``out`` and says what came of it.

    Raises:
        BadInputError: samples that cannot be converted.
    """
    from relkit.audio.conversion import Converter

    target = rendition.target
    assert target is not None  # noqa: S101 - a recipe has a target
    converter = Converter(sound, target, seed)
    if rendition.folder == "MP3":
        _mp3(read, converter, target, out)
        return lambda: _heard(out, target)
    made = _pcm(read, converter, target, out, flac=rendition.folder == "FLAC")
    made = replace(made, clipped=converter.clipped, over_db=converter.over_db)
    return lambda: made


def _pcm(
    read: Callable[[Sink], object],
    converter: Any,
    target: PcmFormat,
    out: BinaryIO,
    *,
    flac: bool,
) -> Made:
    """Write converted frames, plain or as FLAC."""
    from relkit.audio import encoding
    from relkit.audio.conversion import made_with as converted_with
    from relkit.audio.flac import flac_start

    meter = Meter(target.rate_hz, target.channels, target.channel_mask)
    digest = hashlib.sha256()
    writer = encoding.FlacWriter(out, target) if flac else None
    write = writer.write if writer else out.write
    frames = 0

    def take(block: bytes | memoryview) -> None:
        nonlocal frames
        if not len(block):
            return
        frames += len(block) // target.frame_bytes
        digest.update(block)
        meter.feed(to_float32(block, target))
        write(block)

    read(lambda block: take(converter.feed(block)))
    take(converter.finish())
    if writer:
        writer.close()
    size = out.seek(0, 2)
    facts = _facts(sound_identity(target, digest.hexdigest()), target, frames, meter)
    if flac:
        prefix, start = flac_start(out)
        return Made(start, size - start, facts, encoding.flac_made_with(), prefix)
    return Made(0, size, facts, converted_with())


def _mp3(read: Callable[[Sink], object], converter: Any, target: PcmFormat, out: BinaryIO) -> None:
    """Encode. Nothing is clipped: what goes into the encoder is as wide as the bounce, or float."""
    from relkit.audio import encoding

    with encoding.Mp3Writer(out, target) as writer:
        read(lambda block: writer.write(converter.feed(block)))
        writer.write(converter.finish())


def _heard(out: BinaryIO, target: PcmFormat) -> Made:
    """Decode an MP3 and measure it."""
    from relkit.audio import encoding
    from relkit.audio.container import read_container
    from relkit.audio.decoding import mp3_samples

    size = out.seek(0, 2)
    out.seek(0)
    container: Container = read_container(out, size)
    essence, mpeg = cast(Part, container.essence), cast("MpegFormat", container.sound)
    digest = hashlib.sha256()
    out.seek(essence.offset)
    for start in range(0, essence.length, _BLOCK):
        digest.update(out.read(min(_BLOCK, essence.length - start)))
    meter = Meter(target.rate_hz, target.channels, target.channel_mask)
    out.seek(0)
    for samples in mp3_samples(out):
        meter.feed(samples)
    facts = _facts(sound_identity(mpeg, digest.hexdigest()), mpeg, container.frames or 0, meter)
    return Made(essence.offset, essence.length, facts, encoding.mp3_made_with())


def _facts(identity: str, sound: PcmFormat | MpegFormat, frames: int, meter: Meter) -> SoundFacts:
    document = meter.levels().rounded()
    return SoundFacts(
        identity=identity,
        sample_format=sound.sample_format,
        sample_rate_hz=sound.rate_hz,
        channels=sound.channels,
        channel_mask=sound.channel_mask,
        frames=frames,
        meter=METER_VERSION,
        **{name: document[name] for name in LEVELS},
    )
