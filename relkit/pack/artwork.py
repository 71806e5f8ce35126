"""What cover does a recipient get? One JPEG that every player, mixer and browser shows alike.

Baseline JPEG (some club players show no progressive one), sRGB, upright, no
metadata, longest side 3000 pixels at most and never enlarged, quality 95
without colour subsampling.

JPEG bytes differ between versions of libjpeg. So a cover is made once, stored
and identified by its source and ``RECIPE``; ``made_with`` is noted beside it.

Conventions
    size     pixels, width by height
    colour   an embedded ICC profile is followed; without one, sRGB is meant
    alpha    laid on white

Not here: where the picture comes from and where the cover goes; PNG's own
gamma and chromaticity chunks, which are not followed; whether a picture may be
shown to this recipient.
"""

from __future__ import annotations

import struct
import warnings
import zlib
from io import BytesIO
from typing import TYPE_CHECKING

from relkit.errors import BadInputError

if TYPE_CHECKING:
    from PIL import Image

RECIPE = "cover-jpeg-1"  # frozen; another size, quality or colour is another recipe
LONGEST_SIDE = 3000
QUALITY = 95
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


def cover_jpeg(source: bytes) -> bytes:
    """Make the cover from a picture.

    Args:
        source: a whole PNG, JPEG or TIFF file.

    Returns:
        A baseline JPEG file, YCbCr 4:4:4, without metadata.

    Raises:
        BadArtworkError: another format, broken, too large, or of colours that cannot be followed.
    """
    if len(source) > MAX_SOURCE_BYTES:
        raise BadArtworkError(
            f"{len(source)} bytes is too large", hint=f"Keep it below {MAX_SOURCE_BYTES // 2**20} MB."
        )
    picture, profile = _opened(source)
    picture = _flattened(picture)
    longest = max(picture.size)
    if longest > LONGEST_SIDE:
        from PIL import Image

        width, height = (max(1, round(side * LONGEST_SIDE / longest)) for side in picture.size)
        picture = picture.resize((width, height), Image.Resampling.LANCZOS)
    out = BytesIO()
    # Saved from a copy that has pixels only: Pillow would pass on what it read beside them.
    _bare(_in_srgb(picture, profile)).save(out, "JPEG", quality=QUALITY, subsampling=0, progressive=False)
    return out.getvalue()


def _opened(source: bytes) -> tuple[Image.Image, bytes]:
    """Decode a picture and turn it upright; return it with its ICC profile, b"" for none."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            # A warning about a damaged side note is no reason to refuse, and nobody would see it.
            warnings.simplefilter("ignore")
            with Image.open(BytesIO(source), formats=_FORMATS) as opened:
                width, height = opened.size
                if width * height > MAX_PIXELS:
                    raise Image.DecompressionBombError(f"{width} x {height}")
                opened.load()
                profile = opened.info.get("icc_profile") or b""
                return ImageOps.exif_transpose(opened), profile
    except UnidentifiedImageError as error:
        raise BadArtworkError("it is no PNG, JPEG or TIFF") from error
    except Image.DecompressionBombError as error:
        raise BadArtworkError(
            f"it has more than {MAX_PIXELS // 10**6} million pixels",
            hint=f"Make it smaller; the cover has {LONGEST_SIDE} pixels on its longest side at most.",
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
