"""The verdict across the full width: in words, with a mark of its own, never by colour alone."""

from __future__ import annotations

from rinsewatch.rinse.state import Verdict
from rinsewatch.screen.chart import Line
from rinsewatch.screen.letters import ROWS, large
from rinsewatch.screen.snapshot import Snapshot
from rinsewatch.screen.text import cells, fitted, one_line, wrapped
from rinsewatch.screen.view import flow_mode, reason_words, verdict_action, verdict_title

_MARKS = {Verdict.RINSE: ">", Verdict.STOP: "#", Verdict.CHECK: "?", Verdict.STALLED: "="}
_LARGE_WORDS = {Verdict.STOP: "STOP", Verdict.CHECK: "CHECK", Verdict.STALLED: "STALLED"}


def banner_lines(snapshot: Snapshot, width: int, ascii_only: bool, *, tall: bool, roomy: bool) -> list[Line]:
    """The banner, each line ``width`` cells: two or three lines, or some more with large letters.

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
    """Always ``1 + reason_rows`` lines: a verdict too long for one takes a line from the reason."""
    mark, role = _mark(snapshot), role_of(snapshot)
    head = one_line(f"{mark * 3} {verdict_title(snapshot)} {mark * 3} {verdict_action(snapshot)}", ascii_only)
    heads = [text.rstrip() for text in wrapped(head, width, 1 + reason_rows, ascii_only)]
    if heads[-1] and cells(heads[-1]) < width - 1:  # the banner reaches from edge to edge
        heads[-1] += " " + mark * (width - cells(heads[-1]) - 1)
    left = 1 + reason_rows - len(heads)
    reason = wrapped(one_line(reason_words(snapshot), ascii_only), width - 4, left, ascii_only) if left else []
    reason += [""] * (left - len(reason))
    return [
        *([(fitted(text, width), role)] for text in heads),
        *([(fitted("    " + row, width), "")] for row in reason),
    ]


def _tall(snapshot: Snapshot, word: str, width: int, ascii_only: bool) -> list[Line]:
    """The word in large letters, title and action beside it; the reason too, or below where it is long."""
    role, mark = role_of(snapshot), _mark(snapshot)
    letters = large(word, ascii_only)
    room = width - len(letters[0]) - 10
    action = wrapped(one_line(verdict_action(snapshot), ascii_only), room, ROWS - 1, ascii_only)
    spoken, below = [fitted(verdict_title(snapshot), room), *action], list[str]()
    reason = one_line(reason_words(snapshot), ascii_only)
    beside = wrapped(reason, room, ROWS, ascii_only)
    if len(spoken) + len(beside) <= ROWS:
        spoken += beside
    else:
        below = wrapped(reason, width - 8, 2, ascii_only)
    spoken += [" " * room] * (ROWS - len(spoken))
    rows = [[(f"{mark * 2}  {glyphs}  {said}  {mark * 2}", role)] for glyphs, said in zip(letters, spoken, strict=True)]
    rule: Line = [(mark * width, role)]
    return [rule, *rows, *([(f"{mark * 2}  {said}  {mark * 2}", role)] for said in below), rule]
