"""After a stop the slow liquid goes on leaking: where the display has stood far above the target, it is no stop."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse import monitor
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import RinseState, Verdict


def _stopped(bench: Any, display: Any, make_bed: Any) -> tuple[Rinse, RinseState, float]:
    """A rinse at its stop, and its target."""
    levels = bench.levels(make_bed(uneven=0.02), 22, np.random.default_rng(4))
    target = 1.04 * next(level for level in levels if level <= 30.0)
    rinse = bench.begin(bench.setup(endpoint=Endpoint.parse(f"{target:.1f} uS/cm", 0.5)))
    for row in bench.pour_rows(levels, display("ppm", 1), period_s=4.0):
        state = rinse.observe(row)
        if state.verdict is Verdict.STOP:
            return rinse, state, target
    raise AssertionError("it never stopped")


def _read(rinse: Rinse, time_s: float, us_cm: float) -> RinseState:
    return rinse.observe(Row(time_s, rinse.state.rinse_ml, Mark.VALUE, round(us_cm / 2.0, 1), "ppm", 1))


def test_a_reading_that_rises_far_above_the_target_ends_it(
    bench: Any, display: Any, make_bed: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rinsewatch.rinse.verdict.RISEN_CHANCE", -1.0)  # whatever is believed
    rinse, at_stop, target = _stopped(bench, display, make_bed)
    shares = np.minimum(1.0 + 0.01 * np.arange(40), 1.22).tolist()
    told = [_read(rinse, at_stop.time_s + 2.0 * (n + 1), s * target) for n, s in enumerate(shares)]
    taken_back = next(n for n, state in enumerate(told) if state.verdict is not Verdict.STOP)
    assert "risen" in told[taken_back].reason
    far = next(n for n, s in enumerate(shares) if s > 1.16)
    assert far + 4 <= taken_back <= far + 7, "ten seconds of it, at two a reading"


def test_one_such_reading_does_not_however_long_it_was_the_last(bench: Any, display: Any, make_bed: Any) -> None:
    rinse, at_stop, target = _stopped(bench, display, make_bed)
    _read(rinse, at_stop.time_s + 2.0, 1.2 * target)
    later = rinse.observe(Row(at_stop.time_s + 60.0, at_stop.rinse_ml, event="note: looked away"))
    assert later.verdict is Verdict.STOP


def test_at_the_target_it_stays(bench: Any, display: Any, make_bed: Any) -> None:
    """The control."""
    rinse, at_stop, target = _stopped(bench, display, make_bed)
    for n in range(20):
        assert _read(rinse, at_stop.time_s + 2.0 * (n + 1), 1.02 * target).verdict is Verdict.STOP
    assert monitor.WRONG > 1.02
