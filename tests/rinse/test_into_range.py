"""A fine meter is over range until late; a steep front then comes into range far sooner than usual beds let foresee.

Curve: the step response of mixed cells in series, Q(cells, cells v / hold-up), the regularised incomplete gamma
function (Levenspiel, Chemical Reaction Engineering, tanks in series); numbers invented.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import gammaincc

from rinsewatch.rinse import evidence, monitor
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import Verdict

RESIN_ML, FLOW_ML_MIN, PERIOD_S, FLOOR_US_CM, TARGET_US_CM = 1300.0, 180.0, 4.0, 1.3, 21.0
TOP_US_CM = 200.0


def _front(volume_ml: float, cells: int) -> float:
    hold_up_ml = 0.6 * RESIN_ML
    return FLOOR_US_CM + 340e3 * float(gammaincc(cells, cells * volume_ml / hold_up_ml))


def _watched(cells: int, seed: int, shift: float = 1.0) -> tuple[float | None, float, float]:
    """(resin volumes from the endpoint to the stop, seconds held, reading when held first); in range the meter shows
    ``shift`` times the filtrate."""
    rng = np.random.default_rng(seed)
    endpoint = Endpoint.parse(f"{TARGET_US_CM} uS/cm", 0.5)
    setup = RinseSetup(
        resin_ml=RESIN_ML,
        residue=Residue.HCL,
        endpoint=endpoint,
        flow_ml_min=FLOW_ML_MIN,
        rinse_water_us_cm=1.27,
        rinse_water_step_us_cm=0.01,
        top_us_cm=TOP_US_CM,
    )
    rinse, end_ml, held_s, first = Rinse(setup), math.inf, 0.0, 0.0
    for time_s in np.arange(PERIOD_S, 3000.0, PERIOD_S).tolist():
        volume_ml = FLOW_ML_MIN * time_s / 60.0
        true = _front(volume_ml, cells)
        end_ml = min(end_ml, volume_ml) if true <= TARGET_US_CM else end_ml
        shown = true * (1.0 + 0.003 * rng.standard_normal())
        over = shown > TOP_US_CM
        mark, value = (Mark.OVER, None) if over else (Mark.VALUE, round(shift * shown, 2))
        state = rinse.observe(Row(time_s, volume_ml, mark, value, "uS/cm", None if over else 2))
        if state.cause:
            first, held_s = first or (value or 0.0), held_s + PERIOD_S
        if state.verdict is Verdict.STOP:
            return (volume_ml - end_ml) / RESIN_ML, held_s, first
    return None, held_s, first


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize("cells", [15, 25])
def test_a_steep_front_is_followed_from_the_top_of_the_range_down(cells: int, seed: int) -> None:
    late, held_s, _ = _watched(cells, seed)
    assert late is not None and -0.05 < late < 0.3
    assert held_s == 0.0


def test_readings_far_below_the_range_are_still_another_water() -> None:
    """A control: the meter falls from over range to a seventh of its top, the probe was put elsewhere."""
    _, held_s, first = _watched(25, 0, shift=1.0 / 7.0)
    assert held_s > 30.0 and first < TOP_US_CM / 5.0


def test_by_the_forecast_alone_it_would_be_held(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: nothing follows on over range but what was believed."""
    monkeypatch.setattr(monitor, "INTO_RANGE", math.inf)
    _, held_s, _ = _watched(25, 0)
    assert held_s > 30.0


# ---- in portions -------------------------------------------------------------------------------

TYPED_PPM = (None, 2850, 474, 77, 46, 17, 8, 2, 1, 1)  # a plug filter: each portion displaces most of the liquor


def _typed() -> tuple[int | None, int]:
    """(portions at the stop, readings not believed) of one reading typed a portion; target 13 ppm, the sixth."""
    setup = RinseSetup(
        resin_ml=440.0,
        residue=Residue.NAOH,
        endpoint=Endpoint.parse("13 ppm", 0.5),
        portion_ml=240.0,
        rinse_water_us_cm=1.0,
        rinse_water_step_us_cm=2.0,
        top_us_cm=19_980.0,
    )
    rinse, held = Rinse(setup), 0
    for n, ppm in enumerate(TYPED_PPM, 1):
        rinse.observe(Row(150.0 * n, 240.0 * n, event="portion"))
        mark, shown = (Mark.OVER, None) if ppm is None else (Mark.VALUE, float(ppm))
        state = rinse.observe(Row(150.0 * n + 70.0, 240.0 * n, mark, shown, "ppm", 0))
        held += bool(state.cause)
        if state.verdict is Verdict.STOP:
            return n, held
    return None, held


def test_portions_that_displace_the_liquor_are_followed_from_the_first_in_range() -> None:
    """Read over range before, that was the filtrate; nobody is asked about it to the end of the rinse."""
    stop, held = _typed()
    assert stop in (7, 8)
    assert held <= 1


def test_else_it_would_be_taken_for_a_false_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: nothing is certain."""
    monkeypatch.setattr(evidence, "CERTAIN_SHARE", evidence.FALSE_SHARE)
    stop, held = _typed()
    assert stop is None and held > 5
