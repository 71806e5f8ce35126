"""What does a recipient see first? The note of a package as one page, on a phone, a desk or paper.

One HTML file: no script, nothing loaded from anywhere, the cover inside it, the
system's own fonts. It says what the note's text says, and draws one thing more:
every version as a line to scale, so that lengths, talk-up and endings compare
at a glance.

The page is a file of the signed package, so its bytes follow from the facts
alone. Whatever people typed goes through one function, ``_text``.

Conventions
    direction   a value stands in ``bdi`` or has dir="auto": its own script decides
    colours     only the variables of ``relkit.pack.page_style``, one set for light and one for dark
    drawing     1000 units are the longest version

Sources
    [CSP3]   W3C, Content Security Policy Level 3: hash of an inline style, meta element
    [HTML]   WHATWG, HTML Living Standard: bdi, dir, escaping of text and attributes

Not here: what is said (``relkit.pack.statements``), the style sheet (``relkit.pack.page_style``).
"""

from __future__ import annotations

import base64
import hashlib
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from html import escape

from relkit.pack import replacement, statements
from relkit.pack.facts import SongFacts
from relkit.pack.names import one_line
from relkit.pack.page_style import STYLE
from relkit.pack.replacement import Replacement
from relkit.pack.statements import Fact, Note, Row

_PICTURE = "data:image/jpeg;base64,"
_SCALE = 1000  # units of a drawing that the longest version takes
_WEDGE = 26  # units of the wedge that stands for a fade: a sign, not its length
_MOST_TICKED_S = 1800.0  # a longer version would have a comb of ticks
_LANGUAGE = re.compile("[a-z]{2,3}")  # as the sheet allows it


def note_page(note: Note, cover_jpeg: bytes | None) -> bytes:
    """Write a note as a page.

    Args:
        note: what it says.
        cover_jpeg: the small cover, which goes into the page; None for none.

    Returns:
        HTML in UTF-8 with line feeds.

    Raises:
        ValueError: the embargo has no zone.
    """
    song = note.song
    name = f"{''.join(statements.who(song))} - {statements.title(song)}"
    lines = [
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_policy()}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="color-scheme" content="light dark">',
        '<meta name="referrer" content="no-referrer">',
        '<meta name="format-detection" content="telephone=no">',
        f"<title>{escape(name)}</title>",
        f"<style>{STYLE}</style>",
        "</head>",
        "<body>",
        "<main>",
        *(_replacement(note.replaces) if note.replaces else ()),
        *_embargo(song),
        *_masthead(song, cover_jpeg),
        *_versions(statements.rows(note)),
        '<div class="columns">',
        *_section("This release", _facts(statements.about(note))),
        *_section("Credits", _facts(statements.credits_of(song))),
        *_section(
            "Files", [*_facts(statements.about_files(note)), *_said(statements.remarks_on_files(note))]
        ),
        *_section("Before you play it", _said(statements.remarks(note))),
        "</div>",
        *_section("Checking this package", _proof(note.fingerprint), kind="proof"),
        "</main>",
        "</body>",
        "</html>",
    ]
    return ("\n".join(lines) + "\n").encode()


def picture_span(page: bytes) -> tuple[int, int] | None:
    """Return where the picture stands in a page of ours: offset and length [bytes], or None without one.

    It is most of the page, and the same in every page with this cover, so a store can keep it apart.
    """
    before, mark, behind = page.partition(f'src="{_PICTURE}'.encode())  # nothing typed has this quote
    return (len(before) + len(mark), behind.index(b'"')) if mark else None


def picture_in(page: bytes) -> bytes | None:
    """Return the picture of a page of ours, or None without one."""
    span = picture_span(page)
    return base64.b64decode(page[span[0] : span[0] + span[1]]) if span else None


def _policy() -> str:
    """Allow this very style and pictures inside the page, and nothing else; no base, no form [CSP3]."""
    digest = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )


def _text(text: str) -> str:
    """Return what people typed as text that decides its own direction, and is nothing else."""
    return f"<bdi>{escape(text)}</bdi>"


def _section(heading: str, body: Iterable[str], *, kind: str = "") -> list[str]:
    """Put a heading of ours above what there is; nothing above nothing."""
    lines = list(body)
    name = heading.lower().replace(" ", "-")
    opening = f'<section aria-labelledby="{name}"' + (f' class="{kind}">' if kind else ">")
    return [opening, f'<h2 id="{name}">{heading}</h2>', *lines, "</section>"] if lines else []


def _facts(facts: Sequence[Fact]) -> Iterator[str]:
    """Yield labels and values in two columns."""
    if facts:
        yield '<dl class="facts">'
        yield from (f"<dt>{_text(label)}</dt><dd>{_text(value)}</dd>" for label, value in facts)
        yield "</dl>"


def _strip(facts: Sequence[Fact], kind: str) -> Iterator[str]:
    """Yield labels and values behind each other."""
    if facts:
        yield f'<ul class="{kind}">'
        yield from (f"<li><span>{_text(label)}</span> {_text(value)}</li>" for label, value in facts)
        yield "</ul>"


def _said(sentences: Iterable[str]) -> list[str]:
    return [f"<p>{escape(sentence)}</p>" for sentence in sentences]


def _replacement(old: Replacement) -> Iterator[str]:
    """Say what happened to an earlier package, before anything else."""
    yield '<section class="notice" aria-labelledby="replaces">'
    yield f'<h2 id="replaces">This package replaces {_text(replacement.replaces(old))}</h2>'
    yield '<dl class="facts">'
    for name, listed in replacement.parts_replaced(old):
        entries = "".join(
            f"<li>{_text(label)}{f': {_text(places)}' if places else ''}</li>" for label, places in listed
        )
        # Places have commas of their own and take a line each.
        kind = "" if any(places for _, places in listed) else ' class="running"'
        yield f"<dt>{name}</dt><dd><ul{kind}>{entries}</ul></dd>"
    yield "</dl>"
    yield from _said(replacement.advice(old))
    yield "</section>"


def _embargo(song: SongFacts) -> list[str]:
    said = statements.embargo(song)
    return [f'<p class="embargo"><strong>Embargo:</strong> {escape(said)}</p>'] if said else []


def _masthead(song: SongFacts, cover_jpeg: bytes | None) -> Iterator[str]:
    yield "<header>"
    if cover_jpeg is not None:
        source = f"{_PICTURE}{base64.b64encode(cover_jpeg).decode()}"
        yield f'<img class="cover" src="{source}" alt="Cover of {escape(statements.title(song))}">'
    yield '<div class="names">'
    pieces = (
        escape(piece) if number % 2 else _text(piece) for number, piece in enumerate(statements.who(song))
    )
    yield f'<p class="artist" dir="auto">{"".join(pieces)}</p>'
    spoken = one_line(song.language or "")
    language = f' lang="{spoken}"' if _LANGUAGE.fullmatch(spoken) else ""
    yield f'<h1 dir="auto"{language}>{escape(statements.title(song))}</h1>'
    if use := statements.promo_line(song):
        yield f'<p class="use" dir="auto">{escape(use)}</p>'
    yield from _strip(statements.music(song), "music")
    yield "</div>"
    yield "</header>"


def _versions(rows: Sequence[Row]) -> Iterator[str]:
    """Yield the list of versions, each with its numbers and its line."""
    if not rows:
        return
    longest_s = max((row.length_s or 0.0 for row in rows), default=0.0)
    yield '<section aria-labelledby="versions">'
    yield '<h2 id="versions">Versions</h2>'
    yield '<ol class="versions">'
    for row in rows:
        yield "<li>"
        yield f'<h3 dir="auto">{escape(row.label)}</h3>'
        yield f'<p class="rating"><span>Rating</span> {_text(row.rating)}</p>'
        numbers = (
            ("Length", row.length),
            ("Loudness", row.loudness),
            ("True peak", row.true_peak),
            ("Files", row.formats),
        )
        yield from _strip(numbers, "numbers")
        yield from _line(row, longest_s)
        yield from _strip(row.details, "details")
        yield "</li>"
    yield "</ol>"
    if longest_s:
        ticks = ", a tick a minute" if longest_s < _MOST_TICKED_S else ""
        yield (
            f'<p class="legend">Lines are to scale{ticks}; dashed up to the first vocal, where it is known. '
            "A stroke at the end is a cold ending, a wedge a fade.</p>"
        )
    yield "</section>"


def _line(row: Row, longest_s: float) -> Iterator[str]:
    """Draw a version to scale; all that it shows stands in words beside it."""
    if not row.length_s or not longest_s:
        return

    def at(moment_s: float) -> int:
        return round(_SCALE * min(max(moment_s, 0.0), longest_s) / longest_s)

    end, vocal = at(row.length_s), at(min(row.vocal_from_s or 0.0, row.length_s))
    minutes = range(60, math.ceil(row.length_s), 60) if longest_s < _MOST_TICKED_S else ()
    yield f'<svg class="line" viewBox="0 0 {_SCALE} 12" preserveAspectRatio="none" aria-hidden="true">'
    strokes = ["M0 1V11", f"M{vocal} 6H{end}", *(f"M{at(minute)} 6V10" for minute in minutes)]
    if vocal:
        yield f'<path class="talk" d="M0 6H{vocal}"/>'
        strokes.append(f"M{vocal} 2V6")
    if row.ending == "cold":
        strokes.append(f"M{end} 1V11")
    yield f'<path class="body" d="{"".join(strokes)}"/>'
    if row.ending == "fade":
        yield f'<path class="fade" d="M{max(end - _WEDGE, 0)} 2L{end} 6L{max(end - _WEDGE, 0)} 10Z"/>'
    yield "</svg>"


def _proof(fingerprint: str) -> list[str]:
    """Say how to check the package with stock tools, and what that proves."""
    return [
        '<div class="steps">',
        "<div>",
        *_said([statements.CHECK_FILES]),
        _commands(statements.CHECK_FILES_COMMANDS),
        *_said([statements.SUMS_ARE_NOT_SIGNED]),
        "</div>",
        "<div>",
        *_said([statements.CHECK_SIGNATURE]),
        _commands(statements.CHECK_SIGNATURE_COMMANDS),
        *_said([statements.WHAT_IT_PROVES]),
        f'<p class="fingerprint">{_text(one_line(fingerprint))}</p>',
        "</div>",
        "</div>",
    ]


def _commands(lines: Sequence[str]) -> str:
    return f"<pre><code>{escape(chr(10).join(lines))}</code></pre>"
