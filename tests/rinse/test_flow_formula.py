"""In flow the common form of a washout, two exponentials on a floor, when nothing is told of the rinse water.

The tail is taken for a floor again and again; forecasts made then must not forbid what comes after them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rinsewatch.rinse import flow, glide
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import Verdict

RESIN_ML, FLOW_ML_MIN, PERIOD_S, TARGET_US_CM = 1100.0, 140.0, 4.0, 18.52
FIFTH_OF_A_PER_CENT, LESS, LOOKS_S = 0.0017, 0.0008, 20.0


def _curve(volume_ml: float, share: float) -> float:
    """Acid of 1.65 mol/L; a small share of it in a tail three times as slow."""
    return 2.0 + 700e3 * ((1.0 - share) * math.exp(-volume_ml / 450.0) + share * math.exp(-volume_ml / 1430.0))


def _watched(
    seed: int, share: float = FIFTH_OF_A_PER_CENT, until_ml: float = 10_000.0, *, answers: bool = False
) -> tuple[float | None, float, bool]:
    """(mL at the stop, mL at the endpoint, whether the last reading was believed); ``answers``: who is asked, looks."""
    rng = np.random.default_rng(seed)
    rinse = Rinse(
        RinseSetup(
            resin_ml=RESIN_ML,
            residue=Residue.HCL,
            endpoint=Endpoint.parse(f"{TARGET_US_CM} uS/cm", 0.5),
            flow_ml_min=FLOW_ML_MIN,
            top_us_cm=2000.0,
        )
    )
    stop_ml, state, asked_s = None, rinse.state, math.inf
    for time_s in np.arange(PERIOD_S, 60.0 * until_ml / FLOW_ML_MIN, PERIOD_S).tolist():
        volume_ml = FLOW_ML_MIN * time_s / 60.0
        shown = _curve(volume_ml, share) * (1.0 + 0.003 * rng.standard_normal())
        over = shown > 2000.0
        mark, value = (Mark.OVER, None) if over else (Mark.VALUE, round(shown, 2))
        state = rinse.observe(Row(time_s, volume_ml, mark, value, "uS/cm", None if over else 2))
        if state.verdict is Verdict.STOP and stop_ml is None:
            stop_ml = volume_ml
        asked_s = min(asked_s, time_s) if state.verdict is Verdict.CHECK else math.inf
        if answers and time_s - asked_s > LOOKS_S:
            asked_s = math.inf
            rinse.observe(Row(time_s + 0.5, volume_ml, event="note: probe confirmed"))
    volumes = np.linspace(0.0, until_ml, 20_001)
    end_ml = float(next(v for v in volumes if _curve(float(v), share) <= TARGET_US_CM))
    return stop_ml, end_ml, state.reading_us_cm is not None


@pytest.mark.parametrize("seed", [0, 1])
def test_it_comes_to_a_stop_and_is_believed_to_the_end(seed: int) -> None:
    stop_ml, end_ml, believed = _watched(seed)
    assert stop_ml is not None and end_ml - 0.05 * RESIN_ML < stop_ml < end_ml + 2.0 * RESIN_ML
    assert believed


@pytest.mark.parametrize("seed", [0, 1])
def test_with_less_in_the_tail_it_does_for_whoever_looks_when_asked(seed: int) -> None:
    """The steep part reaches lower and is asked about; who never looks waits longer, or for ever (seed 1)."""
    stop_ml, end_ml, believed = _watched(seed, LESS, answers=True)
    assert stop_ml is not None and end_ml - 0.05 * RESIN_ML < stop_ml < end_ml + 2.0 * RESIN_ML
    assert believed
    alone_ml, _, _ = _watched(seed, LESS)
    assert alone_ml is None or alone_ml > stop_ml + RESIN_ML


def test_forecasts_that_took_the_tail_for_a_floor_would_forbid_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: they judge as they were made, and no readings glide back."""
    monkeypatch.setattr(flow, "STEADY", np.ones(flow.AHEAD_EFOLDS.size))
    monkeypatch.setattr(glide, "LEAST_S", math.inf)
    stop_ml, _, believed = _watched(0)
    assert stop_ml is None and not believed
