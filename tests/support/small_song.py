"""A stand-in for a finished song: every version of a pack, as long as a song and a few megabytes in all.

8 kHz mono is too little to listen to and enough for everything that the documentation
shows: lengths, levels, which versions changed. Drums and bass are a decaying noise and a
tone on every beat, the voice is a wandering tone; one word of it can be muted.

Conventions
    rate 8000 Hz, mono, 16 bit; 122 BPM, 4/4; grid lines are rounded once
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
from PIL import Image

RATE_HZ = 8_000
TEMPO_BPM = 122
SONG_BARS = 106
DJ_BARS = 8
FIRST_WORD_BEAT, SECOND_WORD_BEAT = 90, 142

Track = npt.NDArray[np.float64]


def frame_of_beat(beat: int) -> int:
    """Return the frame nearest to a beat."""
    return round(Fraction(beat * 60 * RATE_HZ, TEMPO_BPM))


def beat_track(bars: int) -> Track:
    """Return drums and bass."""
    rng = np.random.default_rng(122)
    track = np.zeros(frame_of_beat(bars * 4))
    stroke = rng.standard_normal(2_400) * np.exp(-np.arange(2_400) / 300)
    tone = np.sin(2 * np.pi * 92.5 * np.arange(3_200) / RATE_HZ) * np.exp(-np.arange(3_200) / 1_500)
    for beat in range(bars * 4):
        start = frame_of_beat(beat)
        for sound, gain in ((stroke, 0.09), (tone, 0.4)):
            end = min(len(track), start + len(sound))
            track[start:end] += gain * sound[: end - start]
    return track


def voice_track(bars: int, muted_beats: tuple[int, ...] = ()) -> Track:
    """Return the voice, silent in the first eight bars and for every muted word of one beat."""
    seconds = np.arange(frame_of_beat(bars * 4)) / RATE_HZ
    # No running sum: its rounding errors would grow along the song, differently on every machine.
    wander = 78 * np.sin(2 * np.pi * 0.32 * seconds)
    track: Track = 0.25 * np.sin(2 * np.pi * 220 * seconds + wander)
    track[: frame_of_beat(32)] = 0
    for beat in muted_beats:
        track[frame_of_beat(beat) : frame_of_beat(beat + 1)] = 0
    return track


def dj_edit(track: Track) -> Track:
    """Return a track with eight bars of drums and bass before and after it."""
    bars = beat_track(DJ_BARS)
    return np.concatenate([bars, track, bars])


def tracks(take: int) -> dict[str, Track]:
    """Return every version. Take 1 lets the second word through in the clean ones; take 2 mutes it too."""
    muted = (FIRST_WORD_BEAT,) if take == 1 else (FIRST_WORD_BEAT, SECOND_WORD_BEAT)
    beats, voice, clean = beat_track(SONG_BARS), voice_track(SONG_BARS), voice_track(SONG_BARS, muted)
    return {
        "explicit": beats + voice,
        "clean": beats + clean,
        "instrumental": beats,
        "acapella": voice,
        "acapella-clean": clean,
        "dj": dj_edit(beats + voice),
        "dj-clean": dj_edit(beats + clean),
    }


# As bounces really come out of a session. Common practice, no source.
AS_BOUNCED = {
    "explicit": "01 LanternsOnTheWeir_DIRTY_44k24b.wav",
    "clean": "02 LanternsOnTheWeir_Clean_44k24b.wav",
    "instrumental": "Lanterns on the Weir inst FINAL.wav",
    "acapella": "lanterns_on_the_weir-acap-mix11.wav",
    "acapella-clean": "lanterns_on_the_weir-acap-clean-mix11.wav",
    "dj": "Lanterns on the Weir (DJ edit dirty).wav",
    "dj-clean": "Lanterns on the Weir (DJ edit clean).wav",
}
CLEAN_VERSIONS = ("clean", "acapella-clean", "dj-clean")


def lay_out(folder: Path) -> None:
    """Put both takes and a cover where the documentation has them."""
    for version, track in tracks(1).items():
        write(track, folder / "bounced" / AS_BOUNCED[version])
    second = tracks(2)
    for version in CLEAN_VERSIONS:
        write(second[version], folder / "bounced again" / AS_BOUNCED[version])
    Image.new("RGB", (1500, 1500), (24, 58, 92)).save(folder / "cover.png")


def write(track: Track, path: Path) -> Path:
    """Write a track as a 16-bit WAV."""
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, np.rint(track * 32767).astype(np.int16), RATE_HZ, subtype="PCM_16")
    return path
