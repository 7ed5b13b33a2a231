"""Refused readings that go where the last forecast went: a front steeper than the usual ones, not a fault."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rinsewatch.cli import bench_fault_laid as laid
from rinsewatch.cli.bench_fault_campaign import play_laid
from rinsewatch.rinse.earlier import EarlierForecasts
from rinsewatch.rinse.flow import FlowBelief
from rinsewatch.rinse.gate import FOLLOWED, Cause, Expectation, Gate
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
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


def test_places_widen_while_nothing_is_believed() -> None:
    """What is believed of the front says nothing of the tail behind it, which may be a hundred times as slow."""
    setup = RinseSetup(
        residue=Residue.NAOH, resin_ml=1000.0, endpoint=Endpoint.parse("12 uS/cm", 0.5), flow_ml_min=60.0
    )
    places = []
    for believed in (True, False):
        belief = FlowBelief(setup, 1.0)
        belief.move(1.0, 1.0)
        for n in range(1, 5001):
            belief.move(10.0 * n, 10.0 * n)
            if believed:
                belief.take(Span(9e9, 9e9, math.inf, 0.0), 10.0 * n)  # over range: the belief stays what it was
        places.append(belief.place)
    assert places[1] < 60.0 < places[0]
    assert places[1] > 20.0, "a third of an e-fold, and then a tenth more each"


@pytest.mark.parametrize("seed", [156, 552])
def test_sound_rinses_with_a_steep_front_stop_unasked(seed: int) -> None:
    """23 and 11 mixed cells: both were held for ever, from 23 times the target down and from the first reading on."""
    played = play_laid(laid.clean, seed)
    assert played.delay_s is not None and not played.false
