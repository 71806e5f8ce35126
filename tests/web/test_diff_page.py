"""The page of a diff, as a parser and headless Chromium see it.

Sources
    [WCAG] W3C, Web Content Accessibility Guidelines 2.2: contrast ratio of text at least 4.5
"""

from __future__ import annotations

import json
import re
from html import escape, unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from relkit.web.diff_page import DiffPage, VersionView, Zoom, diff_page
from relkit.web.style import DARK, LIGHT
from tests.support.browser import chromium

HOSTILE = '<script>alert(1)</script> & "quotes" \u202e [clean] ' + "x" * 300


def envelope(columns: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """Return a tone's envelope."""
    level = np.abs(np.sin(np.arange(columns) / 20)).astype(np.float32)
    return np.stack([-level, level], axis=1)


def mp3() -> bytes:
    """Return a second of MP3."""
    import io

    import soundfile

    out = io.BytesIO()
    tone = 0.1 * np.sin(2 * np.pi * 440 * np.arange(44_100) / 44_100)
    soundfile.write(out, tone, 44_100, format="MP3", subtype="MPEG_LAYER_III")
    return out.getvalue()


def page(text: str = "clean", clip: bytes | None = None) -> DiffPage:
    """Return a page of one version with one change."""
    zoom = Zoom(text, 6.0, 6.5, 5.25, 7.25, envelope(600), envelope(600), clip, clip)
    view = VersionView(
        text,
        text,
        [(text, "-10.00 LUFS", "-10.10 LUFS")],
        10.0,
        envelope(900),
        envelope(900),
        [-12.0] * 450 + [None] * 450,
        [-12.0] * 900,
        [zoom],
    )
    return DiffPage(
        text,
        "revision 1",
        "revision 2",
        [(text, "new audio")],
        [view],
        [text],
        [text],
        [],
        [(text, text, "-")],
    )


class _Outside(HTMLParser):
    """Collects what a page would load, and its tags."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.sources: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take one tag."""
        self.tags.append(tag)
        self.sources += [value or "" for name, value in attrs if name in {"src", "href", "srcset", "poster"}]


def test_nothing_is_loaded_and_no_text_is_structure() -> None:
    """Only data of its own; what a person typed comes out as text."""
    made = diff_page(page(HOSTILE, mp3())).decode()
    parser = _Outside()
    parser.feed(made)
    assert "script" not in parser.tags
    assert parser.sources
    assert all(source.startswith("data:audio/mpeg;base64,") for source in parser.sources)
    assert "<script>" not in made


def test_a_change_is_drawn_where_it_is() -> None:
    """6.0 to 6.5 of 10 seconds: from 60 % to 65 % of the width."""
    made = diff_page(page()).decode()
    shaded = re.findall(r'<rect class="changed" x="([0-9.]+)" y="0" width="([0-9.]+)"', made)
    first, width = map(float, shaded[0])
    assert (first, width) == pytest.approx((0.6 * 900, 0.05 * 900), abs=0.1)
    close, close_width = map(float, shaded[-1])
    assert (close, close_width) == pytest.approx((0.75 / 2 * 600, 0.5 / 2 * 600), abs=0.1)


def luminance(colour: str) -> float:
    """Return the relative luminance of "#rrggbb", [WCAG]."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ink", ["ink", "ink-soft", "alarm"])
def test_text_can_be_read(colours: dict[str, str], ink: str) -> None:
    """A contrast of 4.5 or more, [WCAG] 1.4.3."""
    light, dark = sorted((luminance(colours[ink]), luminance(colours["ground"])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


PROBE = """
setInterval(() => {}, 1);
addEventListener("load", async () => {
  const page = document.querySelector("iframe").contentDocument;
  const clips = [...page.querySelectorAll("audio")];
  const lengths = [];
  for (const clip of clips) {
    lengths.push(await new Promise(done => {
      clip.addEventListener("loadedmetadata", () => done(clip.duration));
      clip.addEventListener("error", () => done(-1));
      clip.preload = "metadata"; clip.load();
    }));
  }
  const wide = page.documentElement.clientWidth;
  document.body.textContent = JSON.stringify({
    lengths: lengths,
    wide: wide, scrolls_to: page.documentElement.scrollWidth,
    titled: [...page.querySelectorAll("svg[role=img]")].every(one => one.querySelector("title").textContent),
    labelled: clips.every(one => one.getAttribute("aria-label")),
  });
});
"""


def test_a_browser_shows_and_plays_it(tmp_path: Path) -> None:
    """On 360 CSS pixels nothing sticks out, the clips play, and the console stays empty."""
    inner = diff_page(page(HOSTILE, mp3())).decode()

    frame = (
        f'<iframe style="width:360px;height:800px;border:0" srcdoc="{escape(inner, quote=True)}"></iframe>'
    )
    outer = tmp_path / "outer.html"
    outer.write_text(f"<!DOCTYPE html><meta charset=utf-8><body>{frame}<script>{PROBE}</script>", "utf-8")
    found = probed(outer, tmp_path)
    assert found["lengths"] == [pytest.approx(1.0, abs=0.1)] * 2
    assert found["scrolls_to"] <= found["wide"]
    assert found["titled"]
    assert found["labelled"]


def probed(page: Path, folder: Path) -> dict[str, Any]:
    """Return what the probe wrote.

    The browser's own clock does not wait for clips to load: it runs through its budget, which the
    probe's interval only slows down. On a busy machine the clips may lose; then it is asked again.
    """
    for attempt in range(1, 6):
        budget_ms = 60_000 * attempt
        done = chromium(f"--virtual-time-budget={budget_ms}", "--dump-dom", page.as_uri(), folder=folder)
        assert "CONSOLE" not in done.stderr
        body = re.search(r"<body>(.*)</body>", done.stdout, re.DOTALL)
        assert body is not None
        if body[1].startswith("{"):
            found: dict[str, Any] = json.loads(unescape(body[1]))
            return found
    raise AssertionError("the probe never came to its end")
