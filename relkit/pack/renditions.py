"""Which files does a bounce become? The format that each place can play, and the way to it.

    mp3         320 kbit/s; what most DJs carry
    wav         plays everywhere: 16 or 24 bit, mono or stereo, 44.1 or 48 kHz, audio right behind the header
    wav-radio   the same, with the broadcast chunks before the audio, where playout systems look
    wav-48k24   48 kHz, 24 bit: arenas and broadcast trucks
    wav-native  the bounce's own samples, for remixers and labels
    flac, aiff  where somebody asks for them

A recipe says what happens to the samples, never to the tags: one encoded or
converted sound serves every package, however it is labelled.

Conventions
    recipe    frozen names: the same source and recipe are the same derived sound for ever
    target    how the samples are written; for MP3 what goes into the encoder

Sources
    Which rates and depths players take: common practice, no published source.

Not here: doing it (``relkit.audio``), names (``relkit.pack.names``), tags
(``relkit.pack.tags``), who gets what (``relkit.release.wants``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from relkit.audio import conversion, encoding
from relkit.audio.formats import MpegFormat, PcmFormat, default_mask

FORMATS: Mapping[str, str] = MappingProxyType(
    {
        "mp3": "MP3",
        "wav": "WAV",
        "wav-radio": "WAV",
        "wav-48k24": "WAV",
        "wav-native": "WAV",
        "flac": "FLAC",
        "aiff": "AIFF",
    }
)
"""What may be asked for, and the folder that it lies in: at most one of each folder in a package."""

_MOST_CHANNELS = 2  # of what every player takes
_PLAYER_DEPTHS = frozenset({"int16", "int24"})


@dataclass(frozen=True)
class Rendition:
    """One file that a bounce becomes.

    Attributes:
        format: a key of ``FORMATS``; None where the bounce goes out as the file it is.
        target: of the samples that the file holds, or that go into the encoder; None with ``format``.
        recipe: how the sound is made; None where it is the bounce's own.
    """

    format: str | None
    target: PcmFormat | None = None
    recipe: str | None = None

    @property
    def container(self) -> str | None:
        """What the file is, as ``relkit.pack.layout`` places it; None for a file as it is."""
        return self.folder.lower() if self.folder else None

    @property
    def folder(self) -> str | None:
        """The folder of a package that this lies in; None for a file as it is."""
        return FORMATS[self.format] if self.format else None


AS_IT_IS = Rendition(None)


def rendition(container: str | None, sound: PcmFormat | MpegFormat | None, wanted: str) -> Rendition | None:
    """Return what a bounce becomes in a format, or None where it cannot be had in it.

    A bounce whose samples nobody here can convert goes out as it is, once:
    for the first format that is asked for, the caller sees to that.

    Args:
        container: of the bounce, as ``relkit.audio.formats`` names it.
        sound: of the bounce.
        wanted: a key of ``FORMATS``.

    Raises:
        KeyError: not one of them.
    """
    folder = FORMATS[wanted]
    if not isinstance(sound, PcmFormat) or not sound.is_measurable:
        return AS_IT_IS
    if wanted == "wav-native":
        is_aiff = container in {"aiff", "aifc"} and sound.sample_format.startswith("int")
        native = "aiff" if is_aiff else wanted
        return Rendition(native, _little(sound))
    if sound.channels > _MOST_CHANNELS and folder != "FLAC":
        # More than two channels: an encoder would have to mix them, and no player takes the WAV.
        return Rendition("wav-native", _little(sound)) if folder == "WAV" else None
    target = _target(sound, wanted)
    if folder == "MP3":
        return Rendition(wanted, target, f"{encoding.MP3_RECIPE}-{target.rate_hz}")
    same = replace(target, channel_mask=sound.channel_mask) == _little(sound)
    recipe = None if same else conversion.recipe(target)
    if folder == "FLAC":
        recipe = f"{encoding.FLAC_RECIPE}-{target.rate_hz}-{target.sample_format}"
    return Rendition(wanted, target, recipe)


def _target(sound: PcmFormat, wanted: str) -> PcmFormat:
    """Return how the samples of a file are to be written."""
    depth = sound.sample_format if sound.sample_format in _PLAYER_DEPTHS else "int24"
    rate_hz = sound.rate_hz
    if wanted == "mp3":
        return encoding.mp3_format(_little(sound))
    if wanted == "wav-48k24":
        rate_hz, depth = 48_000, "int24"
    elif wanted not in {"flac", "aiff"}:
        rate_hz = conversion.mp3_rate_hz(rate_hz) if rate_hz != 32_000 else 48_000  # no player has 32 kHz
    mask = sound.channel_mask if sound.channels > _MOST_CHANNELS else default_mask(sound.channels)
    return PcmFormat(depth, sound.channels, rate_hz, mask)


def _little(sound: PcmFormat) -> PcmFormat:
    return replace(sound, big_endian=False)
