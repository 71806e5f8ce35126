"""``bext`` and ``cart`` as libsndfile reads them, through its C interface.

Python's soundfile does not show these two; the shared library in its wheel has
them. The structures are those of sndfile.h (libsndfile 1.2).
"""

from __future__ import annotations

import ctypes
import ctypes.util
from ctypes import Structure, c_char, c_int, c_int16, c_int32, c_int64, c_short, c_uint32
from pathlib import Path
from typing import TypeVar

import soundfile

SFM_READ = 0x10
SFC_GET_BROADCAST_INFO = 0x10F0
SFC_GET_CART_INFO = 0x1401
HISTORY_BYTES = 1024


class Info(Structure):
    """SF_INFO."""

    _fields_ = (
        ("frames", c_int64),
        ("samplerate", c_int),
        ("channels", c_int),
        ("format", c_int),
        ("sections", c_int),
        ("seekable", c_int),
    )


class Broadcast(Structure):
    """SF_BROADCAST_INFO_VAR."""

    _fields_ = (
        ("description", c_char * 256),
        ("originator", c_char * 32),
        ("originator_reference", c_char * 32),
        ("origination_date", c_char * 10),
        ("origination_time", c_char * 8),
        ("time_reference_low", c_uint32),
        ("time_reference_high", c_uint32),
        ("version", c_short),
        ("umid", c_char * 64),
        ("loudness_value", c_int16),
        ("loudness_range", c_int16),
        ("max_true_peak_level", c_int16),
        ("max_momentary_loudness", c_int16),
        ("max_shortterm_loudness", c_int16),
        ("reserved", c_char * 180),
        ("coding_history_size", c_uint32),
        ("coding_history", c_char * HISTORY_BYTES),
    )


class Timer(Structure):
    """SF_CART_TIMER."""

    _fields_ = (("usage", c_char * 4), ("value", c_int32))


class Cart(Structure):
    """SF_CART_INFO_VAR."""

    _fields_ = (
        ("version", c_char * 4),
        *((name, c_char * 64) for name in ("title", "artist", "cut_id", "client_id", "category")),
        ("classification", c_char * 64),
        ("out_cue", c_char * 64),
        ("start_date", c_char * 10),
        ("start_time", c_char * 8),
        ("end_date", c_char * 10),
        ("end_time", c_char * 8),
        ("producer_app_id", c_char * 64),
        ("producer_app_version", c_char * 64),
        ("user_def", c_char * 64),
        ("level_reference", c_int32),
        ("post_timers", Timer * 8),
        ("reserved", c_char * 276),
        ("url", c_char * 1024),
        ("tag_text_size", c_uint32),
        ("tag_text", c_char * 4096),
    )


Kind = TypeVar("Kind", Broadcast, Cart)


def _library() -> ctypes.CDLL:
    """Return the library of soundfile's wheel, or the system's."""
    folder = Path(soundfile.__file__).parent / "_soundfile_data"
    shipped = sorted(folder.glob("libsndfile*"))
    name = str(shipped[0]) if shipped else ctypes.util.find_library("sndfile")
    assert name is not None
    library = ctypes.CDLL(name)
    library.sf_open.restype = ctypes.c_void_p
    library.sf_open.argtypes = (ctypes.c_char_p, c_int, ctypes.POINTER(Info))
    library.sf_command.argtypes = (ctypes.c_void_p, c_int, ctypes.c_void_p, c_int)
    library.sf_close.argtypes = (ctypes.c_void_p,)
    return library


def _read(path: Path, command: int, kind: type[Kind]) -> Kind:
    library, info, read = _library(), Info(), kind()
    handle = library.sf_open(bytes(path), SFM_READ, ctypes.byref(info))
    assert handle
    try:
        assert library.sf_command(handle, command, ctypes.byref(read), ctypes.sizeof(read)) == 1
    finally:
        library.sf_close(handle)
    return read


def broadcast(path: Path) -> Broadcast:
    """Return what libsndfile reads of ``bext``."""
    return _read(path, SFC_GET_BROADCAST_INFO, Broadcast)


def cart(path: Path) -> Cart:
    """Return what libsndfile reads of ``cart``."""
    return _read(path, SFC_GET_CART_INFO, Cart)
