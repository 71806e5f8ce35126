"""ID3 and Vorbis tags as other programs read them."""

from __future__ import annotations

import datetime as dt
import io
import re
import struct
import subprocess
from dataclasses import fields
from fractions import Fraction
from pathlib import Path
from typing import Any

import mutagen.id3
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.audio.id3 import large_runs
from relkit.pack.facts import SongFacts
from relkit.pack.languages import three_letters
from relkit.pack.names import one_line
from relkit.pack.tags import ID3_CHUNK_AIFF, ID3_CHUNK_WAV, flac_blocks, id3_tag
from relkit.pack.wav_chunks import info_chunk
from tests.support.tag_facts import HOSTILE, SCRIPTS, file, song, version
from tests.support.tagged_files import aiff, by_exiftool, by_ffprobe, by_mediainfo, flac, jpeg, mp3, wav

COVER = jpeg()
CONTAINERS = ("mp3", "wav", "aiff", "flac")
SPLIT_AT_A_SLASH = {"TPE1", "TCOM", "TEXT"}  # id3v2.3.0, section 4.2.1
TERMINATORS = {0: b"\0", 1: b"\0\0", 3: b"\0"}
CODECS = {0: "latin-1", 1: "utf-16", 3: "utf-8"}


def walk(tag: bytes) -> list[tuple[str, bytes]]:
    """Return the frames of a tag as id3v2.3.0 lays them out: plain sizes, no padding, nothing behind."""
    assert tag[:6] == b"ID3\x03\x00\x00"
    assert max(tag[6:10]) < 0x80
    size = sum(byte << shift for byte, shift in zip(tag[6:10], (21, 14, 7, 0), strict=True))
    assert len(tag) == 10 + size
    frames, at = [], 10
    while at < len(tag):
        name, length, flags = struct.unpack_from(">4sIH", tag, at)
        assert flags == 0
        assert length > 0
        frames.append((name.decode("ascii"), tag[at + 10 : at + 10 + length]))
        at += 10 + length
    assert at == len(tag)
    return frames


def strings(encoding: int, data: bytes) -> list[str]:
    """Return the texts of a frame; a last terminator is allowed and ends nothing new."""
    step, end = len(TERMINATORS[encoding]), TERMINATORS[encoding]
    parts, start = [], 0
    for at in range(0, len(data), step):
        if data[at : at + step] == end:
            parts.append(data[start:at])
            start = at + step
    parts += [data[start:]] if start < len(data) else []
    return [part.decode(CODECS[encoding]) for part in parts]


def texts_of(tag: bytes) -> dict[str, str]:
    """Return every text of a tag by frame, "TXXX:Name" for described ones; each comes once."""
    found: dict[str, str] = {}
    for name, body in walk(tag):
        if name == "APIC":
            continue
        encoding = body[0]
        read = strings(encoding, body[4:] if name == "COMM" else body[1:])
        if name in ("TXXX", "COMM"):
            assert len(read) == 2
            name = f"{name}:{read[0]}"
        else:
            assert len(read) == 1
        assert name not in found
        found[name] = read[-1]
    return found


def write(folder: Path, container: str, of: SongFacts, name: str = "x") -> Path:
    """Write a file of that container with the tags of a song."""
    tag = id3_tag(of, file(), COVER)
    made = {
        "mp3": lambda: mp3(tag),
        "wav": lambda: wav(after=[(ID3_CHUNK_WAV, tag)]),
        "aiff": lambda: aiff(after=[(ID3_CHUNK_AIFF, tag)]),
        "flac": lambda: flac(flac_blocks(of, file(), COVER)),
    }
    path = folder / f"{name}.{container}"
    path.write_bytes(made[container]())
    return path


# --- what a tag holds


def test_every_frame_holds_what_the_standard_wants() -> None:
    """Syntax from id3v2.3.0: TBPM, TKEY, TSRC, TYER, TDAT (DDMM), TLEN, TCOP with year and space, TLAN."""
    assert texts_of(id3_tag(song(), file(), COVER)) == {
        "TIT2": "Lanterns on the Weir (Clean)",
        "TPE1": "Ostrel Vane feat. Ada Sluice, Bram Tailrace & Cato Penstock",
        "TALB": "Weir Songs",
        "TPE4": "Pellucine Docket",
        "TBPM": "127",
        "TKEY": "F#m",
        "TCON": "House",
        "TYER": "2031",
        "TDAT": "2305",
        "TSRC": "AA6Q72000047",
        "TPUB": "Ninefathom Kettle",
        "TCOM": "Ostrel Vane/Dorn Lade",
        "TEXT": "Ada Sluice",
        "TCOP": "2031 Ninefathom Kettle",
        "TLAN": "deu",
        "TLEN": "500",
        "TXXX:Tempo": "126.5",
        "TXXX:Publisher": "Quern Songs",
        "TXXX:Barcode": "6291041500213",
        "COMM:": "For promotional use only; Rating: clean (without swearing, drugs); "
        "Not before 2031-05-20 06:00 +0200; Contact: promo@kettle.example",
    }


def test_the_cover_is_a_front_cover_in_jpeg_and_stands_last() -> None:
    """APIC: encoding, MIME type, NUL, picture type 03, description, NUL, bytes (id3v2.3.0, 4.15)."""
    name, body = walk(id3_tag(song(), file(), COVER))[-1]
    assert name == "APIC"
    assert body == b"\0image/jpeg\0\x03\0" + COVER


def test_the_store_finds_the_cover_in_one_piece() -> None:
    """Another title, in whatever script, leaves the part with the picture as it is; it is stored once."""
    cover = jpeg(600) + bytes(5_000)
    for title in (*SCRIPTS.values(), *HOSTILE.values()):
        tag = id3_tag(song(title=title), file(), cover)
        ((_, offset, length),) = large_runs(io.BytesIO(tag), 0, len(tag))
        assert tag[offset : offset + length] == cover


def test_what_is_not_declared_is_left_out() -> None:
    """No frame is empty, and none holds a guess."""
    bare = file(
        version=version(id="main", label="Main", rating=None, removed=[]), sound=None, isrc=None, made_by=""
    )
    tag = id3_tag(SongFacts("Ostrel Vane", "Lanterns"), bare, None)
    assert texts_of(tag) == {
        "TIT2": "Lanterns (Main)",
        "TPE1": "Ostrel Vane",
        "COMM:": "Rating: not declared",
    }


def test_no_frame_says_who_listened_or_what_wrote_it() -> None:
    """POPM, PRIV, UFID and encoder frames tell recipients something about the sender's machine or them."""
    names = {name for name, _ in walk(id3_tag(song(), file(), COVER))}
    assert not names & {"POPM", "PRIV", "UFID", "PCNT", "TENC", "TSSE", "TOWN", "OWNE", "TDTG"}


@pytest.mark.parametrize(
    ("tempo", "bpm", "exact"),
    [
        (Fraction(122), "122", None),
        (Fraction(253, 2), "127", "126.5"),
        (Fraction(87_499, 1000), "87", "87.499"),
        (Fraction(400, 3), "133", "133.333333"),
    ],
)
def test_an_uneven_tempo_is_there_twice(tempo: Fraction, bpm: str, exact: str | None) -> None:
    """TBPM is an integer (id3v2.3.0); half up, as people round."""
    texts = texts_of(id3_tag(song(tempo_bpm=tempo), file(), None))
    assert (texts["TBPM"], texts.get("TXXX:Tempo")) == (bpm, exact)


def test_a_live_tempo_is_only_described() -> None:
    """No integer would be true of it."""
    texts = texts_of(id3_tag(song(tempo_bpm=None, tempo_text="118-124 BPM (live)"), file(), None))
    assert "TBPM" not in texts
    assert texts["TXXX:Tempo"] == "118-124 BPM (live)"


@pytest.mark.parametrize(
    ("declared", "frame"),
    [
        ("2031 Kettle", "2031 Kettle"),
        ("© 2031, Kettle", "2031 Kettle"),
        ("℗2031 Kettle", "2031 Kettle"),
        ("(c) 2031 Kettle", "2031 Kettle"),
        ("2031", "2031 "),
        ("Kettle", None),
        ("20311 Kettle", None),
    ],
)
def test_a_copyright_begins_with_year_and_space(declared: str, frame: str | None) -> None:
    """Without a declared year there is no TCOP, and a frame of its own keeps the words."""
    texts = texts_of(id3_tag(song(copyright=declared), file(), None))
    assert (texts.get("TCOP"), texts.get("TXXX:Copyright")) == (frame, None if frame else declared)


def test_the_publisher_is_the_label_or_else_the_publisher() -> None:
    """TPUB is "the label or publisher" (id3v2.3.0)."""
    texts = texts_of(id3_tag(song(label=None), file(), None))
    assert texts["TPUB"] == "Quern Songs"
    assert "TXXX:Publisher" not in texts


def test_an_instrumental_has_no_language() -> None:
    """There is nobody who says anything in it."""
    assert "TLAN" not in texts_of(id3_tag(song(), file(version=version(parts="instrumental")), None))


@pytest.mark.parametrize(
    ("code", "expected"),
    [("de", "deu"), ("fr", "fra"), ("en", "eng"), ("ja", "jpn"), ("gsw", "gsw"), ("xx", None)],
)
def test_languages_have_three_letters(code: str, expected: str | None) -> None:
    """ISO 639-2/T: ger/deu and fre/fra are the pairs that the standards digest names (5.3)."""
    assert three_letters(code) == expected


def test_a_text_has_the_narrowest_encoding_that_readers_take() -> None:
    """0 is ISO-8859-1, 1 UTF-16 with a byte order mark; 3 is UTF-8, for what UCS-2 does not have."""
    bodies = {
        title: dict(walk(id3_tag(song(title=title), file(), None)))["TIT2"]
        for title in ("Café", "Žluť", "Moon 🌙")
    }
    assert bodies["Café"].startswith(b"\0Caf\xe9 (Clean)")
    assert bodies["Žluť"].startswith(b"\1\xff\xfe" + "Ž".encode("utf-16-le"))
    assert bodies["Moon 🌙"].startswith(b"\3Moon \xf0\x9f\x8c\x99")


def test_the_same_facts_give_the_same_bytes() -> None:
    """Nothing of the clock; a song equal in its facts is equal in its tags."""
    assert id3_tag(song(), file(), COVER) == id3_tag(song(), file(), COVER)
    assert flac_blocks(song(), file(), COVER) == flac_blocks(song(), file(), COVER)


def test_a_cover_that_is_no_jpeg_is_the_callers_mistake() -> None:
    """Players would show nothing."""
    with pytest.raises(ValueError, match="no JPEG"):
        id3_tag(song(), file(), b"\x89PNG")
    with pytest.raises(ValueError, match="no JPEG"):
        flac_blocks(song(), file(), b"GIF89a")


# --- other programs


@pytest.fixture(scope="module")
def every_file(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Path]:
    """Every container in every script and with every hostile text, in all fields that people type."""
    folder = tmp_path_factory.mktemp("tags")
    return {
        (container, kind): write(folder, container, everywhere(text), f"{number}")
        for container in CONTAINERS
        for number, (kind, text) in enumerate({**SCRIPTS, **HOSTILE}.items())
    }


def everywhere(text: str) -> SongFacts:
    """Return a song that has one text wherever a person types one."""
    typed = ("artist", "title", "remixer", "album", "genre", "publisher", "label", "contact", "promo_line")
    return song(
        **dict.fromkeys(typed, text),
        featured=(),
        composers=(text,),
        lyricists=(text,),
        copyright=f"2031 {text}",
    )


def expected(kind: str, container: str) -> dict[str, str]:
    """Return what a reader has to say of each field."""
    text = one_line({**SCRIPTS, **HOSTILE}[kind])
    id3 = container != "flac"
    name = text.replace("/", "\u2215") if id3 else text
    genre = text.translate({ord("("): "[", ord(")"): "]", ord("/"): "\u2215"}) if id3 else text
    return {
        "title": f"{text} (Clean)",
        "artist": name,
        "composer": name,
        "lyricist": name,
        "genre": f"Genre {genre}" if genre.isdigit() else genre,
        "album": text,
        "label": text,
        "remixer": text,
        "copyright": f"2031 {text}",
        "comment": f"{text}; Rating: clean (without swearing, drugs); "
        f"Not before 2031-05-20 06:00 +0200; Contact: {text}",
    }


EXIFTOOL_NAMES = {
    "title": "Title",
    "artist": "Artist",
    "composer": "Composer",
    "lyricist": "Lyricist",
    "genre": "Genre",
    "album": "Album",
    "label": ("Publisher", "Organization"),
    "remixer": ("InterpretedBy", "Remixer"),
    "copyright": "Copyright",
    "comment": "Comment",
}


def test_exiftool_reads_every_field_in_every_script(every_file: dict[tuple[str, str], Path]) -> None:
    """Each text in its one field, as text; numbers and keys beside it."""
    for (container, kind), read in zip(every_file, by_exiftool(list(every_file.values())), strict=True):
        group = "Vorbis" if container == "flac" else "ID3v2_3"
        for field, value in expected(kind, container).items():
            names = EXIFTOOL_NAMES[field]
            name = names if isinstance(names, str) else names[container == "flac"]
            assert str(read[f"{group}:{name}"]) == value, (container, kind, field)
        assert read[f"{group}:{'ISRCNumber' if container == 'flac' else 'ISRC'}"] == "AA6Q72000047"
        if container != "flac":
            assert read["ID3v2_3:BeatsPerMinute"] == 127
            assert read["ID3v2_3:InitialKey"] == "F#m"
            assert read["ID3v2_3:PictureMIMEType"] == "image/jpeg"
            assert read["ID3v2_3:PictureType"] == 3


MEDIAINFO_NAMES = {
    "title": "Title",
    "artist": "Performer",
    "composer": "Composer",
    "lyricist": "Lyricist",
    "genre": "Genre",
    "album": "Album",
    "label": "Publisher",
    "copyright": "Copyright",
    "comment": "Comment",
}


def test_mediainfo_reads_every_field_in_every_script(every_file: dict[tuple[str, str], Path]) -> None:
    """A second reader, with code of its own."""
    for (container, kind), read in zip(every_file, by_mediainfo(list(every_file.values())), strict=True):
        for field, name in MEDIAINFO_NAMES.items():
            if container == "flac" and field in ("label", "lyricist"):
                continue  # it has no names of its own for these two comments
            value = expected(kind, container)[field]
            # Of comments that may come several times it makes a list, and quotes a value with quotes in it.
            listed = '"' + value.replace('"', '""') + '"' if container == "flac" and '"' in value else value
            assert read[name] in (value, listed), (container, kind, field)
        assert read["ISRC"] == "AA6Q72000047"
        assert read["Cover"] == "Yes"


@pytest.mark.parametrize("container", CONTAINERS)
def test_ffprobe_reads_titles_in_every_script(
    container: str, every_file: dict[tuple[str, str], Path]
) -> None:
    """A third one."""
    for kind in SCRIPTS:
        read = by_ffprobe(every_file[container, kind])
        assert read["title"] == expected(kind, container)["title"]
        assert read["artist"] == expected(kind, container)["artist"]


def test_mutagen_reads_one_value_a_frame(every_file: dict[tuple[str, str], Path]) -> None:
    """It encoded the frames, but it reads them by a path of its own."""
    for (container, kind), path in every_file.items():
        if container == "mp3":
            read: Any = mutagen.id3.ID3(io.BytesIO(path.read_bytes()), translate=False)
            assert read.version == (2, 3, 0)
            assert read["TIT2"].text == [expected(kind, container)["title"]]
            assert read["TPE1"].text == [expected(kind, container)["artist"]]


def test_metaflac_finds_nothing_wrong(every_file: dict[tuple[str, str], Path]) -> None:
    """FLAC's own tool lists the comments, and the reference decoder takes the file."""
    path = every_file["flac", "cjk"]
    listed = subprocess.run(
        ["metaflac", "--no-utf8-convert", "--export-tags-to=-", str(path)], capture_output=True, check=True
    )
    assert f"TITLE={SCRIPTS['cjk']} (Clean)" in listed.stdout.decode().splitlines()
    subprocess.run(["flac", "--test", "--silent", "--warnings-as-errors", str(path)], check=True)


# --- any text


TYPED = st.text(st.characters(codec=None, exclude_categories=()), max_size=60)


@settings(max_examples=200, deadline=None)
@given(TYPED, TYPED, TYPED, TYPED)
def test_any_text_stays_in_its_frame(artist: str, title: str, genre: str, owner: str) -> None:
    """Whatever is typed, lone surrogates and controls included, each frame has one value and it is a line."""
    of = song(artist=artist, title=title, genre=genre, copyright=owner, composers=(artist, owner))
    tag = id3_tag(of, file(), COVER)
    texts = texts_of(tag)
    for name, text in texts.items():
        assert text == one_line(text) or name == "TCOP"
        if name in SPLIT_AT_A_SLASH - {"TCOM"}:
            assert "/" not in text
    assert len(texts.get("TCOM", "").split("/")) == max(
        1, sum(bool(one_line(each)) for each in (artist, owner))
    )
    assert texts["TIT2"] == f"{one_line(title) or 'Untitled'} (Clean)"
    assert not set(texts.get("TCON", "")) & set("()/")
    for kind, content in flac_blocks(of, file(), None):
        assert kind == 4
        assert content.count(b"\0\0\0") < len(content)  # it could be written at all


def documented(column: str) -> set[str]:
    """Return the names that the page of tags has in one column of its table of fields."""
    page = Path(__file__).resolve().parents[2] / "docs" / "reference" / "tags.md"
    lines = page.read_text(encoding="utf-8").partition("## Fields")[2].partition("## ID3")[0].splitlines()
    heading, _, *rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("|")
    ]
    cells = [row[heading.index(column)] for row in rows]
    return {
        name + after for cell in cells for name, after in re.findall(r"`([A-Z0-9]{3,})`( [A-Z][a-z]+)?", cell)
    }


def test_the_page_of_tags_names_every_field() -> None:
    """And none that is not written."""
    songs = (song(), song(copyright="Kettle"))
    frames, comments, info = set[str](), set[str](), set[str]()
    for of in songs:
        names = {name.replace("TXXX:", "TXXX ") for name in texts_of(id3_tag(of, file(), None))}
        frames |= {name.partition(":")[0] for name in names} | {"APIC"}
        comment = dict(flac_blocks(of, file(), None))[4]
        comments |= {name.decode() for name in re.findall(rb"\0([A-Z]+)=", comment)}
        info |= set(re.findall("I[A-Z]{3}(?=.\0\0\0)", (info_chunk(of, file()) or b"")[4:].decode("latin-1")))
    assert documented("ID3v2.3") == frames
    assert documented("FLAC") == comments
    assert documented("RIFF INFO") == info


def test_every_fact_of_a_song_has_been_thought_of() -> None:
    """A new fact is either in the tags or named here; the page of tags says the same."""
    elsewhere = {
        "credits",
        "pronunciation",
        "meter",
        "end_date",
    }  # in the note; the end date in cart, comment
    used = {name.name for name in fields(SongFacts)} - elsewhere
    changed = {
        name: texts_of(id3_tag(song(**{name: None if name not in _TUPLES else ()}), file(), None))
        for name in used - {"artist", "title", "tempo_text"}
    }
    whole = texts_of(id3_tag(song(), file(), None))
    assert [name for name, texts in changed.items() if texts == whole] == []
    late = texts_of(id3_tag(song(end_date=dt.date(2031, 12, 31)), file(), None))
    assert "Not after 2031-12-31" in late["COMM:"]


_TUPLES = {"featured", "composers", "lyricists"}
