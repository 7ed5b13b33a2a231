"""A rinse in flow that stood still, overnight or for minutes: what follows, on the cells themselves (scipy's expm)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import expm

from rinsewatch.rinse import flow
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, EndpointKind, Residue, RinseSetup
from rinsewatch.rinse.state import Verdict
from tests.rinse.columns import Column, MixedCells

RESIN_ML, FLOW_ML_S, FLOOR_US_CM, TARGET_US_CM = 500.0, 1.5, 0.6, 3.0


@pytest.mark.parametrize(("cells", "rest_h"), [(3, 2.0), (5, 8.0), (12, 1.0), (22, 0.06)])
def test_after_a_night_the_rinse_is_neither_given_up_nor_stopped_early(cells: int, rest_h: float) -> None:
    _rinse_with_a_rest(cells, rest_h)


@pytest.mark.parametrize(("cells", "rest_h"), [(5, 0.04), (22, 0.065)])
def test_a_rest_of_minutes_is_one(cells: int, rest_h: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: taken for none, what leaked in it is held for another vessel, and nothing stops in time."""
    _rinse_with_a_rest(cells, rest_h)
    monkeypatch.setattr(flow, "IDLE_S", 240.0)
    with pytest.raises(AssertionError):
        _rinse_with_a_rest(cells, rest_h)


def _rinse_with_a_rest(cells: int, rest_h: float) -> None:
    """A fine meter reads the cells' own strength; asked in the middle of what is left, the forecast's
    interval holds the end."""
    period_s, column = 4.0, MixedCells(Column(cells, 0.4 * RESIN_ML, 0.2, 3e-3, FLOW_ML_S))
    flowing, still = (expm(rates * s) for rates, s in ((column.flowing, period_s), (column.still, 3600.0 * rest_h)))
    setup = RinseSetup(
        residue=Residue.HCL,
        resin_ml=RESIN_ML,
        flow_ml_min=FLOW_ML_S * 60.0,
        rinse_water_us_cm=FLOOR_US_CM,
        top_us_cm=20_000.0,
        endpoint=Endpoint(EndpointKind.VALUE, TARGET_US_CM),
    )
    rinse, time_s, volume_ml, rested, truth = Rinse(setup), 0.0, 0.0, False, []
    rng = np.random.default_rng(3)
    for _ in range(6000):
        time_s, volume_ml = time_s + period_s, volume_ml + FLOW_ML_S * period_s
        true = 6e5 * column.step(flowing) + FLOOR_US_CM
        if true < 60.0 and not rested:
            rested, time_s = True, time_s + 3600.0 * rest_h
            column.step(still)
        shown = true * (1.0 + 0.004 * rng.standard_normal())
        over = true > 20_000.0
        row = (
            Row(time_s, volume_ml, mark=Mark.OVER, unit="uS/cm")
            if over
            else Row(time_s, volume_ml, mark=Mark.VALUE, reading=round(shown, 2), unit="uS/cm", decimals=2)
        )
        state = rinse.observe(row)
        assert state.verdict is not Verdict.STALLED
        truth.append((volume_ml, true, state))
        if state.verdict is Verdict.STOP:
            break
    assert truth[-1][2].verdict is Verdict.STOP and truth[-1][1] < 1.15 * TARGET_US_CM
    end_ml = next(volume for volume, true, _ in truth if true <= TARGET_US_CM)
    assert truth[-1][0] < end_ml + RESIN_ML
    volume, late = next((volume, state) for volume, true, state in truth if rested and true < 6.0 and volume < end_ml)
    assert late.remaining is not None
    assert late.remaining.low_ml <= end_ml - volume <= (late.remaining.high_ml or math.inf)
