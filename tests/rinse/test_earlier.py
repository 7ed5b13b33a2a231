"""Forecasts kept to judge later readings by: which of them speak where, and what they say together."""

from __future__ import annotations

import numpy as np
import pytest

from rinsewatch.rinse.earlier import KEPT, LEAST_HEARD, LEAST_JUDGES, EarlierForecasts


def _kept(*lows: float, speaks_from_ml: float = 100.0, reach_ml: float = 1000.0) -> EarlierForecasts:
    """Forecasts made at 0 mL that fall by half a litre to half their low end; medians twice the low end."""
    earlier = EarlierForecasts()
    volumes = np.array([0.0, 500.0, reach_ml])
    for low in lows:
        fall = low * np.array([1.0, 0.5, 0.25])
        earlier.add(speaks_from_ml, volumes, fall, 2.0 * fall)
    return earlier


def test_nothing_is_said_before_there_are_some() -> None:
    """A few forecasts may be off: they say nothing together, but the newest can still be carried on."""
    assert EarlierForecasts().low_us_cm(500.0) == 0.0
    assert EarlierForecasts().last_low_us_cm(500.0) is None
    few = _kept(*[80.0] * (LEAST_JUDGES - 1))
    assert few.low_us_cm(500.0) == 0.0
    assert _kept(*[80.0] * (LEAST_HEARD - 1)).likely_us_cm(500.0) == 0.0
    assert few.last_low_us_cm(500.0) == pytest.approx(40.0)


def test_the_median_speaks_so_that_two_wild_forecasts_do_not() -> None:
    earlier = _kept(4000.0, 4000.0, 80.0, 82.0, 80.0)
    assert earlier.low_us_cm(500.0) == pytest.approx(41.0)
    assert earlier.low_us_cm(500.0, share=1.0) == pytest.approx(2000.0)


def test_a_forecast_speaks_from_its_volume_on_and_as_far_as_it_reaches() -> None:
    earlier = _kept(*[80.0] * LEAST_JUDGES, speaks_from_ml=300.0)
    assert earlier.low_us_cm(299.0) == 0.0
    assert earlier.low_us_cm(300.0) == pytest.approx(80.0 * 0.7)
    assert earlier.low_us_cm(1001.0) == 0.0


def test_likely_lies_between_the_low_end_and_the_median() -> None:
    """sqrt(40 x 80)."""
    assert _kept(80.0, 80.0, 80.0).likely_us_cm(500.0) == pytest.approx(56.57, abs=0.01)


def test_a_persons_word_or_a_rest_clears_them() -> None:
    earlier = _kept(*[80.0] * LEAST_JUDGES)
    earlier.clear()
    assert earlier.low_us_cm(500.0) == 0.0 and earlier.likely_us_cm(500.0) == 0.0


def test_their_number_is_bounded_and_the_oldest_go_first() -> None:
    earlier = _kept(*[4000.0] * 5, *[80.0] * KEPT)
    assert earlier.low_us_cm(500.0, share=1.0) == pytest.approx(40.0)
