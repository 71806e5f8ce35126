"""Render the example song: every version of the pack as 24-bit WAV, and the cover.

    python -m example_release.render OUT_FOLDER [--take 1|2] [--seconds-limit N]

The same call gives the same bytes on the same machine: all noise is seeded, nothing reads a clock,
and samples are rounded to 24 bits without dither.

Conventions
    version   one of ``VERSIONS``; relkit knows them by the same ids
    take      1: the first clean edit, which let a word through; 2: the second, which drops it too
    DJ edit   ``DJ_BARS`` bars of drums and bass; the body from ``BODY_OFFSET_FRAMES`` on, bit for
              bit; ``DJ_BARS`` bars again, over which the body's last chord rings out

Not here: synthesis (``session``), what relkit does with the files (``story``).
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable
from functools import lru_cache
from pathlib import Path
from typing import Final, Literal

import numpy as np
import soundfile

from example_release import cover, mastering
from example_release.dsp import Signal, fade
from example_release.scenario import ARTIST, BODY_OFFSET_FRAMES, RATE_HZ, TITLE
from example_release.session import Stems, mute_curve, mute_spans, stems

VERSIONS: Final = ("explicit", "clean", "instrumental", "acapella", "acapella-clean", "dj", "dj-clean")
CLEAN_VERSIONS: Final = ("clean", "acapella-clean", "dj-clean")  # the ones in which two takes differ
_SEAM_S = 0.012  # [s] fade of the added bars' last decays into the body's first stroke
_RELEASE_S = 0.03  # [s] over which the limiter hands over from the body to the added bars


def file_name(version: str) -> str:
    """Return the name under which a version is bounced."""
    return f"{ARTIST} - {TITLE} ({version}).wav"


def _song_mix(version: str, source: Stems, take: int | None) -> Signal:
    """Sum the stems of a version of song length; ``take`` as in ``session.mute_spans``."""
    parts, _, rating = version.partition("-")
    clean = version == "clean" or rating == "clean"
    dry = source.voice * mute_curve(mute_spans(take), source.frames) if clean else source.voice
    if parts == "instrumental":
        return source.music
    voices = dry + source.voice_wet
    return voices if parts == "acapella" else source.music + voices


@lru_cache(maxsize=1)
def _song_gain(source_key: float | None) -> Signal:
    """The one limiter curve of all versions: it listens to full mix, instrumental and strictest clean."""
    source = stems(source_key)
    heard = (("explicit", None), ("instrumental", None), ("clean", None))
    return mastering.linked_gain(mastering.saturate(_song_mix(name, source, take)) for name, take in heard)


def _song(version: str, seconds_limit: float | None, take: int) -> tuple[Signal, Signal]:
    """Return mix and limiter gain of a version of song length."""
    return _song_mix(version, stems(seconds_limit), take), _song_gain(seconds_limit)


def _dj(version: str, seconds_limit: float | None, take: int) -> tuple[Signal, Signal]:
    """Return mix and limiter gain of a DJ edit: added bars, body, added bars."""
    source = stems(seconds_limit)
    body, body_gain = _song("clean" if version.endswith("clean") else "explicit", seconds_limit, take)
    first, end = BODY_OFFSET_FRAMES, source.body_frames
    before = fade(source.dj_groove[:, :first], end_s=_SEAM_S)
    after = source.dj_groove.copy()
    ringing = min(body.shape[1] - end, after.shape[1])
    after[:, :ringing] += body[:, end : end + ringing]
    before_gain, after_gain = (mastering.linked_gain([mastering.saturate(part)]) for part in (before, after))
    # Where the body's curve is lower at the seam, come back from it slowly; never go above the need.
    release = min(round(_RELEASE_S * RATE_HZ), ringing)
    weight = np.linspace(1, 0, release, dtype=np.float32)
    eased = after_gain[:release] + weight * (body_gain[end : end + release] - after_gain[:release])
    after_gain[:release] = np.minimum(after_gain[:release], eased)
    mix = np.concatenate([before, body[:, :end], after], axis=1)
    return mix, np.concatenate([before_gain, body_gain[:end], after_gain])


def _write(path: Path, master: Signal, dither: np.random.Generator | None = None) -> Path:
    """Round to 24 bits and write; shape (2, frames), full scale 1.0."""
    scaled = master.T * np.float32(2**23)
    if dither is not None:  # triangular, two steps wide, different on each side
        scaled = scaled + dither.random(scaled.shape, np.float32) - dither.random(scaled.shape, np.float32)
    whole = np.clip(np.rint(scaled), -(2**23), 2**23 - 1).astype(np.int32)
    soundfile.write(path, whole << 8, RATE_HZ, subtype="PCM_24", format="WAV")
    return path


def _bounce(
    out: Path,
    versions: Iterable[str],
    take: int,
    seconds_limit: float | None,
    finish: Callable[[Path, Signal, Signal], Path],
) -> dict[str, Path]:
    """Make each version and hand mix and gain to ``finish``."""
    chosen = tuple(versions)
    unknown = sorted(set(chosen) - set(VERSIONS))
    if unknown:
        raise ValueError(f"no such version: {', '.join(unknown)}; known are {', '.join(VERSIONS)}")
    if take not in (1, 2):
        raise ValueError("take is 1 or 2")
    out.mkdir(parents=True, exist_ok=True)
    paths = {}
    for version in chosen:
        make = _dj if version.startswith("dj") else _song
        paths[version] = finish(out / file_name(version), *make(version, seconds_limit, take))
    return paths


def render(
    out: Path,
    *,
    versions: Iterable[str] = VERSIONS,
    take: Literal[1, 2] = 1,
    seconds_limit: float | None = None,
    artwork: bool = True,
) -> dict[str, Path]:
    """Bounce the song.

    Args:
        out: folder; made if it is not there. Files of the same names are written over.
        versions: which of ``VERSIONS``.
        take: which clean edit. Only ``CLEAN_VERSIONS`` differ between the two.
        seconds_limit: render only the whole bars within this time [s], for quick tests.
        artwork: draw ``cover.png`` as well.

    Returns:
        Path of each version, and of the cover under ``cover``.

    Raises:
        ValueError: a version or take that does not exist, or a limit under one bar.
    """

    def finish(path: Path, mix: Signal, gain: Signal) -> Path:
        return _write(path, mastering.saturate(mix) * gain)

    paths = _bounce(out, versions, take, seconds_limit, finish)
    if artwork:
        paths["cover"] = cover.draw(out / "cover.png")
    return paths


def render_rebounce(
    kind: Literal["dither", "bus-compressor"],
    out: Path,
    *,
    versions: Iterable[str] = VERSIONS,
    take: Literal[1, 2] = 1,
    seconds_limit: float | None = None,
    seed: int = 1,
) -> dict[str, Path]:
    """Bounce the song as less kind sessions do: a hard case for anything that looks for sameness.

    Args:
        kind: ``dither`` adds fresh triangular dither at 24 bits to every version (another ``seed``,
            another noise in every sample). ``bus-compressor`` runs each version, edits included,
            through a compressor with 300 ms release, so that a muted word changes what follows it.
        out: folder, as in ``render``.
        versions: which of ``VERSIONS``.
        take: which clean edit.
        seconds_limit: as in ``render``.
        seed: of the dither; two bounces with the same seed are the same.

    Returns:
        Path of each version.

    Raises:
        ValueError: an unknown kind, version or take.
    """
    if kind not in ("dither", "bus-compressor"):
        raise ValueError(f"no such re-bounce: {kind!r}")

    def finish(path: Path, mix: Signal, gain: Signal) -> Path:
        if kind == "bus-compressor":
            return _write(path, mastering.saturate(mix * mastering.bus_compressor(mix)) * gain)
        number = next(place for place, version in enumerate(VERSIONS) if path.name == file_name(version))
        return _write(path, mastering.saturate(mix) * gain, np.random.default_rng((seed, number)))

    return _bounce(out, versions, take, seconds_limit, finish)


def main() -> None:
    """Render from the command line."""
    parser = argparse.ArgumentParser(description="Render the example song and its cover.")
    parser.add_argument("out", type=Path, help="folder for the files")
    parser.add_argument("--take", type=int, choices=(1, 2), default=1, help="which clean edit")
    parser.add_argument("--seconds-limit", type=float, help="only the whole bars within this time")
    chosen = parser.parse_args()
    for version, path in render(chosen.out, take=chosen.take, seconds_limit=chosen.seconds_limit).items():
        print(f"{version:15} {path}")


if __name__ == "__main__":
    main()
