"""The dashboard: one frame, exactly as large as the window, composed from a snapshot alone.

From top to bottom: title bar, verdict banner, six or seven lines of facts, the chart, the last event, the keys.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable

from rich.console import Console, ConsoleOptions, RenderResult
from rich.segment import Segment
from rich.style import Style

from rinsewatch.screen import view
from rinsewatch.screen.banner import banner_lines, role_of
from rinsewatch.screen.chart import ChartData, Line, chart_lines
from rinsewatch.screen.help import help_lines
from rinsewatch.screen.keys import KEY_LIST, PORTION_KEYS
from rinsewatch.screen.pricewords import price_words
from rinsewatch.screen.snapshot import Snapshot
from rinsewatch.screen.text import cells, fitted, one_line, wrapped

LEAST_WIDTH, LEAST_HEIGHT = 64, 16
_TALL_HEIGHT, _ROOMY_HEIGHT = 20, 32
_LABEL_CELLS = 11
_LEAST_CHART = 6  # rows of it that a long fact does not take

_STYLES = {
    "title": Style(reverse=True),
    "rinse": Style(bold=True, color="cyan"),
    "waiting": Style(bold=True),
    "stop": Style(bold=True, color="black", bgcolor="green"),
    "check": Style(bold=True, color="black", bgcolor="yellow"),
    "stalled": Style(bold=True, color="white", bgcolor="magenta"),
    "alert": Style(bold=True, color="white", bgcolor="red"),
    "question": Style(bold=True),
    "label": Style(bold=True),
    "keys": Style(color="cyan"),
    "reading": Style(bold=True),
    "band": Style(color="cyan"),
    "middle": Style(color="cyan", bold=True),
    "target": Style(color="green"),
    "over": Style(color="yellow"),
    "under": Style(color="yellow"),
    "bad": Style(color="red", bold=True),
}


class Frame:
    """A rich renderable that composes the snapshot at the size it is drawn at."""

    def __init__(self, snapshot: Snapshot, ascii_only: bool | None) -> None:
        self._snapshot, self._ascii_only = snapshot, ascii_only

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        height = options.height or options.size.height
        ascii_only = options.ascii_only if self._ascii_only is None else self._ascii_only
        for index, line in enumerate(compose(self._snapshot, options.max_width, height, ascii_only)):
            if index:
                yield Segment.line()
            for text, role in line:
                yield Segment(text, _STYLES.get(role))


class Dashboard:
    """Draws for one console; ``ascii_only`` None asks the console's encoding."""

    def __init__(self, console: Console, ascii_only: bool | None = None) -> None:
        self.console, self._ascii_only = console, ascii_only

    def render(self, snapshot: Snapshot) -> Frame:
        """The frame of a snapshot; it takes its size from the console when it is drawn."""
        return Frame(snapshot, self._ascii_only)


def compose(snapshot: Snapshot, width: int, height: int, ascii_only: bool) -> list[Line]:
    """Exactly ``height`` lines of ``width`` cells each; below the least size, the essentials in words."""
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return _too_small(snapshot, max(1, width), max(1, height), ascii_only)
    tall = height >= _TALL_HEIGHT and not snapshot.show_help
    roomy = tall and height >= _ROOMY_HEIGHT and width >= 80
    top = [_title(snapshot, width, ascii_only)]
    top += banner_lines(snapshot, width, ascii_only, tall=tall, roomy=roomy)
    bottom = [*_event(snapshot, width, ascii_only), *_keys(snapshot, width)]
    left = height - len(top) - len(bottom)
    return [*top, *_middle(snapshot, width, left, ascii_only, roomy), *bottom]


def _middle(snapshot: Snapshot, width: int, height: int, ascii_only: bool, roomy: bool) -> list[Line]:
    if snapshot.show_help:
        return _help(width, height)
    facts = _facts(snapshot, width, height, ascii_only, roomy)
    state = snapshot.state
    data = ChartData(
        snapshot.history,
        snapshot.band,
        view.target_of(snapshot),
        state.floor_us_cm if state else None,
        snapshot.poured_ml,
    )
    chart = chart_lines(data, width, height - len(facts), ascii_only)
    return [*facts, *([(one_line(text, ascii_only), role) for text, role in line] for line in chart)]


def _title(snapshot: Snapshot, width: int, ascii_only: bool) -> Line:
    setup = snapshot.setup
    batch = f"  batch {snapshot.batch}" if snapshot.batch else ""
    left = f" rinsewatch  {view.residue_words(snapshot)}, {view.volume_words(setup.resin_ml)} resin{batch}"
    saved = view.record_words(snapshot) if view.is_saved(snapshot) else "!! NOT SAVED"
    right = f"  {saved}  {view.clock_words(snapshot.elapsed_s)} "
    right = fitted(one_line(right, ascii_only), min(cells(right), width // 2), ascii_only)
    return [(fitted(one_line(left, ascii_only), width - cells(right), ascii_only) + right, "title")]


def _facts(snapshot: Snapshot, width: int, height: int, ascii_only: bool, roomy: bool) -> list[Line]:
    """Label and words, one fact a line; in a roomy window with air and, where the banner has a reason, the chances.

    A fact too long for its line gets a second one, as long as the chart keeps its least of ``height`` rows.
    """
    state, unsure = snapshot.state, role_of(snapshot) in ("check", "stalled")
    words: list[tuple[str, Callable[[Snapshot], str]]] = [
        ("Reading", view.reading_words),
        ("Filtrate", view.filtrate_words),
        ("To go", view.remaining_words if unsure else view.certainty_words),
        ("Water", view.water_words),
        ("Probe", view.probe_words),
        ("Meter", view.meter_words),
    ]
    facts = [(label, say(snapshot)) for label, say in words]
    if price := price_words(snapshot):
        facts.insert(4, ("Price", price))
    if roomy and state and not view.says_no_more(state):  # else the banner has them
        facts.insert(3, ("Chances", view.chance_words(state)))
    spare = height - len(facts) - _LEAST_CHART
    rows: list[Line] = []
    for label, said in facts:
        lines = _fact(label, said, width, ascii_only, rows=2 if spare > 0 else 1)
        spare -= len(lines) - 1
        rows += lines
    air: Line = [(" " * width, "")]
    return [air, *rows, air] if roomy else rows


def _fact(label: str, words: str, width: int, ascii_only: bool, *, rows: int) -> list[Line]:
    role = "alert" if "NOT TRUSTED" in words or "OLD:" in words or words.startswith("!!") else ""
    said = wrapped(one_line(words, ascii_only), width - _LABEL_CELLS, rows, ascii_only)
    heads = [label, *("" for _ in said[1:])]
    return [[(f" {head:<{_LABEL_CELLS - 1}}", "label"), (text, role)] for head, text in zip(heads, said, strict=True)]


def _event(snapshot: Snapshot, width: int, ascii_only: bool) -> list[Line]:
    """The question being answered, else what is not saved, else the last event; on two lines if it must be."""
    if snapshot.question:
        text, role = snapshot.question, "question"
    elif not view.is_saved(snapshot):
        text, role = f"!! {snapshot.recorded} !!", "alert"
    else:
        text, role = snapshot.message, ""
    said = wrapped(one_line(text, ascii_only), width - 2, 2, ascii_only)
    return [[(f" {row} ", role)] for row in said]


def _keys(snapshot: Snapshot, width: int) -> list[Line]:
    """Two lines: the single keys, or how to answer the open question."""
    if snapshot.question:
        how = " y yes   n no" if snapshot.question.endswith("y/n") else " Enter accept   Esc leave it"
        return [[(fitted(text, width), "keys")] for text in (how, "")]
    hidden = set(PORTION_KEYS) if view.flow_mode(snapshot) else set()
    hidden -= {"u"} if snapshot.by_hand else set()  # it also takes back a typed reading
    keys = [f"{key} {name}" for key, name in KEY_LIST if key not in hidden]
    half = (len(keys) + 1) // 2
    return [[(fitted(" " + "  ".join(part), width, True), "keys")] for part in (keys[:half], keys[half:])]


def _help(width: int, height: int) -> list[Line]:
    rows = [""]
    for paragraph in help_lines():
        rows += textwrap.wrap(paragraph, width - 4, subsequent_indent="  ", drop_whitespace=True) or [""]
    if len(rows) > height:
        rows = [*rows[: height - 1], "-- more in a taller window; ? closes --"]
    rows += [""] * (height - len(rows))
    return [[(fitted("  " + row, width), "")] for row in rows]


def _too_small(snapshot: Snapshot, width: int, height: int, ascii_only: bool) -> list[Line]:
    said = [
        f"{view.verdict_title(snapshot)}: {view.verdict_action(snapshot)}",
        snapshot.question,
        "" if view.is_saved(snapshot) else view.record_words(snapshot),
        f"Window {width}x{height} is too small for the dashboard, {LEAST_WIDTH}x{LEAST_HEIGHT} is the least.",
        view.reading_words(snapshot),
        view.water_words(snapshot),
        view.probe_words(snapshot),
    ]
    rows = list(_wrapped_all((one_line(text, ascii_only) for text in said if text), width))
    role = role_of(snapshot)
    lines: list[Line] = [[(fitted(row, width, ascii_only), "")] for row in rows[:height]]
    lines[0] = [(lines[0][0][0], role)]
    return lines + [[(" " * width, "")] for _ in range(height - len(lines))]


def _wrapped_all(texts: Iterable[str], width: int) -> Iterable[str]:
    for text in texts:
        yield from textwrap.wrap(text, width)
