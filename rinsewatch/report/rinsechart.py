"""The two pictures of a rinse: the curve, and the forecasts as they stood."""

from __future__ import annotations

from collections.abc import Iterable

from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure

from rinsewatch.report.figures import BLUE, GREY, ORANGE, legend_below, log_axis, plots
from rinsewatch.report.numbers import litres, number
from rinsewatch.report.story import Moment, Story
from rinsewatch.report.thin import STRIPS, Point, thinned
from rinsewatch.rinse.state import Interval

_LITRE_ML = 1000.0
_SHARE_WORDS = {0.25: "a quarter", 0.5: "half", 0.75: "three quarters"}


def draw_curve(story: Story, figure: Figure | SubFigure) -> None:
    """Readings, the filtrate worked out from them, target, floor, and where it said stop."""
    (axes,) = plots(figure, 1, 1, legend_rows=3)
    low, high = _range_us_cm(story)
    log_axis(axes, low, high)
    _readings(axes, story, low, high)
    ends = [(step.state.rinse_ml, step.state.filtrate) for step in story.steps]
    known = [(ml, filtrate) for ml, filtrate in ends if filtrate is not None]
    if known:
        _estimates(axes, known)
    _levels(axes, story, low, high)
    axes.set_xlim(0.0, max(story.last.rinse_ml * 1.03, 0.1 * story.setup.resin_ml) / _LITRE_ML)
    _axes_words(axes)
    legend_below(figure, [axes], 3)


def _estimates(axes: Axes, known: list[tuple[float, Interval]]) -> None:
    below = [max(f.mid - f.low, 0.0) for _, f in known]
    above = [max(f.high - f.mid, 0.0) for _, f in known]
    axes.errorbar(
        *_xy((ml, f.mid) for ml, f in known), yerr=[below, above], color=BLUE, linestyle="-", capsize=2.5,
        linewidth=1.1, label="filtrate, estimated (5 to 95 %)",
    )  # fmt: skip


def _readings(axes: Axes, story: Story, low: float, high: float) -> None:
    readings = story.readings
    edge = low * (high / low) ** 0.02
    shown = [(x, y) for x, y in readings.good if y > low]
    zeros = [(x, edge) for x, y in readings.good if y <= low] + [(x, edge) for x in readings.under_ml]
    bad = [(x, max(y, edge)) for x, y in readings.bad]
    _dots(axes, shown, ".", "reading", color="black", markersize=3.5)
    _dots(axes, bad, "x", "reading not believed", strips=60, color=ORANGE)
    _dots(axes, readings.struck, "P", "reading taken back", markerfacecolor="none", color=GREY)
    top = high / (high / low) ** 0.02
    over = [(x, top) for x in readings.over_ml]
    _dots(axes, over, "^", "over range", strips=20, markerfacecolor="none", color="black")
    _dots(axes, zeros, "v", "zero or under range", strips=20, markerfacecolor="none", color="black")


def _dots(axes: Axes, points: list[Point], mark: str, label: str, *, strips: int = STRIPS, **look: object) -> None:
    if points:
        kept = sorted(set(thinned(points, strips)))
        settings = {"markersize": 5.0, **look}
        axes.plot(*_xy(kept), linestyle="", marker=mark, label=label, **settings)  # type: ignore[arg-type]


def _xy(points: Iterable[Point]) -> tuple[list[float], list[float]]:
    pairs = list(points)
    return [x / _LITRE_ML for x, _ in pairs], [y for _, y in pairs]


def _levels(axes: Axes, story: Story, low: float, high: float) -> None:
    """Target, floor, stop."""
    target, floor = story.last.target_us_cm, story.last.floor_us_cm
    if target is not None and low < target < high:
        axes.axhline(target, color="black", linestyle="--", linewidth=1.0, label=f"target, {number(target)} µS/cm")
    if floor is not None and story.last.filtrate is not None and low < floor < high:
        axes.axhline(floor, color=GREY, linestyle="-.", linewidth=1.0, label=f"floor, {number(floor)} µS/cm")
    if story.stop is not None:
        at = story.stop.rinse_ml
        label = f"stop announced, {litres(at)}"
        axes.axvline(at / _LITRE_ML, color="black", linestyle=":", linewidth=1.4, label=label)


def _range_us_cm(story: Story) -> tuple[float, float]:
    """The axis: all readings and levels, with room above for what was over range, whole halves of decades."""
    readings = [y for _, y in (*story.readings.good, *story.readings.bad) if y > 0.0]
    estimates = [f.low for step in story.steps if (f := step.state.filtrate) is not None]
    levels = [v for v in (story.last.target_us_cm, story.last.floor_us_cm) if v]
    every = [*readings, *estimates, *levels, story.setup.top_us_cm or 0.0]
    positive = [v for v in every if v > 0.0] or [1.0, 1e4]
    low = max(min(positive), 0.01)
    return low / 2.0, max(max(positive) * 2.5, low * 10.0)


def draw_forecasts(story: Story, figure: Figure | SubFigure) -> None:
    """A panel for each chosen time: the band as it stood there, and the filtrate that then came."""
    panels = plots(figure, 1, len(story.moments), legend_rows=2, titled=True)
    low, high = _range_us_cm(story)
    for axes, moment in zip(panels, story.moments, strict=True):
        log_axis(axes, low, high)
        _panel(axes, story, moment)
        axes.set_xlabel("rinse water, L")
    farthest_ml = max(moment.band[-1][0] for moment in story.moments)
    far_ml = max(story.last.rinse_ml, min(farthest_ml, 1.5 * story.last.rinse_ml))
    panels[0].set_xlim(0.0, far_ml / _LITRE_ML * 1.03)
    panels[0].set_ylabel("µS/cm at 25 °C")
    legend_below(figure, panels, 3)


def _panel(axes: Axes, story: Story, moment: Moment) -> None:
    now_ml = moment.state.rinse_ml
    ml = [row[0] / _LITRE_ML for row in moment.band]
    low, high = [row[1] for row in moment.band], [row[3] for row in moment.band]
    axes.fill_between(ml, low, high, facecolor="#dddddd", edgecolor=GREY, linewidth=0.6, label="forecast, 5 to 95 %")
    axes.plot(ml, [row[2] for row in moment.band], color=BLUE, linestyle="--", label="forecast, median")
    ends = [(s.state.rinse_ml, s.state.filtrate.mid) for s in story.steps if s.state.filtrate is not None]
    before, after = [p for p in ends if p[0] <= now_ml + 1e-6], [p for p in ends if p[0] > now_ml + 1e-6]
    axes.plot(*_xy(before), linestyle="", marker="o", markersize=3.5, color="black", label="filtrate before")
    axes.plot(*_xy(after), linestyle="", marker="D", markersize=3.5, markerfacecolor="white", color="black",
              label="filtrate that came after")  # fmt: skip
    if moment.state.target_us_cm:
        axes.axhline(moment.state.target_us_cm, color="black", linestyle="--", linewidth=1.0, label="target")
    axes.axvline(now_ml / _LITRE_ML, color=GREY, linewidth=1.0, linestyle=":", label="the forecast was made here")
    axes.set_title(f"after {_SHARE_WORDS[moment.share]}: {litres(now_ml)}")


def _axes_words(axes: Axes) -> None:
    axes.set_xlabel("rinse water poured, L")
    axes.set_ylabel("conductivity, µS/cm at 25 °C (logarithmic)")
