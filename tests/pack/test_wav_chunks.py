"""RIFF INFO, ``bext`` and ``cart`` as other programs read them.

Offsets and loudness words are those of the standards digest, 3.3 and 3.4 (EBU
Tech 3285 version 2, AES46-2002).
"""

from __future__ import annotations

import datetime as dt
import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.pack.ascii_text import to_ascii
from relkit.pack.cart import CART_CHUNK, cart_chunk
from relkit.pack.facts import SongFacts, Timers
from relkit.pack.names import one_line
from relkit.pack.tags import ID3_CHUNK_WAV, id3_tag
from relkit.pack.wav_chunks import BEXT_CHUNK, INFO_CHUNK, bext_chunk, coding_history, hundredths, info_chunk
from tests.support import libsndfile_chunks
from tests.support.tag_facts import HOSTILE, RECORDED_AT, SCRIPTS, file, song, sound
from tests.support.tagged_files import by_exiftool, by_ffprobe, by_mediainfo, wav

BEXT_FIXED, CART_FIXED = 602, 2048
CART_TEXT = {  # offsets of the fields of 64 bytes
    "title": 4,
    "artist": 68,
    "cut_id": 132,
    "client_id": 196,
    "category": 260,
    "classification": 324,
    "out_cue": 388,
    "producer_app_id": 488,
    "producer_app_version": 552,
    "user_def": 616,
}


def text_at(chunk: bytes, offset: int, size: int) -> str:
    """Return a field of ASCII, NUL-padded to its end."""
    text, _, rest = chunk[offset : offset + size].partition(b"\0")
    assert not rest.strip(b"\0")
    return text.decode("ascii")


def timers_of(chunk: bytes) -> dict[str, int]:
    """Return the used slots of eight, and that the others are zero and behind them."""
    slots = [struct.unpack_from("<4sI", chunk, 684 + 8 * slot) for slot in range(8)]
    used = [slot for slot in slots if slot[0] != b"\0\0\0\0"]
    assert slots == used + [(b"\0\0\0\0", 0)] * (8 - len(used))
    names = {name.decode("ascii"): value for name, value in used}
    assert len(names) == len(used)
    return names


def radio_wav(folder: Path, of: SongFacts) -> Path:
    """Write a WAV as for radio: both chunks before the audio, ID3 behind it."""
    path = folder / "radio.wav"
    before = [(BEXT_CHUNK, bext_chunk(of, file(), RECORDED_AT)), (CART_CHUNK, cart_chunk(of, file()))]
    path.write_bytes(wav(before=before, after=[(ID3_CHUNK_WAV, id3_tag(of, file(), None))]))
    return path


# --- INFO


def test_info_is_read_by_three_programs(tmp_path: Path) -> None:
    """In a file that has nothing else."""
    path = tmp_path / "info.wav"
    content = info_chunk(song(title="Lanterns, \"one\" <b> & 'two'"), file())
    assert content is not None
    path.write_bytes(wav(after=[(INFO_CHUNK, content)]))
    title = "Lanterns, \"one\" <b> & 'two' (Clean)"
    (exif,), (info,) = by_exiftool([path]), by_mediainfo([path])
    assert exif["RIFF:Title"] == info["Title"] == by_ffprobe(path)["title"] == title
    artist = "Ostrel Vane feat. Ada Sluice, Bram Tailrace & Cato Penstock"
    assert exif["RIFF:Artist"] == info["Director"] == by_ffprobe(path)["artist"] == artist
    assert exif["RIFF:Product"] == "Weir Songs"
    assert exif["RIFF:DateCreated"] == "2031:05:23"
    assert exif["RIFF:Genre"] == info["Genre"] == "House"
    assert exif["RIFF:Copyright"] == info["Copyright"] == "2031 Ninefathom Kettle"
    assert exif["RIFF:Comment"] == info["Comment"]
    assert "Software" not in str(exif)  # the version of a tool would change packages


@pytest.mark.parametrize("kind", SCRIPTS)
def test_a_wav_reads_right_in_every_script(kind: str, tmp_path: Path) -> None:
    """INFO comes first in mediainfo, so it is there only where all of its text fits ISO-8859-1."""
    of = song(title=SCRIPTS[kind])
    content = info_chunk(of, file())
    assert (content is not None) == (kind == "plain")
    latin = info_chunk(song(title="Façade ñ"), file())
    for number, (name, chunk) in enumerate(((SCRIPTS[kind], content), ("Façade ñ", latin))):
        path = tmp_path / f"{number}.wav"
        after = [(INFO_CHUNK, chunk)] if chunk else []
        tag = id3_tag(song(title=name), file(), None)
        path.write_bytes(wav(after=[*after, (ID3_CHUNK_WAV, tag)]))
        (exif,), (info,) = by_exiftool([path]), by_mediainfo([path])
        assert info["Title"] == exif["ID3v2_3:Title"] == f"{name} (Clean)"
        assert exif.get("RIFF:Title", f"{name} (Clean)") == f"{name} (Clean)"


@given(st.text(st.characters(max_codepoint=0x180), max_size=40))
def test_info_can_always_be_followed(title: str) -> None:
    """RIFF: name, size, text with a NUL, and an even byte; nothing is left over."""
    content = info_chunk(song(title=title, contact=None), file())
    if content is None:
        assert any(char > "\xff" for char in one_line(title))
        return
    assert content[:4] == b"INFO"
    at, found = 4, {}
    while at < len(content):
        name, size = struct.unpack_from("<4sI", content, at)
        text = content[at + 8 : at + 8 + size]
        assert text.count(b"\0") == 1
        found[name] = text[:-1].decode("latin-1")
        at += 8 + size + size % 2
    assert at == len(content)
    assert found[b"INAM"] == f"{one_line(title) or 'Untitled'} (Clean)"


# --- bext


@pytest.mark.parametrize(
    ("figure", "word"),
    # Standards digest, 3.3 (EBU Tech 3285 version 2).
    [
        (-22.644, "28f7"),
        (-22.646, "27f7"),
        (-23.0, "04f7"),
        (5.0, "f401"),
        (-1.0, "9cff"),
        (None, "ff7f"),
        (float("-inf"), "ff7f"),
    ],
)
def test_loudness_words_are_those_of_the_standard(figure: float | None, word: str) -> None:
    """Hundredths, signed, little-endian; 0x7FFF is "no figure"."""
    assert struct.pack("<h", hundredths(figure)).hex() == word


def test_bext_has_the_published_layout() -> None:
    """Each field at its offset; the time is that of the revision, in UTC, a day later here."""
    chunk = bext_chunk(song(), file(max_momentary_lufs=-7.5), RECORDED_AT)
    assert text_at(chunk, 0, 256) == (
        "Ostrel Vane feat. Ada Sluice, Bram Tailrace & Cato Penstock - Lanterns on the Weir (Clean)"
    )
    assert text_at(chunk, 256, 32) == "Ninefathom Kettle"
    assert text_at(chunk, 288, 32) == "AA6Q72000047"
    assert chunk[320:338] == b"2031-04-0601:30:15"
    assert chunk[338:348] == struct.pack("<IIH", 0, 0, 2)
    assert chunk[348:412] == bytes(64)
    assert struct.unpack_from("<5h", chunk, 412) == (-1004, 730, -100, -750, 0x7FFF)
    assert chunk[422:BEXT_FIXED] == bytes(180)
    assert chunk[BEXT_FIXED:] == b"A=PCM,F=44100,W=16,M=stereo,T=24-bit to 16-bit; dithered\r\n"


def test_a_time_needs_a_zone() -> None:
    """The same revision is the same chunk on every machine."""
    with pytest.raises(ValueError, match="zone"):
        bext_chunk(song(), file(), dt.datetime(2031, 4, 5))  # noqa: DTZ001


def test_the_history_has_a_line_for_each_sound() -> None:
    """EBU R 98: A, F, W, M, T, in this order, CR LF; nothing is said of a mode that it does not know."""
    bounce = sound(identity="cd" * 32, sample_format="float32", sample_rate_hz=96_000, channels=6)
    assert coding_history(file(made_by="")) == "A=PCM,F=44100,W=16,M=stereo\r\n"
    assert coding_history(file(), bounce).split("\r\n") == [
        "A=PCM,F=96000,W=32,T=bounce float",
        "A=PCM,F=44100,W=16,M=stereo,T=24-bit to 16-bit; dithered",
        "",
    ]
    assert coding_history(file(made_by=""), sound()).count("\r\n") == 1
    assert coding_history(file(sound=None)) == ""


def test_bext_is_read_by_four_programs(tmp_path: Path) -> None:
    """libsndfile, mediainfo, exiftool and ffprobe, the loudness by the first two."""
    path = radio_wav(tmp_path, song())
    said = "Ostrel Vane feat. Ada Sluice, Bram Tailrace & Cato Penstock - Lanterns on the Weir (Clean)"
    read = libsndfile_chunks.broadcast(path)
    assert read.description.decode() == said
    assert (read.originator, read.originator_reference) == (b"Ninefathom Kettle", b"AA6Q72000047")
    assert (read.origination_date, read.origination_time) == (b"2031-04-06", b"01:30:15")
    assert (read.version, read.time_reference_low, read.time_reference_high) == (2, 0, 0)
    assert (read.loudness_value, read.loudness_range, read.max_true_peak_level) == (-1004, 730, -100)
    assert (read.max_momentary_loudness, read.max_shortterm_loudness) == (0x7FFF, 0x7FFF)
    assert read.coding_history.startswith(b"A=PCM,F=44100,W=16,M=stereo,T=24-bit to 16-bit; dithered\r\n")
    (info,), (exif,), probe = by_mediainfo([path]), by_exiftool([path]), by_ffprobe(path)
    assert info["Description"] == exif["RIFF:Description"] == probe["comment"] == said
    assert info["Producer"] == exif["RIFF:Originator"] == probe["encoded_by"] == "Ninefathom Kettle"
    assert exif["RIFF:DateTimeOriginal"] == "2031:04:06 01:30:15"
    assert info["Encoded_Date"] == "2031-04-06 01:30:15"
    assert probe["originator_reference"] == "AA6Q72000047"


# --- cart


def test_cart_has_the_published_layout() -> None:
    """Each field at its offset; cut id, client and end date are blank."""
    chunk = cart_chunk(song(), file())
    assert chunk[:4] == b"0101"
    assert {name: text_at(chunk, offset, 64) for name, offset in CART_TEXT.items()} == {
        "title": "Lanterns on the Weir (Clean)",
        "artist": "Ostrel Vane feat. Ada Sluice, Bram Tailrace & Cato Penstock",
        "cut_id": "",
        "client_id": "",
        "category": "MUSIC",
        "classification": "Rating: clean (without swearing, drugs)",
        "out_cue": "home by the water",
        "producer_app_id": "relkit",
        "producer_app_version": "",
        "user_def": "AA6Q72000047",
    }
    assert chunk[452:488] == b"2031-05-2006:00:00" + bytes(18)
    assert struct.unpack_from("<i", chunk, 680) == (32768,)
    assert timers_of(chunk) == {
        "AUDs": 441,
        "AUDe": 19_845,
        "INTs": 441,
        "INTe": 8_820,
        "SEGs": 17_640,
        "SEGe": 19_845,
        "EOD ": 19_845,
    }
    assert chunk[748:CART_FIXED] == bytes(276 + 1024)
    lines = chunk[CART_FIXED:].decode("ascii").split("\r\n")
    assert lines[1:] == [
        "Label: Ninefathom Kettle",
        "Composers: Ostrel Vane, Dorn Lade",
        "Copyright: 2031 Ninefathom Kettle",
        "",
    ]


def test_dates_come_from_the_sheet_only() -> None:
    """Start: the embargo, never the day of release. End: the last day of use, until its last second."""
    released = cart_chunk(song(embargo=None, end_date=dt.date(2031, 12, 31)), file())
    assert released[452:488] == bytes(18) + b"2031-12-3123:59:59"
    assert cart_chunk(song(embargo=None), file())[452:488] == bytes(36)


@pytest.mark.parametrize(
    ("timers", "names"),
    [
        (Timers(), set()),
        (Timers(0.0, 0.5, None, 0.4), {"AUDs", "AUDe", "SEGs", "SEGe", "EOD "}),
        (Timers(0.0, 0.5, 0.2, None), {"AUDs", "AUDe", "INTs", "INTe", "EOD "}),
        (Timers(vocal_from_s=0.2), {"INTs", "INTe"}),
        (
            Timers(0.1, 0.5, 0.1, 0.5),
            {"AUDs", "AUDe", "SEGs", "SEGe", "EOD "},
        ),  # words from the first sound on
        (Timers(0.0, 9.0, 9.0, 9.0), set()),  # behind the end of the file
        (Timers(0.0, 0.5, -0.1, float(2**31)), {"AUDs", "AUDe", "EOD "}),
    ],
)
def test_an_uncertain_timer_is_left_out(timers: Timers, names: set[str]) -> None:
    """And a pair is whole or not there."""
    assert set(timers_of(cart_chunk(song(), file(timers=timers)))) == names
    assert timers_of(cart_chunk(song(), file(timers=timers, sound=None))) == {}


def test_timers_stay_below_the_sign() -> None:
    """In a file with more samples than that there is no timer behind them."""
    long = sound(frames=2**33, sample_rate_hz=192_000)
    timers = Timers(0.0, 2**31 / 192_000, 11_184.0, 2**31 / 192_000)
    found = timers_of(cart_chunk(song(), file(sound=long, timers=timers)))
    assert found == {"INTs": 0, "INTe": 11_184 * 192_000}
    assert max(found.values()) < 2**31


@pytest.mark.parametrize(
    ("ending", "words", "cue"),
    [
        ("cold", "home", "home"),
        ("cold", None, "Ends cold"),
        ("fade", None, "Fades out"),
        (None, None, ""),
    ],
)
def test_the_out_cue_is_the_last_words(ending: str | None, words: str | None, cue: str) -> None:
    """Or how it ends; nothing where neither is declared."""
    assert text_at(cart_chunk(song(), file(ending=ending, last_words=words)), 388, 64) == cue


def test_cart_is_read_by_libsndfile(tmp_path: Path) -> None:
    """An independent reader with structures of its own."""
    read = libsndfile_chunks.cart(radio_wav(tmp_path, song()))
    assert read.version == b"0101"
    assert read.title == b"Lanterns on the Weir (Clean)"
    assert read.artist == b"Ostrel Vane feat. Ada Sluice, Bram Tailrace & Cato Penstock"
    assert (read.cut_id, read.client_id, read.category) == (b"", b"", b"MUSIC")
    assert read.out_cue == b"home by the water"
    assert (read.start_date, read.start_time) == (b"2031-05-20", b"06:00:00")
    assert (read.end_date, read.end_time) == (b"", b"")
    assert (read.producer_app_id, read.user_def) == (b"relkit", b"AA6Q72000047")
    assert read.level_reference == 32768
    assert [(timer.usage, timer.value) for timer in read.post_timers] == [
        (b"AUDs", 441),
        (b"AUDe", 19_845),
        (b"INTs", 441),
        (b"INTe", 8_820),
        (b"SEGs", 17_640),
        (b"SEGe", 19_845),
        (b"EOD ", 19_845),
        (b"", 0),
    ]
    assert read.tag_text.endswith(b"Copyright: 2031 Ninefathom Kettle\r\n")


# --- names in ASCII


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Ænima façade Žižkov", "Aenima facade Zizkov"),
        ("Straße – “Łódź”… Ångström", 'Strasse - "Lodz"... Angstrom'),
        ("Фонари над плотиной", "Fonari nad plotinoy"),
        ("Щедрик ї Ґ", "Shchedrik yi G"),
        ("ЩУКА", "SHCHUKA"),
        ("Φανάρια Ψυχή", "Fanaria Psychi"),
        ("堰の上の灯", "?"),
        ("夜 Mix 灯", "? Mix ?"),
        ("Night 🌙 shift 👩🏽\u200d🎤", "Night ? shift ?"),
        ("What??", "What??"),
        ("½ & ① & ﬁn", "1/2 & 1 & fin"),
        ("a\0b\r\nc\u202ed", "a b cd"),
        ("x" * 70, "x" * 60 + "..."),
        ("é" * 70, "e" * 60 + "..."),
    ],
)
def test_a_name_is_said_as_well_as_ascii_can(text: str, said: str) -> None:
    """And what it cannot say is marked, a run of it by one mark."""
    assert to_ascii(text, 63) == said


@settings(deadline=None)
@given(st.text(st.characters(codec=None, exclude_categories=()), max_size=300))
def test_any_text_fits_its_field(text: str) -> None:
    """Whatever is typed stays one printable line of ASCII, and every offset behind it holds."""
    for most in (4, 31, 63, 255):
        said = to_ascii(text, most)
        assert len(said) <= most
        assert said.isascii()
        assert said.isprintable()
    of = song(artist=text, title=text, label=text, copyright=text, contact=text, featured=(text,))
    bext = bext_chunk(of, file(made_by=text), RECORDED_AT)
    for offset, size in ((0, 256), (256, 32), (288, 32)):
        text_at(bext, offset, size)
    assert bext[320:330] == b"2031-04-06"
    history = bext[BEXT_FIXED:].decode("ascii")
    assert history.count("\r\n") == 1
    assert history.count(",") == 3 + ("T=" in history)
    chunk = cart_chunk(of, file(last_words=text))
    for offset in CART_TEXT.values():
        text_at(chunk, offset, 64)
    assert chunk[452:462] == b"2031-05-20"
    assert len(timers_of(chunk)) == 7
    assert chunk[CART_FIXED:].decode("ascii").endswith("\r\n")
    assert "\n" not in chunk[CART_FIXED:].decode("ascii").replace("\r\n", "")


@pytest.mark.parametrize("kind", HOSTILE)
def test_hostile_text_is_one_value_to_other_programs(kind: str, tmp_path: Path) -> None:
    """In bext and cart it is what its ASCII form says."""
    of = song(artist=HOSTILE[kind], title=HOSTILE[kind], featured=())
    path = radio_wav(tmp_path, of)
    read = libsndfile_chunks.cart(path)
    assert read.title.decode() == to_ascii(f"{HOSTILE[kind]} (Clean)", 63)
    assert read.cut_id == b""
    (info,) = by_mediainfo([path])
    assert info["Description"] == to_ascii(
        f"{one_line(HOSTILE[kind])} - {one_line(HOSTILE[kind])} (Clean)", 255
    )
