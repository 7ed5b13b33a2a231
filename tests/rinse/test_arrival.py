"""Through a slow filter the probe goes on showing the portion before until something new has come to it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse.arrival import Arrival
from rinsewatch.rinse.portions import PortionBelief
from rinsewatch.rinse.rhythm import Rhythm
from rinsewatch.rinse.row import Row
from rinsewatch.rinse.settle import PortionWindow
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.state import Verdict
from rinsewatch.rinse.verdict import WAITS

PORTION_ML, PACE_S, LAG_S, PERIOD_S = 250.0, 120.0, 6.0, 3.0
OVER = Span(math.inf, 19_980.0, math.inf, 2.0)


def _span(us_cm: float) -> Span:
    return Span(us_cm, us_cm - 1.0, us_cm + 1.0, 2.0)


def _window(*us_cm: float) -> PortionWindow:
    window = PortionWindow()
    for i, value in enumerate(us_cm):
        window.add(30.0 + i, _span(value))
    return window


@pytest.mark.parametrize(("reading", "moved"), [(100.0, False), (96.0, False), (90.0, True), (110.0, True)])
def test_what_reads_as_before_waits(reading: float, moved: bool) -> None:
    """Within the display's step and 4 % of where the portion before ended it may be the old filtrate."""
    arrival = Arrival(_window(100.0, 100.0, 100.0), typed=False)
    window = arrival.hear(10.0, _span(reading), due_s=60.0)
    assert (window is not None) is moved is not arrival.waits


def test_it_counts_when_the_portion_is_due() -> None:
    """On a plateau new filtrate reads as the old: then all that was read of it counts."""
    arrival = Arrival(_window(100.0), typed=False)
    assert all(arrival.hear(after_s, _span(100.0), due_s=60.0) is None for after_s in (10.0, 30.0, 50.0))
    window = arrival.hear(60.0, _span(100.0), due_s=60.0)
    assert window is not None and window.count == 3 and not arrival.waits


def test_before_the_first_reading_there_was_liquor() -> None:
    first = Arrival(PortionWindow(), typed=False)
    assert first.hear(5.0, OVER, due_s=60.0) is None
    assert first.hear(9.0, _span(5000.0), due_s=60.0) is not None


def test_a_typed_reading_counts_at_once() -> None:
    assert not Arrival(_window(100.0), typed=True).waits


@pytest.mark.parametrize(("usual_s", "doubted"), [(3.0, True), (70.0, False)])
def test_much_later_than_ever_before_it_may_be_another_water(bench: Any, usual_s: float, doubted: bool) -> None:
    """At 70 of 120 s the reading falls, somewhat below what is likely; in those before it did after ``usual_s``."""
    belief = PortionBelief(bench.setup(resin_ml=1010.0, portion_ml=1900.0), 0.5)
    before = 1300.0
    for n, us_cm in enumerate((880.0, 620.0, 440.0, 310.0, 220.0, 155.0, 100.0)):
        last = n == 6
        belief.pour(1900.0, 120.0 * n)
        for i in range(1, 119):
            belief.take(_span(us_cm if i > (70.0 if last else usual_s) else before), 120.0 * n + i)
        before = us_cm
    assert belief.doubts is doubted


def _rows(bench: Any, display: Any, make_bed: Any, late_s: float) -> tuple[list[float], list[Row]]:
    """Each portion shows the one before for ``late_s``, then settles with a lag."""
    levels = bench.levels(make_bed(uneven=0.02), 22, np.random.default_rng(4), PORTION_ML, PACE_S)
    rows: list[Row] = []
    shown = levels[0]
    for n, level in enumerate(levels[1:], start=1):
        begin = (n - 1) * PACE_S
        rows.append(Row(begin, n * PORTION_ML, event="portion"))
        for after in np.arange(PERIOD_S, PACE_S, PERIOD_S).tolist():
            if after > late_s:
                shown = level + (shown - level) * math.exp(-PERIOD_S / LAG_S)
            rows.append(display.row(begin + after, n * PORTION_ML, shown))
    return levels, rows


@pytest.mark.parametrize("late_s", [0.0, 25.0, 45.0])
def test_nobody_is_asked_because_the_filter_is_slow(bench: Any, display: Any, make_bed: Any, late_s: float) -> None:
    """From over range to the endpoint."""
    levels, rows = _rows(bench, display("ppm", 0, 999.0), make_bed, late_s)
    states = bench.watch(bench.setup(endpoint=Endpoint.parse("30 uS/cm", 0.5), top_us_cm=1998.0), rows)
    assert not [s for s in states if s.verdict is Verdict.CHECK]
    assert any(s.reason == WAITS for s in states) is (late_s > 0.0)
    stop = bench.first_stop(states)
    assert stop is not None
    portion = round(states[stop].rinse_ml / PORTION_ML)
    end = next(n for n, level in enumerate(levels) if level <= 30.0)
    assert end <= portion <= end + 1


def _at_once(self: Arrival, after_s: float, span: Span, due_s: float) -> PortionWindow:
    self.waits = False
    return PortionWindow()


def test_taken_at_once_somebody_is_asked(
    bench: Any, display: Any, make_bed: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The control: each reading counts from the pour on, and what comes down then looks like another vessel."""
    monkeypatch.setattr(Arrival, "hear", _at_once)
    _, rows = _rows(bench, display("ppm", 0, 999.0), make_bed, 45.0)
    states = bench.watch(bench.setup(endpoint=Endpoint.parse("30 uS/cm", 0.5), top_us_cm=1998.0), rows)
    assert [s for s in states if s.verdict is Verdict.CHECK]


@pytest.mark.parametrize("late_s", [80.0, 95.0])
def test_nobody_is_asked_though_it_comes_after_a_portion_is_due(
    bench: Any, display: Any, make_bed: Any, late_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stirred with the outlet shut, a portion of two minutes runs out in its last third: until then nothing is new."""
    levels, rows = _rows(bench, display("ppm", 0, 999.0), make_bed, late_s)
    setup = bench.setup(endpoint=Endpoint.parse("30 uS/cm", 0.5), top_us_cm=1998.0)
    states = bench.watch(setup, rows)
    assert not [s for s in states if s.verdict is Verdict.CHECK]
    stop = bench.first_stop(states)
    end = next(n for n, level in enumerate(levels) if level <= 30.0)
    assert stop is not None and end <= round(states[stop].rinse_ml / PORTION_ML) <= end + 2
    # The control: taken for the new portion as soon as that is due, and what comes after it for another vessel.
    monkeypatch.setattr(Rhythm, "waits_s", Rhythm.due_s)
    assert [s for s in bench.watch(setup, rows) if s.verdict is Verdict.CHECK]


def test_no_stop_on_one_reading_of_a_portion_that_is_logged(
    bench: Any, display: Any, make_bed: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A beaker just emptied shows 0 once or twice before it is full again: it takes ten seconds of readings."""
    levels, rows = _rows(bench, display("ppm", 0, 999.0), make_bed, 0.0)
    setup = bench.setup(endpoint=Endpoint.parse("30 uS/cm", 0.5), top_us_cm=1998.0)
    end_ml = PORTION_ML * next(n for n, level in enumerate(levels) if level <= 30.0)
    of_end = [row for row in rows if row.rinse_ml == end_ml]
    rows = [row for row in rows if row.rinse_ml is not None and row.rinse_ml < end_ml] + [of_end[0], of_end[-2]]
    assert bench.first_stop(bench.watch(setup, rows)) is None
    monkeypatch.setattr(PortionWindow, "lasted_s", PACE_S)  # the control
    assert bench.first_stop(bench.watch(setup, rows)) is not None
