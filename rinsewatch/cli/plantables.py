"""The plan on a terminal or in a pipe: 80 columns are enough, ASCII where the terminal has no UTF-8."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TextIO

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from rinsewatch.planning.section import Section, Table
from rinsewatch.screen.charset import started_with, wants_ascii

WIDTH = 80  # where nobody says how wide it is, and the widest that lines get: longer ones are hard to read
MOST_WIDTH = 100


def print_sections(sections: Sequence[Section], environ: Mapping[str, str], stream: TextIO) -> None:
    """Print all of it to ``stream``; nothing is told by colour alone."""
    ascii_only = wants_ascii(started_with(environ), stream.encoding or "ascii")
    console = Console(file=stream, highlight=False, emoji=False, markup=False, soft_wrap=False)
    if not console.is_terminal or console.width > MOST_WIDTH:
        console = Console(
            file=stream, highlight=False, emoji=False, markup=False, width=MOST_WIDTH if console.is_terminal else WIDTH
        )
    with console.capture() as caught:
        for section in sections:
            _print(section, console, ascii_only=ascii_only)
    stream.write("\n".join(line.rstrip() for line in caught.get().splitlines()) + "\n")


def _print(section: Section, console: Console, *, ascii_only: bool) -> None:
    rule = "-" if ascii_only else "─"
    title = f"{rule * 2} {section.title} "
    console.print(Text(title + rule * max(0, console.width - len(title)), style="bold"))
    for line in section.lines:
        console.print(_hanging("  ", line))
    for table in section.tables:
        if table.title:
            console.print(_hanging("  ", table.title, style="italic"))
        console.print(_drawn(table, ascii_only=ascii_only))
    for mind in section.minds:
        console.print(_hanging("! ", mind, style="bold"))
    console.print()


def _hanging(mark: str, words: str, style: str = "") -> RichTable:
    """``words`` wrapped, with ``mark`` before the first line only."""
    grid = RichTable.grid(padding=0)
    grid.add_column(width=len(mark))
    grid.add_column()
    grid.add_row(Text(mark, style=style), Text(words, style=style))
    return grid


def _drawn(table: Table, *, ascii_only: bool) -> Padding:
    look = box.MARKDOWN if ascii_only else box.SIMPLE_HEAD
    drawn = RichTable(box=look, padding=(0, 1), pad_edge=False, collapse_padding=True, show_edge=False)
    for number, head in enumerate(table.head):
        drawn.add_column(Text(head), justify="left" if number == 0 else "right", no_wrap=not table.wraps)
    for number, row in enumerate(table.rows):
        chosen = number == table.marked
        mark = "" if table.marked is None else ("> " if chosen else "  ")
        drawn.add_row(mark + row[0], *row[1:], style="bold" if chosen else "")
    return Padding(drawn, (0, 0, 0, 2))
