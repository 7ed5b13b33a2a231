"""A probe that hangs in air for a while on a display of coarse steps: its zeros lie within the display's room, no fault
is called, and yet the filtrate is well above zero."""

from __future__ import annotations

import math
from typing import Any

from rinsewatch.rinse.row import Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import Verdict

EFOLD_ML = 180.0
AIR_ML = (1220.0, 1350.0)  # 3.8 down to 2.1 uS/cm: the display of whole ppm (2 uS/cm) would show 2, then 1


def _curve(volume_ml: float) -> float:
    return 0.4 + 3000.0 * math.exp(-volume_ml / EFOLD_ML)


def _rinse(bench: Any, display: Any, curve: Any, seconds: float) -> list[Row]:
    rows: list[Row] = bench.flow_rows(curve, display(), 100.0, seconds, 1.0)
    return rows


def _setup(bench: Any) -> Any:
    return bench.setup(
        flow_ml_min=100.0, endpoint=Endpoint.parse("zero", 0.5), rinse_water_us_cm=0.0, rinse_water_step_us_cm=2.0
    )


def _in_air(volume_ml: float) -> float:
    return 0.0 if AIR_ML[0] <= volume_ml <= AIR_ML[1] else _curve(volume_ml)


def test_zeros_long_before_the_forecast_teach_nothing(bench: Any, display: Any) -> None:
    """The forecast goes on as if nothing had been read, and is right, there and when the probe is back."""
    rows = _rinse(bench, display, _in_air, 840.0)
    assert sum(row.reading == 0.0 for row in rows if row.rinse_ml is not None and row.rinse_ml < AIR_ML[1]) > 60
    states = bench.watch(_setup(bench), rows)
    assert all(s.verdict is not Verdict.STOP for s in states), "the rinse is not there yet"
    for after_ml in (-5.0, 20.0, 45.0):
        state = next(s for s in states if s.rinse_ml >= AIR_ML[1] + after_ml)
        assert state.filtrate is not None
        low, mid, high = state.filtrate.low, state.filtrate.mid, state.filtrate.high
        true = _curve(state.rinse_ml)
        assert low < true < high and abs(math.log(mid / true)) < 0.1


def test_zeros_that_were_foreseen_end_the_rinse(bench: Any, display: Any) -> None:
    """The control: on a display that hides the target they are what bears the forecast out, and soon."""
    states = bench.watch(_setup(bench), _rinse(bench, display, _curve, 1500.0))
    stop = bench.first_stop(states)
    assert stop is not None
    true_end_ml = EFOLD_ML * math.log(3000.0 / 0.6)  # the target is 1 uS/cm, half a step
    assert true_end_ml - 0.1 * EFOLD_ML < states[stop].rinse_ml < true_end_ml + EFOLD_ML
