"""The note's page as headless Chromium shows it: on a narrow phone, on paper, and with a quiet console."""

from __future__ import annotations

import json
import re
from html import escape, unescape
from pathlib import Path

import pytest

from relkit.pack.note import Note
from relkit.pack.page import note_page
from tests.support.browser import chromium
from tests.support.notes import HOSTILE, REPLACEMENT, cover, note_saying, seven_note

# Runs in a page around the notes, which themselves run nothing: each lies in a frame as wide as its screen.
MEASURE = """
addEventListener("load", () => {
  const found = [...document.querySelectorAll("iframe")].map(frame => {
    const page = frame.contentDocument;
    const wide = page.documentElement.clientWidth;
    return {
      wide: wide,
      scrolls_to: page.documentElement.scrollWidth,
      outside: [...page.querySelectorAll("main *")].filter(one => {
        const box = one.getBoundingClientRect();
        return box.width > 1 && (box.right > wide + 1 || box.left < -1);
      }).map(one => one.outerHTML.slice(0, 80)),
      least_px: Math.min(
        ...[...page.querySelectorAll("main *")].map(one => parseFloat(getComputedStyle(one).fontSize))
      ),
      styled: getComputedStyle(page.querySelector(".versions")).listStyleType === "none",
      picture_px: page.querySelector("img").naturalWidth,
    };
  });
  document.body.textContent = JSON.stringify(found);
});
"""


def measured(screens: list[tuple[Note, int]], folder: Path) -> list[dict[str, object]]:
    """Lay notes out on screens of some width [px], and measure them from around."""
    frames = "".join(
        f'<iframe style="width:{wide_px}px;height:800px;border:0" srcdoc="'
        f'{escape(note_page(note, cover(60)).decode(), quote=True)}"></iframe>'
        for note, wide_px in screens
    )
    file = folder / "around.html"
    file.write_text(f"<!DOCTYPE html><meta charset=utf-8><body>{frames}<script>{MEASURE}</script>", "utf-8")
    done = chromium("--dump-dom", file.as_uri(), folder=folder)
    assert "CONSOLE" not in done.stderr
    body = re.search(r"<body>(.*)</body>", done.stdout, re.DOTALL)
    assert body is not None
    found: list[dict[str, object]] = json.loads(unescape(body[1]))
    return found


def test_nothing_sticks_out_of_a_screen(tmp_path: Path) -> None:
    """A phone of 360 CSS pixels, and just above each width where the layout changes; hostile values wrap."""
    full = seven_note(REPLACEMENT)
    screens = [
        (full, 740),
        (full, 930),
        (full, 1280),
        *((note, 360) for note in (full, *map(note_saying, HOSTILE))),
    ]
    screens += [(note_saying("w" * 300), wide_px) for wide_px in (740, 930)]
    found = measured(screens, tmp_path)

    assert len(found) == len(screens)
    for (_, wide_px), one in zip(screens, found, strict=True):
        assert one["wide"] == one["scrolls_to"] == wide_px
        assert one["outside"] == []
        assert one["styled"] is True  # the policy's hash is that of the style
        assert one["picture_px"] == 60  # and it lets the cover through
        assert float(str(one["least_px"])) >= 13


def test_seven_versions_fit_one_sheet_of_a4(tmp_path: Path) -> None:
    """With a replacement, an embargo and all credits; and the console stays empty."""
    page, paper = tmp_path / "note.html", tmp_path / "note.pdf"
    page.write_bytes(note_page(seven_note(REPLACEMENT), cover()))

    done = chromium(f"--print-to-pdf={paper}", "--no-pdf-header-footer", page.as_uri(), folder=tmp_path)
    boxes = re.findall(rb"/MediaBox \[([0-9. ]+)\]", paper.read_bytes())

    assert len(boxes) == 1
    # ISO 216: A4 is 210 mm by 297 mm; a point is 1/72 inch.
    assert [float(side) * 25.4 / 72 for side in boxes[0].split()[2:]] == pytest.approx([210, 297], abs=0.5)
    assert "CONSOLE" not in done.stderr
