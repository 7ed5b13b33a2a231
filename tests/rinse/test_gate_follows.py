"""Refused readings that go where the last forecast went: a front steeper than the usual ones, not a fault."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rinsewatch.rinse.earlier import EarlierForecasts
from rinsewatch.rinse.gate import FOLLOWED, Cause, Expectation, Gate
from rinsewatch.rinse.spans import Span

# What was forecast long before lies above all of it, so the fall alone proves nothing.
HELD = Expectation(900.0, 1100.0, True, True, False, comes_down=False, proof_low_us_cm=math.inf)
STEP = 0.3  # e-folds from one reading to the next
ENOUGH = math.ceil(FOLLOWED / STEP)  # readings after the first


def _ends(shown: Callable[[float], float], *, carried: bool = True) -> int | None:
    """Which reading ends the hold; ``shown`` over e-folds. The forecast falls from 500 uS/cm, 10 % to either side."""
    gate = Gate()
    for n in range(40):
        middle, value = 500.0 * math.exp(-STEP * n), shown(STEP * n)
        band = (0.9 * middle, middle, 1.1 * middle) if carried else None
        expected = replace(HELD, carried_band_us_cm=band)
        if gate.assess(Span(value, value, value, 0.0), 10.0 * n, 0.3 * n, expected).rejoined:
            return n
        assert gate.held is Cause.LOW
    return None


def test_readings_within_the_forecast_far_enough_down_are_believed() -> None:
    assert _ends(lambda e: 460.0 * math.exp(-e)) == ENOUGH
    assert _ends(lambda e: 460.0 * math.exp(-e), carried=False) is None


def test_one_reading_outside_begins_the_count_anew() -> None:
    odd = 4 * STEP
    for wrong in (400.0, 600.0):
        ends = _ends(lambda e, wrong=wrong: (wrong if e == odd else 500.0) * math.exp(-e))  # type: ignore[misc]
        assert ends == 5 + ENOUGH


@pytest.mark.parametrize("rate", [0.0, 0.9, 1.1, 2.0])
def test_a_vessel_stands_still_and_a_film_dries_at_a_rate_of_its_own(rate: float) -> None:
    """A tenth more or less than forecast leaves the band within an e-fold or two."""
    assert _ends(lambda e: 500.0 * math.exp(-rate * e)) is None


def test_the_newest_forecast_is_carried_as_far_as_it_reaches() -> None:
    earlier = EarlierForecasts()
    assert earlier.last_band_us_cm(0.0) is None
    for low in (900.0, 80.0):
        earlier.add(0.0, np.array([0.0, 500.0]), np.array([low, low / 2.0]), np.array([1.25 * low, 0.625 * low]))
    assert earlier.last_band_us_cm(500.0) == pytest.approx((40.0, 50.0, 62.5))
    assert earlier.last_band_us_cm(501.0) is None


def test_the_newest_of_several_is_asked_at_its_last_place() -> None:
    """Each of its own reach: 300, 700, 500 mL; its low end 25 there."""
    earlier = EarlierForecasts()
    for reach, low in ((300.0, 100.0), (700.0, 50.0), (500.0, 25.0)):
        places = np.array([0.0, 200.0, reach])
        earlier.add(0.0, places, low * np.array([4.0, 2.0, 1.0]), 2.0 * low * np.array([4.0, 2.0, 1.0]))
    assert earlier.last_band_us_cm(500.0) == pytest.approx((25.0, 50.0, 100.0))
    assert earlier.last_band_us_cm(200.0) == pytest.approx((50.0, 100.0, 200.0))
    assert earlier.last_band_us_cm(501.0) is None
