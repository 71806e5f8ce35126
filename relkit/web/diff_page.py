"""What changed, as one page to send: pictures, places, and short clips to listen to.

The page is a file by itself: nothing is loaded from anywhere, no script runs, it
reads on a phone, in the dark and on paper. Whatever a person typed is escaped.

Conventions
    times   [s] in the new version
    clips   whole MP3 files; both of a pair have the same length

Not here: comparing and measuring (``relkit.release``), drawing (``relkit.web.drawing``).
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from html import escape

from relkit.web.drawing import CURVE_HEIGHT, HEIGHT, Envelope, curve, shade, ticks, waveform
from relkit.web.style import STYLE

_LEGEND = (
    '<p class="soft">New is filled, old is the outline; what changed has a ground of its own. '
    "Set a moderate level before you play a clip.</p>"
)
LOW_LUFS, HIGH_LUFS = -40.0, 0.0  # of a loudness curve


@dataclass(frozen=True)
class Zoom:
    """One change, close up.

    Attributes:
        words: what was done there, one line.
        start_s, end_s: of the change.
        from_s, to_s: of what is drawn and heard.
        old, new: envelopes of it.
        old_mp3, new_mp3: clips of it; None where there is nothing to hear on that side.
    """

    words: str
    start_s: float
    end_s: float
    from_s: float
    to_s: float
    old: Envelope
    new: Envelope
    old_mp3: bytes | None = None
    new_mp3: bytes | None = None


@dataclass(frozen=True)
class VersionView:
    """One version that sounds different.

    Attributes:
        name: of the version.
        verdict: all that was heard, one line.
        numbers: what is told in figures: name, before, now.
        duration_s: of the new one.
        old, new: envelopes of the whole.
        old_lufs, new_lufs: short-term loudness for each column; None where there is none.
    """

    name: str
    verdict: str
    numbers: Sequence[tuple[str, str, str]]
    duration_s: float
    old: Envelope
    new: Envelope
    old_lufs: Sequence[float | None]
    new_lufs: Sequence[float | None]
    zooms: Sequence[Zoom] = ()


@dataclass(frozen=True)
class DiffPage:
    """All that a page says.

    Attributes:
        files: what became of each file: name, and in a word what.
        shared: changes in several versions; ``lacking`` those that one of them lacks.
        covers: what changed in a cover, and both as JPEG.
        sheet: fields: name, before, now.
    """

    title: str
    old_name: str
    new_name: str
    files: Sequence[tuple[str, str]]
    versions: Sequence[VersionView] = ()
    shared: Sequence[str] = ()
    lacking: Sequence[str] = ()
    covers: Sequence[tuple[str, bytes, bytes]] = field(default_factory=tuple)
    sheet: Sequence[tuple[str, str, str]] = ()


def diff_page(page: DiffPage) -> bytes:
    """Return the page: HTML in UTF-8 with line feeds."""
    lines = [
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_policy()}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="color-scheme" content="light dark">',
        '<meta name="referrer" content="no-referrer">',
        f"<title>{escape(page.title)}: what changed</title>",
        f"<style>{STYLE}</style>",
        "</head>",
        "<body>",
        "<main>",
        f'<h1 dir="auto">{escape(page.title)}</h1>',
        f'<p class="soft">What changed from {escape(page.old_name)} to {escape(page.new_name)}</p>',
        *(f'<p class="alarm">{escape(line)}</p>' for line in page.lacking),
        *(f"<p>{escape(line)}</p>" for line in page.shared),
        *_table(("file", "what became of it"), page.files),
        *([_LEGEND] if page.versions else []),
    ]
    for version in page.versions:
        lines += _version(version)
    for words, old, new in page.covers:
        lines += ["<section>", "<h2>Cover</h2>", f"<p>{escape(words)}</p>", '<div class="pair">']
        lines += [_picture("before", old), _picture("now", new), "</div>", "</section>"]
    if page.sheet:
        lines += ["<section>", "<h2>Sheet</h2>"]
        lines += [*_table(("field", "before", "now"), page.sheet), "</section>"]
    lines += ["</main>", "</body>", "</html>"]
    return ("\n".join(lines) + "\n").encode()


def _policy() -> str:
    """Allow this style sheet, and pictures and clips from the page itself; nothing else."""
    digest = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; media-src data:"


def _table(heading: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield "<table>"
    yield _row("th", 'scope="col"', heading)
    yield from (_row("td", 'dir="auto"', row) for row in rows)
    yield "</table>"


def _row(tag: str, more: str, cells: Sequence[str]) -> str:
    return "<tr>" + "".join(f"<{tag} {more}>{escape(cell)}</{tag}>" for cell in cells) + "</tr>"


def _version(view: VersionView) -> Iterator[str]:
    yield "<section>"
    yield f'<h2 dir="auto">{escape(view.name)}</h2>'
    yield f"<p>{escape(view.verdict)}</p>"
    yield from _table(("", "before", "now"), view.numbers)
    columns = len(view.new)
    scale = columns / max(view.duration_s, 1e-9)
    shades = [
        (zoom.start_s * scale, zoom.end_s * scale, escape(zoom.words, quote=True)) for zoom in view.zooms
    ]
    yield _svg(
        columns,
        HEIGHT,
        f"Waveforms of {view.name}, old and new, with {len(view.zooms)} changes marked",
        [
            *(shade(first, end, HEIGHT, words) for first, end, words in shades),
            waveform(view.new, "new"),
            waveform(view.old, "old"),
            *ticks(view.duration_s, 0.0, columns, HEIGHT),
        ],
    )
    yield _svg(
        columns,
        CURVE_HEIGHT,
        f"Short-term loudness of {view.name}, from {LOW_LUFS:.0f} to {HIGH_LUFS:.0f} LUFS, old dashed",
        [
            *(shade(first, end, CURVE_HEIGHT, words) for first, end, words in shades),
            curve(view.old_lufs, "loud-old", LOW_LUFS, HIGH_LUFS),
            curve(view.new_lufs, "loud-new", LOW_LUFS, HIGH_LUFS),
            f'<text x="2" y="11">{HIGH_LUFS:.0f} LUFS short-term</text>',
            f'<text x="2" y="{CURVE_HEIGHT - 3}">{LOW_LUFS:.0f}</text>',
        ],
    )
    for zoom in view.zooms:
        yield from _zoom(view.name, zoom)
    yield "</section>"


def _zoom(name: str, zoom: Zoom) -> Iterator[str]:
    columns = len(zoom.new)
    scale = columns / max(zoom.to_s - zoom.from_s, 1e-9)
    first, end = ((at - zoom.from_s) * scale for at in (zoom.start_s, zoom.end_s))
    yield f"<h3>{escape(zoom.words)}</h3>"
    yield _svg(
        columns,
        HEIGHT,
        f"{name}: {zoom.words}",
        [
            shade(first, end, HEIGHT, escape(zoom.words)),
            waveform(zoom.new, "new"),
            waveform(zoom.old, "old"),
            *ticks(zoom.to_s - zoom.from_s, zoom.from_s, columns, HEIGHT),
        ],
    )
    clips = [("before", zoom.old_mp3), ("now", zoom.new_mp3)]
    yield '<div class="pair">'
    for word, clip in clips:
        if clip is not None:
            source = base64.b64encode(clip).decode()
            yield (
                f'<figure><figcaption>{word}</figcaption><audio controls preload="none" '
                f'aria-label="{escape(name)}, {word}" src="data:audio/mpeg;base64,{source}"></audio></figure>'
            )
    yield "</div>"


def _svg(columns: int, height: int, title: str, parts: Sequence[str]) -> str:
    return (
        f'<svg viewBox="0 0 {columns} {height + 20}" role="img" preserveAspectRatio="none">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def _picture(word: str, jpeg: bytes) -> str:
    source = base64.b64encode(jpeg).decode()
    return (
        f'<figure><img alt="Cover, {word}" src="data:image/jpeg;base64,{source}">'
        f"<figcaption>{word}</figcaption></figure>"
    )
