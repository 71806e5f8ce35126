"""What cover does a recipient get? A JPEG beside the files and a small one inside, alike in every player.

Both are baseline JPEG (some club players show no progressive one), sRGB,
upright, without metadata, and never enlarged. The one beside the files has
quality 95 without colour subsampling. The one inside has at most
``EMBEDDED_BYTES``, as some hardware players skip a larger one: its quality goes
down in steps until it fits, and after the last step its size.

JPEG bytes differ between versions of libjpeg. So a cover is made once, stored
and identified by its source and recipe; ``made_with`` is noted beside it.

Conventions
    size     pixels, width by height; ``longest_px`` is the longest side [pixels]
    colour   an embedded ICC profile is followed; without one, sRGB is meant
    alpha    laid on white

Sources
    Sizes, shape and what hardware players accept: common practice, no source.

Not here: where the picture comes from and where the cover goes; PNG's own
gamma and chromaticity chunks, which are not followed; whether a picture may be
shown to this recipient.
"""

from __future__ import annotations

import struct
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING

from relkit.errors import BadInputError

if TYPE_CHECKING:
    from PIL import Image

    from relkit.sheet.checks import Severity

RECIPE = "cover-jpeg-1"  # frozen, for LONGEST_SIDE; another size, quality or colour is another recipe
LONGEST_SIDE = 3000
QUALITY = 95
EMBEDDED_SIDE = 600
EMBEDDED_BYTES = 300_000
EMBEDDED_QUALITIES = (90, 85, 80, 75, 70, 60, 50)  # the first that fits; a part of the recipe
MAX_SOURCE_BYTES = 256 * 2**20
MAX_PIXELS = 64 * 10**6  # 8000 by 8000; unpacked that is 256 MB in Pillow

_FORMATS = ("JPEG", "PNG", "TIFF")
_DEEP_GREY = {"I;16", "I;16L", "I;16B", "I;16N"}
# What Pillow's decoders let through when a file lies about itself.
_BROKEN = (
    OSError,
    SyntaxError,
    ValueError,
    TypeError,
    LookupError,
    ArithmeticError,
    EOFError,
    AttributeError,
    struct.error,
    zlib.error,
)


class BadArtworkError(BadInputError):
    """Artwork cannot be made into a cover."""

    def __init__(
        self, reason: str, *, hint: str = "Export it again as PNG, JPEG or TIFF, RGB, 8 or 16 bit."
    ) -> None:
        super().__init__(f"the artwork cannot be used: {reason}", hint=hint)


def made_with() -> str:
    """Name the programs whose version decides the bytes of a cover."""
    from PIL import __version__, features

    turbo = features.check_feature("libjpeg_turbo")
    jpeg = (
        f"libjpeg-turbo {features.version_feature('libjpeg_turbo')}"
        if turbo
        else f"libjpeg {features.version_codec('jpg')}"
    )
    return f"Pillow {__version__}, {jpeg}"


def cover_recipe(longest_px: int = LONGEST_SIDE) -> str:
    """Name how ``cover_jpeg`` makes a cover of that size."""
    return RECIPE if longest_px == LONGEST_SIDE else f"{RECIPE}-{longest_px}px"


def embedded_recipe(longest_px: int = EMBEDDED_SIDE) -> str:
    """Name how ``embedded_jpeg`` makes a cover of that size."""
    return f"cover-embedded-1-{longest_px}px"


def cover_jpeg(source: bytes, *, longest_px: int = LONGEST_SIDE) -> bytes:
    """Make the cover that lies beside the files.

    Args:
        source: a whole PNG, JPEG or TIFF file.
        longest_px: of its longest side; a smaller picture stays as it is.

    Returns:
        A baseline JPEG file, YCbCr 4:4:4, without metadata.

    Raises:
        BadArtworkError: another format, broken, too large, or of colours that cannot be followed.
    """
    return _saved(_prepared(source, longest_px), quality=QUALITY, subsampling="4:4:4")


def embedded_jpeg(source: bytes, *, longest_px: int = EMBEDDED_SIDE) -> bytes:
    """Make the cover that goes into the files.

    Args:
        source, longest_px: as for ``cover_jpeg``.

    Returns:
        A baseline JPEG file of at most ``EMBEDDED_BYTES``, YCbCr 4:2:0, without metadata.

    Raises:
        BadArtworkError: as for ``cover_jpeg``.
    """
    picture = _prepared(source, longest_px)
    while True:
        for quality in EMBEDDED_QUALITIES:
            jpeg = _saved(picture, quality=quality, subsampling="4:2:0")
            if len(jpeg) <= EMBEDDED_BYTES:
                return jpeg
        picture = _shrunk(picture, max(picture.size) * 3 // 4)  # noise; a few hundred pixels always fit


@dataclass(frozen=True)
class CoverFinding:
    """One thing to look at in a usable picture: as ``relkit.sheet.SheetFinding``, without a line."""

    name: str
    severity: Severity
    fault: str
    hint: str


def check_cover(source: bytes, *, longest_px: int = LONGEST_SIDE) -> list[CoverFinding]:
    """Return what is odd about the shape of a picture, judged by its header alone.

    Raises:
        BadArtworkError: no picture, broken at its start, or too large.
    """
    with _opened(source) as picture:
        short, long = sorted(picture.size)
    found: list[CoverFinding] = []
    if short != long:
        found.append(
            CoverFinding(
                "cover-not-square",
                "warn",
                f"the cover is not square: its sides are {long} and {short} pixels",
                "Shops and players expect a square: crop it, or put it on one.",
            )
        )
    if long < longest_px:
        found.append(
            CoverFinding(
                "cover-small",
                "note",
                f"the cover has {long} pixels where {longest_px} are asked for",
                "It is never enlarged: export it larger if you can, or lower size_px in [artwork].",
            )
        )
    return found


def as_seen(source: bytes) -> tuple[Image.Image, str]:
    """Return a picture as it looks, upright and in sRGB at its own size, and the name of its format.

    Raises:
        BadArtworkError: as for ``cover_jpeg``.
    """
    with _opened(source) as opened:
        kind = opened.format or ""
    return _prepared(source, MAX_PIXELS), kind


def _prepared(source: bytes, longest_px: int) -> Image.Image:
    """Return a picture upright, in sRGB, not larger than asked for, and its pixels alone."""
    from PIL import ImageOps

    with _opened(source) as opened:
        opened.load()
        profile = opened.info.get("icc_profile") or b""
        picture = ImageOps.exif_transpose(opened)
    # What is saved is a copy that has pixels only: Pillow would pass on what it read beside them.
    return _bare(_in_srgb(_shrunk(_flattened(picture), longest_px), profile))


def _shrunk(picture: Image.Image, longest_px: int) -> Image.Image:
    """Return a picture whose longest side is that long at most."""
    from PIL import Image

    longest = max(picture.size)
    if longest <= longest_px:
        return picture
    width, height = (max(1, round(side * longest_px / longest)) for side in picture.size)
    return picture.resize((width, height), Image.Resampling.LANCZOS)


def _saved(picture: Image.Image, *, quality: int, subsampling: str) -> bytes:
    """Encode as baseline JPEG."""
    out = BytesIO()
    picture.save(out, "JPEG", quality=quality, subsampling=subsampling, progressive=False)
    return out.getvalue()


@contextmanager
def _opened(source: bytes) -> Iterator[Image.Image]:
    """Open a picture whose size is bearable; what goes wrong inside the block is told as its fault."""
    from PIL import Image, UnidentifiedImageError

    if len(source) > MAX_SOURCE_BYTES:
        raise BadArtworkError(
            f"{len(source)} bytes is too large", hint=f"Keep it below {MAX_SOURCE_BYTES // 2**20} MB."
        )
    try:
        with warnings.catch_warnings():
            # A warning about a damaged side note is no reason to refuse, and nobody would see it.
            warnings.simplefilter("ignore")
            with Image.open(BytesIO(source), formats=_FORMATS) as opened:
                width, height = opened.size
                if width * height > MAX_PIXELS:
                    raise Image.DecompressionBombError(f"{width} x {height}")
                yield opened
    except UnidentifiedImageError as error:
        raise BadArtworkError("it is no PNG, JPEG or TIFF") from error
    except Image.DecompressionBombError as error:
        raise BadArtworkError(
            f"it has more than {MAX_PIXELS // 10**6} million pixels",
            hint=f"Make it smaller: {LONGEST_SIDE} by {LONGEST_SIDE} pixels are enough.",
        ) from error
    except _BROKEN as error:
        raise BadArtworkError("it is broken or cut short") from error


def _flattened(picture: Image.Image) -> Image.Image:
    """Return the picture as L, RGB or CMYK, transparency laid on white."""
    from PIL import Image

    if picture.mode in _DEEP_GREY:
        import numpy as np

        # Pillow clips such samples to 255 instead of scaling them.
        return Image.fromarray(((np.asarray(picture).astype(np.uint32) + 128) // 257).astype(np.uint8))
    if picture.mode in {"LA", "La", "PA", "RGBA", "RGBa"} or "transparency" in picture.info:
        clear = picture.convert("RGBA")
        white = Image.new("RGBA", clear.size, (255, 255, 255, 255))
        return Image.alpha_composite(white, clear).convert("RGB")
    if picture.mode in {"L", "RGB", "CMYK"}:
        return picture
    if picture.mode == "1":
        return picture.convert("L")
    if picture.mode in {"P", "YCbCr", "RGBX"}:
        return picture.convert("RGB")
    raise BadArtworkError(f"its samples are of an unusual kind ({picture.mode})")


def _in_srgb(picture: Image.Image, profile: bytes) -> Image.Image:
    """Follow the embedded profile into sRGB."""
    if not profile:
        return picture.convert("RGB")
    from PIL import ImageCms

    try:
        meant = ImageCms.ImageCmsProfile(BytesIO(profile))
        space = meant.profile.xcolor_space.strip()
        mode = {"RGB": "RGB", "GRAY": "L", "CMYK": "CMYK"}[space]
        # A grey picture may well come with a colour profile; any other disagreement would lose colour.
        if mode != picture.mode and (picture.mode, mode) != ("L", "RGB"):
            raise ValueError(f"{space} profile on a {picture.mode} picture")
        changed = ImageCms.profileToProfile(
            picture.convert(mode), meant, ImageCms.createProfile("sRGB"), outputMode="RGB"
        )
    except (ImageCms.PyCMSError, *_BROKEN) as error:
        raise BadArtworkError(
            "its colour profile cannot be followed", hint="Convert it to sRGB and export it again."
        ) from error
    if changed is None:
        raise BadArtworkError("its colour profile cannot be followed")
    return changed


def _bare(picture: Image.Image) -> Image.Image:
    """Return the pixels alone."""
    from PIL import Image

    bare = Image.new("RGB", picture.size)
    bare.paste(picture)
    return bare
