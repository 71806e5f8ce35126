"""Releases of short bounces in any format, packages of them, and what stock tools make of the files.

Bounces are written byte by byte (``tests.support.audio_bytes``), files of packages are decoded by
programs that relkit has no part in.

Conventions
    samples    float64, shape (frames, channels), full scale 1.0
    offset     [frames]; positive if the first signal lies behind the second
"""

from __future__ import annotations

import struct
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from relkit import Release
from relkit.release.home import Home
from relkit.release.ship import ShipReport
from tests.support.audio_bytes import chunk, extensible, fmt, rf64, riff
from tests.support.releases import written

Floats = npt.NDArray[np.float64]
DECODERS = ("ffmpeg", "mpg123", "libsndfile")
_BITS = {"int16": 16, "int24": 24, "int32": 32, "float32": 32}
_SURROUND_MASK = 0x3F  # standards digest 3.1


def noise(seed: int, frames: int, channels: int, rate_hz: int) -> Floats:
    """Return noise without treble, which resamplers and encoders keep: -12 dBFS at its peak, no period."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal((frames, channels)), axis=0)
    hz = np.fft.rfftfreq(frames, 1 / rate_hz)[:, None]
    samples: Floats = np.fft.irfft(spectrum * ((hz > 40) & (hz < min(3_000, 0.4 * rate_hz))), frames, axis=0)
    samples *= 0.25 / float(np.abs(samples).max())
    return samples


def raw(samples: Floats, sample_format: str) -> bytes:
    """Return little-endian frames."""
    if sample_format == "float32":
        return samples.astype("<f4").tobytes()
    bits = _BITS[sample_format]
    words = np.round(samples * (2 ** (bits - 1) - 1)).astype("<i4")
    octets: npt.NDArray[np.uint8] = words.view(np.uint8).reshape(-1, 4)
    return octets[:, : bits // 8].tobytes()


def wav_of(samples: Floats, sample_format: str, rate_hz: int, *, large: bool = False) -> bytes:
    """Return a WAV, or an RF64; WAVE_FORMAT_EXTENSIBLE for more than two channels."""
    channels, bits = samples.shape[1], _BITS[sample_format]
    head = (
        extensible(channels, rate_hz, bits, _SURROUND_MASK)
        if channels > 2
        else fmt(channels, rate_hz, bits, tag=3 if sample_format == "float32" else 1)
    )
    data = raw(samples, sample_format)
    return (
        rf64([chunk(b"fmt ", head)], data, []) if large else riff(chunk(b"fmt ", head), chunk(b"data", data))
    )


SHEET = """
artist = "Ostrel Vane"
title = "Lanterns on the Weir"
composers = ["Ostrel Vane"]
key = "F# minor"

[credits]
"Mixed by" = "Dorn Lade"

[bars]
tempo_bpm = 122
"""


def version_lines(version_id: str, *more: str) -> str:
    """Return a table of the sheet for a version that nothing is known of but its file."""
    lines = [f"[versions.{version_id}]", f'file = "bounces/{version_id}.wav"', *more]
    usual = {"parts": "full", "form": "song", "rating": "no-edit-needed"}
    said = {line.partition(" ")[0] for line in more}
    lines += [f'{name} = "{value}"' for name, value in usual.items() if name not in said]
    return "\n".join(lines) + "\n"


def started(folder: Path, home: Home, sheet: str, bounces: Mapping[str, bytes]) -> Release:
    """Return a release with one revision: a sheet as it is given, and bounces by version."""
    release = Release.new(folder, artist="x", title="y", home=home)
    (folder / "release.toml").write_text(sheet, encoding="utf-8")
    for name, data in bounces.items():
        written(folder / "bounces" / f"{name}.wav", data)
    release.commit()
    return release


def files(report: ShipReport, suffix: str) -> dict[str, Path]:
    """Return the files of a package folder with that suffix, by version id."""
    return {
        entry.version.id: report.path / entry.name
        for entry in report.package.files
        if entry.version and entry.name.endswith(suffix)
    }


def note_of(report: ShipReport) -> str:
    """Return the note as text, its lines joined by spaces as they were before they were wrapped."""
    (name,) = (entry.name for entry in report.package.files if entry.name.endswith("(Info).txt"))
    return " ".join((report.path / name).read_text(encoding="utf-8").split())


def decoded(decoder: str, paths: Sequence[Path], channels: Sequence[int]) -> list[Floats]:
    """Return the samples that a program makes of files, each read to its end."""
    if decoder == "libsndfile":
        return [soundfile.read(path, dtype="float64", always_2d=True)[0] for path in paths]
    if decoder == "ffmpeg":
        found = _by_ffmpeg(paths)
    else:
        before, behind = {
            "sox": (["sox", "-V1"], ["-t", "raw", "-e", "floating-point", "-b", "32", "-"]),
            "mpg123": (["mpg123", "-q", "-e", "f32", "-s"], []),
        }[decoder]
        found = [_said([*before, str(path), *behind]) for path in paths]
    return [
        np.frombuffer(data, "<f4").reshape(-1, count).astype(np.float64)
        for data, count in zip(found, channels, strict=True)
    ]


def _by_ffmpeg(paths: Sequence[Path]) -> list[bytes]:
    """Decode all files in one process: its start takes longer than its work."""
    with tempfile.TemporaryDirectory() as folder:
        outs = [Path(folder) / f"{number}.raw" for number in range(len(paths))]
        sources = [word for path in paths for word in ("-i", str(path))]
        targets = [
            word
            for number, out in enumerate(outs)
            for word in ("-map", f"{number}:a", "-f", "f32le", str(out))
        ]
        assert _said(["ffmpeg", "-v", "error", "-nostdin", *sources, *targets]) == b""
        return [out.read_bytes() for out in outs]


def _said(command: Sequence[str]) -> bytes:
    """Return what a program wrote; a warning on stderr is no success."""
    done = subprocess.run(command, capture_output=True, check=True, stdin=subprocess.DEVNULL)
    assert not done.stderr, done.stderr
    return done.stdout


def offset_of(late: Floats, early: Floats) -> int:
    """Return by how many frames one signal lies behind the other: the highest cross-correlation."""
    size = 2 * max(len(late), len(early))
    one, other = (each[:, 0] for each in (late, early))
    cross = np.fft.irfft(np.fft.rfft(one, size) * np.conj(np.fft.rfft(other, size)), size)
    peak = int(np.argmax(cross))
    return peak - size if peak > size // 2 else peak


@dataclass(frozen=True)
class Chunks:
    """A WAV as a list of its chunks: name, place and size of the content; sizes as RF64 has them, too."""

    rows: list[tuple[bytes, int, int]]
    data: bytes

    @property
    def names(self) -> list[bytes]:
        """Names in order."""
        return [name for name, _place, _size in self.rows]

    def content(self, name: bytes) -> bytes:
        """Return what one chunk holds."""
        place, size = next((place, size) for each, place, size in self.rows if each == name)
        return self.data[place : place + size]

    def place(self, name: bytes) -> int:
        """Return where the content of a chunk begins."""
        return next(place for each, place, _size in self.rows if each == name)


def chunks_of(path: Path) -> Chunks:
    """Read a WAV chunk by chunk; every byte belongs to one. Source: standards digest 3.1."""
    data = path.read_bytes()
    assert data[:4] in {b"RIFF", b"RF64"}
    assert data[8:12] == b"WAVE"
    rows, at, long = [], 12, 0
    while at < len(data):
        name, size = struct.unpack_from("<4sI", data, at)
        if name == b"ds64":
            long = struct.unpack_from("<Q", data, at + 16)[0]
        if name == b"data" and size == 0xFFFFFFFF:
            size = long
        rows.append((name, at + 8, size))
        at += 8 + size + size % 2
    assert at == len(data), path
    return Chunks(rows, data)
