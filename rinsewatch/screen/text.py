"""Text from outside (batch names, messages, what the meter sent) made fit for a screen."""

from __future__ import annotations

import textwrap

from rich.cells import cell_len, set_cell_size

_TO_ASCII = str.maketrans({"\u00b5": "u", "\u03bc": "u", "\u2013": "-", "\u2014": "-", "\u00b7": "."})


def one_line(text: str, ascii_only: bool) -> str:
    """No control characters, no half characters; in ASCII mode nothing beyond ASCII, else a real mu."""
    if not (text.isascii() and text.isprintable()):
        whole = text.encode("utf-8", "replace").decode("utf-8")
        text = "".join(char if char.isprintable() else " " for char in whole)
    if ascii_only:
        return text.translate(_TO_ASCII).encode("ascii", "replace").decode("ascii")
    return text.replace("uS/cm", "\u00b5S/cm")


def cells(text: str) -> int:
    """Width on the screen; wide characters count two."""
    return len(text) if text.isascii() else cell_len(text)


def fitted(text: str, width: int, ascii_only: bool = False) -> str:
    """Exactly ``width`` cells: padded, or cut with a visible mark that something was cut."""
    if cells(text) <= width:
        return text + " " * (width - cells(text))
    mark = "..." if ascii_only else "\u2026"
    if width <= len(mark):
        return set_cell_size(text, max(0, width))
    return set_cell_size(text, width - len(mark)) + mark


def wrapped(text: str, width: int, most: int, ascii_only: bool = False) -> list[str]:
    """One to ``most`` lines of exactly ``width`` cells; what does not fit into them is cut with a mark."""
    if cells(text) <= width or most == 1:  # as it is, spaces and all
        return [fitted(text, width, ascii_only)]
    lines = textwrap.wrap(text, max(1, width), drop_whitespace=True) or [""]
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [fitted(line, width, ascii_only) for line in lines]
