"""Reading MP3: tags in front, MPEG layer III frames, tags behind.

Frame headers are too short to trust one alone, so a stream is believed only
where several follow each other at the distances that they state. Every header
is visited once, through a window of fixed size.

Conventions
    essence  from the first frame (the encoder's Info frame included) to the end of the last whole one
    frames   sample frames (per channel) that a decoder gives back: the encoder's delay
             and padding are taken off where the LAME tag states them

Sources
    [MPEG] ISO/IEC 11172-3 (2.4.1.3, 2.4.2.3), 13818-3 for the half rates, and the unofficial 2.5
    [LAME] Info tag, revision 1 (standards digest 4.4)
    [APE]  APEv2 tag footer; [LYR] Lyrics3 v2.00

Not here: decoding, and what the tags say.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from relkit.audio import id3
from relkit.audio.formats import Container, MpegFormat
from relkit.audio.layout import BrokenAudioError, Span, cover, large_run, read_at

_MAX_TAGS = 16
_WINDOW_BYTES = 1 << 18
_BEHIND_BYTES = 1 << 13  # of the window lie before the place asked for: looking ahead comes back
_MAX_SEARCH_BYTES = 1 << 18  # of junk between frames, in all; more is no MP3
_FIRST_SEARCH_BYTES = 1 << 16  # junk between an ID3v2 tag and the first frame
_SURE_FRAMES = 4  # believed without a tag in front; see the chances in _is_stream
_HEADER_BYTES = 4
_KBIT_1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)  # [MPEG] layer III, MPEG-1
_KBIT_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)  # MPEG-2 and 2.5
_RATES_HZ = (44_100, 48_000, 32_000)  # MPEG-1; halved for 2, quartered for 2.5
_SIGNED_BY = (b"LAME", b"Lavc", b"Lavf", b"L3.9")  # encoders whose delay and padding can be believed
_SAME = 0xFFFE0C00  # sync, version, layer, rate: what no encoder changes inside a stream


@dataclass(frozen=True)
class _Header:
    word: int
    length: int
    samples: int
    rate_hz: int
    bitrate_bps: int
    channels: int

    @property
    def info_offset(self) -> int:
        """Where an Info tag would begin: behind header, checksum not counted, and side information."""
        if self.samples == 1152:
            return 36 if self.channels == 2 else 21
        return 21 if self.channels == 2 else 13


def _parse(four: bytes) -> _Header | None:
    """Return what a frame header says, or None where it is none (free format included)."""
    word = int.from_bytes(four, "big")
    version, layer = word >> 19 & 3, word >> 17 & 3
    kbit_index, rate_index = word >> 12 & 15, word >> 10 & 3
    if len(four) < 4 or word >> 21 != 0x7FF or version == 1 or layer != 1:
        return None
    if kbit_index in (0, 15) or rate_index == 3 or word & 3 == 2:
        return None
    first = version == 3
    rate_hz = _RATES_HZ[rate_index] >> {3: 0, 2: 1, 0: 2}[version]
    bitrate_bps = 1000 * (_KBIT_1 if first else _KBIT_2)[kbit_index]
    length = (144 if first else 72) * bitrate_bps // rate_hz + (word >> 9 & 1)
    channels = 1 if word >> 6 & 3 == 3 else 2
    return _Header(word, length, 1152 if first else 576, rate_hz, bitrate_bps, channels)


@dataclass(frozen=True)
class _Info:
    frames: int  # MPEG frames, this one not counted; 0: not stated
    stream_bytes: int  # this frame counted; 0: not stated
    skipped: int  # samples of delay and padding


class _Window:
    """Random access through one window that is refilled as needed."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._start = 0
        self._data = b""

    def get(self, at: int, length: int) -> bytes:
        """Return up to ``length`` (small) bytes at ``at``."""
        here = at - self._start
        if here < 0 or here + length > len(self._data):
            self._start = max(0, at - _BEHIND_BYTES)
            here = at - self._start
            self._data = read_at(self._file, self._start, _WINDOW_BYTES)
        return self._data[here : here + length]


def read_mpeg(file: BinaryIO, size_bytes: int) -> Container | None:
    """Read a file that may be an MP3; None where it is not one.

    Raises:
        BrokenAudioError: it is one, but not all there; ``read_container`` makes it a fault.
    """
    start, spans = _tags_in_front(file, size_bytes)
    tagged = start > 0
    end = _before_tags_behind(file, start, size_bytes)
    window = _Window(file)
    reach = _FIRST_SEARCH_BYTES if tagged else _leading_zeros(window, end) + 1
    first = _find_stream(window, start, end, min(end, start + reach), 2 if tagged else _SURE_FRAMES)
    if first is None:
        return None
    count, sound, last_end = _walk(window, first, end)
    info = _read_info(window, first)
    if info is not None:
        count -= 1  # the Info frame decodes to silence that nobody counts
        # Some encoders count the Info frame too: only both numbers together tell a file that was cut.
        if count < info.frames and (last_end - first < info.stream_bytes or not info.stream_bytes):
            missing = info.frames - count
            raise BrokenAudioError(
                f"it was cut short: {missing:,} of {info.frames:,} MPEG frames are missing"
            )
    frames = max(0, count * sound.frame_samples - (info.skipped if info else 0))
    spans += large_run(start, first - start)
    spans.append(("essence", first, last_end - first))
    spans += _behind(file, last_end, end, size_bytes)
    if frames == 0:
        raise BrokenAudioError("it has no audio (no frame with sound)", frames=0)
    return Container("mp3", cover(size_bytes, spans), sound, frames)


def _tags_in_front(file: BinaryIO, size_bytes: int) -> tuple[int, list[Span]]:
    """Return where the ID3v2 tags end, and their large runs."""
    at = 0
    spans: list[Span] = []
    for _ in range(_MAX_TAGS):
        length = id3.tag_length(read_at(file, at, id3.HEADER_BYTES))
        if length is None or at + length > size_bytes:
            break
        spans += id3.large_runs(file, at, length)
        at += length
    return at, spans


def _before_tags_behind(file: BinaryIO, start: int, size_bytes: int) -> int:
    """Return where the known tags at the end of the file begin."""
    end = size_bytes
    for _ in range(_MAX_TAGS):
        tail = read_at(file, max(start, end - 227 - 128), min(227 + 128, end - start))
        if tail[-128:-125] == b"TAG":
            length = 227 + 128 if tail[-355:-351] == b"TAG+" else 128
        elif tail[-32:-24] == b"APETAGEX":
            size, _count, flags = (int.from_bytes(tail[n : n + 4], "little") for n in (-20, -16, -12))
            length = size + (32 if flags >> 31 else 0)  # the size counts the footer, not the header
        elif tail[-9:] == b"LYRICS200" and tail[-15:-9].isdigit():
            length = int(tail[-15:-9]) + 15
        elif tail[-10:-7] == b"3DI":
            length = id3.tag_length(b"ID3" + tail[-7:]) or 0
        else:
            return end
        if not 0 < length <= end - start:
            return end
        end -= length
    return end


def _behind(file: BinaryIO, start: int, end: int, size_bytes: int) -> list[Span]:
    """Return the large runs behind the last frame; a stray ID3v2 tag there is cut like one in front."""
    runs: list[Span] = []
    at = start
    for where in (start, end):
        length = id3.tag_length(read_at(file, where, id3.HEADER_BYTES))
        if length is not None and at <= where and where + length <= size_bytes:
            runs += large_run(at, where - at) + id3.large_runs(file, where, length)
            at = where + length
    return runs + large_run(at, size_bytes - at)


def _leading_zeros(window: _Window, end: int) -> int:
    """Return how many zero bytes the file begins with, as some cutters leave them."""
    head = window.get(0, min(end, _FIRST_SEARCH_BYTES))
    return len(head) - len(head.lstrip(b"\0"))


def _find_stream(window: _Window, start: int, end: int, stop: int, wanted: int) -> int | None:
    """Return the first place from ``start`` to before ``stop`` where a stream begins."""
    for at in _syncs(window, start, stop):
        if _is_stream(window, at, end, wanted):
            return at
    return None


def _syncs(window: _Window, start: int, stop: int) -> Iterator[int]:
    """Yield the places where the first two bytes may begin a header: sync, known version, layer III."""
    step = 1 << 12
    for base in range(start, stop, step):
        text = window.get(base, step + 1)
        for match in re.finditer(rb"\xff[\xe2\xe3\xf2\xf3\xfa\xfb]", text):
            if base + match.start() < stop and match.start() < step:
                yield base + match.start()


def _is_stream(window: _Window, at: int, end: int, wanted: int) -> bool:
    """Whether ``wanted`` frames that agree follow each other here, or fewer that reach exactly the end.

    By chance one header passes about once in 10,000 places, each further one
    once in 2**19.
    """
    first = _parse(window.get(at, _HEADER_BYTES))
    header = first
    for count in range(wanted):
        if header is None or first is None or (header.word ^ first.word) & _SAME:
            return False
        at += header.length
        if at >= end:
            return at == end and (count > 0 or wanted < _SURE_FRAMES)
        header = _parse(window.get(at, _HEADER_BYTES))
    return True


def _walk(window: _Window, first: int, end: int) -> tuple[int, MpegFormat, int]:
    """Visit every frame; return (whole frames, format, end of the last whole frame)."""
    leader = _parse(window.get(first, _HEADER_BYTES))
    assert leader is not None  # noqa: S101 - _find_stream saw it
    at = last_end = first
    count = 0
    searched = 0
    rates_bps: list[int] = []
    variable = False
    while at + _HEADER_BYTES <= end:
        header = _parse(window.get(at, _HEADER_BYTES))
        if header is None or (header.word ^ leader.word) & _SAME:
            found = _find_stream(window, at + 1, end, min(end, at + 1 + _MAX_SEARCH_BYTES - searched), 2)
            if found is None:
                break
            searched += found - at
            at = found
            continue
        at += header.length
        if at > end:
            break
        count += 1
        last_end = at
        if count > 1:  # the first may be an Info frame, which may be larger than those of the sound
            variable = variable or header.bitrate_bps != (rates_bps or [header.bitrate_bps])[0]
            rates_bps = rates_bps or [header.bitrate_bps]
    rate_bps = rates_bps[0] if rates_bps else leader.bitrate_bps
    sound = MpegFormat(leader.channels, leader.rate_hz, rate_bps, variable, leader.samples)
    return count, sound, last_end


def _read_info(window: _Window, first: int) -> _Info | None:
    """Return what the Info tag in the first frame says, or None where there is none [LAME]."""
    header = _parse(window.get(first, _HEADER_BYTES))
    tag = window.get(first, header.length)[header.info_offset :] if header else b""
    if tag[:4] not in (b"Xing", b"Info"):
        return None
    flags = int.from_bytes(tag[4:8], "big")
    numbers = {1: 0, 2: 0}
    at = 8
    for bit, length in ((1, 4), (2, 4), (4, 100), (8, 4)):
        if flags & bit:
            numbers[bit] = int.from_bytes(tag[at : at + 4], "big")
            at += length
    skipped = 0
    if tag[at : at + 4] in _SIGNED_BY and len(tag) >= at + 24:
        both = int.from_bytes(tag[at + 21 : at + 24], "big")
        skipped = (both >> 12) + (both & 0xFFF)
    return _Info(numbers[1], numbers[2], skipped)
