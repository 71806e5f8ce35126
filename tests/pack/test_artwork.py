"""Covers: what comes out is judged by exiftool, ffprobe and the JPEG markers themselves."""

from __future__ import annotations

import contextlib
import json
import struct
import subprocess
import zlib
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps

from relkit.errors import BadInputError
from relkit.pack import artwork
from relkit.pack.artwork import (
    BadArtworkError,
    check_cover,
    cover_jpeg,
    cover_recipe,
    embedded_jpeg,
    embedded_recipe,
    made_with,
)
from relkit.sheet.model import DEFAULT_COVER_PX, DEFAULT_EMBEDDED_PX

RED, GREEN, BLUE, GREY = (200, 30, 30), (30, 160, 60), (30, 60, 190), (128, 128, 128)


def quarters(size: tuple[int, int] = (64, 48)) -> Image.Image:
    """Draw a picture whose corners tell which way is up."""
    picture = Image.new("RGB", size, GREY)
    width, height = size[0] // 2, size[1] // 2
    picture.paste(RED, (0, 0, width, height))
    picture.paste(GREEN, (width, 0, size[0], height))
    picture.paste(BLUE, (0, height, width, size[1]))
    return picture


def saved(picture: Image.Image, form: str, **how: Any) -> bytes:
    """Return a picture as the bytes of a file."""
    out = BytesIO()
    picture.save(out, form, **how)
    return out.getvalue()


def corners(jpeg: bytes) -> list[tuple[int, ...]]:
    """Return the colours near the four corners: top left, top right, bottom left, bottom right."""
    with Image.open(BytesIO(jpeg)) as picture:
        pixels = np.asarray(picture.convert("RGB")).astype(int)
    return [tuple(pixels[y, x]) for y in (4, -5) for x in (4, -5)]


def close(found: list[tuple[int, ...]], expected: list[tuple[int, int, int]], by: int = 4) -> bool:
    """Whether colours agree but for what JPEG at quality 95 loses."""
    return bool(np.all(np.abs(np.array(found) - np.array(expected)) <= by))


def by_ffmpeg(jpeg: bytes) -> tuple[dict[str, Any], np.ndarray[Any, np.dtype[np.uint8]]]:
    """Let ffprobe say what a JPEG is, and ffmpeg decode it: shape (height, width, 3)."""
    probed = subprocess.run(
        ["ffprobe", "-v", "error", "-show_streams", "-of", "json", "-f", "image2pipe", "-"],
        input=jpeg, capture_output=True, check=True,
    )  # fmt: skip
    stream: dict[str, Any] = json.loads(probed.stdout)["streams"][0]
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-f", "image2pipe", "-i", "-", "-f", "rawvideo", "-pix_fmt", "rgb24", "-"],
        input=jpeg, capture_output=True, check=True,
    ).stdout  # fmt: skip
    return stream, np.frombuffer(raw, np.uint8).reshape(stream["height"], stream["width"], 3)


def markers(jpeg: bytes) -> list[int]:
    """Walk over the segments of a JPEG up to its scan (ITU-T T.81, annex B)."""
    assert jpeg[:2] == b"\xff\xd8"
    found, at = [], 2
    while True:
        mark, length = struct.unpack_from(">HH", jpeg, at)
        found.append(mark)
        if mark == 0xFFDA:
            return found
        at += 2 + length


@pytest.mark.parametrize(
    ("form", "how"), [("PNG", {}), ("JPEG", {"quality": 98, "progressive": True}), ("TIFF", {})]
)
def test_every_source_becomes_a_baseline_jpeg_without_metadata(
    form: str, how: dict[str, Any], tmp_path: Path
) -> None:
    """SOF0, 4:4:4, three components; exiftool finds nothing that tells of the source."""
    exif = Image.Exif()
    exif[0x010E] = "a secret description"  # ImageDescription
    exif[0x9003] = "2024:01:01 00:00:00"  # DateTimeOriginal
    how = {"tiffinfo": {270: "a secret description"}} if form == "TIFF" else {**how, "exif": exif}
    cover = tmp_path / "cover.jpg"
    cover.write_bytes(cover_jpeg(saved(quarters(), form, dpi=(300, 300), **how)))

    # T.81 table B.1: FFC0 is baseline, FFE0 the JFIF header; no FFE1/2/D/E (EXIF, ICC, Adobe, comment).
    assert [mark for mark in markers(cover.read_bytes()) if mark not in {0xFFDB, 0xFFC4}] == [
        0xFFE0,
        0xFFC0,
        0xFFDA,
    ]
    told = json.loads(
        subprocess.run(["exiftool", "-j", "-G", cover], capture_output=True, check=True).stdout
    )[0]
    assert told["File:EncodingProcess"] == "Baseline DCT, Huffman coding"
    assert told["File:YCbCrSubSampling"].startswith("YCbCr4:4:4")
    assert {name.split(":")[0] for name in told} <= {"SourceFile", "ExifTool", "File", "JFIF", "Composite"}
    assert b"secret" not in cover.read_bytes()
    probed = subprocess.run(
        ["ffprobe", "-v", "error", "-show_streams", "-of", "json", cover], capture_output=True, check=True
    )
    stream = json.loads(probed.stdout)["streams"][0]
    assert (stream["codec_name"], stream["profile"], stream["pix_fmt"]) == ("mjpeg", "Baseline", "yuvj444p")
    assert (stream["width"], stream["height"]) == (64, 48)
    assert close(corners(cover.read_bytes()), [RED, GREEN, BLUE, GREY])


def test_the_bytes_are_the_same_each_time() -> None:
    """One version of the libraries gives one cover."""
    source = saved(quarters(), "PNG")
    assert cover_jpeg(source) == cover_jpeg(source)
    assert "Pillow" in made_with()
    assert "jpeg" in made_with()


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turned_picture_comes_out_upright(form: str, orientation: int) -> None:
    """All eight orientations of EXIF, undone before the tag is dropped."""
    # EXIF 2.3, tag 0x0112: how the stored picture lies; the transposition that makes it lie so.
    how = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }
    stored = quarters().transpose(how[orientation]) if orientation > 1 else quarters()
    exif = Image.Exif()
    exif[0x0112] = orientation
    cover = cover_jpeg(saved(stored, form, exif=exif))

    assert close(corners(cover), [RED, GREEN, BLUE, GREY])
    with Image.open(BytesIO(cover)) as picture:
        assert picture.size == (64, 48)


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        ((6000, 3000), (3000, 1500)),
        ((3000, 3000), (3000, 3000)),
        ((500, 400), (500, 400)),
        ((1, 9000), (1, 3000)),
    ],
)
def test_large_pictures_shrink_and_small_ones_stay(size: tuple[int, int], expected: tuple[int, int]) -> None:
    """3000 pixels on the longest side at most; nothing is enlarged."""
    with Image.open(BytesIO(cover_jpeg(saved(Image.new("RGB", size, RED), "PNG")))) as picture:
        assert picture.size == expected


def test_an_embedded_profile_is_followed() -> None:
    """Linear light: 0.5 there is 188 in sRGB (IEC 61966-2-1: 1.055 * 0.5**(1/2.4) - 0.055)."""
    linear = _matrix_profile(gamma=1.0)
    picture = Image.new("RGB", (16, 16), (128, 128, 128))

    followed = corners(cover_jpeg(saved(picture, "PNG", icc_profile=linear)))
    grey = corners(cover_jpeg(saved(picture.convert("L"), "TIFF", icc_profile=linear)))

    share = 128 / 255
    expected = round(255 * (1.055 * share ** (1 / 2.4) - 0.055))
    assert close(followed, [(expected,) * 3] * 4, by=2)
    assert close(grey, [(expected,) * 3] * 4, by=2)


def _matrix_profile(gamma: float) -> bytes:
    """Build an RGB profile with sRGB's colorants and another curve (ICC.1:2001-04)."""
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    tags = {}
    for at in range(132, 132 + 12 * struct.unpack_from(">I", srgb, 128)[0], 12):
        name, offset, size = struct.unpack_from(">4s2I", srgb, at)
        tags[name] = srgb[offset : offset + size]
    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0"
    tags.update({b"rTRC": curve, b"gTRC": curve, b"bTRC": curve})
    table, data, start = b"", b"", 132 + 12 * len(tags)
    for name, content in tags.items():
        table += struct.pack(">4s2I", name, start + len(data), len(content))
        data += content + bytes(-len(content) % 4)
    head = struct.pack(">I", start + len(data)) + srgb[4:128]
    return head + struct.pack(">I", len(tags)) + table + data


@pytest.mark.parametrize(
    ("picture", "form"),
    [
        (quarters().convert("P", palette=Image.Palette.ADAPTIVE), "PNG"),
        (quarters().convert("RGBA"), "PNG"),
        (quarters().convert("CMYK"), "JPEG"),
        (quarters().convert("CMYK"), "TIFF"),
    ],
    ids=["palette", "alpha", "cmyk-jpeg", "cmyk-tiff"],
)
def test_other_kinds_of_samples_keep_their_colours(picture: Image.Image, form: str) -> None:
    """Without a profile they are taken as they are."""
    source = saved(picture, form, **({"quality": 98} if form == "JPEG" else {}))
    assert close(corners(cover_jpeg(source)), [RED, GREEN, BLUE, GREY], by=8)


@pytest.mark.parametrize("form", ["PNG", "TIFF"])
def test_sixteen_bits_are_scaled_and_not_clipped(form: str) -> None:
    """A grey ramp of 16 bits keeps its steps."""
    deep = np.repeat(np.array([[0, 20_000, 40_000, 65_535]], dtype=np.uint16), 32, axis=0).repeat(16, axis=1)
    cover = cover_jpeg(saved(Image.fromarray(deep), form))

    with Image.open(BytesIO(cover)) as picture:
        found = np.asarray(picture.convert("L")).astype(int)[16, 8::16]
    assert np.all(np.abs(found - np.array([0, 20_000, 40_000, 65_535]) / 257) <= 2)


def test_transparency_is_laid_on_white() -> None:
    """A player has no idea of a background."""
    clear = Image.new("RGBA", (16, 16), (0, 0, 0, 0))
    grey = Image.new("LA", (16, 16), (0, 0))
    keyed = saved(Image.new("RGB", (16, 16), RED), "PNG", transparency=RED)

    for source in (saved(clear, "PNG"), saved(grey, "PNG"), keyed):
        assert close(corners(cover_jpeg(source)), [(255, 255, 255)] * 4)


def _png(width: int, height: int) -> bytes:
    """Write a PNG that claims a size and holds next to nothing (PNG, third edition, section 5)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = chunk(b"IHDR", struct.pack(">2I5B", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(bytes(64))) + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [(8001, 8000), (10_000, 10_000), (60_000, 60_000), (2**31 - 1, 2**31 - 1)])
def test_a_picture_that_would_fill_the_memory_is_refused_unpacked(size: tuple[int, int]) -> None:
    """By its declared size, before a pixel is decoded."""
    with pytest.raises(BadArtworkError, match="pixels"):
        cover_jpeg(_png(*size))


def test_a_file_of_too_many_bytes_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before it is looked at."""
    monkeypatch.setattr(artwork, "MAX_SOURCE_BYTES", 100)
    with pytest.raises(BadArtworkError, match="too large"):
        cover_jpeg(bytes(101))


@pytest.mark.parametrize(
    "source",
    [
        b"",
        b"not a picture",
        saved(quarters(), "GIF"),
        saved(quarters(), "PNG")[:-30],
        saved(quarters(), "JPEG")[:-200],
        saved(quarters(), "TIFF")[:2000],
        _png(64, 64),
        saved(Image.new("F", (8, 8)), "TIFF"),
        saved(quarters(), "PNG", icc_profile=b"no profile"),
    ],
    ids=[
        "empty",
        "text",
        "gif",
        "png-cut",
        "jpeg-cut",
        "tiff-cut",
        "png-without-pixels",
        "float",
        "bad-profile",
    ],
)
def test_what_is_no_usable_picture_is_refused_with_a_hint(source: bytes) -> None:
    """One line of fault, one line of hint, exit code of a bad input."""
    with pytest.raises(BadArtworkError) as caught:
        cover_jpeg(source)
    assert isinstance(caught.value, BadInputError)
    assert "\n" not in str(caught.value) + caught.value.hint


SOURCES = [saved(ImageOps.fit(quarters(), (24, 24)), form) for form in ("PNG", "JPEG", "TIFF")]


@settings(deadline=None)
@given(st.sampled_from(SOURCES), st.lists(st.tuples(st.integers(0, 2**16), st.integers(0, 255)), max_size=6))
def test_a_damaged_picture_is_read_or_refused(source: bytes, changes: list[tuple[int, int]]) -> None:
    """No other error than the declared one."""
    bad = bytearray(source)
    for at, value in changes:
        bad[at % len(bad)] = value
    with contextlib.suppress(BadArtworkError):
        cover_jpeg(bytes(bad))


def test_a_profile_of_another_kind_than_the_picture_is_refused() -> None:
    """A grey profile on a coloured picture would lose the colour."""
    grey = bytearray(_matrix_profile(gamma=1.0))
    grey[16:20] = b"GRAY"  # ICC.1:2001-04, 6.1.5, colour space of the data
    with pytest.raises(BadArtworkError, match="profile"):
        cover_jpeg(saved(quarters(), "PNG", icc_profile=bytes(grey)))


def test_black_and_white_stays_black_and_white() -> None:
    """One bit a pixel."""
    assert close(corners(cover_jpeg(saved(Image.new("1", (16, 16), 1), "PNG"))), [(255, 255, 255)] * 4)


# --- sizes from the sheet, and the picture inside the files


def test_sizes_are_a_part_of_the_recipe_and_the_first_one_keeps_its_name() -> None:
    """A stored cover of 3000 pixels stays valid; the sheet's defaults are these."""
    assert cover_recipe() == cover_recipe(3000) == artwork.RECIPE == "cover-jpeg-1"
    assert len({cover_recipe(), cover_recipe(1500), embedded_recipe(), embedded_recipe(1500)}) == 4
    assert (artwork.LONGEST_SIDE, artwork.EMBEDDED_SIDE) == (DEFAULT_COVER_PX, DEFAULT_EMBEDDED_PX)


@pytest.mark.parametrize("longest_px", [300, 500])
def test_the_cover_has_the_size_that_the_sheet_asks_for(longest_px: int) -> None:
    """By the longest side, and never enlarged."""
    source = saved(quarters((400, 200)), "PNG")
    stream, _ = by_ffmpeg(cover_jpeg(source, longest_px=longest_px))
    expected = (300, 150) if longest_px == 300 else (400, 200)
    assert (stream["width"], stream["height"]) == expected


def test_the_embedded_cover_is_baseline_and_small() -> None:
    """600 pixels, SOF0 (T.81 table B.1), 4:2:0, no other segments, same colours."""
    jpeg = embedded_jpeg(saved(quarters((1000, 1000)), "PNG"))
    stream, pixels = by_ffmpeg(jpeg)

    assert (stream["width"], stream["height"]) == (600, 600)
    assert (stream["profile"], stream["pix_fmt"]) == ("Baseline", "yuvj420p")
    assert [mark for mark in markers(jpeg) if mark not in {0xFFDB, 0xFFC4}] == [0xFFE0, 0xFFC0, 0xFFDA]
    found = [tuple(map(int, pixels[y, x])) for y in (4, -5) for x in (4, -5)]
    assert close(found, [RED, GREEN, BLUE, GREY], by=6)


@pytest.mark.parametrize("longest_px", [600, 2000])
def test_noise_is_embedded_within_the_limit_too(longest_px: int) -> None:
    """Nothing compresses worse; the quality goes down, and only then the size."""
    rng = np.random.default_rng(5)
    noise = Image.fromarray(rng.integers(0, 256, (2000, 2000, 3), dtype=np.uint8))
    jpeg = embedded_jpeg(saved(noise, "PNG", compress_level=0), longest_px=longest_px)
    stream, _ = by_ffmpeg(jpeg)

    assert len(jpeg) <= 300_000
    assert 600 <= stream["width"] == stream["height"] <= longest_px
    assert embedded_jpeg(saved(noise, "PNG", compress_level=0), longest_px=longest_px) == jpeg


# --- what the source may be, and what must not come through


@pytest.mark.parametrize("form", ["PNG", "JPEG", "TIFF"])
def test_place_camera_and_author_do_not_come_through(form: str, tmp_path: Path) -> None:
    """exiftool writes them into the source in every kind of metadata, and finds none in the covers."""
    source = tmp_path / f"source.{form.lower()}"
    source.write_bytes(saved(quarters(), form))
    tags = [
        "-GPSLatitude=48.2", "-GPSLatitudeRef=N", "-GPSLongitude=16.3", "-GPSLongitudeRef=E",
        "-EXIF:Make=SecretMaker", "-EXIF:Model=SecretModel", "-EXIF:Artist=SecretAuthor",
        "-EXIF:Copyright=SecretOwner", "-EXIF:UserComment=SecretComment", "-EXIF:SerialNumber=Secret123",
        "-XMP:Creator=SecretAuthor", "-XMP:GPSLatitude=48.2", "-XMP:Description=SecretWords",
        *(["-IPTC:By-line=SecretAuthor"] if form != "PNG" else ["-PNG:Author=SecretAuthor"]),
        *(["-Comment=SecretComment"] if form != "TIFF" else []),
    ]  # fmt: skip
    subprocess.run(["exiftool", "-q", "-overwrite_original", *tags, source], check=True)
    before = subprocess.run(["exiftool", "-a", "-G1", source], capture_output=True, check=True).stdout
    assert before.count(b"Secret") >= 7
    assert b"GPS Latitude" in before

    for name, make in (("cover", cover_jpeg), ("embedded", embedded_jpeg)):
        made = tmp_path / f"{name}.jpg"
        made.write_bytes(make(source.read_bytes()))
        after = subprocess.run(
            ["exiftool", "-a", "-j", "-G1", "-ee", "-u", made], capture_output=True, check=True
        )
        told = json.loads(after.stdout)[0]
        assert {key.split(":")[0] for key in told} <= {
            "SourceFile", "ExifTool", "System", "File", "JFIF", "Composite",
        }  # fmt: skip
        assert b"Secret" not in made.read_bytes()
        assert not [key for key in told if "GPS" in key]


@pytest.mark.parametrize(
    ("pixel_format", "suffix"),
    [("rgb48be", "png"), ("rgba64be", "png"), ("rgb48le", "tif"), ("rgba64le", "tif")],
)
def test_sixteen_bits_a_colour_from_another_program_keep_their_colours(
    pixel_format: str, suffix: str, tmp_path: Path
) -> None:
    """ffmpeg writes the source, and ffmpeg reads the cover; each sample is 257 times the 8-bit one."""
    deep = (np.asarray(quarters()).astype(np.uint16) * 257).astype("<u2")
    source = tmp_path / f"deep.{suffix}"
    subprocess.run(
        ["ffmpeg", "-v", "error", "-f", "rawvideo", "-pix_fmt", "rgb48le", "-s", "64x48", "-i", "-",
         "-frames:v", "1", "-update", "1", "-pix_fmt", pixel_format, source],
        input=deep.tobytes(), check=True,
    )  # fmt: skip
    told = subprocess.run(
        ["exiftool", "-s3", "-BitDepth", "-BitsPerSample", source], capture_output=True, check=True
    )
    assert told.stdout.split()[0] == b"16"

    _, pixels = by_ffmpeg(cover_jpeg(source.read_bytes()))

    found = [tuple(map(int, pixels[y, x])) for y in (4, -5) for x in (4, -5)]
    assert close(found, [RED, GREEN, BLUE, GREY])


def _cmyk_profile() -> bytes:
    """Build a CMYK profile in which paper is white, all ink black, and cyan alone half as light.

    A printer profile with one table of 8 bits (ICC.1:2001-04, lut8Type, and Lab in 8 bits), 2 points
    along each ink.
    """
    points = b""
    for node in range(16):  # the first ink turns slowest
        cyan, others = node >> 3, node & 7
        lightness = 255 if node == 0 else 128 if cyan and not others else 0
        points += bytes([lightness, 128, 128])
    identity = struct.pack(">9i", *(65536 * (place % 4 == 0) for place in range(9)))
    lut = b"mft1" + bytes(4) + bytes([4, 3, 2, 0]) + identity
    lut += bytes(range(256)) * 4 + points + bytes(range(256)) * 3
    d50 = struct.pack(">3i", 63190, 65536, 54061)
    name = b"test\0"
    described = b"desc" + bytes(4) + struct.pack(">I", len(name)) + name + bytes(4 + 4 + 2 + 1 + 67)
    tags = {
        b"desc": described,
        b"cprt": b"text" + bytes(4) + b"none\0",
        b"wtpt": b"XYZ " + bytes(4) + d50,
        b"A2B0": lut,
    }
    table, data, start = b"", b"", 132 + 12 * len(tags)
    for tag, content in tags.items():
        table += struct.pack(">4s2I", tag, start + len(data), len(content))
        data += content + bytes(-len(content) % 4)
    moment = struct.pack(">6H", 2031, 1, 1, 0, 0, 0)
    head = struct.pack(">I4sI4s4s4s", start + len(data), bytes(4), 0x02100000, b"prtr", b"CMYK", b"Lab ")
    head += moment + b"acsp" + bytes(28) + d50 + bytes(48)
    return head + struct.pack(">I", len(tags)) + table + data


@pytest.mark.parametrize(("form", "how"), [("TIFF", {}), ("JPEG", {"quality": 98})])
def test_a_profile_for_print_is_followed(form: str, how: dict[str, Any], tmp_path: Path) -> None:
    """Cyan of L* = 50 is the grey that CIE 15 and IEC 61966-2-1 give for it, and no cyan."""
    print_ready = Image.new("CMYK", (64, 48), (0, 0, 0, 0))
    print_ready.paste((255, 0, 0, 0), (32, 0, 64, 48))
    source = tmp_path / f"print.{form.lower()}"
    source.write_bytes(saved(print_ready, form, icc_profile=_cmyk_profile(), **how))
    told = subprocess.run(["exiftool", "-s3", "-ColorSpaceData", source], capture_output=True, check=True)
    assert told.stdout.strip() == b"CMYK"

    _, pixels = by_ffmpeg(cover_jpeg(source.read_bytes()))

    light = ((128 / 255 * 100 + 16) / 116) ** 3  # CIE 15, L* to relative luminance
    grey = round(255 * (1.055 * light ** (1 / 2.4) - 0.055))  # IEC 61966-2-1
    found = [tuple(map(int, pixels[24, x])) for x in (4, -5)]
    assert close(found, [(255, 255, 255), (grey, grey, grey)], by=3)


# --- findings about the shape


@pytest.mark.parametrize(
    ("size", "names"),
    [
        ((3000, 3000), []),
        ((3001, 3001), []),
        ((3000, 2999), ["cover-not-square"]),
        ((1400, 1400), ["cover-small"]),
        ((640, 480), ["cover-not-square", "cover-small"]),
    ],
)
def test_a_cover_that_is_no_square_or_small_is_told_and_not_refused(
    size: tuple[int, int], names: list[str]
) -> None:
    """Common practice, no source: shops ask for a square of 3000 pixels."""
    source = saved(Image.new("RGB", size), "PNG")
    found = check_cover(source)
    assert [one.name for one in found] == names
    assert all(str(max(size)) in one.fault for one in found)
    assert [one.name for one in check_cover(source, longest_px=400)] == [
        name for name in names if name != "cover-small"
    ]
    assert cover_jpeg(source)


@pytest.mark.parametrize("source", [b"", b"text", saved(quarters(), "GIF"), _png(60_000, 60_000)])
def test_only_pictures_are_looked_at(source: bytes) -> None:
    """What cannot be made into a cover has no shape."""
    with pytest.raises(BadArtworkError):
        check_cover(source)
