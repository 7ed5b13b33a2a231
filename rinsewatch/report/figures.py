"""Pictures by matplotlib, always the same bytes for the same report: no dates, no names drawn by lot, own settings.

matplotlib takes a third of a second to import; only what draws imports this module.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from io import BytesIO
from textwrap import wrap
from typing import Any

import matplotlib
import numpy as np
from matplotlib import font_manager, ft2font
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import FuncFormatter, NullFormatter

from rinsewatch.report.document import Document, Picture

WIDTH_IN = 7.2  # the printable width of A4 and of Letter with the page's margins
DPI = 150
_LEFT_IN, _TITLE_IN, _LEGEND_ROW_IN = 0.75, 0.3, 0.17
# Told apart by line and mark; the colours (Okabe and Ito 2008, for all kinds of sight) only help.
BLUE, ORANGE, GREY = "#0072B2", "#D55E00", "#666666"
_OWN: dict[Any, object] = {  # matplotlib's own type of its names is written out nowhere public
    "font.family": "DejaVu Sans",  # comes with matplotlib: the same everywhere
    "font.size": 8.0,
    "axes.titlesize": 8.5,
    "axes.labelsize": 8.0,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "svg.hashsalt": "rinsewatch",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,  # text that can be searched and copied
    "text.parse_math": False,  # a name with two $ is a name
    "lines.linewidth": 1.2,
    "hatch.linewidth": 0.5,
}


@contextmanager
def own_settings() -> Iterator[None]:
    """matplotlib as it comes plus our own settings, whatever the user's are; afterwards as before."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_OWN)
        yield


def picture_svg(picture: Picture) -> str:
    """One picture as an SVG file."""
    with own_settings():
        figure = _blank(WIDTH_IN * picture.height)
        picture.draw(figure)
        return _saved(figure, "svg", {"Date": None, "Creator": None}).decode("utf-8")


def pictures_file(document: Document, kind: str) -> bytes:
    """All pictures below each other, title and summary on top; ``kind``: png or svg."""
    with own_settings():
        figure = whole_figure(document)
        dateless = {"Date": None, "Creator": "rinsewatch"} if kind == "svg" else {"Software": "rinsewatch"}
        return _saved(figure, kind, {"Title": drawable(document.title), **dateless})


def whole_figure(document: Document, page_in: tuple[float, float] = (WIDTH_IN, 0.0)) -> Figure:
    """Title, summary and all pictures on one sheet; ``page_in``: its width and least height, inches."""
    lines = [line for words in document.summary for line in wrap(drawable(words), 105)]
    pictures = document.pictures
    heights_in = [height for picture in pictures for height in (_TITLE_IN, WIDTH_IN * picture.height)]
    top_in = 0.45 + 0.16 * len(lines)
    edge_in = (page_in[0] - WIDTH_IN) / 2.0
    rows_in = [edge_in, top_in, *heights_in]
    rows_in.append(max(page_in[1] - sum(rows_in), edge_in))
    figure = _blank(sum(rows_in), page_in[0])
    # matplotlib does not take parts of no size
    widths_in, rows_in = [max(edge_in, 0.01), WIDTH_IN, max(edge_in, 0.01)], [max(row, 0.01) for row in rows_in]
    sheet = figure.subfigures(len(rows_in), 3, width_ratios=widths_in, height_ratios=rows_in)
    head, *parts, _ = np.asarray(sheet, dtype=object)[1:, 1]
    head.text(0.02, 1.0 - 0.2 / top_in, "\n".join(wrap(drawable(document.title), 80)[:1]), weight="bold", size=11)
    head.text(0.02, 1.0 - 0.3 / top_in, "\n".join(lines), va="top", size=8, linespacing=1.35)
    for picture, title, part in zip(pictures, parts[::2], parts[1::2], strict=True):
        title.text(0.02, 0.25, picture.title, weight="bold", size=9)
        picture.draw(part)
    return figure


def _blank(height_in: float, width_in: float = WIDTH_IN) -> Figure:
    figure = Figure(figsize=(width_in, height_in), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def _saved(figure: Figure, kind: str, metadata: dict[str, str | None]) -> bytes:
    out = BytesIO()
    figure.savefig(out, format=kind, metadata=metadata)
    return out.getvalue()


def drawable(words: str) -> str:
    """Words with what the font cannot draw as question marks; line ends and controls are spaces.

    Above U+FFFF nothing is drawn: PDF viewers and fonts differ most there.
    """
    known = _characters()
    return "".join(c if ord(c) in known else " " if c.isspace() or not c.isprintable() else "?" for c in words)


@cache
def _characters() -> frozenset[int]:
    font = ft2font.FT2Font(font_manager.findfont("DejaVu Sans"))
    return frozenset(code for code in font.get_charmap() if 32 <= code <= 0xFFFF and chr(code).isprintable())


def log_axis(axes: Axes, low: float, high: float) -> None:
    """A logarithmic axis upwards with plain numbers: 1, 10, 1000."""
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.12f}".rstrip("0").rstrip(".")))
    axes.yaxis.set_minor_formatter(NullFormatter())
    lines_across(axes)


def lines_across(axes: Axes) -> None:
    """Thin lines at the numbers of the axis upwards, behind what is drawn."""
    axes.grid(True, axis="y", linewidth=0.4, color="#bbbbbb")
    axes.set_axisbelow(True)


def plots(figure: Figure | SubFigure, rows: int, columns: int, *, legend_rows: int, titled: bool = False) -> list[Axes]:
    """Axes above each other or side by side, edges in inches, room for a legend below them; row by row.

    Not by matplotlib's automatic layouts: their solver goes by addresses in memory, and the last digits vary.
    """
    width_in, height_in = (float(side) / figure.dpi for side in (figure.bbox.width, figure.bbox.height))
    grid = figure.add_gridspec(
        rows, columns, left=_LEFT_IN / width_in, right=1.0 - 0.1 / width_in, wspace=0.12, hspace=0.12,
        bottom=(0.5 + _LEGEND_ROW_IN * legend_rows) / height_in, top=1.0 - (0.25 if titled else 0.1) / height_in,
    )  # fmt: skip
    return list(grid.subplots(sharex=True, sharey=columns > 1, squeeze=False).flat)


def legend_below(figure: Figure | SubFigure, axes: Sequence[Axes], columns: int) -> None:
    """One legend under the picture for all its axes, each name once."""
    named = _named(axes)
    figure.legend(
        list(named.values()), list(named), loc="lower center", bbox_to_anchor=(0.5, 0.0), ncols=columns,
        handlelength=3.2, borderaxespad=0.2,
    )  # fmt: skip


def _named(axes: Sequence[Axes]) -> dict[str, Artist]:
    named: dict[str, Artist] = {}
    for one in axes:
        handles, labels = one.get_legend_handles_labels()
        named |= {label: handle for handle, label in zip(handles, labels, strict=True) if label not in named}
    return named
