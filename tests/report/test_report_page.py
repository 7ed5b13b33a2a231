"""The HTML page: complete in itself, safe against anybody's words, readable without eyes for colour or at all."""

from __future__ import annotations

import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pages
import pytest

from rinsewatch.report.document import Document, Facts, Grid, Words
from rinsewatch.report.page import inlined, page_html, text
from rinsewatch.report.render import rendered

# Whatever could make a browser fetch something; "http" in any form is none of it in our own words.
_REFERENCES = re.compile(r"http|\bsrc\s*=|<link|@import|<script|<iframe|<object|<base\b|url\((?!#)|href=\"(?!#)", re.I)
_VOID = {"meta", "br", "path", "use", "rect", "circle", "line"}


class Outline(HTMLParser):
    """Opens and closes, tags with their attributes, the text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.wrong: list[str] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag != "meta":
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_page_refers_to_nothing_outside_itself() -> None:
    assert _REFERENCES.findall(pages.demo_page()) == []


@pytest.mark.parametrize(
    "planted", ['<img src="x.png">', '<use href="http://x/#a">', '<link rel="x">', "url(font.woff)", '<a href="x">']
)
def test_a_planted_reference_is_seen(planted: str) -> None:
    assert _REFERENCES.search(pages.demo_page() + planted)


def test_tags_are_balanced_and_identifiers_unique_and_there() -> None:
    outline = Outline(pages.demo_page())
    assert outline.wrong == [] and outline.open == []
    names = Counter(attrs["id"] for _, attrs in outline.tags if "id" in attrs)
    assert [name for name, count in names.items() if count > 1] == []
    used = set(re.findall(r"(?:href=\"#|url\(#)([^\")]+)", pages.demo_page()))
    assert used and used <= set(names)


def test_each_picture_says_in_words_what_it_shows() -> None:
    pictures = [attrs for tag, attrs in Outline(pages.demo_page()).tags if tag == "svg"]
    assert len(pictures) == 2
    for attrs in pictures:
        assert attrs["role"] == "img"
    curve, forecasts = (str(attrs["aria-label"]) for attrs in pictures)
    falls = re.search(r"falls from (\d+) µS/cm to (\d+\.\d) µS/cm\. The target is 22.0 µS/cm", curve)
    assert falls is not None
    assert (float(falls[1]), float(falls[2])) == pytest.approx((11000.0, 12.0), rel=0.05)
    assert "Stop is announced after 4.80 L" in curve
    assert "after 2.40 L" in forecasts and "mL more" in forecasts


def test_anybodys_words_stay_words(tmp_path: Path) -> None:
    page = rendered(pages.document_of(pages.rough(tmp_path)), "html").decode("utf-8")
    outline = Outline(page)
    assert "<script" not in page and outline.wrong == [] and outline.open == []
    assert not [attrs for _, attrs in outline.tags if "onclick" in attrs]
    words = "".join(outline.words)
    assert f'<b onclick="x()">{pages.EVIL}</b>' in words  # the note, as it was written
    assert f"rough.csv, {pages.EVIL}" in words  # the title


def test_every_place_of_a_document_escapes() -> None:
    evil = '<i>"&\x00\x1b'
    blocks = (Facts(evil, ((evil, evil),)), Grid(evil, (evil,), ((evil,),), evil), Words(evil, (evil,), listed=True))
    page = page_html(Document(evil, (evil,), blocks), [])
    assert "<i>" not in page and "\x00" not in page and "\x1b" not in page
    assert page.count("&lt;i&gt;&quot;&amp;") == 12  # the title twice


def test_a_label_cannot_leave_its_attribute() -> None:
    svg = '<?xml version="1.0"?>\n<!DOCTYPE svg>\n<svg xmlns="http://x"><metadata>m</metadata><g id="a"/></svg>'
    assert inlined(svg, 2, '"><script>') == (
        '<svg role="img" aria-label="&quot;&gt;&lt;script&gt;"><g id="p2-a"/></svg>'
    )
    assert text("a\nb\tc") == "a\nb\tc"


def test_it_prints_black_on_white_on_either_paper_and_needs_no_colour() -> None:
    page = pages.demo_page()
    style = page[page.index("<style>") : page.index("</style>")]
    assert "@page" in style and not re.search(r"(?<!-)\bsize:", style)  # the printer's own paper, A4 or Letter
    assert "color: #000" in style and "break-inside: avoid" in style
