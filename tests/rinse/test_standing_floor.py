"""A reading that stands still far above the rinse water: the floor may lie there. Invented beds.

The rinse water has gone bad meanwhile, or the resin is fouled; usual beds never have such a floor.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse import monitor, prior
from rinsewatch.rinse.beds import PortionBed, Pour
from rinsewatch.rinse.course import FactLog, PortionCourse
from rinsewatch.rinse.evidence import Observation
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import RinseState, Verdict
from rinsewatch.rinse.verdict import STALLED_HIGH, STANDS

FLOOR_US_CM, PORTION_ML, PACE_S, RESIN_ML = 50.0, 800.0, 150.0, 1000.0
PORTIONS = 26


def _rinse(target: str = "10 uS/cm", **kind: Any) -> Rinse:
    return Rinse(
        RinseSetup(
            resin_ml=RESIN_ML, residue=Residue.HCL, endpoint=Endpoint.parse(target, 0.5), rinse_water_us_cm=1.0,
            rinse_water_step_us_cm=0.1, top_us_cm=20_000.0, **kind,
        )
    )  # fmt: skip


def _row(time_s: float, volume_ml: float, level: float) -> Row:
    over = level > 20_000.0
    return Row(time_s, volume_ml, Mark.OVER if over else Mark.VALUE, None if over else round(level, 1), "uS/cm", 1)


def _portions(rinse: Rinse, floor_us_cm: float = FLOOR_US_CM, last: int = PORTIONS) -> list[RinseState]:
    """The state after the last reading of each portion. Of the liquor 0.36 stays, of a weak tail 0.62."""
    rng, states = np.random.default_rng(1), []
    for n in range(1, last + 1):
        level = (floor_us_cm + 4e5 * 0.36**n + 300.0 * 0.62**n) * math.exp(0.002 * rng.standard_normal())
        rinse.observe(Row(PACE_S * n, PORTION_ML * n, event="portion"))
        for after_s in range(20, 148, 4):
            shown = level * math.exp(0.003 * rng.standard_normal())
            state = rinse.observe(_row(PACE_S * n + after_s, PORTION_ML * n, shown))
        states.append(state)
    return states


def _flow(rinse: Rinse, seconds: int = 4500, every_s: int = 5) -> list[RinseState]:
    """A front, then a tail of one and a half litres an e-fold, at 200 mL/min."""
    rng, states = np.random.default_rng(1), []
    for time_s in range(0, seconds, every_s):
        volume_ml = time_s / 60.0 * 200.0
        front = min(1.0, math.exp(-(volume_ml - 400.0) / 330.0))
        level = FLOOR_US_CM + 4e5 * front + 150.0 * math.exp(-volume_ml / 1500.0)
        states.append(rinse.observe(_row(float(time_s), volume_ml, level * math.exp(0.004 * rng.standard_normal()))))
    return states


def _never(course: FactLog, places: float) -> bool:
    return False


def _told(states: list[RinseState]) -> int | None:
    """Number of the first state that calls the target out of reach, or tells that the reading stands still."""
    return next((n for n, s in enumerate(states, 1) if s.verdict is Verdict.STALLED or STANDS in s.reason), None)


def test_in_portions_it_is_told_and_the_target_called_out_of_reach() -> None:
    """Within 5 % of the floor from portion 12 on."""
    states = _portions(_rinse(portion_ml=PORTION_ML))
    told = _told(states)
    assert told is not None and 12 <= told <= 18
    assert states[-1].verdict is Verdict.STALLED
    assert not {Verdict.STOP, Verdict.CHECK} & {state.verdict for state in states}


def test_whoever_is_told_so_far_above_the_rinse_water_is_asked_to_read_it_once() -> None:
    """Read again and still 1.0, the target is out of reach all the same; a floor of 1.2 asks for nothing."""
    rinse = _rinse(portion_ml=PORTION_ML)
    states = _portions(rinse, last=19)
    assert states[-1].reason == STALLED_HIGH
    end_s = states[-1].time_s
    rinse.observe(Row(end_s + 1.0, 19 * PORTION_ML, event="note: rinse-water = 1.0 uS/cm"))
    later = [rinse.observe(_row(end_s + 1.0 + n, 19 * PORTION_ML, FLOOR_US_CM)) for n in range(1, 20)]
    assert STALLED_HIGH not in {state.reason for state in later}
    low = _portions(_rinse(portion_ml=PORTION_ML, target="0.9 uS/cm"), 1.2, last=30)
    assert low[-1].verdict is Verdict.STALLED and low[-1].reason != STALLED_HIGH


def test_without_a_look_for_such_a_floor_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control."""
    monkeypatch.setattr(FactLog, "stands", _never)
    assert _told(_portions(_rinse(portion_ml=PORTION_ML))) is None


def test_in_flow_it_is_told() -> None:
    """Within 5 % of the floor from 6 litres on; the control tells nothing."""
    states = _flow(_rinse(flow_ml_min=200.0))
    told = _told(states)
    assert told is not None and 6000.0 < (states[told - 1].rinse_ml or 0.0) < 10_500.0
    assert Verdict.STOP not in {state.verdict for state in states}


def test_what_was_asked_for_is_not_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The person reads the rinse water, and it is as it was: no more is said of it while the reading stands on.

    Here no floor near the reading is thought of, or the target would be called out of reach before.
    """
    monkeypatch.setattr(prior, "STANDING_FLOOR_SHARE", 0.0)
    rinse = _rinse(flow_ml_min=200.0)
    states = _flow(rinse, seconds=3000)
    assert states[-1].reason == STANDS
    end_s, poured_ml = states[-1].time_s, states[-1].rinse_ml
    assert rinse.observe(Row(end_s + 1.0, poured_ml, event="note: stirred")).reason == STANDS
    rinse.observe(Row(end_s + 1.0, poured_ml, event="note: rinse-water = 1.0 uS/cm"))
    later = [
        rinse.observe(_row(end_s + 5.0 * n, poured_ml + 17.0 * n, FLOOR_US_CM + 0.1 * (n % 3))) for n in range(200)
    ]
    assert STANDS not in {state.reason for state in later}


def test_without_it_nothing_is_told_in_flow(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control."""
    monkeypatch.setattr(FactLog, "stands", _never)
    assert _told(_flow(_rinse(flow_ml_min=200.0))) is None


def test_measuring_the_rinse_water_again_settles_it() -> None:
    """What the person is asked to do: with the water known the target is called out of reach at once."""
    rinse = _rinse(portion_ml=PORTION_ML)
    states = _portions(rinse, last=14)
    assert states[-1].verdict is Verdict.RINSE
    end_s, poured_ml = states[-1].time_s, 14 * PORTION_ML
    rinse.observe(Row(end_s + 1.0, poured_ml, event="note: rinse-water = 50.0 uS/cm"))
    for n in range(1, 5):
        rinse.observe(Row(end_s + PACE_S * n, poured_ml + PORTION_ML * n, event="portion"))
        for after_s in range(20, 148, 4):
            row = _row(end_s + PACE_S * n + after_s, poured_ml + PORTION_ML * n, FLOOR_US_CM)
            state = rinse.observe(row)
    assert state.verdict is Verdict.STALLED


def test_a_usual_floor_is_not_told_of() -> None:
    """The same bed over water as it was measured stops."""
    states = _portions(_rinse(portion_ml=PORTION_ML), floor_us_cm=1.0)
    assert _told(states) is None
    assert Verdict.STOP in {state.verdict for state in states}


def _course(*spans: tuple[float, float]) -> PortionCourse:
    course = PortionCourse(PortionBed(RESIN_ML))
    for n, (low, high) in enumerate(spans):
        course.pour(Pour(PORTION_ML, PACE_S * n, PACE_S))
        course.learn(90.0, Observation(low, high, 0.025))
    return course


@pytest.mark.parametrize(
    ("spans", "stands"),
    [
        ([(49.9, 50.1)] * 3, True),
        ([(49.9, 50.1)] * 2, False),  # too few
        ([(52.0, 52.2), (51.0, 51.2), (49.9, 50.1)], False),  # falls by 4 %
        ([(49.9, 50.1), (50.5, 50.7), (49.9, 50.1)], True),
        ([(60.0, 60.2), (49.9, 50.1), (50.0, 50.2), (49.8, 50.0)], True),
        ([(9.0, 11.0)] * 3, True),  # a step of 20 %
        ([(1.0, 3.0)] * 3, False),  # too coarse to tell
        ([(0.0, 1.0)] * 3, False),
        ([(2e4, math.inf)] * 3, False),
    ],
)
def test_what_stands(spans: list[tuple[float, float]], stands: bool) -> None:
    """Over two portions."""
    assert _course(*spans).stands(2.0) is stands


def test_nothing_stands_before_it_was_read() -> None:
    """No fact at all."""
    assert not _course().stands(2.0)


@pytest.mark.parametrize("floor_us_cm", [500.0, 2000.0, 3000.0, 5000.0, 12000.0])
def test_no_bed_is_so_foul(floor_us_cm: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some hundred times the rinse water and more: the person is asked to look, and nothing is called out of reach."""
    states = _portions(_rinse(portion_ml=PORTION_ML), floor_us_cm)
    assert Verdict.STALLED not in {state.verdict for state in states}
    asked = [state for state in states if "above any floor" in state.reason]
    assert len(asked) > 5 and all(state.verdict is Verdict.CHECK for state in asked)
    # The control: taken for a floor like any other.
    monkeypatch.setattr(monitor, "MOST_FLOOR", math.inf)
    assert Verdict.STALLED in {state.verdict for state in _portions(_rinse(portion_ml=PORTION_ML), floor_us_cm)}
