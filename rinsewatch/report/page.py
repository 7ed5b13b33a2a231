"""A report as one HTML page: complete in itself, black on white, for the screen, A4 and Letter alike."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from itertools import count
from re import compile as pattern

from rinsewatch.report.document import Block, Document, Facts, Grid, Picture, Words

_STYLE = """
@page { margin: 14mm 13mm; }
* { box-sizing: border-box; }
body { font: 9.5pt/1.35 "Helvetica Neue", Arial, "Liberation Sans", "DejaVu Sans", sans-serif; color: #000;
  background: #fff; margin: 0 auto; max-width: 184mm; }
h1 { font-size: 15pt; margin: 0 0 1mm; overflow-wrap: anywhere; }
h2 { font-size: 11pt; margin: 5mm 0 1mm; border-top: 0.8pt solid #000; padding-top: 1mm; break-after: avoid; }
p, ul { margin: 1mm 0; orphans: 3; widows: 3; overflow-wrap: anywhere; }
p + p { break-before: avoid; }
p.gist { font-size: 10.5pt; }
p.note, figcaption { font-size: 8.5pt; break-before: avoid; }
figure { margin: 4mm 0 2mm; break-inside: avoid; }
figure svg { display: block; width: 100%; height: auto; }
figcaption b { font-size: 9.5pt; }
table { border-collapse: collapse; width: 100%; font-size: 8.5pt; margin: 1mm 0; }
thead { display: table-header-group; }
tr, table.facts, table.short { break-inside: avoid; }
th, td { text-align: right; vertical-align: top; padding: 0.4mm 0 0.4mm 2.5mm; font-weight: normal; }
thead th { border-bottom: 0.8pt solid #000; font-weight: bold; }
tbody tr + tr > * { border-top: 0.3pt solid #bbb; }
th:first-child, td:first-child, .wide { text-align: left; padding-left: 0; }
.wide { padding-left: 2.5mm; overflow-wrap: anywhere; }
table.facts th { width: 34%; padding-right: 3mm; }
table.facts td { text-align: left; overflow-wrap: anywhere; }
@media screen { body { padding: 6mm; font-size: 11pt; max-width: 210mm; }
  table, p.note, figcaption { font-size: 10pt; } }
"""
_SHORT = 6  # rows of a table that is not broken over pages
# No document may hold these.
_UNPRINTABLE = pattern("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
# What only an SVG file of its own needs.
_PROLOGUE = pattern(r"(?s)^.*?(?=<svg\b)|<metadata>.*?</metadata>|\sxmlns(:\w+)?=\"[^\"]*\"")
_NAMED = pattern(r"(\bid=\"|href=\"#|url\(#)")


def page_html(document: Document, pictures: Sequence[str]) -> str:
    """The whole page; ``pictures``: the document's pictures as SVG, in order. Nothing is loaded from anywhere."""
    drawn = iter(pictures)
    numbers = count(1)
    body = "\n".join(
        _figure(block, next(drawn), next(numbers)) if isinstance(block, Picture) else _words(block)
        for block in document.blocks
    )
    gist = "\n".join(f'<p class="gist">{text(line)}</p>' for line in document.summary)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{text(document.title)}</title>
<style>{_STYLE}</style>
</head>
<body>
<h1>{text(document.title)}</h1>
{gist}
{body}
</body>
</html>
"""


def text(words: str) -> str:
    """Anybody's words, safe between tags and in attributes."""
    return escape(_UNPRINTABLE.sub("\N{REPLACEMENT CHARACTER}", words))


def inlined(svg: str, number: int, label: str) -> str:
    """An SVG file as part of a page: no prologue, no metadata, identifiers of its own, a label to be read out."""
    bare = _NAMED.sub(rf"\g<1>p{number}-", _PROLOGUE.sub("", svg))
    return bare.replace("<svg", f'<svg role="img" aria-label="{text(label)}"', 1).strip()


def _figure(picture: Picture, svg: str, number: int) -> str:
    caption = f"<figcaption><b>{text(picture.title)}</b> {text(picture.caption)}</figcaption>"
    return f"<figure>{inlined(svg, number, picture.alt)}{caption}</figure>"


def _words(block: Block) -> str:
    if isinstance(block, Facts):
        return f"{_title(block.title)}{_facts(block)}"
    if isinstance(block, Grid):
        note = f'<p class="note">{text(block.note)}</p>' if block.note else ""
        return f"{_title(block.title)}{_grid(block)}{note}"
    assert isinstance(block, Words)
    tag, around = ("li", "<ul>{}</ul>") if block.listed else ("p", "{}")
    return _title(block.title) + around.format("".join(f"<{tag}>{text(line)}</{tag}>" for line in block.lines))


def _title(title: str) -> str:
    return f"<h2>{text(title)}</h2>\n" if title else ""


def _facts(block: Facts) -> str:
    rows = "\n".join(f'<tr><th scope="row">{text(name)}</th><td>{text(words)}</td></tr>' for name, words in block.rows)
    return f'<table class="facts"><tbody>{rows}</tbody></table>'


def _grid(block: Grid) -> str:
    def cells(row: Sequence[str], tag: str, scope: str = "") -> str:
        kinds = [' class="wide"' if at in block.wide else "" for at in range(len(row))]
        return "".join(f"<{tag}{scope}{kind}>{text(cell)}</{tag}>" for kind, cell in zip(kinds, row, strict=True))

    head = cells(block.head, "th", ' scope="col"')
    rows = "\n".join(f"<tr>{cells(row, 'td')}</tr>" for row in block.rows)
    kind = ' class="short"' if len(block.rows) <= _SHORT else ""
    return f"<table{kind}><thead><tr>{head}</tr></thead>\n<tbody>{rows}</tbody></table>"
