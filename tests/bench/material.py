"""What the benchmark works on: packs of the example song, a silent hour, and files of any length.

A pack is what one commit takes in, and the edits that the next one brings: the second take of
the three clean versions, in which one more word is muted. Rendering takes minutes, so
finished packs are kept in a folder and used again.

Conventions
    kinds     ``take``            the example as it is
              ``dither``          every bounce with fresh dither, the edits with another
              ``bus-compressor``  every bounce through a slow compressor, after the edit
              ``16-bit``          the example rounded to 16 bits
              ``float``           the example 3 dB lower as 32-bit float: samples with all their bits
    names     as a new release's sheet has them: ``<version>.wav``, and ``cover.png``

Not here: timing anything, and music (``example_release``).
"""

from __future__ import annotations

import shutil
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile

from example_release.render import CLEAN_VERSIONS, VERSIONS, render, render_rebounce

Kind = Literal["take", "dither", "bus-compressor", "16-bit", "float"]
COVER = "cover.png"
LONG_RATE_HZ = 96_000
_LOWER = np.float32(10 ** (-3 / 20))


@dataclass(frozen=True)
class Pack:
    """Files by name: all of the first commit, and those that the second one replaces."""

    first: dict[str, Path]
    edits: dict[str, Path]

    @property
    def wav_bytes(self) -> int:
        """Size of all WAV files of the first commit."""
        return sum(path.stat().st_size for name, path in self.first.items() if name != COVER)

    @property
    def edit_bytes(self) -> int:
        """Size of the edits."""
        return sum(path.stat().st_size for path in self.edits.values())


def pack(kind: Kind, kept: Path, seconds_limit: float | None = None) -> Pack:
    """Return a pack, rendered unless it is there already.

    Args:
        kept: where finished packs are.
        seconds_limit: [s] as in ``example_release.render``; None for the whole song.
    """
    song = kept / ("song-whole" if seconds_limit is None else f"song-{seconds_limit:g}s")
    found = []
    for take in (1, 2):
        folder = song / f"{kind}-{take}"
        if not folder.is_dir():
            part = folder.with_name(f"{folder.name}.part")
            shutil.rmtree(part, ignore_errors=True)
            part.mkdir(parents=True)
            _make(kind, take, part, kept, seconds_limit)
            part.rename(folder)
        found.append(folder)
    first = {path.name: path for path in sorted(found[0].iterdir())}
    return Pack(first, {path.name: path for path in sorted(found[1].iterdir())})


def _make(kind: Kind, take: int, out: Path, kept: Path, seconds_limit: float | None) -> None:
    """Fill a folder with one take of a pack."""
    if kind in ("16-bit", "float"):
        example = pack("take", kept, seconds_limit)
        for name, path in (example.first if take == 1 else example.edits).items():
            if name != COVER:
                _converted(path, out / name, kind)
        return
    versions = VERSIONS if take == 1 else CLEAN_VERSIONS
    number: Literal[1, 2] = 1 if take == 1 else 2
    if kind == "take":
        paths = render(out, versions=versions, take=number, seconds_limit=seconds_limit, artwork=number == 1)
    elif kind == "dither":
        paths = render_rebounce(
            "dither", out, versions=versions, take=number, seconds_limit=seconds_limit, seed=number
        )
    else:
        paths = render_rebounce(
            "bus-compressor", out, versions=versions, take=number, seconds_limit=seconds_limit
        )
    for version in versions:
        paths[version].rename(out / f"{version}.wav")


def _converted(source: Path, target: Path, kind: Kind) -> None:
    """Write a bounce in another sample format."""
    if kind == "16-bit":
        samples, rate_hz = soundfile.read(source, dtype="int32")
        rounded = np.clip((samples.astype(np.int64) + (1 << 15)) >> 16, -(1 << 15), (1 << 15) - 1)
        soundfile.write(target, rounded.astype(np.int16), rate_hz, subtype="PCM_16")
    else:
        samples, rate_hz = soundfile.read(source, dtype="float32")
        soundfile.write(target, samples * _LOWER, rate_hz, subtype="FLOAT")


# --- files of any length


def silence(path: Path, seconds: float) -> Path:
    """Write digital silence: 24-bit/44.1 kHz stereo; on most file systems it takes no room."""
    frames = round(seconds * 44_100)
    with path.open("wb") as file:
        file.write(_wave_head(44_100, frames * 6))
        file.truncate(file.tell() + frames * 6)
    return path


def long_bounce(path: Path, seconds: float, seed: int = 1) -> Path:
    """Write a bounce of any length that holds nothing twice: 24-bit/96 kHz stereo, RF64.

    A chord that drifts out of phase with itself, under noise with a pulse; only one second of it is in
    memory at a time.
    """
    rng = np.random.default_rng(seed)
    seconds_whole = max(1, round(seconds))
    time_s = np.arange(LONG_RATE_HZ, dtype=np.float32) / LONG_RATE_HZ
    pulse = np.exp(-8 * (time_s * 2 % 1))[:, None]
    with path.open("wb") as file:
        file.write(_wave_head(LONG_RATE_HZ, seconds_whole * LONG_RATE_HZ * 6))
        for second in range(seconds_whole):
            chord = sum(np.sin(2 * np.pi * (hz * time_s + second * hz % 1)) for hz in (92.5, 138.6, 220.3))
            noise = rng.random((LONG_RATE_HZ, 2), np.float32) - np.float32(0.5)
            whole = (2**23 * (0.2 * np.asarray(chord)[:, None] + 0.05 * pulse * noise)).astype("<i4")
            file.write(np.ascontiguousarray(whole.reshape(-1, 1).view(np.uint8)[:, :3]).data)
    return path


def _wave_head(rate_hz: int, data_bytes: int) -> bytes:
    """Return what stands before the samples of a 24-bit stereo RF64 file.

    Source: EBU Tech 3306 version 2, chapter 3: ``ds64`` first, 0xFFFFFFFF in the 32-bit sizes.
    """
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, rate_hz, rate_hz * 6, 6, 24)
    ds64 = struct.pack("<4sIQQQI", b"ds64", 28, 4 + 36 + len(fmt) + 8 + data_bytes, data_bytes, 0, 0)
    return b"RF64\xff\xff\xff\xffWAVE" + ds64 + fmt + b"data\xff\xff\xff\xff"
