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


def test_between_what_was_kept_they_read_as_numpy_does() -> None:
    """Lines between places, their ends beyond; medians and shares of many: numpy's interp and quantile."""
    rng = np.random.default_rng(5)
    for count in (LEAST_JUDGES, 6, KEPT):
        earlier, places, lows = EarlierForecasts(), [], []
        for _ in range(count):
            places.append(np.sort(rng.uniform(0.0, 800.0, 8)))
            lows.append(np.sort(rng.uniform(1.0, 90.0, 8))[::-1])
            places[-1][-1] = 900.0
            earlier.add(0.0, places[-1], lows[-1], lows[-1])
        for at_ml in (0.0, 130.0, float(places[0][3]), 899.0, 900.0):
            there = [np.interp(at_ml, x, y) for x, y in zip(places, lows, strict=True)]
            assert earlier.last_low_us_cm(at_ml) == pytest.approx(there[-1], rel=1e-12)
            assert earlier.likely_us_cm(at_ml) == pytest.approx(np.median(there), rel=1e-12)
            for share in (0.0, 0.3, 0.5, 0.75, 1.0):
                assert earlier.low_us_cm(at_ml, share) == pytest.approx(np.quantile(there, share), rel=1e-12)
