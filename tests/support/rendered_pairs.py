"""Pairs of renderings with a known truth, from the example song's stems and general parts.

Conventions
    samples    float32, shape (frames, 2), full scale 1.0, 44.1 kHz
    offset     frame of the other rendering at which the reference's first frame sounds

Sources
    [EQ]       "Audio EQ Cookbook" by R. Bristow-Johnson (W3C note): shelving filters
"""

from __future__ import annotations

import io
import subprocess
import tempfile
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import scipy.ndimage
import scipy.signal
import soundfile

from example_release.session import stems
from tests.support.example_short import SHORT_S

Samples = npt.NDArray[np.float32]
RATE_HZ = 44_100


@dataclass(frozen=True)
class Song:
    """Two stems and their sum, unmastered."""

    full: Samples
    music: Samples
    voice: Samples


@lru_cache(maxsize=1)
def song() -> Song:
    """Return 14 bars of the example song; the voice enters at 15.8 s."""
    source = stems(SHORT_S)
    music = np.ascontiguousarray(source.music.T, dtype=np.float32)
    voice = np.ascontiguousarray((source.voice + source.voice_wet).T, dtype=np.float32)
    return Song(music + voice, music, voice)


def shelf(samples: Samples, hz: float, gain_db: float, *, high: bool) -> Samples:
    """Apply a minimum-phase shelf, slope 1; [EQ]."""
    root, omega = 10 ** (gain_db / 40), 2 * np.pi * hz / RATE_HZ
    cosine, width = np.cos(omega), np.sqrt(2 * root) * np.sin(omega)
    sign = -1 if high else 1
    up, down = root + 1, root - 1
    b = [up - sign * down * cosine + width, 2 * sign * (down - sign * up * cosine)]
    a = [up + sign * down * cosine + width, -2 * sign * (down + sign * up * cosine)]
    numerator = root * np.array([*b, b[0] - 2 * width])
    filtered = scipy.signal.lfilter(numerator, [*a, a[0] - 2 * width], samples, axis=0)
    return np.asarray(filtered, dtype=np.float32)


def limited(samples: Samples, ceiling: float) -> Samples:
    """Hold samples below a ceiling by a gain without delay (it looks ahead and is lined up)."""
    needed = np.minimum(1, ceiling / np.maximum(np.abs(samples).max(axis=1), 1e-6))
    gain = scipy.ndimage.uniform_filter1d(scipy.ndimage.minimum_filter1d(needed, 441), 441)
    return np.asarray(samples * gain[:, None], dtype=np.float32)


def sixteen_bit(samples: Samples) -> Samples:
    """Round to 16 bits without dither."""
    return (np.rint(samples * 32767) / 32768).astype(np.float32)


def through_mp3(samples: Samples) -> Samples:
    """Encode at 320 kbit/s and decode, by libsndfile, which writes and heeds the gapless data."""
    file = io.BytesIO()
    soundfile.write(
        file,
        np.clip(samples, -1, 1),
        RATE_HZ,
        format="MP3",
        subtype="MPEG_LAYER_III",
        bitrate_mode="CONSTANT",
        compression_level=0.0,  # the highest rate
    )
    assert len(file.getvalue()) * 8 / (len(samples) / RATE_HZ) > 300_000
    file.seek(0)
    decoded: Samples = soundfile.read(file, dtype="float32")[0]
    assert len(decoded) == len(samples)
    return decoded


def through_lame(samples: Samples) -> Samples:
    """Encode at 320 kbit/s and decode, by ffmpeg with libmp3lame."""
    raw = ["-f", "f32le", "-ar", str(RATE_HZ), "-ac", "2"]
    sound = np.clip(samples, -1, 1).astype("<f4").tobytes()
    with tempfile.TemporaryDirectory() as folder:  # a file, since the gapless data is written last
        path = f"{folder}/sound.mp3"
        encode = ["ffmpeg", "-v", "error", *raw, "-i", "-", "-c:a", "libmp3lame", "-b:a", "320k", path]
        subprocess.run(encode, input=sound, check=True)
        decode = ["ffmpeg", "-v", "error", "-i", path, *raw, "-"]
        output = subprocess.run(decode, stdout=subprocess.PIPE, check=True).stdout
    decoded: Samples = np.frombuffer(output, "<f4").reshape(-1, 2)
    assert len(decoded) == len(samples)
    return decoded


def delayed(samples: Samples, frames: float) -> Samples:
    """Delay by part of a frame, in the spectrum: exact for a signal that ends in silence."""
    padded = np.pad(samples, ((64, 64), (0, 0))).astype(np.float64)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(padded)) * frames)[:, None]
    return np.fft.irfft(np.fft.rfft(padded, axis=0) * turn, len(padded), axis=0).astype(np.float32)


@dataclass(frozen=True)
class Case:
    """A random pair and what was done to it."""

    reference: Samples
    other: Samples
    offset: int
    polarity: int
    done: str


def random_case(seed: int) -> Case:
    """Return a pair: offset within 60 s either way, level, polarity, mastering, voice, 16 bits."""
    rng = np.random.default_rng(seed)
    kind = rng.choice(["same", "voice in reference", "voice in other", "voice changed"])
    whole = song()
    first = int(rng.integers(0, 8 * RATE_HZ))
    cut = slice(first, first + int(rng.integers(12 * RATE_HZ, 20 * RATE_HZ)))
    reference = whole.music if kind == "voice in other" else whole.full
    other = whole.music if kind == "voice in reference" else whole.full
    if kind == "voice changed":
        other = whole.music + np.roll(whole.voice, RATE_HZ, axis=0)
    reference, other = reference[cut], other[cut]
    done = [str(kind)]
    if rng.random() < 0.5:
        low_db, high_db = rng.uniform(-4, 4, 2)
        other = shelf(other, rng.uniform(60, 300), low_db, high=False)
        other = shelf(other, rng.uniform(3000, 9000), high_db, high=True)
        done.append(f"shelves {low_db:.1f} and {high_db:.1f} dB")
    if rng.random() < 0.5:
        other = limited(other * np.float32(10 ** (rng.uniform(0, 6) / 20)), 0.89)
        done.append("limited")
    polarity = int(rng.choice([-1, 1]))
    other = other * np.float32(polarity * 10 ** (rng.uniform(-20, 0) / 20))
    if rng.random() < 0.5:
        other = sixteen_bit(other)
        done.append("16 bits")
    offset = int(rng.integers(-60 * RATE_HZ, 60 * RATE_HZ + 1))
    before = (0.001 * rng.standard_normal((abs(offset), 2))).astype(np.float32)
    if offset >= 0:
        other = np.concatenate([before, other])
    else:
        reference = np.concatenate([before, reference])
    return Case(reference, other, offset, polarity, ", ".join(done))
