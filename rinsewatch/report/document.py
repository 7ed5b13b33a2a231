"""What a report is made of: blocks of words, tables and pictures, whatever it is written as."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure


@dataclass(frozen=True, slots=True)
class Facts:
    """Pairs of a name and its words."""

    title: str
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table of texts; ``note`` stands below it. ``wide``: columns (from 0) of running words, which may break."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    wide: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    """Paragraphs, or points of a list."""

    title: str
    lines: tuple[str, ...]
    listed: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure. ``alt``: what it shows, for whoever cannot see it; ``height``: share of the page's width.

    ``draw`` draws it on a matplotlib figure or part of one.
    """

    title: str
    caption: str
    alt: str
    height: float
    draw: Callable[[Figure | SubFigure], None]


Block = Facts | Grid | Words | Picture


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report. ``summary``: its gist in one to four short lines, which stand under pictures' titles too."""

    title: str
    summary: tuple[str, ...]
    blocks: tuple[Block, ...]

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Its pictures in order."""
        return tuple(block for block in self.blocks if isinstance(block, Picture))
