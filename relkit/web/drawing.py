"""Waveforms and curves as SVG, by hand: a path of a few kilobytes each.

Conventions
    envelope   lowest and highest sample of each column, shape (columns, 2), full scale 1.0
    columns    drawing units; one column is one unit wide
    colours    by class names of ``relkit.web.style``; meaning never rests on colour alone

Not here: where the numbers come from (``relkit.release``), the page around them (``relkit.web.diff_page``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

Envelope = npt.NDArray[np.float32]

HEIGHT = 120  # drawing units of a waveform
CURVE_HEIGHT = 60
_STEPS_S = (0.1, 0.25, 0.5, 1, 5, 10, 15, 30, 60, 300, 600, 3600)
_MOST_TICKS = 8
_LEAST = 0.5  # half the height of silence, so that it is seen as a line


def waveform(envelope: Envelope, kind: str) -> str:
    """Return a closed path around an envelope; ``kind`` is its class."""
    middle = HEIGHT / 2
    tops = np.clip(envelope[:, 1], -1, 1) * (middle - 1)
    bottoms = np.clip(envelope[:, 0], -1, 1) * (middle - 1)
    tops, bottoms = np.maximum(tops, _LEAST), np.minimum(bottoms, -_LEAST)
    forth = [f"{x} {middle - y:.1f}" for x, y in enumerate(tops)]
    back = [f"{x} {middle - y:.1f}" for x, y in zip(range(len(bottoms))[::-1], bottoms[::-1], strict=True)]
    return f'<path class="{kind}" d="M{" L".join([*forth, *back])}Z"/>'


def curve(levels: Sequence[float | None], kind: str, low: float, high: float) -> str:
    """Return a line through levels, one for each column; None leaves a gap."""
    steps: list[str] = []
    pen_down = False
    for x, level in enumerate(levels):
        if level is None:
            pen_down = False
            continue
        y = CURVE_HEIGHT * (1 - (min(max(level, low), high) - low) / (high - low))
        steps.append(f"{'L' if pen_down else 'M'}{x} {y:.1f}")
        pen_down = True
    return f'<path class="{kind}" d="{" ".join(steps)}"/>' if steps else ""


def shade(first: float, end: float, height: int, title: str) -> str:
    """Return the ground of a changed stretch, with what it is as its title."""
    width = max(end - first, 1.5)
    place = f'x="{first:.1f}" y="0" width="{width:.1f}" height="{height}"'
    return f'<rect class="changed" {place}><title>{title}</title></rect>'


def ticks(duration_s: float, start_s: float, columns: int, height: int) -> Iterator[str]:
    """Yield time marks: as many as can be read, at round seconds."""
    step = next((step for step in _STEPS_S if duration_s / step <= _MOST_TICKS), _STEPS_S[-1])
    at = -(-start_s // step) * step
    while at <= start_s + duration_s:
        x = columns * (at - start_s) / max(duration_s, 1e-9)
        minutes, seconds = divmod(round(at * 100), 6000)
        text = f"{minutes}:{seconds // 100:02d}" + ("" if step >= 1 else f".{seconds % 100:02d}")
        anchor = "start" if x < columns * 0.05 else "end" if x > columns * 0.95 else "middle"
        yield f'<path class="tick" d="M{x:.1f} {height}v5"/>'
        yield f'<text x="{x:.1f}" y="{height + 17}" text-anchor="{anchor}">{text}</text>'
        at += step
