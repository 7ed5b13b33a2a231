"""The verdict across the full width: in words, with a mark of its own, never by colour alone."""

from __future__ import annotations

import textwrap

from rinsewatch.rinse.state import Verdict
from rinsewatch.screen.chart import Line
from rinsewatch.screen.letters import ROWS, large
from rinsewatch.screen.snapshot import Snapshot
from rinsewatch.screen.text import fitted, one_line
from rinsewatch.screen.view import flow_mode, reason_words, verdict_action, verdict_title

_MARKS = {Verdict.RINSE: ">", Verdict.STOP: "#", Verdict.CHECK: "?", Verdict.STALLED: "="}
_LARGE_WORDS = {Verdict.STOP: "STOP", Verdict.CHECK: "CHECK", Verdict.STALLED: "STALLED"}
TALL_ROWS = ROWS + 2


def banner_lines(snapshot: Snapshot, width: int, ascii_only: bool, *, tall: bool, roomy: bool) -> list[Line]:
    """The banner, each line ``width`` cells: two or three lines, or TALL_ROWS with large letters.

    ``tall`` allows large letters for the verdicts that ask for action, ``roomy`` a large count for rinse.
    """
    state = snapshot.state
    word = _LARGE_WORDS.get(state.verdict, "") if state else ""
    if roomy and not word:
        word = _large_count(snapshot)
    if word and tall:
        return _tall(snapshot, word, width, ascii_only)
    return _flat(snapshot, width, ascii_only, reason_rows=2 if tall else 1)


def role_of(snapshot: Snapshot) -> str:
    """The style role of the verdict: rinse, stop, check, stalled or waiting."""
    return snapshot.state.verdict.value if snapshot.state else "waiting"


def _mark(snapshot: Snapshot) -> str:
    return _MARKS[snapshot.state.verdict] if snapshot.state else "."


def _large_count(snapshot: Snapshot) -> str:
    """Portions left, in flow mode minutes left; a question mark while neither is known."""
    state = snapshot.state
    left = None if state is None else state.remaining_min if flow_mode(snapshot) else state.remaining_portions
    return "?" if left is None or not 0 <= left < 1000 else str(max(1, round(left)))


def _flat(snapshot: Snapshot, width: int, ascii_only: bool, reason_rows: int) -> list[Line]:
    mark = _mark(snapshot)
    head = f"{mark * 3} {verdict_title(snapshot)} {mark * 3} {verdict_action(snapshot)} "
    text = fitted(one_line(head, ascii_only), width, ascii_only)
    if text.endswith("  "):  # fill what is left with the mark: the banner reaches from edge to edge
        text = text.rstrip() + " " + mark * (width - len(text.rstrip()) - 1)
    reason = _wrapped(one_line(reason_words(snapshot), ascii_only), width - 4, reason_rows, ascii_only)
    return [[(text, role_of(snapshot))], *([(fitted("    " + row, width), "")] for row in reason)]


def _tall(snapshot: Snapshot, word: str, width: int, ascii_only: bool) -> list[Line]:
    role, mark = role_of(snapshot), _mark(snapshot)
    letters = large(word, ascii_only)
    room = width - len(letters[0]) - 10
    action = _wrapped(one_line(verdict_action(snapshot), ascii_only), room, 2, ascii_only)
    spoken = [verdict_title(snapshot), *(row for row in action if row)]
    spoken += _wrapped(one_line(reason_words(snapshot), ascii_only), room, ROWS - len(spoken), ascii_only)
    rows = [
        [(f"{mark * 2}  {glyphs}  {fitted(said, room + 2)}{mark * 2}", role)]
        for glyphs, said in zip(letters, spoken, strict=True)
    ]
    rule: Line = [(mark * width, role)]
    return [rule, *rows, rule]


def _wrapped(text: str, width: int, rows: int, ascii_only: bool) -> list[str]:
    """Exactly ``rows`` lines; what does not fit is cut with a mark."""
    lines = textwrap.wrap(text, max(1, width)) or [""]
    if len(lines) > rows:
        lines = [*lines[: rows - 1], fitted(" ".join(lines[rows - 1 :]), width, ascii_only)]
    return lines + [""] * (rows - len(lines))
