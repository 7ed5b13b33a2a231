"""A report as PDF: the pictures on the first page, the words on A4 pages after it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from io import BytesIO
from textwrap import wrap

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from rinsewatch.report.document import Block, Document, Facts, Grid, Picture, Words
from rinsewatch.report.figures import drawable, own_settings, whole_figure

A4_IN = (8.27, 11.69)
_COLUMNS = 106  # characters of the fixed-width font on a line
_LINES = 80
_SIZE = 7.2


def pdf_file(document: Document) -> bytes:
    """All pages; the same bytes for the same report."""
    out = BytesIO()
    metadata = {"Title": document.title, "Creator": "rinsewatch", "CreationDate": None, "ModDate": None}
    with own_settings(), PdfPages(out, metadata=metadata) as pages:
        pages.savefig(whole_figure(document, A4_IN))
        lines = [line for block in document.blocks for line in block_lines(block)]
        for page in paged(lines):
            pages.savefig(_page(page))
    return out.getvalue()


def paged(lines: Sequence[str]) -> Iterator[Sequence[str]]:
    """Lines in pages; a page does not begin with an empty line."""
    rest = list(lines)
    while rest:
        while rest and not rest[0]:
            rest.pop(0)
        if rest:
            yield rest[:_LINES]
        rest = rest[_LINES:]


def _page(lines: Sequence[str]) -> Figure:
    figure = Figure(figsize=A4_IN)
    FigureCanvasAgg(figure)
    text = "\n".join(lines)
    figure.text(0.09, 0.95, text, va="top", family="DejaVu Sans Mono", size=_SIZE, linespacing=1.3)
    return figure


def block_lines(block: Block) -> list[str]:
    """A block in lines of text that fit the page."""
    title = ["", drawable(block.title), "-" * len(block.title)] if block.title else [""]
    if isinstance(block, Picture):
        return ["", *_wrapped(f"{block.title} {block.caption}")]
    if isinstance(block, Facts):
        return title + [line for name, words in block.rows for line in _pair(drawable(name), drawable(words))]
    if isinstance(block, Grid):
        return title + _grid(block) + _wrapped(block.note)
    assert isinstance(block, Words)
    mark = "- " if block.listed else ""
    return title + [line for words in block.lines for line in _wrapped(words, mark)]


def _wrapped(words: str, mark: str = "") -> list[str]:
    return wrap(drawable(words), _COLUMNS, initial_indent=mark, subsequent_indent=" " * len(mark))


def _pair(name: str, words: str) -> list[str]:
    first, *rest = wrap(words, _COLUMNS - 38) or [""]
    names = wrap(name, 36)
    lines = max(len(names), 1 + len(rest))
    left = names + [""] * (lines - len(names))
    right = [first, *rest] + [""] * (lines - 1 - len(rest))
    return [f"{a:36}  {b}".rstrip() for a, b in zip(left, right, strict=True)]


def _grid(block: Grid) -> list[str]:
    rows = [tuple(drawable(cell) for cell in row) for row in (block.head, *block.rows)]
    widths = _widths(rows)
    return [line for row in rows for line in _row(row, widths, block.wide)]


def _widths(rows: Sequence[tuple[str, ...]]) -> list[int]:
    """Widths of the columns; the widest give way until all fit, down to the longest word if need be."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    while sum(widths) + 2 * (len(widths) - 1) > _COLUMNS and max(widths) > 6:
        widths[widths.index(max(widths))] -= 1
    return widths


def _row(row: Sequence[str], widths: Sequence[int], wide: Sequence[int]) -> list[str]:
    cells = [wrap(cell, width) or [""] for cell, width in zip(row, widths, strict=True)]
    height = max(len(cell) for cell in cells)
    lines = []
    for at in range(height):
        pieces = [cell[at] if at < len(cell) else "" for cell in cells]
        sides = [
            p.ljust(w) if i in wide or i == 0 else p.rjust(w)
            for i, (p, w) in enumerate(zip(pieces, widths, strict=True))
        ]
        lines.append("  ".join(sides).rstrip())
    return lines
