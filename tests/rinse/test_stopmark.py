"""Where a rinse was told to stop: kept through a question about the probe, given up when the water rises again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from rinsewatch.rinse.row import Row
from rinsewatch.rinse.state import Verdict
from rinsewatch.rinse.stopmark import StopMark


def _mark(bench: Any, *verdicts: Verdict) -> StopMark:
    state = bench.begin(bench.setup()).observe(Row(0.0, 250.0, event="portion"))
    mark = StopMark()
    for place, verdict in enumerate(verdicts, start=1):
        mark.add(replace(state, verdict=verdict, rinse_ml=250.0 * place))
    return mark


def test_a_probe_lifted_out_at_the_end_takes_no_stop_back(bench: Any) -> None:
    mark = _mark(bench, Verdict.RINSE, Verdict.STOP, Verdict.CHECK, Verdict.STOP, Verdict.CHECK)
    assert mark.endpoint_ml == 500.0


def test_water_that_rises_again_does(bench: Any) -> None:
    assert _mark(bench, Verdict.STOP, Verdict.RINSE).endpoint_ml is None
    assert _mark(bench, Verdict.STOP, Verdict.CHECK, Verdict.RINSE, Verdict.STOP).endpoint_ml == 1000.0


def test_a_question_alone_is_no_stop(bench: Any) -> None:
    assert _mark(bench, Verdict.CHECK, Verdict.CHECK).stop is None
