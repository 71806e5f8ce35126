"""The note as a page: what the text says, as HTML that nothing typed can change, readable in every light."""

from __future__ import annotations

import base64
import hashlib
import re
import subprocess
from collections.abc import Mapping
from dataclasses import replace
from html.parser import HTMLParser
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.pack import statements
from relkit.pack.facts import SongFacts
from relkit.pack.names import one_line
from relkit.pack.note import Note, note_text
from relkit.pack.page import note_page, picture_span
from relkit.pack.page_style import STYLE
from tests.support.notes import FINGERPRINT, HOSTILE, REPLACEMENT, SONG, cover, note_saying, seven_note

VOID = {"meta", "img"}
INLINE = {"bdi", "span", "strong", "code", "style"}  # what parts no words
# All that a page is made of; none of it runs, loads, sends or leads anywhere.
ELEMENTS = {
    "html", "head", "meta", "title", "style", "body", "main", "header", "section", "div", "p", "h1", "h2",
    "h3", "ol", "ul", "li", "dl", "dt", "dd", "span", "strong", "bdi", "pre", "code", "img", "svg", "path",
}  # fmt: skip
ATTRIBUTES = {
    "lang", "charset", "http-equiv", "content", "name", "class", "id", "dir", "src", "alt", "d", "viewbox",
    "preserveaspectratio", "aria-hidden", "aria-labelledby",
}  # fmt: skip


class Read(HTMLParser):
    """Reads a page as the standard library does.

    Attributes:
        tags: every opening tag with its attributes, in order.
        texts: the text of every element, its name first.
    """

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self._open: list[str] = []
        self.feed(page.decode("utf-8"))
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag."""
        assert len({name for name, _ in attrs}) == len(attrs)
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)
        if tag not in INLINE:
            self.texts.append((tag, " "))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag of a drawing, which closes itself."""
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        """Every element is closed by its own tag."""
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Note text."""
        self.texts.append((self._open[-1] if self._open else "", data))

    def handle_comment(self, data: str) -> None:
        """There are none."""
        raise AssertionError(data)

    @property
    def text(self) -> str:
        """What a person reads, with single spaces."""
        return " ".join("".join(text for tag, text in self.texts if tag not in {"style", "title"}).split())

    @property
    def skeleton(self) -> list[tuple[str, list[tuple[str, str | None]]]]:
        """The structure: all tags and attributes, but for what may say something that people typed."""
        return [
            (tag, [(name, value) for name, value in found.items() if name != "alt"])
            for tag, found in self.tags
        ]


def page(note: Note, picture: bytes | None = b"\xff\xd8jpeg") -> Read:
    """Write a page and read it."""
    return Read(note_page(note, picture))


def words(text: str) -> set[str]:
    """Return the words of a text without what stands around them."""
    return {word.strip(':;,."()') for word in text.split()}


def test_it_says_what_the_text_says() -> None:
    """Every word of the one is in the other, but for headings in capitals and underlines."""
    note = seven_note(REPLACEMENT)
    text = note_text(note).decode("utf-8")
    on_page = words(page(note).text)

    left = {word for word in words(text) if word not in on_page and re.search(r"\w", word)}
    assert left <= {"THIS", "PACKAGE", "REPLACES", "EMBARGO", "Version", "Use"}
    assert FINGERPRINT in page(note).text


def test_a_replacement_and_an_embargo_come_before_the_song() -> None:
    """In this order, for whoever reads and whoever listens."""
    text = page(seven_note(REPLACEMENT)).text
    song = text.index("Lanterns on the Weir")

    assert text.startswith("This package replaces an earlier one: revision 2, recorded on 2024-07-19.")
    assert text.index("Clean: 1:23.380 to 1:23.910, bar 43") < text.index("Embargo:") < song
    assert "replaces" not in page(seven_note()).text


def test_nothing_runs_loads_or_leads_anywhere() -> None:
    """Elements, attributes and addresses are those of a page that only shows."""
    found = page(seven_note(REPLACEMENT))

    assert {tag for tag, _ in found.tags} <= ELEMENTS
    assert {name for _, attributes in found.tags for name in attributes} <= ATTRIBUTES
    assert [attributes["src"] for _, attributes in found.tags if "src" in attributes] == [
        "data:image/jpeg;base64," + base64.b64encode(b"\xff\xd8jpeg").decode()
    ]
    assert not re.search(r"url\(|@import|@font-face|expression|https?:", STYLE)


def test_the_policy_allows_this_style_and_inner_pictures_alone() -> None:
    """The hash is that of the style as a browser sees it, W3C CSP Level 3."""
    found = page(seven_note())
    policies = [tag["content"] for _, tag in found.tags if tag.get("http-equiv") == "Content-Security-Policy"]
    style = "".join(text for tag, text in found.texts if tag == "style")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()

    assert policies == [
        f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    ]
    # Nothing a browser would have to interpret comes before the policy but the encoding.
    assert [tag for tag, _ in found.tags[:4]] == ["html", "head", "meta", "meta"]


def test_the_cover_is_in_the_page_and_may_be_missing() -> None:
    """Byte for byte; without one there is no empty frame."""
    picture = cover(60)
    image = next(tag for name, tag in page(seven_note(), picture).tags if name == "img")
    source = image["src"] or ""

    assert base64.b64decode(source.removeprefix("data:image/jpeg;base64,"), validate=True) == picture
    assert image["alt"] == "Cover of Lanterns on the Weir"
    assert not [tag for tag, _ in page(seven_note(), None).tags if tag == "img"]


def test_the_picture_can_be_found_in_the_page_whatever_people_typed() -> None:
    """A store keeps it apart; the same cover is the same stretch in every page."""
    picture = cover(60)
    written = note_page(note_saying('src="data:image/jpeg;base64,AAAA"'), picture)
    span = picture_span(written)

    assert span is not None
    assert base64.b64decode(written[span[0] : sum(span)], validate=True) == picture
    assert picture_span(note_page(seven_note(), None)) is None


def test_names_decide_their_own_direction() -> None:
    """Every value stands in an element that the direction of its neighbours does not reach."""
    found = page(note_saying("\u05e9\u05dc\u05d5\u05dd"))
    around = {tag for tag, text in found.texts if "\u05e9\u05dc\u05d5\u05dd" in text and tag != "title"}
    directed = [tag for tag, attributes in found.tags if attributes.get("dir") == "auto"]

    assert around <= {"bdi", "h1", "h3", "p"}
    assert {"h1", "h3", "p"} <= set(directed)
    assert found.tags[0] == ("html", {"lang": "en"})
    assert [attributes.get("lang") for tag, attributes in page(seven_note()).tags if tag == "h1"] == ["en"]


@pytest.mark.parametrize("text", HOSTILE)
def test_what_people_typed_is_text_and_no_structure(text: str) -> None:
    """The page of hostile values has the tags of a plain one, and shows them as they are."""
    found = page(note_saying(text))
    shown = one_line(text)

    assert found.skeleton == page(note_saying("x" if shown else "")).skeleton
    assert found.text.count(shown) >= (20 if shown else 0)
    assert all(char.isprintable() or char in "\n\u200c\u200d" for _, part in found.texts for char in part)


@given(st.text(st.characters() | st.sampled_from("<>&\"'\n\x00\u202e=/"), max_size=60))
def test_no_text_at_all_changes_the_structure(text: str) -> None:
    """Whatever stands in the sheet."""
    expected = page(note_saying("x" if one_line(text) else "")).skeleton
    language = re.fullmatch("[a-z]{2,3}", one_line(text))

    if language is None:
        assert page(note_saying(text)).skeleton == expected


@pytest.mark.parametrize(
    "note",
    [
        seven_note(),
        seven_note(REPLACEMENT),
        note_saying(HOSTILE[0]),
        replace(note_saying(""), fingerprint="-"),
    ],
)
def test_a_validator_finds_nothing(note: Note, tmp_path: Path) -> None:
    """HTML Tidy, which reads HTML 5."""
    file = tmp_path / "note.html"
    file.write_bytes(note_page(note, cover(60)))
    done = subprocess.run(
        ["tidy", "-quiet", "-errors", "-utf8", file], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_ids_are_one_each_and_every_heading_is_named() -> None:
    """A section is announced by its heading."""
    found = page(seven_note(REPLACEMENT))
    ids = [attributes["id"] for _, attributes in found.tags if "id" in attributes]

    assert len(set(ids)) == len(ids)
    assert {attributes["aria-labelledby"] for tag, attributes in found.tags if tag == "section"} == set(ids)


# --- the drawing


def test_the_lines_are_to_scale() -> None:
    """Ends, first vocals and minutes against fractions of the longest version, by hand."""
    found = page(seven_note())
    drawn = [attributes["d"] or "" for _, attributes in found.tags if attributes.get("class") == "body"]
    talk = [attributes["d"] for _, attributes in found.tags if attributes.get("class") == "talk"]

    # 208.5249 s and 15.738 s of 240 s are 869 and 66 thousandths; 31.475 s are 131.
    assert len(drawn) == 7
    assert "M66 6H869" in drawn[0]
    assert "M869 1V11" in drawn[0]  # a cold ending
    assert "M250 6V10M500 6V10M750 6V10" in drawn[0]
    assert "M131 6H1000" in drawn[5]
    assert "M1000" not in drawn[5]  # neither a stroke nor a tick under the wedge
    assert talk == ["M0 6H66"] * 4 + ["M0 6H131"] * 2
    assert sum(attributes.get("class") == "fade" for _, attributes in found.tags) == 2


def test_what_is_drawn_stands_in_words_too() -> None:
    """A drawing is hidden from whoever listens."""
    for row in statements.rows(seven_note()):
        known = dict(row.details)
        assert ("Talk-up" in known) is (row.vocal_from_s is not None)
        assert known.get("Ending") == row.ending
    assert all(
        attributes["aria-hidden"] == "true" for tag, attributes in page(seven_note()).tags if tag == "svg"
    )


# --- the colours


def luminance(colour: str) -> float:
    """Return the relative luminance of "#rrggbb", W3C WCAG 2.2, definition of that term."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio, W3C WCAG 2.2, definition of that term."""
    light, dark = sorted([luminance(first), luminance(second)], reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_of_contrast() -> None:
    """WCAG 2.2: black on white is 21, and #767676 the lightest grey that passes 4.5 on white (W3C, G18)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


def palettes() -> dict[str, Mapping[str, str]]:
    """Return the colours that the style sheet sets, by where they hold."""
    blocks = re.findall(r"(?:@media ([^{]*)\{)?:root\{([^}]*)\}", STYLE)
    return {
        where or "light": dict(re.findall(r"--([a-z-]+):(#[0-9a-f]{6})", declared))
        for where, declared in blocks
    }


@pytest.mark.parametrize("where", ["light", "(prefers-color-scheme:dark)", "print"])
def test_every_ink_reads_on_every_ground(where: str) -> None:
    """4.5 to 1, W3C WCAG 2.2, success criterion 1.4.3; for all pairs, so that no use is forgotten."""
    colours = palettes()[where]
    inks = {name: colour for name, colour in colours.items() if name.startswith("ink")}
    grounds = {name: colour for name, colour in colours.items() if name.startswith("ground")}

    assert len(inks) >= 4
    assert len(grounds) >= 4
    assert not {
        (ink, ground) for ink, ground in product(inks, grounds) if contrast(inks[ink], grounds[ground]) < 4.5
    }


def test_rules_use_declared_inks_and_grounds_only() -> None:
    """Text is drawn in inks, backgrounds are grounds, and no rule has a colour of its own."""
    rules = re.sub(r":root\{[^}]*\}", "", STYLE)

    assert set(re.findall(r"[;{]color:([^;}]*)", rules)) <= {
        f"var(--{name})" for name in ("ink", "ink-soft", "ink-line", "ink-alarm")
    }
    assert not re.search(r"#[0-9a-f]{3,8}\b|rgb|hsl", rules)
    for background in re.findall(r"background:([^;}]*)", rules):
        assert re.fullmatch(r"none|var\(--(ground[a-z-]*|band)\)", background)
    assert set(re.findall(r"--band:([^;}]*)", rules)) == {"var(--ground-notice)", "var(--ground-embargo)"}


def test_a_note_without_anything_still_has_its_page() -> None:
    """No versions, no credits, no cover."""
    bare = Note(SongFacts(artist="A", title="B"), (), 1, "2024-01-01", FINGERPRINT)
    found = page(bare, None)

    assert "Versions" not in found.text
    assert "Credits" not in found.text
    assert found.text.startswith("A B Tempo not declared Key not declared")
    assert SONG.title not in found.text
