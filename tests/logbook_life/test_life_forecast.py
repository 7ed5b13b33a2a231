"""The forecast of the discard threshold: on lines that are known, with scatter, and when there is none."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from math import inf

import numpy as np
import pytest

from rinsewatch.logbook.life.capacity import CycleFigures, cycle_figures
from rinsewatch.logbook.life.forecast import Forecast, NotIdentified, forecast
from rinsewatch.logbook.life.records import History, Resin, ServiceRun
from rinsewatch.logbook.life.words import forecast_sentence

BEGIN = date(2024, 1, 1)


def figures_of(shares: list[float], days: int = 30) -> tuple[CycleFigures, ...]:
    runs = [
        ServiceRun(cycle=i, litres=2000.0 * s, feed_us_cm=20.0, installed=BEGIN + timedelta(days=days * i))
        for i, s in enumerate(shares, 1)
    ]
    return cycle_figures(History(resin=Resin(name="b", resin_ml=1000.0), runs=tuple(runs)))


def made(shares: list[float], threshold: float = 0.7) -> Forecast:
    found = forecast(figures_of(shares), None, threshold)
    assert isinstance(found, Forecast)
    return found


def test_an_exact_line_is_continued_to_its_cycle_and_day() -> None:
    found = made([1.04 - 0.02 * i for i in range(9)])  # the first five have the median 1.00
    assert found.cycle == pytest.approx(18.0, abs=1e-6)
    # By hand: usual scatter 0.10 as if six cycles had shown it, nine showed none: variance 6 x 0.01 / 15 = 0.004. Level
    # of nine and first level of five, at 0.7 of it: 1.645 x 1.2533 x sqrt(0.004 (1/9 + 0.49/5)) = 0.0596 = 2.98 cycles.
    assert (found.low, found.high) == pytest.approx((18.0 - 2.98, 18.0 + 2.98), abs=0.02)
    assert found.day == BEGIN + timedelta(days=30 * 18)
    assert "falls below 70 %" in forecast_sentence(found) and "cycle 18" in forecast_sentence(found)


def test_a_line_already_below_says_so() -> None:
    found = made([1.1 - 0.05 * i for i in range(12)])
    assert found.cycle < found.last
    assert "has probably fallen" in forecast_sentence(found)


def test_scatter_without_a_trend_is_not_identified() -> None:
    found = forecast(figures_of([1.0, 0.97, 1.04, 0.99, 1.02, 0.98, 1.01]), None, 0.7)
    assert isinstance(found, NotIdentified)
    assert "may be nothing at all" in found.reason


def test_too_few_and_rising_are_not_identified() -> None:
    few = forecast(figures_of([1.0, 0.9, 0.8]), None, 0.7)
    rising = forecast(figures_of([1.0 + 0.03 * i for i in range(8)]), None, 0.7)
    assert isinstance(few, NotIdentified) and "3 cycles that count; a trend needs four" in few.reason
    assert isinstance(rising, NotIdentified) and "rises" in rising.reason


def test_runs_without_dates_give_a_cycle_but_no_day() -> None:
    bare = tuple(replace(f, installed=None) for f in figures_of([1.04 - 0.02 * i for i in range(9)]))
    found = forecast(bare, None, 0.7)
    assert isinstance(found, Forecast) and found.day is None
    assert "dates are missing" in forecast_sentence(found)


def test_a_far_end_is_open() -> None:
    """A trend just told from none: its slow end crosses beyond all that is worth saying."""
    wobble = [0.0, 0.01, -0.01, 0.005, -0.005, 0.01, -0.01, 0.0, 0.005, -0.005]
    found = made([1.0 - 0.004 * i + w for i, w in enumerate(wobble)], 0.3)
    assert 100 < found.cycle < 250 and found.high == inf
    assert "no end in sight" in forecast_sentence(found)
    slower = forecast(figures_of([1.0 - 0.0005 * i for i in range(10)]), None, 0.3)
    assert isinstance(slower, NotIdentified) and "not within 200 cycles" in forecast_sentence(slower)


def test_the_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    """A line of 3 % a cycle, scatter 7 %: the true crossing is known. Too narrow a band must fail."""
    rng = np.random.default_rng(2)
    held, narrow = [], []
    for _ in range(150):
        shares = (1.0 - 0.03 * np.arange(12)) * np.exp(0.07 * rng.standard_normal(12))
        found = forecast(figures_of(shares.tolist()), None, 0.7)
        if isinstance(found, Forecast):
            # The median of the first five is 0.94 of the start: so much lower lies the threshold.
            truth = 1.0 + (1.0 - 0.7 * 0.94) / 0.03
            held.append(found.low <= truth <= found.high)
            narrow.append(abs(found.cycle - truth) <= 0.2 * (found.high - found.low) / 2.0)
    assert len(held) > 120
    assert 0.82 <= np.mean(held) <= 1.0
    assert np.mean(narrow) < 0.6
