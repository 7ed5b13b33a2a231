"""Readings that leave the filtrate smoothly, or exactly when nobody would notice: none of them ends in a stop.

The forecast follows what it reads, so none of these is a sudden step to it. Each has the sound rinse as control.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import Verdict

FLOW_ML_MIN = 200.0
TARGET_US_CM = 12.0


def _washout(volume_ml: float) -> float:
    """Mobile liquid of 300 mL and a small tail: uS/cm."""
    return 1.2 + 60_000.0 * math.exp(-volume_ml / 300.0) + 10.0 * math.exp(-volume_ml / 1500.0)


def _dries(volume_ml: float) -> float:
    """From 1,400 mL on a film of filtrate dries on the lifted probe, twice as fast as the bed was washed out."""
    return _washout(min(volume_ml, 1400.0)) * math.exp(-max(volume_ml - 1400.0, 0.0) / 150.0)


def _runs_in(volume_ml: float) -> float:
    """From 1,400 mL on feed water of 9 uS/cm runs into the beaker the probe stands in."""
    share = math.exp(-max(volume_ml - 1400.0, 0.0) / 250.0)
    return 9.0 * (_washout(volume_ml) / 9.0) ** share


def _stops(bench: Any, display: Any, curve: Callable[[float], float], seconds: float) -> list[float]:
    """True filtrate over the target at each stop."""
    noise = np.random.default_rng(5)
    shown = display(unit="uS/cm", decimals=1, top=20_000.0)
    rows = bench.flow_rows(lambda v: curve(v) * math.exp(0.01 * noise.standard_normal()), shown, FLOW_ML_MIN, seconds)
    states = bench.watch(bench.setup(flow_ml_min=FLOW_ML_MIN), rows)
    return [_washout(s.rinse_ml) / TARGET_US_CM for s in states if s.verdict is Verdict.STOP]


@pytest.mark.parametrize("slide", [_dries, _runs_in])
def test_a_slide_in_flow_is_no_stop(bench: Any, display: Any, slide: Callable[[float], float]) -> None:
    """It falls below the target while the filtrate is still at more than three times it."""
    assert slide(2150.0) < TARGET_US_CM < _washout(2150.0) / 3.0
    assert _stops(bench, display, slide, 645.0) == []


def test_the_sound_rinse_in_flow_stops(bench: Any, display: Any) -> None:
    ratios = _stops(bench, display, _washout, 1500.0)
    assert ratios and max(ratios) < 1.15


def _steep(volume_ml: float) -> float:
    """The liquor leaves as a front steeper than usual beds', with a long weak tail behind: uS/cm."""
    front = 145_000.0 * min(math.exp((400.0 - volume_ml) / 40.0), 1.0)
    return 1.9 + front + 1500.0 * math.exp(-volume_ml / 900.0)


def test_a_front_steeper_than_foreseen_is_no_end_to_the_forecast(bench: Any, display: Any) -> None:
    """Read seldom, it falls below the forecast between two readings; going on like a washout it is believed again."""
    rows = bench.flow_rows(_steep, display(), FLOW_ML_MIN, 2400.0, period_s=6.0)
    endpoint = Endpoint.parse("3 uS/cm", 0.5)
    states = bench.watch(bench.setup(flow_ml_min=FLOW_ML_MIN, endpoint=endpoint), rows)
    doubted = [s for s in states if s.verdict is Verdict.CHECK]
    assert doubted, "or it shows nothing"
    first = bench.first_stop(states)
    assert first is not None
    assert _steep(states[first].rinse_ml) < 1.15 * 3.0


def _into(water_us_cm: float, from_ml: float) -> Callable[[float], float]:
    """The probe moved into another water."""
    return lambda volume_ml: _washout(volume_ml) if volume_ml < from_ml else water_us_cm


@pytest.mark.parametrize("above", [1.45, 1.6])
def test_water_that_reads_as_the_target_is_no_stop_on_a_whole_ppm_pen_in_flow(
    bench: Any, display: Any, above: float
) -> None:
    """The probe is moved there a little before the endpoint: too small a step to be seen in whole ppm at once."""
    target, noise = 6.0, np.random.default_rng(7)
    from_ml = next(v for v in np.arange(1000.0, 6000.0, 10.0) if _washout(v) < above * target)
    curve = _into(target, float(from_ml))

    def noisy(volume_ml: float) -> float:
        return curve(volume_ml) * math.exp(0.02 * noise.standard_normal())

    rows = bench.flow_rows(noisy, display(), FLOW_ML_MIN, 1300.0)
    endpoint = Endpoint.parse("6 uS/cm", 0.5)
    states = bench.watch(bench.setup(flow_ml_min=FLOW_ML_MIN, endpoint=endpoint), rows)
    first = bench.first_stop(states)
    assert first is not None
    assert _washout(states[first].rinse_ml) < 1.15 * target


def _leaking_rows(bench: Any, rng: np.random.Generator, portions: int) -> tuple[list[Row], list[float]]:
    """Portions of 120 s in each of which the reading doubles, as slow liquid leaks; true levels when drained."""
    rows, levels = [], []
    for n in range(1, portions + 1):
        drained = 1.2 + 60_000.0 * 0.6**n
        levels.append(drained)
        rows.append(Row(120.0 * (n - 1), 250.0 * n, event="portion"))
        for after in range(4, 120, 4):
            us_cm = drained * 0.5 ** (1.0 - after / 120.0) * math.exp(0.01 * rng.standard_normal())
            rows.append(Row(120.0 * (n - 1) + after, 250.0 * n, *_transmitter(us_cm)))
    return rows, levels


def _transmitter(us_cm: float) -> tuple[Any, ...]:
    """Mark, reading, unit and decimals."""
    return (Mark.VALUE, round(us_cm, 1), "uS/cm", 1) if us_cm < 20_000.0 else (Mark.OVER, None, "uS/cm")


def test_a_probe_moved_into_another_vessel_at_a_pour_is_no_stop(bench: Any) -> None:
    """For one portion it stands in water of 11 uS/cm, where such a filtrate might read soon after the pour."""
    rows, levels = _leaking_rows(bench, np.random.default_rng(3), 20)
    first = next(n for n, level in enumerate(levels, start=1) if level < 1.7 * TARGET_US_CM)
    assert levels[first - 1] > 1.2 * TARGET_US_CM
    away = [replace(row, reading=11.0) if row.has_reading and row.rinse_ml == 250.0 * first else row for row in rows]
    states = bench.watch(bench.setup(), away)
    wrong = [s for s in states if s.verdict is Verdict.STOP and s.rinse_ml == 250.0 * first]
    assert wrong == []
    assert bench.first_stop(states) is not None, "and the rinse stops once the probe is back"


def test_the_same_portions_without_the_other_vessel_stop(bench: Any) -> None:
    rows, levels = _leaking_rows(bench, np.random.default_rng(3), 20)
    states = bench.watch(bench.setup(), rows)
    stop = bench.first_stop(states)
    assert stop is not None
    assert levels[round(states[stop].rinse_ml / 250.0) - 1] < 1.15 * TARGET_US_CM
