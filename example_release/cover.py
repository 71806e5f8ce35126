"""The cover: paper lanterns drifting over dark water towards a weir, drawn by code.

Conventions
    picture   float32 light, shape (height, width, 3), linear, 1.0 white; y grows downwards
    unit      places and sizes are fractions of the picture's side

Not here: scaling down to the JPEG that a package carries.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from example_release.scenario import ARTIST, TITLE

SIDE_PIXELS: Final = 3000
_HORIZON = 0.44
_WEIR = 0.815  # the edge over which the water falls
_NIGHT = np.array([0.004, 0.010, 0.022], dtype=np.float32)
_DUSK = np.array([0.060, 0.075, 0.110], dtype=np.float32)
_EMBER = np.array([0.200, 0.085, 0.045], dtype=np.float32)
_AMBER = np.array([1.0, 0.50, 0.16], dtype=np.float32)

Picture = NDArray[np.float32]
# Lanterns: x, y of the flame over the water line, size.
_LANTERNS: Final = (
    (0.50, 0.640, 0.046),
    (0.245, 0.575, 0.030),
    (0.735, 0.565, 0.027),
    (0.125, 0.700, 0.040),
    (0.865, 0.690, 0.038),
    (0.385, 0.510, 0.017),
    (0.610, 0.505, 0.016),
    (0.170, 0.492, 0.011),
    (0.820, 0.488, 0.010),
    (0.470, 0.476, 0.007),
    (0.545, 0.470, 0.006),
    (0.330, 0.468, 0.006),
    (0.690, 0.466, 0.005),
)


def _ripples(side: int) -> Picture:
    """Height of the water, -1..1: long crests near, short ones far."""
    generator = np.random.default_rng(77)
    y, x = np.mgrid[0:side, 0:side].astype(np.float32) / side
    depth = 0.06 / np.maximum(y - _HORIZON + 0.012, 0.004)  # perspective: rows close up towards the horizon
    out = np.zeros((side, side), dtype=np.float32)
    for octave in range(7):
        angle = generator.uniform(-0.5, 0.5)
        pitch = 26.0 * 1.5**octave
        shift = np.float32(generator.uniform(0, 6.3))
        out += np.sin(depth * pitch * 2.2 + (x - 0.5) * depth * pitch * angle + shift) / (1 + 0.35 * octave)
    return (out / 3.0).astype(np.float32)


def _sky_and_water(side: int, ripples: Picture) -> Picture:
    """Dusk over a low bank, mirrored in the water."""
    y = (np.arange(side, dtype=np.float32) / side)[:, None]
    glow = np.exp(-(((y - _HORIZON) / 0.16) ** 2)) * np.where(y < _HORIZON, 1.0, 0.35)
    picture = _NIGHT + _DUSK * (np.exp(-(np.abs(y - _HORIZON) / 0.24))[:, :, None]) * 0.62
    picture = picture + _EMBER * glow[:, :, None] * 0.55
    whole = np.repeat(picture, side, axis=1).astype(np.float32)
    water = (y > _HORIZON)[:, :, None]
    shimmer = (1 + 0.30 * ripples)[:, :, None]
    return np.where(water, whole * 0.62 * shimmer, whole).astype(np.float32)


def _bank(side: int) -> Picture:
    """Darkness of the far bank and its reeds, 0..1, shape (side, side)."""
    generator = np.random.default_rng(5)
    x = np.arange(side) / side
    crest = sum(
        generator.uniform(0.2, 1) / k * np.sin(2 * np.pi * k * 1.7 * x + 6 * generator.random())
        for k in range(1, 9)
    )
    line = _HORIZON - 0.012 - 0.007 * (np.asarray(crest) + 1.2)
    y = (np.arange(side) / side)[:, None]
    hill = np.clip((y - line[None, :]) * side / 6, 0, 1) * np.clip((_HORIZON + 0.002 - y) * side / 8, 0, 1)
    return hill.astype(np.float32)


def _add_glow(picture: Picture, x: float, y: float, spread: tuple[float, float], light: Picture) -> None:
    """Add a Gaussian spot of light in place, within five spreads."""
    side = picture.shape[0]
    top, bottom = (int(np.clip((y + sign * 5 * spread[1]) * side, 0, side)) for sign in (-1, 1))
    left, right = (int(np.clip((x + sign * 5 * spread[0]) * side, 0, side)) for sign in (-1, 1))
    rows = np.exp(-(((np.arange(top, bottom) / side - y) / spread[1]) ** 2)).astype(np.float32)
    columns = np.exp(-(((np.arange(left, right) / side - x) / spread[0]) ** 2)).astype(np.float32)
    picture[top:bottom, left:right] += (rows[:, None] * columns[None, :])[:, :, None] * light


def _reflection(picture: Picture, ripples: Picture, x: float, y: float, size: float) -> None:
    """Light of a lantern broken up by the water below it, in place."""
    side = picture.shape[0]
    top, bottom = int((y + size * 0.55) * side), int(min(y + size * 7.0, 0.995) * side)
    rows = np.arange(top, bottom)
    down = (rows / side - y) / size
    sway = ripples[top:bottom] * (0.16 + 0.09 * down[:, None]) * size
    width = size * (0.34 + 0.07 * down)[:, None]
    columns = np.arange(side)[None, :] / side
    streak = np.exp(-(((columns - x + sway) / width) ** 2)) * np.exp(-down / 2.6)[:, None]
    crest = np.clip(0.45 + 0.9 * ripples[top:bottom], 0, 1.6)
    picture[top:bottom] += (0.42 * streak * crest)[:, :, None].astype(np.float32) * _AMBER


def _lantern(picture: Picture, x: float, y: float, size: float) -> None:
    """A paper box, lit from within, on a small float, in place."""
    side = picture.shape[0]
    _add_glow(picture, x, y, (size * 2.6, size * 2.4), 0.10 * _AMBER)
    _add_glow(picture, x, y, (size * 1.05, size * 1.0), 0.22 * _AMBER)
    scale = 4
    box = Image.new("L", (int(size * side * scale), int(size * side * 1.35 * scale)))
    pen = ImageDraw.Draw(box)
    wide, high = box.size
    pen.polygon(
        [
            (wide * 0.14, high * 0.05),
            (wide * 0.86, high * 0.05),
            (wide * 0.93, high * 0.88),
            (wide * 0.07, high * 0.88),
        ],
        fill=255,
    )
    for post in (0.36, 0.64):
        pen.line(
            [(wide * post, high * 0.05), (wide * (post * 1.06 - 0.03), high * 0.88)],
            fill=150,
            width=max(wide // 60, 1),
        )
    pen.line([(wide * 0.11, high * 0.46), (wide * 0.89, high * 0.46)], fill=165, width=max(wide // 70, 1))
    mask = (
        np.asarray(
            box.resize((max(wide // scale, 2), max(high // scale, 2)), Image.Resampling.LANCZOS),
            dtype=np.float32,
        )
        / 255
    )
    top, left = int((y - size * 0.70) * side), int((x - size / 2) * side)
    v, u = np.mgrid[0 : mask.shape[0], 0 : mask.shape[1]].astype(np.float32)
    u, v = u / mask.shape[1] - 0.5, v / mask.shape[0] - 0.62
    flame = np.exp(-((u / 0.34) ** 2) - (v / 0.36) ** 2)
    paper = (0.30 + 1.1 * flame)[:, :, None] * _AMBER + (0.75 * flame**2)[:, :, None] * np.array(
        [0.9, 0.8, 0.5]
    )
    part = picture[top : top + mask.shape[0], left : left + mask.shape[1]]
    part += mask[:, :, None] * (paper.astype(np.float32) - part)


def _weir(picture: Picture) -> None:
    """The sill and the water that falls over it: threads of light going down, in place."""
    side = picture.shape[0]
    generator = np.random.default_rng(9)
    edge = int(_WEIR * side)
    threads = np.convolve(generator.standard_normal(side + 44), np.hanning(47)[1:-1], "valid")[:side]
    fine = np.convolve(generator.standard_normal(side + 4), np.hanning(7)[1:-1], "valid")[:side]
    brightness = np.clip(0.6 + 0.055 * threads + 0.045 * fine, 0, 2).astype(np.float32)
    caught = picture[edge - 60 : edge].mean(axis=0)
    smooth = np.stack(
        [np.convolve(np.pad(caught[:, c], 40, mode="edge"), np.full(81, 1 / 81), "valid") for c in range(3)],
        axis=1,
    )
    down = np.linspace(0, 1, side - edge, dtype=np.float32)[:, None, None]
    fall = smooth[None] * brightness[None, :, None] * (0.9 - 0.55 * down) + _NIGHT * 0.6
    picture[edge:] = fall
    picture[edge - 5 : edge + 3] += 0.05 + 0.5 * smooth[None]
    mist = np.exp(-(((np.arange(side) / side - 1.0) / 0.045) ** 2)).astype(np.float32)[:, None, None]
    picture += mist * np.array([0.030, 0.036, 0.045], dtype=np.float32)


def _lettering(side: int) -> Picture:
    """Title and artist, letter-spaced, as coverage 0..1, shape (side, side)."""
    sheet = Image.new("L", (side, side))
    pen = ImageDraw.Draw(sheet)
    for text, size, y, spacing in (
        (TITLE.upper(), 0.043, 0.135, 0.0145),
        (ARTIST.upper(), 0.026, 0.215, 0.016),
    ):
        font: Any = ImageFont.load_default(size * side)
        widths = [font.getlength(letter) for letter in text]
        x = (side - sum(widths) - spacing * side * (len(text) - 1)) / 2
        for letter, width in zip(text, widths, strict=True):
            pen.text((x, y * side), letter, fill=255, font=font)
            x += width + spacing * side
    return (np.asarray(sheet, dtype=np.float32) / 255).astype(np.float32)


def paint(side: int = SIDE_PIXELS) -> Image.Image:
    """Return the cover as an RGB image.

    Args:
        side: width and height [pixels].
    """
    ripples = _ripples(side)
    picture = _sky_and_water(side, ripples)
    picture *= (1 - 0.88 * _bank(side))[:, :, None]
    generator = np.random.default_rng(3)
    for _ in range(150):  # a few stars, fewer towards the horizon
        x, y = generator.random(), _HORIZON * 0.9 * generator.random() ** 1.6
        dot = 0.00035 + 0.0004 * generator.random()
        _add_glow(
            picture, x, y, (dot, dot), np.full(3, 0.25 * generator.random() ** 2 + 0.03, dtype=np.float32)
        )
    for x, y, size in _LANTERNS:
        _reflection(picture, ripples, x, y, size)
    for x, y, size in sorted(_LANTERNS, key=lambda lantern: lantern[1]):
        _lantern(picture, x, y, size)
    _weir(picture)
    letters = _lettering(side)
    halo = Image.fromarray((letters * 255).astype(np.uint8)).filter(ImageFilter.GaussianBlur(side * 0.006))
    picture += (np.asarray(halo, dtype=np.float32) / 255 * 0.10)[:, :, None] * _AMBER
    picture += letters[:, :, None] * (np.array([0.86, 0.76, 0.62], dtype=np.float32) - picture)
    shown = np.clip(picture / (1 + 0.12 * picture), 0, 1) ** (1 / 2.2)
    grain = generator.random((side, side, 1), dtype=np.float32) - 0.5  # hides the steps of 8 bits
    return Image.fromarray(np.clip(np.rint(shown * 255 + grain), 0, 255).astype(np.uint8))


def draw(path: Path, side: int = SIDE_PIXELS) -> Path:
    """Paint the cover and save it as PNG."""
    paint(side).save(path, format="PNG", compress_level=6)
    return path
