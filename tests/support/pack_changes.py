"""What may go wrong with a pack, as changes of a sound one.

Conventions
    change     takes the pack and the stems that it was made of; changes the pack

Not here: which rule finds what (``bad_packs``).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from relkit.qc.pack import Odder
from tests.support.made_song import (
    RATE_HZ,
    Parts,
    Style,
    Track,
    as_24_bit,
    dj_edit,
    pack,
    parts,
    plain_master,
)
from tests.support.qc_packs import Made, Samples

Change = Callable[[Made, Parts], None]
MASTER = plain_master()
CLEANS = ("clean", "acapella-clean", "dj-clean")


def gain(version: str, by_db: float) -> Change:
    """Change a version's level."""

    def change(made: Made, _song: Parts) -> None:
        made.audio[version] = as_24_bit(made.audio[version].astype(np.float64) * 10 ** (by_db / 20))

    return change


def shifted(version: str, frames: int) -> Change:
    """Move a version later, or earlier, within its length."""

    def change(made: Made, _song: Parts) -> None:
        samples = made.audio[version]
        moved = np.zeros_like(samples)
        if frames >= 0:
            moved[frames:] = samples[: len(samples) - frames]
        else:
            moved[:frames] = samples[-frames:]
        made.audio[version] = moved

    return change


def cut(version: str, frames: int) -> Change:
    """Take frames off the end, or add silence."""

    def change(made: Made, _song: Parts) -> None:
        samples = made.audio[version]
        if frames > 0:
            made.audio[version] = samples[:-frames]
        else:
            made.audio[version] = np.concatenate([samples, np.zeros((-frames, 2), np.float32)])

    return change


def stretched(version: str, ratio: float) -> Change:
    """Play a version slower or faster."""

    def change(made: Made, _song: Parts) -> None:
        samples = made.audio[version].astype(np.float64)
        at = np.arange(round(len(samples) * ratio)) / ratio
        made.audio[version] = as_24_bit(
            np.stack([np.interp(at, np.arange(len(samples)), channel) for channel in samples.T], axis=1)
        )

    return change


def removed(version: str, at_s: float, seconds: float, *, keep_length: bool = True) -> Change:
    """Cut a stretch out of a version."""

    def change(made: Made, _song: Parts) -> None:
        samples = made.audio[version]
        first, end = round(at_s * RATE_HZ), round((at_s + seconds) * RATE_HZ)
        rest = np.concatenate([samples[:first], samples[end:]])
        pad = np.zeros((len(samples) - len(rest), 2), np.float32)
        made.audio[version] = np.concatenate([rest, pad]) if keep_length else rest

    return change


def same_as(version: str, other: str) -> Change:
    """Export the wrong file."""

    def change(made: Made, _song: Parts) -> None:
        made.audio[version] = made.audio[other].copy()

    return change


def mapped(version: str, how: Callable[[Samples], Track | Samples]) -> Change:
    """Do something to a version's samples."""

    def change(made: Made, _song: Parts) -> None:
        made.audio[version] = as_24_bit(np.asarray(how(made.audio[version]), np.float64))

    return change


def raw(version: str, how: Callable[[Samples], Track | Samples], sample_format: str) -> Change:
    """Do something to a version's samples, and write them in another format."""

    def change(made: Made, _song: Parts) -> None:
        made.audio[version] = np.asarray(how(made.audio[version]), np.float32)
        made.formats[version] = sample_format

    return change


def remade(*versions: str, how: Callable[[Parts], dict[str, Track]]) -> Change:
    """Mix versions again from the stems."""

    def change(made: Made, song: Parts) -> None:
        for version, mix in how(song).items():
            if version in versions:
                made.audio[version] = MASTER(mix)

    return change


def without(version: str) -> Change:
    """Leave a version out."""

    def change(made: Made, _song: Parts) -> None:
        del made.audio[version]

    return change


def said(**fields: object) -> Change:
    """Change what the sheet says."""

    def change(made: Made, _song: Parts) -> None:
        for name, value in fields.items():
            setattr(made, name, value)

    return change


def axes(version: str, **values: object) -> Change:
    """Change what is declared of a version."""

    def change(made: Made, _song: Parts) -> None:
        made.axes[version] = dict(values)

    return change


def cover(name: str, severity: str) -> Change:
    """Have the picture found odd."""

    def change(made: Made, _song: Parts) -> None:
        made.cover_odd = (Odder("artwork", name, severity, name, "Export it again."),)  # type: ignore[arg-type]

    return change


def cleans(
    song: Parts,
    *,
    muted: dict[str, list[int]] | None = None,
    left: Track | None = None,
    echo: Track | None = None,
    **mute: float,
) -> dict[str, Track]:
    """Mix all clean versions; ``muted`` says which words where, ``left`` is heard all the same."""
    found = {}
    wet = song.echo if echo is None else echo
    for version in CLEANS:
        words = (muted or {}).get(version, song.removed)
        voice = song.voice * song.mute(words, **mute)
        if left is not None:
            voice = voice + left
        found[version] = voice + wet if version == "acapella-clean" else song.beat + voice + wet
    found["dj-clean"] = dj_edit(song, found["dj-clean"])
    return found


def explicits(song: Parts, *, left: Track | None = None, echo: Track | None = None) -> dict[str, Track]:
    """Mix the explicit versions again."""
    voice = song.voice + (song.echo if echo is None else echo) + (0 if left is None else left)
    full = song.beat + voice
    return {"explicit": full, "acapella": voice, "dj": dj_edit(song, full)}


def everything(**how: object) -> Change:
    """Mix explicit and clean versions again with the same voices."""

    def change(made: Made, song: Parts) -> None:
        left = how.get("left")
        echo = how.get("echo")
        extra = left(song) if callable(left) else None
        wet = echo(song) if callable(echo) else None
        rest = {name: value for name, value in how.items() if name not in {"left", "echo"}}
        mixes = explicits(song, left=extra, echo=wet) | cleans(song, left=extra, echo=wet, **rest)  # type: ignore[arg-type]
        for version, mix in mixes.items():
            made.audio[version] = MASTER(mix)

    return change


def double(by_db: float) -> Callable[[Parts], Track]:
    """Return a second take of the removed words: 13 ms late, a little sharp, softer."""

    def sing(song: Parts) -> Track:
        track = np.zeros_like(song.voice)
        for index in song.removed:
            start, end = (round(each * RATE_HZ) for each in song.words[index])
            word = song.voice[start:end]
            at = np.arange(len(word)) * 1.006
            for channel in range(2):
                sung = np.interp(at, np.arange(len(word)), word[:, channel], right=0)
                track[start + 573 : end + 573, channel] += sung * 10 ** (by_db / 20)
        return track

    return sing


def full_echo(song: Parts) -> Track:
    """Return an echo that the removed words are sent to as well."""
    echo = np.zeros_like(song.voice)
    for repeat in range(1, 4):
        delay = round(0.18 * repeat * RATE_HZ)
        echo[delay:] += 0.5 * 0.55**repeat * song.voice[: len(echo) - delay]
    return echo


def dj(version: str, how: Callable[[Made, Parts], Track | Samples]) -> Change:
    """Build a DJ edit in another way."""

    def change(made: Made, song: Parts) -> None:
        made.audio[version] = as_24_bit(np.asarray(how(made, song), np.float64))

    return change


BAR = round(4 * 60 / 122 * RATE_HZ)


def with_bars(before: int, after: int) -> Callable[[Made, Parts], Track]:
    """Build the DJ edit with other numbers of bars."""

    def build(_made: Made, song: Parts) -> Track:
        full = song.beat + song.voice + song.echo
        return MASTER(dj_edit(song, full, bars=before, after=after)).astype(np.float64)

    return build


def intro_curve(curve: Callable[[int], Track]) -> Callable[[Made, Parts], Track]:
    """Apply a gain curve to the intro."""

    def build(made: Made, _song: Parts) -> Track:
        edit = made.audio["dj"].astype(np.float64)
        edit[: 8 * BAR] *= curve(8 * BAR)
        return edit

    return build


def outro_curve(curve: Callable[[int], Track]) -> Callable[[Made, Parts], Track]:
    """Apply a gain curve to the outro."""

    def build(made: Made, _song: Parts) -> Track:
        edit = made.audio["dj"].astype(np.float64)
        edit[-8 * BAR :] *= curve(8 * BAR)
        return edit

    return build


def fade_in(frames: int) -> Track:
    """Return a fade over so many frames."""
    return np.linspace(0.05, 1, frames)[:, None]


def hole(frames: int) -> Track:
    """Return a gain curve with a silent bar."""
    curve = np.ones((frames, 1))
    curve[3 * BAR : 4 * BAR] = 0
    return curve


def gap_at_end(seconds: float) -> Callable[[int], Track]:
    """Return a gain curve that is silent at its end."""

    def curve(frames: int) -> Track:
        gain_ = np.ones((frames, 1))
        gain_[frames - round(seconds * RATE_HZ) :] = 0
        return gain_

    return curve


def pad_intro(made: Made, _song: Parts) -> Track:
    """Put a held chord in place of the intro."""
    edit = made.audio["dj"].astype(np.float64)
    time = np.arange(8 * BAR) / RATE_HZ
    for channel in range(2):
        edit[: 8 * BAR, channel] = 0.2 * np.sin(2 * np.pi * 220 * time) + 0.15 * np.sin(
            2 * np.pi * 277 * time
        )
    return edit


def no_low_intro(made: Made, _song: Parts) -> Track:
    """Take everything below 170 Hz out of the intro."""
    edit = made.audio["dj"].astype(np.float64)
    spectrum = np.fft.rfft(edit[: 8 * BAR], axis=0)
    spectrum[np.fft.rfftfreq(8 * BAR, 1 / RATE_HZ) < 170] = 0
    intro = np.fft.irfft(spectrum, 8 * BAR, axis=0)
    edit[: 8 * BAR] = intro * 1.8
    return edit


def click(made: Made, _song: Parts) -> Track:
    """Put a click shortly before the join."""
    edit = made.audio["dj"].astype(np.float64)
    edit[8 * BAR - 200] += 0.7
    return edit


def late_start(seconds: float) -> Callable[[Made, Parts], Track]:
    """Begin with silence."""

    def build(made: Made, _song: Parts) -> Track:
        edit = made.audio["dj"].astype(np.float64)
        return np.concatenate([np.zeros((round(seconds * RATE_HZ), 2)), edit])

    return build


def off_grid(seconds: float) -> Callable[[Made, Parts], Track]:
    """Put the body later than the intro says."""

    def build(made: Made, _song: Parts) -> Track:
        edit = made.audio["dj"].astype(np.float64)
        return np.concatenate([edit[: 8 * BAR], edit[8 * BAR - round(seconds * RATE_HZ) :]])

    return build


def body_gain(by_db: float) -> Callable[[Made, Parts], Track]:
    """Change the level of the body."""

    def build(made: Made, song: Parts) -> Track:
        edit = made.audio["dj"].astype(np.float64)
        edit[8 * BAR : 8 * BAR + song.frames] *= 10 ** (by_db / 20)
        return edit

    return build


def word_in_intro(made: Made, song: Parts) -> Track:
    """Let a removed word be heard in the added bars before the song."""
    edit = made.audio["dj-clean"].astype(np.float64)
    start, end = (round(each * RATE_HZ) for each in song.words[song.removed[1]])
    edit[3 * BAR : 3 * BAR + end - start] += 0.7 * song.voice[start:end]
    return edit


def word_in_outro(made: Made, song: Parts) -> Track:
    """Let a removed word be heard in the added bars after the song."""
    edit = made.audio["dj-clean"].astype(np.float64)
    start, end = (round(each * RATE_HZ) for each in song.words[song.removed[2]])
    first = len(edit) - 5 * BAR
    edit[first : first + end - start] += 0.4 * song.voice[start:end]
    return edit


def another_song(version: str) -> Change:
    """Take the version from another song."""

    def change(made: Made, _song: Parts) -> None:
        made.audio[version] = pack(parts(Style(seed=77))).audio[version][: len(made.audio[version])]

    return change


def leaked(version: str, by_db: float, stem: str, start_s: float = 0.0, end_s: float = 1e9) -> Change:
    """Let a stem be heard in a version."""

    def change(made: Made, song: Parts) -> None:
        extra = np.array(getattr(song, stem)) * 10 ** (by_db / 20)
        extra[: round(start_s * RATE_HZ)] = 0
        extra[round(min(end_s, 1e4) * RATE_HZ) :] = 0
        made.audio[version] = as_24_bit(made.audio[version].astype(np.float64) + extra)

    return change


def low_passed(samples: Samples) -> Track:
    """Cut off above 16 kHz, as an MP3 encoder does."""
    spectrum = np.fft.rfft(samples, axis=0)
    spectrum[np.fft.rfftfreq(len(samples), 1 / RATE_HZ) > 16_000] = 0
    return np.asarray(np.fft.irfft(spectrum, len(samples), axis=0), np.float64)


def faint_noise(samples: Samples) -> Track:
    """Return noise at -100 dBFS."""
    return np.random.default_rng(5).standard_normal(samples.shape) * 1e-5


def silent_first(made: Made, _song: Parts) -> None:
    """Begin every version with 3 s of silence."""
    for version, samples in made.audio.items():
        made.audio[version] = np.concatenate([np.zeros((3 * RATE_HZ, 2), np.float32), samples])
    made.bars += "\nfirst_downbeat_s = 3"


def all_louder(made: Made, _song: Parts) -> None:
    """Turn everything up by 4 dB, with room above full scale."""
    for version, samples in made.audio.items():
        made.audio[version] = (samples * np.float32(1.6)).astype(np.float32)


def floats_over(made: Made, _song: Parts) -> None:
    """The same, declared as floats."""
    for version, samples in made.audio.items():
        made.audio[version] = (samples * np.float32(1.6)).astype(np.float32)
        made.formats[version] = "float32"


def unmastered(song: Parts) -> dict[str, Track]:
    """Mix an instrumental with peaks that no limiter has seen."""
    peaky = song.beat * 0.25
    peaky[:: RATE_HZ // 2] += 0.85
    return {"instrumental": peaky}


def words_without(song: Parts, version: str, missing: int) -> dict[str, list[int]]:
    """Return the removed words but for one."""
    return {version: [index for index in song.removed if index != song.removed[missing]]}


def one_missing(version: str, which: int = 1) -> Change:
    """Let one removed word be heard in a version."""

    def change(made: Made, song: Parts) -> None:
        mixes = cleans(song, muted=words_without(song, version, which))
        made.audio[version] = MASTER(mixes[version])

    return change
