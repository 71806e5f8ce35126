"""Broken and foreign files: one fault, one hint, and still every byte covered."""

from __future__ import annotations

import io
import pickle
import struct
import time
import tracemalloc

import pytest

from relkit.audio.container import BadBounceError, read_container, require_bounce
from tests.support.audio_bytes import (
    chunk,
    comm,
    extensible,
    fmt,
    form,
    id3_tag,
    mpeg_frames,
    rf64,
    riff,
    ssnd,
)

FMT = chunk(b"fmt ", fmt())
DATA = bytes(range(1, 241))  # 40 frames of FMT, never zero
LONG = 0xFFFFFFFF

BROKEN = {
    "empty": (b"", "is empty"),
    "a text file": (b"verse, hook, verse\n" * 40, "no WAV, RF64, AIFF or MP3"),
    "a picture": (b"\x89PNG\r\n\x1a\n" + bytes(500), "no WAV, RF64, AIFF or MP3"),
    "another RIFF": (b"RIFF\x10\0\0\0AVI LIST\x04\0\0\0abcd", "no WAV, RF64, AIFF or MP3"),
    "only zeros": (bytes(9000), "no WAV, RF64, AIFF or MP3"),
    "cut in the audio": (riff(FMT, chunk(b"data", DATA))[:-30], "cut short: 30 of 240 bytes"),
    "cut in the header": (riff(FMT, chunk(b"data", DATA))[:30], "no data chunk"),
    "cut after the magic": (b"RIFF\x10\0\0\0WAVE", "no fmt chunk"),
    "RF64 cut": (rf64([FMT], DATA, [])[:-1], "cut short: 1 of 240 bytes"),
    "RIFF size never written": (riff(FMT, chunk(b"data", DATA), claimed=LONG), "never finished"),
    "RIFF size 0": (riff(FMT, chunk(b"data", DATA), claimed=0), "never finished"),
    "data size never written": (riff(FMT, chunk(b"data", DATA, claimed=LONG)), "never finished"),
    "data size 0, audio follows": (riff(FMT, chunk(b"data", b"\1\2\3\4" * 60, claimed=0)), "never finished"),
    "data size 0, silence follows": (riff(FMT, chunk(b"data", bytes(240), claimed=0)), "never finished"),
    "size of a pipe": (
        riff(FMT, chunk(b"data", DATA, claimed=0x7FFFF000), claimed=0x7FFFF024),
        "never finished",
    ),
    "RF64 without ds64": (riff(FMT, chunk(b"data", DATA), magic=b"RF64", claimed=LONG), "never finished"),
    "no frame": (riff(FMT, chunk(b"data", b"")), "no audio"),
    "no frame, chunks follow": (riff(FMT, chunk(b"data", b""), chunk(b"LIST", b"INFO")), "no audio"),
    "less than a frame": (riff(FMT, chunk(b"data", b"\1\2\3\4\5")), "no audio"),
    "no fmt": (riff(chunk(b"data", DATA)), "description of its format"),
    "no data": (riff(FMT), "no data chunk"),
    "fmt after data": (riff(chunk(b"data", DATA), FMT), "before the description"),
    "two fmt": (riff(FMT, FMT, chunk(b"data", DATA)), "twice"),
    "fmt too short": (riff(chunk(b"fmt ", fmt()[:14]), chunk(b"data", DATA)), "too short"),
    "no channels": (riff(chunk(b"fmt ", fmt(0, align=6)), chunk(b"data", DATA)), "0 channels"),
    "no rate": (riff(chunk(b"fmt ", fmt(rate_hz=0)), chunk(b"data", DATA)), " 0 Hz"),
    "no bits": (riff(chunk(b"fmt ", fmt(bits=0, align=6)), chunk(b"data", DATA)), " 0 bits"),
    "wrong frame size": (riff(chunk(b"fmt ", fmt(align=5)), chunk(b"data", DATA)), "frames of 5 bytes"),
    "more valid bits than bits": (
        riff(chunk(b"fmt ", extensible(2, 44_100, 24, 3, valid=32)), chunk(b"data", DATA)),
        "32 valid bits of 24",
    ),
    "extensible too short": (riff(chunk(b"fmt ", fmt(tag=0xFFFE)), chunk(b"data", DATA)), "too short"),
    "AIFF cut": (form(comm(2, 40, 24, 44_100), ssnd(DATA))[:-30], "cut short: 30 of 240 bytes"),
    "AIFF counts more than it has": (form(comm(2, 50, 24, 44_100), ssnd(DATA)), "cut short: 60 of 300"),
    "AIFF FORM size 0": (form(comm(2, 40, 24, 44_100), ssnd(DATA), claimed=0), "never finished"),
    "AIFF counts 0 frames": (form(comm(2, 0, 24, 44_100), ssnd(DATA)), "never finished"),
    "AIFF without a frame": (form(comm(2, 0, 24, 44_100), ssnd(b"")), "no audio"),
    "AIFF without COMM": (form(ssnd(DATA)), "no COMM"),
    "AIFF without SSND": (form(comm(2, 40, 24, 44_100)), "no SSND"),
    "AIFF with two COMM": (form(comm(2, 40, 24, 8_000), comm(2, 40, 24, 9_000), ssnd(DATA)), "2 COMM chunks"),
    "AIFF no channels": (form(comm(0, 40, 24, 44_100), ssnd(DATA)), "0 channels"),
    "AIFF offset beyond the end": (
        form(comm(2, 40, 24, 44_100), chunk(b"SSND", struct.pack(">II", 999, 0) + DATA, order=">")),
        "cut short",
    ),
}


@pytest.mark.parametrize(("file", "fault"), BROKEN.values(), ids=BROKEN)
def test_a_broken_file_has_one_fault_and_one_hint(file: bytes, fault: str) -> None:
    """It is still covered, so that anything can be stored, but refused as a bounce."""
    container = read_container(io.BytesIO(file), len(file))
    assert sum(part.length for part in container.parts) == len(file)
    assert not container.is_measurable
    with pytest.raises(BadBounceError, match=fault) as caught:
        require_bounce(container, "hook\x1b[31m.wav")
    assert "\n" not in str(caught.value) + caught.value.hint
    assert "\x1b" not in str(caught.value)
    assert caught.value.exit_code == 3
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)  # noqa: S301 - our own error


SOUND = {
    "no pad byte at the end": riff(FMT, chunk(b"data", DATA + b"\7"))[:-1],
    "a LIST that is cut": riff(FMT, chunk(b"data", DATA), chunk(b"LIST", b"INFO" + bytes(60)))[:-9],
    "a RIFF size that is too small": riff(FMT, chunk(b"data", DATA), claimed=20),
    "bytes behind the end": riff(FMT, chunk(b"data", DATA)) + b"\0" * 700,
    "ds64 where the 32-bit sizes are good": riff(
        chunk(b"ds64", struct.pack("<QQQI", 1, 2, 3, 0)), FMT, chunk(b"data", DATA), magic=b"RF64"
    ),
    "AIFF frames behind the count": form(comm(2, 40, 24, 44_100), ssnd(DATA + bytes(60))),
}


@pytest.mark.parametrize("file", SOUND.values(), ids=SOUND)
def test_slips_that_leave_the_audio_whole_are_no_fault(file: bytes) -> None:
    """All the audio is there, so it is taken."""
    container = read_container(io.BytesIO(file), len(file))
    require_bounce(container, "hook.wav")
    assert container.essence is not None
    assert file[container.essence.offset : container.essence.end] == DATA


def test_an_mp3_that_lost_its_end_is_cut_short() -> None:
    """The Info tag counts frames and bytes: standards digest 4.4, offset 36 for MPEG-1 stereo."""
    info = bytearray(mpeg_frames(1))
    info[36:52] = b"Info" + struct.pack(">III", 3, 10, 11 * 417)
    whole = bytes(info) + mpeg_frames(10)
    container = read_container(io.BytesIO(whole), len(whole))
    assert (container.frames, container.fault) == (11_520, None)
    for length in (len(whole) - 1, 417 * 6 + 5):
        container = read_container(io.BytesIO(whole[:length]), length)
        with pytest.raises(BadBounceError, match="cut short"):
            require_bounce(container, "hook.mp3")


def test_frames_behind_junk_still_count() -> None:
    """A few bytes of another program's making between the frames: essence goes on to the last frame."""
    file = id3_tag() + mpeg_frames(6) + b"junk" * 50 + mpeg_frames(6)
    container = read_container(io.BytesIO(file), len(file))
    assert container.frames == 12 * 1152
    assert container.essence is not None
    assert container.essence.end == len(file)


def test_too_much_junk_ends_the_essence() -> None:
    """A search has a limit: 256 KB in the whole file."""
    frames = mpeg_frames(6)
    file = id3_tag() + frames + bytes(300_000) + frames
    container = read_container(io.BytesIO(file), len(file))
    assert [part.length for part in container.parts if part.kind == "essence"] == [len(frames)]


HOSTILE = {
    "chunks without end": (b"RIFF\0\0\0\x7fWAVE" + b"JUNK\0\0\0\0" * 400_000, "other"),
    "AIFF chunks without end": (b"FORM\x7f\0\0\0AIFF" + b"ANNO\0\0\0\0" * 400_000, "other"),
    "sync everywhere": (b"ID3\3\0\0\0\0\0\0" + b"\xff\xfb\x90\x64" * 800_000, "other"),
    "sync after frames": (mpeg_frames(9) + b"\xff\xfb\x90\x64" * 800_000, "mp3"),
    "half a sync everywhere": (mpeg_frames(9) + b"\xff\xfb" * 1_600_000, "mp3"),
    "a table of ds64 without end": (
        b"RF64" + b"\xff" * 4 + b"WAVEds64" + b"\xfe\xff\xff\xff" + b"\xff" * 3_000_000,
        "rf64",
    ),
    "ID3 frames without end": (id3_tag(b"TIT2\0\0\0\1\0\0x" * 90_000), "other"),
}


@pytest.mark.parametrize(("file", "name"), HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_file_costs_neither_time_nor_memory(file: bytes, name: str) -> None:
    """3 MB that are all structure: read in bounded memory, and in seconds at the very worst."""
    started = time.process_time()
    container = read_container(io.BytesIO(file), len(file))
    spent_s = time.process_time() - started
    stream = io.BytesIO(file)
    tracemalloc.start()
    read_container(stream, len(file))
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert container.name == name
    assert sum(part.length for part in container.parts) == len(file)
    assert peak_bytes < 6_000_000  # 10,000 chunks and the window; far from the sizes claimed
    assert spent_s < 3  # a search of every place in the file would take longer than that
