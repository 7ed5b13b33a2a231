"""The washout chart in characters: log conductivity against poured volume.

Everything is set as dots, 2 by 4 to a cell; a cell then becomes a braille character or, in ASCII mode, the
sign of the most important thing in it. Meaning never hangs on colour: readings are thick, the forecast is
hatched with a dashed middle, the target is dashed and named, the floor is dotted and named.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import pairwise

from rinsewatch.screen.snapshot import BandPoint, ChartPoint
from rinsewatch.screen.view import number_words

Run = tuple[str, str]  # text and the role that styles it
Line = list[Run]

GUTTER = 7  # cells left of the plot: six of label, one of axis
_DOT_BITS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))  # Unicode block 2800: by column, then row
_LOWEST_US_CM, _HIGHEST_US_CM = 0.01, 1e6  # pure water is 0.055, the strongest liquor below 1e6
_MIN_DECADES = 1.2  # so that a decade tick is always in sight
_FORECAST_SPAN, _PAST_TARGET = 3.0, 1.3  # times what was poured; times where the median reaches the target
_LEAST_BAND = 4  # points; a shorter forecast is drawn whole
_DEFAULT_X_ML, _LEAST_X_ML, _FARTHEST_ML = 1000.0, 10.0, 1e7  # ten cubic metres is no hand rinse


class Layer(IntEnum):
    """What a cell holds; the larger wins the cell's sign and style."""

    EMPTY = 0
    BAND = 1
    FLOOR = 2
    TARGET = 3
    MIDDLE = 4
    READING = 5


_ASCII_SIGN = " :.-+o"  # of each layer
_ROLES = ("", "band", "floor", "target", "middle", "reading")
_MARKS = {"over": "^", "under": "v", "bad": "x"}


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps mL and uS/cm to dots; ``columns`` by ``rows`` cells, logs are base 10."""

    x_max_ml: float
    log_low: float
    log_high: float
    columns: int
    rows: int

    def column(self, rinse_ml: float) -> int:
        """Dot column, 0 at the left; clipped to the plot."""
        last = 2 * self.columns - 1
        return min(last, max(0, round(rinse_ml / self.x_max_ml * last)))

    def row(self, us_cm: float) -> int:
        """Dot row, 0 at the top; clipped to the plot, so that 0 uS/cm lies at the bottom."""
        last = 4 * self.rows - 1
        if us_cm <= 0:
            return last
        share = (self.log_high - math.log10(us_cm)) / (self.log_high - self.log_low)
        return min(last, max(0, round(share * last)))


class Canvas:
    """Dots with a layer for each cell, and single signs laid over them."""

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self._dots = [bytearray(columns) for _ in range(rows)]
        self._layers = [bytearray(columns) for _ in range(rows)]
        self._signs: dict[tuple[int, int], Run] = {}

    def dot(self, x: int, y: int, layer: Layer) -> None:
        """Set one dot; what lies outside is dropped."""
        column, row = x >> 1, y >> 2
        if 0 <= column < self.columns and 0 <= row < self.rows:
            self._dots[row][column] |= _DOT_BITS[x & 1][y & 3]
            if self._layers[row][column] < layer:
                self._layers[row][column] = layer

    def text(self, column: int, row: int, text: str, role: str) -> None:
        """Lay characters over the dots, one a cell."""
        for offset, char in enumerate(text):
            if 0 <= column + offset < self.columns and 0 <= row < self.rows:
                self._signs[column + offset, row] = (char, role)

    def lines(self, ascii_only: bool) -> Iterator[Line]:
        """Each row as runs of equal role, ``columns`` cells wide."""
        for row in range(self.rows):
            yield _runs(self._cell(column, row, ascii_only) for column in range(self.columns))

    def _cell(self, column: int, row: int, ascii_only: bool) -> Run:
        if self._signs and (column, row) in self._signs:
            return self._signs[column, row]
        layer = self._layers[row][column]
        if ascii_only or not layer:
            return _ASCII_SIGN[layer], _ROLES[layer]
        return chr(0x2800 + self._dots[row][column]), _ROLES[layer]


def _runs(cells: Iterable[Run]) -> Line:
    line: Line = []
    for char, role in cells:
        if line and line[-1][1] == role:
            line[-1] = (line[-1][0] + char, role)
        else:
            line.append((char, role))
    return line


@dataclass(frozen=True, slots=True)
class ChartData:
    """What is drawn: mL and uS/cm. ``target`` and ``floor`` may be unknown."""

    history: Sequence[ChartPoint]
    band: Sequence[BandPoint]
    target_us_cm: float | None = None
    floor_us_cm: float | None = None
    poured_ml: float = 0.0


def scale_for(data: ChartData, columns: int, rows: int) -> Scale:
    """A scale that holds all that is drawn; readings not believed do not stretch it."""
    values = [p.us_cm for p in data.history if p.kind in ("reading", "over")]
    values += [v for b in data.band for v in (b.low, b.mid, b.high)]
    values += [v for v in (data.target_us_cm, data.floor_us_cm) if v is not None]
    usable = [min(v, _HIGHEST_US_CM) for v in values if v >= _LOWEST_US_CM]
    usable = usable or [1.0, 1000.0]
    low, high = math.log10(min(usable)) - 0.2, math.log10(max(usable)) + 0.1
    low -= max(0.0, _MIN_DECADES - (high - low))
    ends = [data.poured_ml, *(p.rinse_ml for p in data.history), *(b.rinse_ml for b in data.band)]
    x_max = max(ends)
    return Scale(max(x_max, _LEAST_X_ML) if x_max > 0 else _DEFAULT_X_ML, low, high, columns, rows)


def chart_lines(data: ChartData, width: int, height: int, ascii_only: bool) -> list[Line]:
    """The chart as exactly ``height`` lines of ``width`` cells; a plot too small to read is left blank."""
    columns, legend = width - GUTTER, height >= 7
    rows = height - 1 - int(legend)
    if columns < 8 or rows < 2:
        return [[(" " * width, "")] for _ in range(height)]
    data = _near(_finite(data))
    scale = scale_for(data, columns, rows)
    canvas = Canvas(columns, rows)
    _draw(canvas, scale, data)
    gutters = _gutters(scale, ascii_only)
    body = [[gutter, *line] for gutter, line in zip(gutters, canvas.lines(ascii_only), strict=True)]
    top = [[_legend(width, ascii_only)]] if legend else []
    return [*top, *body, [(_x_axis(scale, ascii_only), "axis")]]


def _finite(data: ChartData) -> ChartData:
    """Without points that are no numbers, or lie where no rinse gets: they would only bend the axes."""

    def fine(rinse_ml: float, *us_cm: float) -> bool:
        return 0 <= rinse_ml <= _FARTHEST_ML and all(math.isfinite(v) for v in us_cm)

    target, floor = (v if v is not None and math.isfinite(v) else None for v in (data.target_us_cm, data.floor_us_cm))
    return ChartData(
        [p for p in data.history if fine(p.rinse_ml, p.us_cm)],
        [b for b in data.band if fine(b.rinse_ml, b.low, b.mid, b.high)],
        target,
        floor,
        data.poured_ml if fine(data.poured_ml) else 0.0,
    )


def _near(data: ChartData) -> ChartData:
    """The forecast only as far as it helps: an unsure one reaches so far that the readings would be a heap."""
    far_ml = _FORECAST_SPAN * max([data.poured_ml, *(p.rinse_ml for p in data.history)])
    if data.target_us_cm is not None:
        there_ml = next((b.rinse_ml for b in data.band if b.mid <= data.target_us_cm), 0.0)
        far_ml = max(far_ml, _PAST_TARGET * there_ml)
    near = [b for b in data.band if b.rinse_ml <= far_ml]
    return replace(data, band=near) if len(near) >= _LEAST_BAND else data


def _gutters(scale: Scale, ascii_only: bool) -> Iterator[Run]:
    """Left of each plot row: the decade it holds, if any, and the axis."""
    decades = range(math.ceil(scale.log_low), math.floor(scale.log_high) + 1)
    ticks = {scale.row(10.0**d) >> 2: _decade_words(d) for d in decades}
    rail, tick = ("|", "+") if ascii_only else ("\u2502", "\u253c")
    for row in range(scale.rows):
        yield f"{ticks.get(row, ''):>{GUTTER - 1}}{tick if row in ticks else rail}", "axis"


def _decade_words(decade: int) -> str:
    return f"{10 ** (decade - 3)}k" if decade >= 4 else f"{10.0**decade:g}"


def _draw(canvas: Canvas, scale: Scale, data: ChartData) -> None:
    _draw_band(canvas, scale, data.band)
    _draw_level(canvas, scale, data.floor_us_cm, Layer.FLOOR)
    _draw_level(canvas, scale, data.target_us_cm, Layer.TARGET)
    _draw_readings(canvas, scale, data.history)
    _name_levels(canvas, scale, data)


def _draw_band(canvas: Canvas, scale: Scale, band: Sequence[BandPoint]) -> None:
    """Hatch between low and high at every dot column, with a dashed middle."""
    rows = [(scale.column(b.rinse_ml), scale.row(b.high), scale.row(b.mid), scale.row(b.low)) for b in band]
    for left, right in pairwise(rows):
        width = max(1, right[0] - left[0])
        for x in range(left[0], right[0] + 1):
            share = (x - left[0]) / width
            top, middle, bottom = (round(left[i] + (right[i] - left[i]) * share) for i in (1, 2, 3))
            for y in range(top + (x - top) % 3, bottom + 1, 3):
                canvas.dot(x, y, Layer.BAND)
            if x // 2 % 2 == 0:
                canvas.dot(x, middle, Layer.MIDDLE)


def _draw_level(canvas: Canvas, scale: Scale, us_cm: float | None, layer: Layer) -> None:
    if us_cm is None:
        return
    y, target = scale.row(us_cm), layer is Layer.TARGET
    for x in range(2 * canvas.columns):
        if (target and x % 6 < 4) or (not target and x % 4 == 0):
            canvas.dot(x, y, layer)


def _draw_readings(canvas: Canvas, scale: Scale, history: Sequence[ChartPoint]) -> None:
    thick: set[tuple[int, int]] = set()
    edges = {"over": 0, "under": scale.rows - 1}  # whatever the meter's limit: above all, or below all
    for point in history:
        x, y = scale.column(point.rinse_ml), scale.row(point.us_cm)
        if point.kind in _MARKS:
            canvas.text(x >> 1, edges.get(point.kind, y >> 2), _MARKS[point.kind], point.kind)
            continue
        thick.update(((x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)))
    for x, y in thick:  # a thousand readings may lie in a few hundred dots
        canvas.dot(x, y, Layer.READING)


def _name_levels(canvas: Canvas, scale: Scale, data: ChartData) -> None:
    """Names stand at the left, where an early washout is far above them."""
    named = [(data.target_us_cm, "target"), (data.floor_us_cm, "floor")]
    texts: dict[int, list[str]] = {}
    for us_cm, name in named:
        if us_cm is not None:
            texts.setdefault(scale.row(us_cm) >> 2, []).append(f"{name} {number_words(us_cm)}")
    for row, names in texts.items():
        canvas.text(1, row, f" {', '.join(names)} ", "target" if names[0].startswith("target") else "floor")


def _legend(width: int, ascii_only: bool) -> Run:
    """What the signs mean, as many as the width holds; nothing half said."""
    signs = ("o", ":+:", "---") if ascii_only else ("\u283f", "\u2811\u280a\u2811", "\u2809\u2809\u2809")
    names = ("readings", "forecast 5-95 %", "target")
    parts = [f"{sign} {name}" for sign, name in zip(signs, names, strict=True)]
    parts += ["^ over", "v under", "x not trusted"]
    text = " uS/cm"
    for part in parts:
        text += f"   {part}" if len(text) + len(part) + 3 <= width else ""
    return text[:width].ljust(width), "axis"


def _x_axis(scale: Scale, ascii_only: bool) -> str:
    """The axis line with the volumes written into it where they belong."""
    dash, corner, tick = ("-", "+", "|") if ascii_only else ("\u2500", "\u2514", "\u252c")
    step = _nice_step(scale.x_max_ml * 10 / scale.columns)
    axis = dash * scale.columns
    for count in range(int(scale.x_max_ml / step) + 1):
        label = f"{tick}{_axis_volume(count * step)} " if count else f"{dash}0 mL "
        start = scale.column(count * step) >> 1
        if start + len(label) <= scale.columns:
            axis = axis[:start] + label + axis[start + len(label) :]
    if axis.endswith(dash * 9):
        axis = f"{axis[:-8]} poured "
    return " " * (GUTTER - 1) + corner + axis


def _axis_volume(volume_ml: float) -> str:
    return f"{volume_ml:g} mL" if volume_ml < 1000 else f"{volume_ml / 1000:g} L"


def _nice_step(least_ml: float) -> float:
    """The next of 1, 2, 5, 10, 20, ... that is at least ``least_ml``."""
    power = 10.0 ** math.floor(math.log10(least_ml))
    return next((m * power for m in (1, 2, 5) if m * power >= least_ml), 10 * power)
