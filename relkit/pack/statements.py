"""What does a note say? The facts and sentences that its text and its page share.

A note is what a recipient reads before anything is played. Everything here is
one line of plain text that ``relkit.pack.note`` and ``relkit.pack.page`` lay
out: whatever a person typed has gone through ``one_line``, so it cannot add a
line, turn the writing direction or steer a terminal.

Conventions
    length          m:ss.mmm, rounded half up; minutes do not turn into hours
    talk-up         [s] from the first sample, rounded down: nobody talks over the first word
    loudness        [LUFS], true peak [dBTP], two decimals as in the manifest
    "less"          [dB], rounded up to a tenth: how far a true peak stands above a limit
    days            yyyy-mm-dd; an embargo with its offset from UTC, and in UTC

Sources
    The limit of -1 dBTP: EBU R 128, as EBU Tech 3343 (2023) quotes it. 0 dBTP is full scale.
    What a note says, and that "clean" is a claim: common practice, no published source.

Not here: how it looks, measuring, what is in the package, what changed against an earlier one
(``relkit.pack.replacement``), other languages than English.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import PurePosixPath

from relkit.manifest import MANIFEST_NAMESPACE, SoundFacts, VersionFacts
from relkit.pack.facts import SongFacts, VersionFile
from relkit.pack.layout import MANIFEST, PUBLIC_KEY, SIGNATURE, SUMS
from relkit.pack.names import one_line
from relkit.pack.replacement import Replacement, clock

HIGHEST_TRUE_PEAK_DBTP = -1.0
NOT_DECLARED = "not declared"

Fact = tuple[str, str]
"""A label of ours, and what stands behind it."""

_RATINGS = {"no-edit-needed": "no edit needed", None: NOT_DECLARED}
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_CHANNELS = {1: "mono", 2: "stereo"}
_DEPTHS = {
    "int16": "16-bit",
    "int24": "24-bit",
    "int32": "32-bit",
    "float32": "32-bit float",
    "float64": "64-bit float",
}

CLEAN_IS_A_CLAIM = (
    '"Clean" is the sender\'s own claim about a version. Broadcasters remain bound by their own code '
    "and need to listen before they air it."
)
RIGHTS = (
    "Clearing samples and other rights is the sender's part. Playing in public or on air falls "
    "under the licences that the venue or station holds."
)
LEVEL = "Set a moderate playback level before the first play, above all on headphones and large systems."


@dataclass(frozen=True)
class Note:
    """All that a note is made of; the same notes have the same bytes.

    Attributes:
        files: in the order they shall be listed; those of one version become one row.
        revision: that the package is built from; ``recorded_on`` its day, "yyyy-mm-dd".
        fingerprint: of the signing key, as ``ssh-keygen -l`` prints it, "SHA256:...".
        replaces: the package that this one takes the place of; it is then spoken of first.
    """

    song: SongFacts
    files: Sequence[VersionFile]
    revision: int
    recorded_on: str
    fingerprint: str
    replaces: Replacement | None = None


@dataclass(frozen=True)
class Row:
    """One version, whatever it was written as.

    Attributes:
        formats: "MP3", "WAV (12 files)".
        details: ISRC, talk-up, ending and what else is known of it.
        length_s, vocal_from_s: [s], None where not known; for drawing.
        ending: "cold" or "fade".
    """

    label: str
    rating: str
    length: str
    loudness: str
    true_peak: str
    formats: str
    details: Sequence[Fact]
    length_s: float | None
    vocal_from_s: float | None
    ending: str | None


# --- the song


def who(song: SongFacts) -> list[str]:
    """Return the artist and who else is heard, in pieces: names at even places, what joins them at odd ones.

    Joined they say "Example Artist feat. A, B & C".
    """
    names = [one_line(song.artist) or "Unnamed Artist", *filter(None, map(one_line, song.featured))]
    joiners = [" feat. ", *[", "] * (len(names) - 2)][: len(names) - 1]
    if len(names) > 2:
        joiners[-1] = " & "
    return [piece for pair in zip(names, [*joiners, ""], strict=True) for piece in pair][:-1]


def title(song: SongFacts) -> str:
    """Return the title; as in the names of files, there always is one."""
    return one_line(song.title) or "Untitled"


def embargo(song: SongFacts) -> str | None:
    """Say until when nobody may play or publish, in the sheet's zone and in UTC.

    Raises:
        ValueError: the embargo has no zone.
    """
    until = song.embargo
    if until is None:
        return None
    offset = until.utcoffset()
    if offset is None:
        raise ValueError("an embargo without a zone ends at no moment")
    local = f"{_WEEKDAYS[until.weekday()]} {until:%Y-%m-%d, %H:%M}"
    said = f"not to be played or published before {local} UTC"
    if not offset:
        return said
    # %z is "+0100": no name of a zone, which not everybody would read alike.
    zone = f"{until:%z}"
    return f"{said}{zone[:3]}:{zone[3:5]} ({until.astimezone(dt.UTC):%Y-%m-%d, %H:%M} UTC)"


def promo_line(song: SongFacts) -> str:
    """Return the line about promotional use; empty for none."""
    return one_line(song.promo_line or "")


def music(song: SongFacts) -> list[Fact]:
    """Return what a DJ looks for first; tempo and key say so where they are not declared."""
    return [
        ("Tempo", _tempo(song)),
        ("Key", one_line(str(song.key)) if song.key else NOT_DECLARED),
        *_known(("Meter", song.meter)),
    ]


def _tempo(song: SongFacts) -> str:
    """Return the tempo as declared, with all its decimals."""
    text = one_line(song.tempo_text or "")
    if song.tempo_bpm is None:
        return text or NOT_DECLARED
    exact = _exact(song.tempo_bpm)
    if not text:
        return f"{exact} BPM"
    return text if exact in text.split() else f"{text} (exactly {exact})"


def _exact(number: Fraction) -> str:
    """Return a number with all its decimals, or as a fraction where they never end."""
    rest, decimals = number.denominator, 0
    for prime in (2, 5):
        count = 0
        while rest % prime == 0:
            rest, count = rest // prime, count + 1
        decimals = max(decimals, count)
    if rest != 1:
        return str(number)
    whole, part = divmod(number * 10**decimals, 10**decimals)
    return f"{whole}.{int(part):0{decimals}d}" if decimals else str(whole)


def about(note: Note) -> list[Fact]:
    """Return the other facts of the song and of this package that somebody needs on the day."""
    song = note.song
    return _known(
        ("Pronunciation", song.pronunciation),
        ("Language", song.language),
        ("Remix by", song.remixer),
        ("Album", song.album),
        ("Genre", song.genre),
        ("Release date", _day(song.release_date)),
        ("Last day of use", _day(song.end_date)),
        ("Contact", song.contact),
        ("Revision", f"{note.revision}, recorded on {note.recorded_on}"),
    )


def _day(day: dt.date | None) -> str | None:
    return day.isoformat() if day else None


def credits_of(song: SongFacts) -> list[Fact]:
    """Return who made it and whose it is; the only labels here that people typed are the roles."""
    roles = [(one_line(role), _joined(names)) for role, names in song.credits]
    return _known(
        (_several("Composer", song.composers), _joined(song.composers)),
        (_several("Lyricist", song.lyricists), _joined(song.lyricists)),
        *((f"{role[:1].upper()}{role[1:]}", names) for role, names in roles if role),
        ("Publisher", song.publisher),
        ("Label", song.label),
        ("Copyright", song.copyright),
        ("GTIN", song.gtin),
    )


def _several(word: str, names: Sequence[str]) -> str:
    return word if len(names) == 1 else f"{word}s"


def _joined(texts: Sequence[str]) -> str:
    return ", ".join(filter(None, map(one_line, texts)))


def _known(*facts: tuple[str, str | None]) -> list[Fact]:
    """Return the facts that there are, each as one line."""
    lines = [(name, one_line(value or "")) for name, value in facts]
    return [(name, value) for name, value in lines if value]


# --- the versions


def rows(note: Note) -> list[Row]:
    """Return one row a version, in the order of its first file."""
    grouped: dict[str, list[VersionFile]] = {}
    for file in note.files:
        grouped.setdefault(file.version.id, []).append(file)
    return [_row(files, note.song) for files in grouped.values()]


def format_of(file: VersionFile) -> str:
    """Return what people call a file by its ending: "MP3", "WAV"."""
    return one_line(PurePosixPath(file.name).suffix[1:].upper()) or "file"


def _row(files: list[VersionFile], song: SongFacts) -> Row:
    # What was measured before encoding says most about the version; the MP3 has a line of its own.
    lossless = [file for file in files if format_of(file) != "MP3"]
    alike = lossless or files
    first = next((file for file in alike if file.sound and file.sound.meter), alike[0])
    one = len({format_of(file) for file in alike}) == len(alike)
    length, loudness, true_peak = numbers(first.sound) if one else ("-", "several files", "-")
    length_s = first.sound.duration_s if first.sound and one else None
    return Row(
        label=one_line(first.version.label) or one_line(first.version.id),
        rating=rating_of(first.version),
        length=length,
        loudness=loudness,
        true_peak=true_peak,
        formats=_formats(files),
        details=_details(first, files, song),
        length_s=length_s or None,
        vocal_from_s=first.timers.vocal_from_s if one else None,
        ending=first.ending,
    )


def _formats(files: Sequence[VersionFile]) -> str:
    counts: dict[str, int] = {}
    for file in files:
        counts[format_of(file)] = counts.get(format_of(file), 0) + 1
    return ", ".join(f"{name} ({count} files)" if count > 1 else name for name, count in counts.items())


def numbers(sound: SoundFacts | None) -> tuple[str, str, str]:
    """Return length, loudness and true peak of one file; what has no number says why."""
    if sound is None:
        return "-", "not measured", "-"
    length = length_text(sound.frames, sound.sample_rate_hz)
    if sound.meter is None:
        return length, "not measured", "-"
    loudness, peak = sound.integrated_loudness_lufs, sound.true_peak_dbtp
    return (
        length,
        # Null means below the gate or shorter than one gating block; the peak tells which.
        _figure(loudness, "LUFS") if loudness is not None else "silent" if peak is None else "too short",
        _figure(peak, "dBTP") if peak is not None else "-",
    )


def length_text(frames: int, rate_hz: int) -> str:
    """Return a length as m:ss.mmm, rounded half up in whole numbers."""
    if rate_hz <= 0:
        return "unknown"
    return clock((2000 * frames + rate_hz) // (2 * rate_hz))


def _figure(value: float, unit: str) -> str:
    return f"{round(value, 2) + 0.0:.2f} {unit}"  # the sum turns -0.0 into 0.0


def rating_of(version: VersionFacts) -> str:
    """Return a rating as people read it."""
    return _RATINGS.get(version.rating) or one_line(version.rating or "") or NOT_DECLARED


def _details(first: VersionFile, files: Sequence[VersionFile], song: SongFacts) -> list[Fact]:
    version, last_words = first.version, one_line(first.last_words or "")
    facts = _known(
        ("ISRC", first.isrc),
        ("Language", version.language if version.language != song.language else None),
        ("Talk-up", _talk_up(first.timers.vocal_from_s)),
        ("Ending", first.ending),
        ("Last words", f'"{last_words}"' if last_words else None),
        ("Removed", _joined(version.removed)),
    )
    return [*facts, *_peaks_of_mp3(files)]


def _talk_up(vocal_from_s: float | None) -> str | None:
    return None if vocal_from_s is None else f"{math.floor(vocal_from_s * 10) / 10:.1f} s"


def _peaks_of_mp3(files: Sequence[VersionFile]) -> Iterator[Fact]:
    for file in files:
        peak = file.sound.true_peak_dbtp if file.sound else None
        if format_of(file) == "MP3" and peak is not None and peak > HIGHEST_TRUE_PEAK_DBTP:
            yield "MP3", _too_high(peak)


def _too_high(peak_dbtp: float) -> str:
    """Say what level would bring the true peak of a decoded MP3 below the limits."""
    said = f"true peak {_figure(peak_dbtp, 'dBTP')}"
    to_limit = f"{_less_db(peak_dbtp, HIGHEST_TRUE_PEAK_DBTP)} dB less for {HIGHEST_TRUE_PEAK_DBTP:.0f} dBTP"
    if peak_dbtp > 0:
        return f"{said}, above full scale: {_less_db(peak_dbtp, 0.0)} dB less for 0 dBTP, {to_limit}"
    return f"{said}: {to_limit}"


def _less_db(peak_dbtp: float, limit_dbtp: float) -> str:
    over = round(100 * peak_dbtp) - round(100 * limit_dbtp)  # hundredths, as in the manifest
    tenths = -(-over // 10)
    return f"{tenths // 10}.{tenths % 10}"


# --- the files


def about_files(note: Note) -> list[Fact]:
    """Return how each format is written, and what was done to the bounces to get it."""
    by_format: dict[str, list[VersionFile]] = {}
    for file in note.files:
        by_format.setdefault(format_of(file), []).append(file)
    facts = []
    for name, files in by_format.items():
        written = {_written(file.sound): None for file in files if file.sound}
        facts += [(name, " or ".join(filter(None, written)))] if any(written) else []
        made: dict[str, list[str]] = {}
        for file in files:
            if what := one_line(file.made_by):
                made.setdefault(what, []).append(one_line(file.version.label))
        for what, labels in made.items():
            some = "" if len(labels) == len(files) else f" of {', '.join(dict.fromkeys(labels))}"
            facts.append(("Converted", f"{name}{some}: {what}"))
    return facts


def _written(sound: SoundFacts | None) -> str:
    if sound is None:
        return ""
    rate = f"{sound.sample_rate_hz / 1000:g} kHz" if sound.sample_rate_hz else ""
    channels = _CHANNELS.get(sound.channels, f"{sound.channels} channels")
    return ", ".join(filter(None, [_DEPTHS.get(sound.sample_format), rate, channels]))  # an MP3 has no depth


def remarks_on_files(note: Note) -> list[str]:
    """Return how MP3s line up, and what the "less" behind a true peak means; empty without MP3s."""
    mp3s = [file for file in note.files if format_of(file) == "MP3"]
    others = {format_of(file) for file in note.files} & {"WAV", "AIFF", "FLAC"}
    said = []
    # An MP3 that nobody here made was not measured, and nothing is known of its delay.
    if len(mp3s) > 1 and all(file.sound and file.sound.meter for file in mp3s):
        rates = {file.sound.sample_rate_hz for file in mp3s if file.sound}
        which = "The MP3s" if len(rates) < 2 else "MP3s of one sample rate"
        said.append(
            f"{which} share encoder, settings and delay, so they line up with each other in any player."
        )
    if mp3s and others:
        name = " or ".join(sorted(others))
        said.append(
            f"An MP3 lines up with its {name} in players that honour gapless data; in others it comes in "
            "a moment later."
        )
    if any(label == "MP3" for row in rows(note) for label, _ in row.details):
        said.append(
            'An MP3\'s true peak is that of its decoded sound. "Less" is the change of level before encoding '
            "that would avoid it, as an estimate; nothing here was turned down."
        )
    return said


def remarks(note: Note) -> list[str]:
    """Return what a recipient has to know beside the numbers."""
    claim = any(file.version.rating == "clean" for file in note.files)
    return [*([CLEAN_IS_A_CLAIM] if claim else []), RIGHTS, LEVEL]


# --- the proof

CHECK_FILES = (
    "In a terminal, in this folder, with tools that the system has. First, is every file here and whole?"
)
CHECK_FILES_COMMANDS = (
    f"Linux     sha256sum -c {SUMS}",
    f"macOS     shasum -a 256 -c {SUMS}",
    "Windows   Get-FileHash FILE   (one by one, to compare with the list)",
)
CHECK_SIGNATURE = f"Second, is {MANIFEST}, which lists the same files and digests, signed with this key?"
CHECK_SIGNATURE_COMMANDS = (
    f'echo "sender $(cat {PUBLIC_KEY})" > /tmp/sender.txt',
    "ssh-keygen -Y verify -f /tmp/sender.txt -I sender \\",
    f"    -n {MANIFEST_NAMESPACE} \\",
    f"    -s {SIGNATURE} < {MANIFEST}",
    f"ssh-keygen -l -f {PUBLIC_KEY}",
)
WHAT_IT_PROVES = (
    "A good signature proves that whoever holds this key signed, and nothing about who that is. "
    "The key lies in this package too, so compare its fingerprint with the sender, by telephone or "
    "in an e-mail of their own:"
)
SUMS_ARE_NOT_SIGNED = (
    f"{SUMS} itself is not signed: it finds a damaged copy, not a forged one. "
    "relkit verify compares every file with the signed list."
)
