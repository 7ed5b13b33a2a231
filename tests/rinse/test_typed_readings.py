"""One reading typed a portion: coming portions are foreseen as read when the person reads, not sooner or later."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rinsewatch.cli.bench_rinse import run_rinse, target_of
from rinsewatch.cli.bench_score import Task, score
from rinsewatch.rinse.rhythm import Rhythm
from rinsewatch.rinse.row import Row
from rinsewatch_sim.simulate import random_scenario, run

PACE_S, PORTION_ML, POURED = 120.0, 250.0, 10


def _next_against_truth(bench: Any, bed: Any, meter: Any, share: float) -> float:
    """Log of what the portion after ten is foreseen to show over what it will, read so far through its time."""
    mobile = slow = 1.0
    watched, level = bench.begin(bench.setup(top_us_cm=2e4)), math.inf
    for n in range(POURED + 1):
        if n:
            watched.observe(Row((n - 1) * PACE_S, n * PORTION_ML, event="portion"))
            watched.observe(meter.row((n - 1 + share) * PACE_S, n * PORTION_ML, level))
        mobile, slow = bed.rest(mobile * bed.entrained_ml / (bed.entrained_ml + PORTION_ML), slow, share * PACE_S)
        level = bed.floor_us_cm + bed.start_us_cm * mobile
        mobile, slow = bed.rest(mobile, slow, (1.0 - share) * PACE_S)
    volumes, _, middle, _ = zip(*watched.forecast_band(200), strict=True)
    return float(np.interp((POURED + 1) * PORTION_ML, volumes, np.log(middle))) - math.log(level)


@pytest.fixture
def tail(make_bed: Any) -> Any:
    """Much slow liquid that leaks in quickly: what is read depends on when."""
    return make_bed(slow_ml=40.0, leak_s=2e-3)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.95])
def test_the_forecast_keeps_to_the_persons_own_moment(bench: Any, tail: Any, display: Any, share: float) -> None:
    assert abs(_next_against_truth(bench, tail, display("uS/cm", 1, 2e4), share)) < 0.05


def test_a_fixed_moment_foresees_too_much_or_too_little(
    bench: Any, tail: Any, display: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The control: whoever types after a quarter of the time is foreseen too high, after nearly all too low."""
    monkeypatch.setattr(Rhythm, "read_s", lambda self, *, typed: 0.7 * PACE_S)
    meter = display("uS/cm", 1, 2e4)
    assert _next_against_truth(bench, tail, meter, 0.25) > 0.15
    assert _next_against_truth(bench, tail, meter, 0.95) < -0.08


def test_three_typed_readings_with_two_explanations() -> None:
    """Hardly any slow liquid that leaks for ever, or the usual: the first was all that was left of the population once,
    18 portions too long. (A simulated rinse, found among 374.)"""
    rng = np.random.default_rng(20_044)
    record = run(random_scenario(rng), rng)
    task = Task.of(record, target_of(record))
    told = score(task, run_rinse(task), 0)
    assert told.unanswered == 0
    assert max(told.errors) < 6.0
