"""Sound packs with oddities that are legitimate: nobody would send them back, so no rule may fail.

Not here: what is wrong with other packs (``bad_packs``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

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

Make = Callable[[], Made]
MASTER = plain_master()
MIXES = ("explicit", "clean", "instrumental", "dj", "dj-clean")


@dataclass(frozen=True)
class Oddity:
    """What is odd and fine."""

    name: str
    make: Make


def styled(**style: object) -> Make:
    """Return the pack of a song in another style."""
    return lambda: pack(parts(Style(**style)))  # type: ignore[arg-type]


def changed(change: Callable[[Made, Parts], None], **style: object) -> Make:
    """Return a pack with something done to it."""

    def make() -> Made:
        song = parts(Style(**style))  # type: ignore[arg-type]
        made = pack(song)
        change(made, song)
        return made

    return make


def _tag(made: Made, _song: Parts) -> None:
    """A producer's tag at the start of every version, in the instrumental as well."""
    tag = 0.3 * np.sin(2 * np.pi * 500 * np.arange(RATE_HZ // 2) / RATE_HZ)[:, None]
    for version in ("explicit", "clean", "instrumental"):
        mix = made.audio[version].astype(np.float64)
        mix[1000 : 1000 + len(tag)] += tag
        made.audio[version] = as_24_bit(mix)
    for version, song in (("dj", "explicit"), ("dj-clean", "clean")):
        mix = made.audio[version].astype(np.float64)
        start = len(mix) - 20 * round(4 * 60 / 122 * RATE_HZ)
        mix[start + 1000 : start + 1000 + len(tag)] += tag
        made.audio[version] = _rebuilt(made, song, version)


def _rebuilt(made: Made, song: str, edit: str) -> Samples:
    """Put a song's new body into its DJ edit."""
    body, old = made.audio[song], made.audio[edit].copy()
    bar = 4 * 60 / 122 * RATE_HZ
    start, length = round(8 * bar), round(12 * bar)
    old[start : start + length] = body[:length]
    return old


def _cold(made: Made, song: Parts) -> None:
    """The song stops on a beat and all files end half a second later."""
    end = song.frames - RATE_HZ
    for version in ("explicit", "clean", "instrumental", "acapella", "acapella-clean"):
        made.audio[version] = made.audio[version][:end]


def _late_acapella(made: Made, _song: Parts) -> None:
    """A tail of reverb at the start of the acapellas: the song was cut out of a longer session."""
    rng = np.random.default_rng(3)
    tail = rng.standard_normal((RATE_HZ, 2)) * np.exp(-np.arange(RATE_HZ) / 8000)[:, None] * 0.05
    for version in ("acapella", "acapella-clean", "explicit", "clean"):
        mix = made.audio[version].astype(np.float64)
        mix[:RATE_HZ] += tail
        made.audio[version] = as_24_bit(mix)
    for edit, name in (("dj", "explicit"), ("dj-clean", "clean")):
        made.audio[edit] = _rebuilt(made, name, edit)


def _hot(made: Made, _song: Parts) -> None:
    """A loud master, 0.8 dB over full scale between the samples, as many are."""
    for version in MIXES:
        mix = made.audio[version].astype(np.float64) * 2.0
        limited = np.clip(mix, -0.999, 0.999)
        made.audio[version] = as_24_bit(limited)


def _same_chain(made: Made, _song: Parts) -> None:
    made.limits = "alternates_same_chain = 1"


def _soft_acapella(made: Made, _song: Parts) -> None:
    """The chain's own acapella, 5 LU low."""
    for version in ("acapella", "acapella-clean"):
        made.audio[version] = as_24_bit(made.audio[version].astype(np.float64) * 0.85)


def _re_sung(made: Made, song: Parts) -> None:
    """The clean version has another take of the whole voice."""
    other = parts(Style(seed=9))
    voice = np.zeros_like(song.voice)
    take = other.voice * other.mute(other.removed)
    voice[: min(len(voice), len(take))] = take[: len(voice)]
    mixes = {"clean": song.beat + voice, "acapella-clean": voice}
    mixes["dj-clean"] = dj_edit(song, mixes["clean"])
    for version, mix in mixes.items():
        made.audio[version] = MASTER(mix)


def _third_muted(made: Made, song: Parts) -> None:
    """Every third word and more is gone."""
    which = [index for index in range(len(song.words)) if index % 3 != 1]
    clean = song.voice * song.mute(which)
    wet = song.echo * song.mute(which)
    explicit = {"explicit": song.beat + song.voice, "acapella": song.voice}
    mixes = {"clean": song.beat + clean + 0 * wet, "acapella-clean": clean, **explicit}
    mixes["dj"] = dj_edit(song, mixes["explicit"])
    mixes["dj-clean"] = dj_edit(song, mixes["clean"])
    for version, mix in mixes.items():
        made.audio[version] = MASTER(mix)


def _limiter_pass(made: Made, _song: Parts) -> None:
    """The DJ edits went through a limiter of their own."""
    for version in ("dj", "dj-clean"):
        mix = made.audio[version].astype(np.float64)
        level = np.convolve(np.abs(mix).max(axis=1), np.ones(2205) / 2205, "same")
        gain = np.minimum(1, 0.42 / np.maximum(level, 1e-6)) ** 0.25
        made.audio[version] = as_24_bit(0.89 * np.tanh(1.03 * mix * gain[:, None] / 0.89))


def _bleed(by_db: float) -> Callable[[Made, Parts], None]:
    def change(made: Made, song: Parts) -> None:
        for version in ("acapella", "acapella-clean"):
            mix = made.audio[version].astype(np.float64) + song.beat * 10 ** (by_db / 20)
            made.audio[version] = as_24_bit(mix)

    return change


def _live_bleed(made: Made, song: Parts) -> None:
    made.limits = "leak_allowance_db = 10"
    _bleed(-24)(made, song)


def _count_in(made: Made, _song: Parts) -> None:
    """Four clicks in the acapellas only, as remixers like."""
    beat = round(60 / 122 * RATE_HZ)
    for version in ("acapella", "acapella-clean"):
        mix = made.audio[version].astype(np.float64)
        for click in range(4):
            mix[click * beat : click * beat + 300] += 0.3 * np.hanning(300)[:, None]
        made.audio[version] = as_24_bit(mix)


def _short_edit(made: Made, song: Parts) -> None:
    """A radio edit of half the length, in a length group of its own."""
    made.audio["radio"] = made.audio["clean"][: song.frames // 2].copy()
    made.axes["radio"] = {"parts": "full", "form": "short", "rating": "clean", "removed": ["swearing"]}


def _second_language(made: Made, song: Parts) -> None:
    """The song once more, sung in another language."""
    other = parts(Style(seed=12))
    voice = np.zeros_like(song.voice)
    voice[: min(len(voice), len(other.voice))] = other.voice[: len(voice)]
    made.audio["spanish"] = MASTER(song.beat + voice)
    made.axes["spanish"] = {"rating": "no-edit-needed", "language": "es", "length_group": "song"}


def _stems(made: Made, song: Parts) -> None:
    for name in ("drums", "bass", "chords", "voice"):
        made.audio[f"stems/{name}"] = MASTER(getattr(song, name))
        made.axes[f"stems/{name}"] = {"parts": "stems", "rating": "explicit", "length_group": "song"}


def _mono_stem(made: Made, song: Parts) -> None:
    _stems(made, song)
    made.audio["stems/bass"] = made.audio["stems/bass"][:, :1]


def _tv(made: Made, song: Parts) -> None:
    made.audio["tv"] = MASTER(song.beat + 0.5 * song.echo)
    made.axes["tv"] = {"parts": "tv", "rating": "no-edit-needed"}


def _not_explicit(made: Made, _song: Parts) -> None:
    """A song without explicit content: four versions."""
    made.audio = {
        "main": made.audio["explicit"],
        "instrumental": made.audio["instrumental"],
        "acapella": made.audio["acapella"],
        "dj": made.audio["dj"],
    }
    for version in ("acapella", "dj"):
        made.axes[version] = {"rating": "no-edit-needed"}


def _ramps(made: Made, song: Parts) -> None:
    """Words are faded out and in over 40 ms."""
    clean = song.voice * song.mute(song.removed, ramp_s=0.04)
    mixes = {"clean": song.beat + clean + song.echo, "acapella-clean": clean + song.echo}
    mixes["dj-clean"] = dj_edit(song, mixes["clean"])
    for version, mix in mixes.items():
        made.audio[version] = MASTER(mix)


def _reversed_words(made: Made, song: Parts) -> None:
    """Words are played backwards instead of muted."""
    clean = song.voice.copy()
    for index in song.removed:
        start, end = (round(each * RATE_HZ) for each in song.words[index])
        clean[start:end] = clean[start:end][::-1]
    mixes = {"clean": song.beat + clean + song.echo, "acapella-clean": clean + song.echo}
    mixes["dj-clean"] = dj_edit(song, mixes["clean"])
    for version, mix in mixes.items():
        made.audio[version] = MASTER(mix)


def _bleeps(made: Made, song: Parts) -> None:
    """A tone in place of each word."""
    clean = song.voice * song.mute(song.removed)
    for index in song.removed:
        start, end = (round(each * RATE_HZ) for each in song.words[index])
        clean[start:end] += 0.1 * np.sin(2 * np.pi * 1000 * np.arange(end - start) / RATE_HZ)[:, None]
    mixes = {"clean": song.beat + clean + song.echo, "acapella-clean": clean + song.echo}
    mixes["dj-clean"] = dj_edit(song, mixes["clean"])
    for version, mix in mixes.items():
        made.audio[version] = MASTER(mix)


def _beat_dropped(made: Made, song: Parts) -> None:
    """The whole beat drops out with each word, in the clean mixes."""
    curve = song.mute(song.removed)
    mixes: dict[str, Track] = {"clean": (song.beat + song.voice + song.echo) * curve}
    mixes["acapella-clean"] = (song.voice + song.echo) * curve
    mixes["dj-clean"] = dj_edit(song, mixes["clean"])
    for version, mix in mixes.items():
        made.audio[version] = MASTER(mix)


def _compressed(made: Made, song: Parts) -> None:
    """A bus compressor behind everything: each edit changes the gain of what follows."""

    def bus(mix: Track) -> Track:
        power = np.square(mix).mean(axis=1)
        step = 441
        levels = np.sqrt(power[: len(power) // step * step].reshape(-1, step).mean(axis=1)) + 1e-6
        gains = np.minimum(1, (0.12 / levels) ** 0.4)
        for at in range(1, len(gains)):
            follow = 0.5 if gains[at] < gains[at - 1] else 0.06
            gains[at] = gains[at - 1] + follow * (gains[at] - gains[at - 1])
        curve = np.interp(np.arange(len(mix)), np.arange(len(gains)) * step, gains)
        return np.asarray(mix * curve[:, None], np.float64)

    clean = song.voice * song.mute(song.removed)
    mixes = {
        "explicit": bus(song.beat + song.voice + song.echo),
        "clean": bus(song.beat + clean + song.echo),
        "instrumental": bus(song.beat),
        "acapella": bus(song.voice + song.echo),
        "acapella-clean": bus(clean + song.echo),
    }
    mixes["dj"] = dj_edit(song, mixes["explicit"])
    mixes["dj-clean"] = dj_edit(song, mixes["clean"])
    for version, mix in mixes.items():
        made.audio[version] = MASTER(mix)


def _dithered(made: Made, _song: Parts) -> None:
    """16 bits, each version with dither of its own."""
    for seed, (version, samples) in enumerate(made.audio.items()):
        noise = np.random.default_rng(seed).random((2, *samples.shape))
        whole = np.clip(np.rint(samples * 32768.0 + noise[0] - noise[1]), -32768, 32767)
        made.audio[version] = (whole / 32768).astype(np.float32)
        made.formats[version] = "int16"


def _no_tempo(made: Made, _song: Parts) -> None:
    made.bars = ""


def _live(made: Made, _song: Parts) -> None:
    made.bars = "tempo_live_bpm = [118, 126]"


def _long_intro(made: Made, song: Parts) -> None:
    """16 bars before and after, as the sheet asks."""
    made.limits = "dj_intro_bars = 16\ndj_outro_bars = 16"
    full = song.beat + song.echo
    for version, voice in (("dj", song.voice), ("dj-clean", song.voice * song.mute(song.removed))):
        made.audio[version] = MASTER(dj_edit(song, full + voice, bars=16, after=16))


def _soft_clean(made: Made, _song: Parts) -> None:
    """A hair softer, as another export of the same session may be."""
    for version in ("clean", "dj-clean"):
        made.audio[version] = as_24_bit(made.audio[version].astype(np.float64) * 10 ** (-0.15 / 20))


ODDITIES: tuple[Oddity, ...] = (
    Oddity("plain", styled()),
    Oddity("another song", styled(seed=2, bpm=98.0)),
    Oddity("a fast song", styled(seed=3, bpm=174.0)),
    Oddity("tag in the instrumental", changed(_tag)),
    Oddity("vocal chops in the beat", styled(chop=True)),
    Oddity("fade-out", styled(fade_bars=3)),
    Oddity("cold ending", changed(_cold)),
    Oddity("swung grid", styled(swing=0.17)),
    Oddity("half-time hook", styled(half_time=(4, 5, 6, 7))),
    Oddity("acapella starts with a reverb tail", changed(_late_acapella)),
    Oddity("15 s of silence in the acapella", styled(voice_from=8, bars=14)),
    Oddity("quiet intro", styled(quiet_bars=2)),
    Oddity("beatless intro", styled(drums_from=3)),
    Oddity("live drummer", styled(jitter_s=0.006)),
    Oddity("3/4", styled(beats=3, bars=16)),
    Oddity("6/8", styled(beats=6, bpm=200.0, eighths=True)),
    Oddity("pick-up", styled(pickup_beats=1)),
    Oddity("silence before the first beat", styled(first_s=0.25)),
    Oddity("hot master", changed(_hot)),
    Oddity("alternates of the same chain", changed(_same_chain)),
    Oddity("soft acapella", changed(_soft_acapella)),
    Oddity("re-sung clean", changed(_re_sung)),
    Oddity("a third of the words muted", changed(_third_muted)),
    Oddity("limiter pass of the DJ edits", changed(_limiter_pass)),
    Oddity("bleed at -45 dB", changed(_bleed(-45))),
    Oddity("recorded in one room", changed(_live_bleed)),
    Oddity("count-in", changed(_count_in)),
    Oddity("lo-fi mono", styled(lo_fi=True)),
    Oddity("shortened radio edit", changed(_short_edit)),
    Oddity("second language", changed(_second_language)),
    Oddity("stems", changed(_stems)),
    Oddity("a stem in one channel", changed(_mono_stem)),
    Oddity("TV version", changed(_tv)),
    Oddity("nothing explicit", changed(_not_explicit)),
    Oddity("words faded out", changed(_ramps)),
    Oddity("words played backwards", changed(_reversed_words)),
    Oddity("words under a tone", changed(_bleeps)),
    Oddity("the beat drops out with the word", changed(_beat_dropped)),
    Oddity("bus compressor", changed(_compressed)),
    Oddity("16 bits, dithered", changed(_dithered)),
    Oddity("no tempo declared", changed(_no_tempo)),
    Oddity("a live tempo declared", changed(_live, jitter_s=0.006)),
    Oddity("16 bars before and after", changed(_long_intro)),
    Oddity("0.15 dB apart", changed(_soft_clean)),
)
