"""Continuous flow watched from a probe that does not stand in the filtrate at first: never a stop out of that."""

from __future__ import annotations

import math
from typing import Any

import pytest

from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import Quality, Verdict

FLOW_ML_MIN = 100.0
EFOLD_ML = 250.0
CLEAN_US_CM = 1.3


def _setup(bench: Any) -> Any:
    return bench.setup(
        flow_ml_min=FLOW_ML_MIN, endpoint=Endpoint.parse("25 uS/cm", 0.5), feed_us_cm=25.0, top_us_cm=19_990.0,
        rinse_water_us_cm=CLEAN_US_CM,
    )  # fmt: skip


def _row(time_s: float, us_cm: float) -> Row:
    rinse_ml = FLOW_ML_MIN * time_s / 60.0
    if us_cm > 19_990.0:
        return Row(time_s, rinse_ml, Mark.OVER, None, "uS/cm", 1)
    return Row(time_s, rinse_ml, Mark.VALUE, round(us_cm, 1), "uS/cm", 1)


def _filtrate_us_cm(time_s: float) -> float:
    return CLEAN_US_CM + 300_000.0 * math.exp(-FLOW_ML_MIN * time_s / 60.0 / EFOLD_ML)


def _beaker_us_cm(number: int) -> float:
    return CLEAN_US_CM + (0.1 if number % 4 == 0 else 0.0)


@pytest.mark.parametrize("share", [1.0, 12.0])
def test_a_probe_left_in_clean_water_is_asked_about_not_believed(bench: Any, share: float) -> None:
    rows = [_row(5.0 * n, share * _beaker_us_cm(n)) for n in range(1, 241)]
    states = bench.watch(_setup(bench), rows)
    assert Verdict.STOP not in [state.verdict for state in states]
    last = states[-1]
    assert last.verdict is Verdict.CHECK and "never read above the target" in last.reason
    assert last.remaining is None and last.quality is Quality.UNCERTAIN and last.cause == "low"


def test_the_person_may_vouch_for_it(bench: Any) -> None:
    """A rinse that is all but over when the watch begins."""
    late = [(5.0 * n, CLEAN_US_CM + 20.0 * math.exp(-5.0 * n / 600.0)) for n in range(1, 145)]
    rows = [_row(time_s, us_cm) for time_s, us_cm in late]
    rows.insert(120, Row(602.0, FLOW_ML_MIN * 602.0 / 60.0, event="note: probe confirmed"))
    verdicts = [state.verdict for state in bench.watch(_setup(bench), rows)]
    assert Verdict.STOP not in verdicts[:120] and verdicts[-1] is Verdict.STOP


@pytest.mark.parametrize("beaker_s", [30.0, 60.0, 180.0, 600.0])
def test_put_into_the_filtrate_it_is_watched_as_usual(bench: Any, beaker_s: float) -> None:
    """Nothing of the beaker is left in the forecast; nobody confirms anything."""
    times = [5.0 * n for n in range(1, 481)]
    rows = [_row(t, _beaker_us_cm(n) if t < beaker_s else _filtrate_us_cm(t)) for n, t in enumerate(times)]
    states = bench.watch(_setup(bench), rows)
    stops = [state for state in states if state.verdict is Verdict.STOP]
    assert stops, states[-1].reason
    true_us_cm = _filtrate_us_cm(stops[0].time_s)
    assert 0.6 * 25.0 < true_us_cm < 1.15 * 25.0


def test_back_in_the_beaker_before_the_washout_it_is_not_believed(bench: Any) -> None:
    times = [5.0 * n for n in range(1, 121)]
    rows = [
        _row(t, _filtrate_us_cm(t) if 30.0 <= t < 90.0 else _beaker_us_cm(n)) for n, t in enumerate(times)
    ]  # fmt: skip
    states = bench.watch(_setup(bench), rows)
    assert Verdict.STOP not in [state.verdict for state in states]
    assert states[-1].verdict is Verdict.CHECK
