"""Encode WAVs as MP3 on all cores, and do nothing else: what a first shipment is measured against.

    python encoder_alone.py FOLDER WAV ...

The same encoder and settings as in a package, and the longest file first; libsndfile reads the WAVs itself.

Not here: what is compared with it (``packages``).
"""

from __future__ import annotations

import os
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import soundfile

_BLOCK_FRAMES = 1 << 16


def encode(source: Path, target: Path) -> None:
    """Encode one file at 320 kbit/s."""
    with (
        soundfile.SoundFile(source) as wav,
        soundfile.SoundFile(
            target,
            "w",
            wav.samplerate,
            wav.channels,
            "MPEG_LAYER_III",
            format="MP3",
            bitrate_mode="CONSTANT",
            compression_level=0.0,
        ) as mp3,
    ):
        for block in wav.blocks(_BLOCK_FRAMES, dtype="int32", always_2d=True):
            mp3.write(block)


def main(folder: Path, sources: list[Path]) -> None:
    """Encode all of them."""
    longest_first = sorted(sources, key=lambda path: -path.stat().st_size)
    with ThreadPoolExecutor(os.cpu_count() or 2) as pool:
        done = [pool.submit(encode, path, folder / f"{path.stem}.mp3") for path in longest_first]
        for each in done:
            each.result()


if __name__ == "__main__":
    main(Path(sys.argv[1]), [Path(argument) for argument in sys.argv[2:]])
