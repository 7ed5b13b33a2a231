"""The pictures of a resin's life: capacity with its forecast, and the rinses."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite

from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import MaxNLocator

from rinsewatch.logbook.life import series
from rinsewatch.logbook.life.forecast import Forecast
from rinsewatch.logbook.life.life import ResinLife
from rinsewatch.logbook.life.records import Part
from rinsewatch.report.figures import BLUE, GREY, ORANGE, legend_below, lines_across, plots

# Mark and line of each part: told apart without colour.
_LOOK = {Part.ANION: ("o", "-", BLUE), Part.CATION: ("s", "--", ORANGE)}
_MOST_AHEAD = 12  # cycles drawn beyond the last one


def draw_capacity(life: ResinLife, figure: Figure | SubFigure) -> None:
    """Capacity of each cycle as share of the first ones, threshold, trend and when it meets the threshold."""
    (axes,) = plots(figure, 1, 1, legend_rows=2)
    counted = [(f.cycle, 100.0 * f.share) for f in life.cycles if f.counts and f.share is not None]
    others = [(f.cycle, 100.0 * f.share) for f in life.cycles if not f.counts and f.share is not None]
    axes.plot(*_columns(counted), marker="o", markersize=_size(life), linestyle="-", linewidth=0.8, color="black",
              label="capacity of a cycle")  # fmt: skip
    if others:
        axes.plot(*_columns(others), marker="x", linestyle="", color=GREY, label="does not count (see table)")
    threshold = 100.0 * life.resin.discard_share
    axes.axhline(threshold, color="black", linestyle="--", linewidth=1.0, label=f"discard below {threshold:.0f} %")
    if isinstance(life.forecast, Forecast):
        _forecast(axes, life.forecast)
    axes.set_ylabel("capacity, % of the first cycles")
    lines_across(axes)
    _cycles_axis(axes, life)
    axes.set_ylim(0.0, max([120.0, *(share + 10.0 for _, share in (*counted, *others))]))
    legend_below(figure, [axes], 3)


def _forecast(axes: Axes, ahead: Forecast) -> None:
    """The line, and on the threshold the interval of where they meet."""
    end = max(ahead.last, min(ahead.cycle, ahead.last + _MOST_AHEAD))
    along = [float(ahead.since), float(end)]
    axes.plot(along, [100.0 * ahead.trend.at(x) for x in along], color=BLUE, linestyle="-.", linewidth=1.6,
              label=f"trend since cycle {ahead.since}")  # fmt: skip
    edge = ahead.last + _MOST_AHEAD
    low, high = min(ahead.low, edge), min(ahead.high, edge) if isfinite(ahead.high) else edge
    level = 100.0 * ahead.threshold
    axes.plot([low, high], [level, level], color=BLUE, linewidth=5.0, alpha=0.45, solid_capstyle="butt",
              label="meets it here: 90 % interval")  # fmt: skip
    if ahead.cycle <= edge:
        axes.plot([ahead.cycle], [level], marker="D", markersize=6.0, color=BLUE, linestyle="", label="most likely")


def draw_rinses(life: ResinLife, figure: Figure | SubFigure) -> None:
    """Water of each rinse in resin volumes, and below it the slow shares."""
    upper, lower = plots(figure, 2, 1, legend_rows=1)
    for part in Part:
        _line(upper, part, series.rinse_volumes(life.cycles, part), 1.0, _size(life))
        _line(lower, part, series.slow_shares(life.cycles, part), 100.0, _size(life))
    upper.set_ylabel("rinse water to the endpoint,\nresin volumes")
    lower.set_ylabel("slowly exchanging liquid,\n% of the resin volume")
    for axes in (upper, lower):
        axes.margins(y=0.08)
        axes.set_ylim(bottom=0.0)
        lines_across(axes)
    _cycles_axis(lower, life)
    if upper.get_legend_handles_labels()[0] or lower.get_legend_handles_labels()[0]:
        legend_below(figure, [upper, lower], 2)


def _line(axes: Axes, part: Part, values: Mapping[int, float], scale: float, size: float) -> None:
    if values:
        mark, style, colour = _LOOK[part]
        points = [(cycle, scale * values[cycle]) for cycle in sorted(values)]
        axes.plot(*_columns(points), marker=mark, markersize=size, linestyle=style, color=colour, label=f"{part} resin")


def _size(life: ResinLife) -> float:
    """Marks that do not run into each other in a long life."""
    return 4.5 if len(life.cycles) <= 60 else 1.5


def _columns(points: list[tuple[int, float]]) -> tuple[list[int], list[float]]:
    return [x for x, _ in points], [y for _, y in points]


def _cycles_axis(axes: Axes, life: ResinLife) -> None:
    first = min((f.cycle for f in life.cycles), default=1)
    last = max((f.cycle for f in life.cycles), default=1)
    ahead = life.forecast
    if isinstance(ahead, Forecast):
        far = ahead.high if isfinite(ahead.high) else ahead.cycle
        last = max(last, min(round(far + 0.5), last + _MOST_AHEAD))
    axes.set_xlim(first - 0.5, last + 0.5)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=18))
    axes.set_xlabel("cycle")
