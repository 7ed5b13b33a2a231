"""A fine meter is over range until late; a steep front then comes into range far sooner than usual beds let foresee.

It cannot be told from a film that dries on a lifted probe, so the person is asked, and their word is to be enough.
Curve: the step response of mixed cells in series, Q(cells, cells v / hold-up), the regularised incomplete gamma
function (Levenspiel, Chemical Reaction Engineering, tanks in series); numbers invented.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import gammaincc

from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import Verdict

RESIN_ML, FLOW_ML_MIN, PERIOD_S, FLOOR_US_CM, TARGET_US_CM = 1300.0, 180.0, 4.0, 1.3, 21.0
TOP_US_CM, LOOKS_S = 200.0, 20.0


def _front(volume_ml: float, cells: int) -> float:
    hold_up_ml = 0.6 * RESIN_ML
    return FLOOR_US_CM + 340e3 * float(gammaincc(cells, cells * volume_ml / hold_up_ml))


def _watched(cells: int, seed: int, *, answers: bool = True) -> tuple[float | None, int]:
    """(resin volumes from the endpoint to the stop, times the person was asked and looked, after a while)."""
    rng = np.random.default_rng(seed)
    setup = RinseSetup(
        resin_ml=RESIN_ML,
        residue=Residue.HCL,
        endpoint=Endpoint.parse(f"{TARGET_US_CM} uS/cm", 0.5),
        flow_ml_min=FLOW_ML_MIN,
        rinse_water_us_cm=1.27,
        rinse_water_step_us_cm=0.01,
        top_us_cm=TOP_US_CM,
    )
    rinse, end_ml, asked_s, looks = Rinse(setup), math.inf, math.inf, 0
    for time_s in np.arange(PERIOD_S, 2400.0, PERIOD_S).tolist():
        volume_ml = FLOW_ML_MIN * time_s / 60.0
        true = _front(volume_ml, cells)
        end_ml = min(end_ml, volume_ml) if true <= TARGET_US_CM else end_ml
        shown = true * (1.0 + 0.003 * rng.standard_normal())
        over = shown > TOP_US_CM
        mark, value = (Mark.OVER, None) if over else (Mark.VALUE, round(shown, 2))
        state = rinse.observe(Row(time_s, volume_ml, mark, value, "uS/cm", None if over else 2))
        asked_s = min(asked_s, time_s) if state.verdict is Verdict.CHECK else math.inf
        if state.verdict is Verdict.STOP:
            return (volume_ml - end_ml) / RESIN_ML, looks
        if answers and time_s - asked_s >= LOOKS_S:
            looks, asked_s = looks + 1, math.inf
            rinse.observe(Row(time_s + 1.0, volume_ml, event="note: probe confirmed"))
    return None, looks


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("cells", [8, 15])
def test_one_look_is_enough(cells: int, seed: int) -> None:
    late, looks = _watched(cells, seed)
    assert late is not None and -0.05 < late < 0.3
    assert looks == 1


def test_unanswered_it_is_never_believed() -> None:
    """The control: nobody looks. A film would be no filtrate."""
    assert _watched(15, 0, answers=False) == (None, 0)
