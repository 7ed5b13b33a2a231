"""A whole-ppm pen far below the target that shows 1 and 0 by turns: nothing of that is a fall, or an old portion."""

from __future__ import annotations

from typing import Any

import numpy as np

from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import Verdict

PORTION_ML, PACE_S, PERIOD_S = 250.0, 150.0, 6.0
LEVELS = (137e3, 44.9e3, 12.9e3, 3130.0, 659.0, 162.0, 36.5, 7.6, 1.4, 0.8, 0.9, 0.9)


def _rows() -> list[Row]:
    """Each level lags in; the last shown turns between the two digits next to it."""
    rows, rng, last = [], np.random.default_rng(8), LEVELS[0]
    for n, level in enumerate(LEVELS, 1):
        rows.append(Row(PACE_S * n, PORTION_ML * n, event="portion"))
        for after_s in np.arange(PERIOD_S, PACE_S - 3.0, PERIOD_S).tolist():
            us_cm = level + (last - level) * float(np.exp(-after_s / 8.0))
            ppm = round(0.5 * us_cm * (1.0 + 0.01 * float(rng.standard_normal())) + 0.3 * float(rng.uniform(-1.0, 1.0)))
            over = ppm > 9990
            mark, shown = (Mark.OVER, None) if over else (Mark.VALUE, float(max(ppm, 0)))
            rows.append(Row(PACE_S * n + after_s, PORTION_ML * n, mark, shown, "ppm", 0))
        last = level
    return rows


def _stop(bench: Any, target: str) -> float | None:
    """Portions at the stop."""
    setup = bench.setup(
        resin_ml=140.0, portion_ml=PORTION_ML, endpoint=Endpoint.parse(target, 0.5), rinse_water_us_cm=0.0,
        rinse_water_step_us_cm=2.0,
    )  # fmt: skip
    states = bench.watch(setup, _rows())
    return next((state.rinse_ml / PORTION_ML for state in states if state.verdict is Verdict.STOP), None)


def test_the_first_portion_far_below_the_target_stops(bench: Any) -> None:
    """The ninth, at 1.4 of 5.9 uS/cm."""
    assert _stop(bench, "5.9 uS/cm") == 9.0


def test_near_it_the_digits_prove_nothing_so_soon(bench: Any) -> None:
    """The control: 1.4 is no stop at 1.2."""
    assert _stop(bench, "1.2 uS/cm") != 9.0
