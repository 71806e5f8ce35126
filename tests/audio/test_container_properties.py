"""Properties of the container reader over generated, mutated and arbitrary bytes."""

from __future__ import annotations

import io
import struct

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from relkit.audio.container import Container, MpegFormat, PcmFormat, read_container
from tests.support.audio_bytes import (
    JPEG,
    Planted,
    aiff_files,
    chunk,
    fmt,
    id3_frame,
    id3_tag,
    mpeg_frames,
    picture,
    riff,
    wav_files,
)

RELAXED = settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))


def read(file: bytes) -> Container:
    """Read a container out of memory and check what holds for any bytes."""
    container = read_container(io.BytesIO(file), len(file))
    at = 0
    for part in container.parts:
        assert part.offset == at
        assert part.length > 0
        at = part.end
    assert at == len(file)
    assert sum(part.kind == "essence" for part in container.parts) <= 1
    assert all("\n" not in line for line in (container.fault or "", container.hint or ""))
    assert (container.fault is None) == (container.hint is None)
    return container


def parts(file: bytes, kind: str) -> list[bytes]:
    """Return the bytes of every part of a kind."""
    return [file[part.offset : part.end] for part in read(file).parts if part.kind == kind]


def check(planted: Planted) -> None:
    """Compare what was read with what was planted."""
    container = read(planted.file)
    assert container.fault is None
    assert parts(planted.file, "essence") == [planted.essence]
    sound = container.sound
    assert isinstance(sound, PcmFormat)
    assert (sound.sample_format, sound.channels) == (planted.sample_format, planted.channels)
    assert (sound.rate_hz, sound.frame_bytes, container.frames) == (
        planted.rate_hz,
        planted.frame_bytes,
        planted.frames,
    )
    assert all(part.length > 4096 for part in container.parts if part.kind == "opaque")


@RELAXED
@given(wav_files())
def test_the_essence_of_a_generated_wav_is_what_was_planted(planted: Planted) -> None:
    """RIFF, RF64 and BW64 with any chunks around, odd sizes, partial frames, fmt extras."""
    check(planted)


@RELAXED
@given(aiff_files())
def test_the_essence_of_a_generated_aiff_is_what_was_planted(planted: Planted) -> None:
    """AIFF and AIFF-C with chunks in any order and an offset before the sound."""
    check(planted)


@RELAXED
@given(st.one_of(wav_files(), aiff_files()), st.data())
def test_a_mutated_file_is_covered_whatever_it_claims(planted: Planted, data: st.DataObject) -> None:
    """Changed, cut, or grown bytes never make reading fail."""
    file = bytearray(planted.file)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, min(len(file), 200) - 1))
        file[at] = data.draw(st.sampled_from([0, 1, 0x7F, 0x80, 0xFF]))
    read(bytes(file[: data.draw(st.integers(0, len(file)))]))


HEADS = [
    b"",
    b"RIFF\xff\xff\xff\x7fWAVE",
    b"RF64\xff\xff\xff\xffWAVEds64",
    b"FORM\0\0\xff\xffAIFF",
    b"FORM\0\0\xff\xffAIFC",
]
HEADS += [b"ID3\3\0\0\0\0\x10\0APIC", b"ID3\4\0\x10\0\0\0\x20", b"\xff\xfb\x90\x64", b"\xff\xfb\x90\x64" * 30]


@RELAXED
@given(
    st.sampled_from(HEADS),
    st.binary(max_size=2000),
    st.sampled_from([b"", b"TAG" + bytes(125), b"000001LYRICS200"]),
)
def test_arbitrary_bytes_are_covered(head: bytes, body: bytes, tail: bytes) -> None:
    """Also when they begin or end like something known."""
    read(head + body + tail)


@RELAXED
@given(
    version=st.sampled_from([2, 3, 4]),
    encoding=st.integers(0, 3),
    titles=st.tuples(st.text("Aa ", max_size=300), st.text("Aa ", max_size=300)),
    padding=st.integers(0, 3000),
    home=st.sampled_from(["mp3", "wav"]),
)
def test_another_title_leaves_the_picture_part_as_it_is(
    version: int, encoding: int, titles: tuple[str, str], padding: int, home: str
) -> None:
    """The picture is cut exactly at its first and last byte, in MP3 and in an id3 chunk of WAV."""
    for title in titles:
        text = id3_frame(b"TT2" if version == 2 else b"TIT2", b"\0" + title.encode(), version)
        tag = id3_tag(text, picture(version, encoding), text, version=version, padding=padding)
        file = tag + mpeg_frames(5) if home == "mp3" else _tagged_wav(tag)
        assert parts(file, "opaque") == [JPEG]
        assert read(file).name == home


def _tagged_wav(tag: bytes) -> bytes:
    return riff(chunk(b"fmt ", fmt()), chunk(b"data", bytes(60)), chunk(b"id3 ", tag))


def _ape(*, header: bool) -> bytes:
    """Return an APEv2 tag: its size counts items and footer; flag bit 31 is for a header, 29 marks it."""
    items = b"\4\0\0\0\0\0\0\0Year\x002026" + b"\x64\2\0\0\0\0\0\0Comment\0" + b"c" * 612
    ends = [
        b"APETAGEX" + struct.pack("<IIII", 2000, len(items) + 32, 2, flags)
        for flags in (0xA0000000, 0x80000000)
    ]
    if header:
        return ends[0] + bytes(8) + items + ends[1] + bytes(8)
    return items + b"APETAGEX" + struct.pack("<IIII", 2000, len(items) + 32, 2, 0) + bytes(8)


LYRICS = b"LYRICSBEGIN" + b"LYR00600" + b"l" * 600
TAILS = [
    b"",
    _ape(header=False),
    _ape(header=True),
    LYRICS + f"{len(LYRICS):06}LYRICS200".encode(),  # Lyrics3 v2.00
    id3_tag(id3_frame(b"TIT2", b"\0" + b"t" * 600, 4), version=4, flags=0x10),
    b"TAG+" + bytes(223) + b"TAG" + bytes(125),
]


@RELAXED
@given(
    front=st.lists(
        st.sampled_from([id3_tag(padding=9), id3_tag(version=4, flags=0x10, padding=70)]), max_size=3
    ),
    count=st.integers(4, 40),
    partial=st.integers(0, 416),
    tails=st.lists(st.sampled_from(TAILS), max_size=2),
    id3v1=st.booleans(),
)
def test_the_essence_of_an_mp3_is_its_whole_frames(
    front: list[bytes], count: int, partial: int, tails: list[bytes], id3v1: bool
) -> None:
    """Tags in front and behind are no essence, nor is a last frame that is cut: no tag makes it whole."""
    frames = mpeg_frames(count)
    tail = mpeg_frames(1)[:partial] + b"".join(tails) + (b"TAG" + bytes(125) if id3v1 else b"")
    file = b"".join(front) + frames + tail
    assert parts(file, "essence") == [frames]
    container = read(file)
    assert isinstance(container.sound, MpegFormat)
    assert container.frames == count * 1152  # MPEG-1 layer III: standards digest 4.3


EXTENDED = {
    3: (6).to_bytes(4, "big") + bytes(6),
    4: b"\0\0\0\6\1\0",
}  # id3v2.3.0 and 2.4.0-structure, section 3.2


@pytest.mark.parametrize("version", [3, 4])
def test_an_extended_header_is_stepped_over(version: int) -> None:
    """Its size counts itself in 2.4 only."""
    tag = id3_tag(EXTENDED[version], picture(version), version=version, flags=0x40)
    assert parts(tag + mpeg_frames(4), "opaque") == [JPEG]


def test_a_tag_behind_a_tag_with_a_footer_is_found() -> None:
    """The footer's ten bytes are not counted in the size."""
    tags = id3_tag(picture(4), version=4, flags=0x10) + id3_tag(picture(3))
    assert parts(tags + mpeg_frames(4), "opaque") == [JPEG, JPEG]


def test_a_24_tag_with_plain_sizes_is_followed() -> None:
    """Some writers put the sizes of 2.3 into 2.4 tags (standards digest 4.1)."""
    tag = id3_tag(picture(3), id3_frame(b"TIT2", b"\0hook", 3), version=4)
    assert parts(tag + mpeg_frames(4), "opaque") == [JPEG]


def test_an_unsynchronised_tag_is_one_opaque_part() -> None:
    """Before 2.4 the sizes do not count the bytes put in, so they lead nowhere."""
    tag = id3_tag(picture(3), flags=0x80)
    assert parts(tag + mpeg_frames(4), "opaque") == [tag[10:]]


def test_what_lies_behind_the_riff_end_is_one_run() -> None:
    """Even where it looks like a chunk."""
    behind = b"LIST" + (5000).to_bytes(4, "little") + b"x" * 5000
    assert parts(riff(chunk(b"fmt ", fmt()), chunk(b"data", bytes(60))) + behind, "opaque") == [behind]
