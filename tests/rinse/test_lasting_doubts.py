"""Where rinsing on cannot end a doubt, the person is asked; and what the person says does end it. Numbers invented."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rinsewatch.rinse.gate import Cause
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import RinseState, Verdict
from rinsewatch.rinse.verdict import DOUBTED, LASTING, Decision, Evidence

RESIN_ML, FLOW_ML_MIN, PERIOD_S = 1000.0, 150.0, 5.0
STOPPED_S, STOOD_S = 950.0, 5400.0
AT_TARGET = Evidence(
    chance_at=0.99, chance_near=0.99, chance_not_wrong=0.999, chance_unreachable=0.0, excess_share=0.1, settled=False,
    known=True, hold=Cause.NONE, hold_lasting=False, good=True, has_target=True, patient=False, doubted=True,
)  # fmt: skip
FLOORED = replace(AT_TARGET, chance_at=0.0, chance_near=0.0, doubted=False, chance_unreachable=0.99, patient=True)


# ---- the decision on its own -------------------------------------------------------------------


@pytest.mark.parametrize(("is_flow", "places"), [(False, 2.0), (True, 1.0)])
def test_a_doubt_is_asked_about_after_two_portions_or_a_resin_volume(is_flow: bool, places: float) -> None:
    decision, doubted = Decision(), replace(AT_TARGET, is_flow=is_flow)
    assert decision.decide(replace(doubted, place=7.0)) == (Verdict.RINSE, DOUBTED)
    assert decision.decide(replace(doubted, place=6.9 + places)) == (Verdict.RINSE, DOUBTED)
    asked = replace(doubted, place=7.0 + places)
    assert decision.decide(replace(asked, read_through=False)) == (Verdict.RINSE, DOUBTED), "this portion may end it"
    assert decision.decide(asked) == (Verdict.CHECK, LASTING)
    decision.confirmed()
    assert decision.decide(asked) == (Verdict.RINSE, DOUBTED)


def test_a_doubt_away_from_the_target_is_none_and_one_borne_out_stops() -> None:
    decision = Decision()
    assert decision.decide(replace(AT_TARGET, place=7.0))[1] == DOUBTED
    assert decision.decide(replace(AT_TARGET, place=8.0, chance_at=0.2))[0] is Verdict.RINSE
    assert decision.decide(replace(AT_TARGET, place=9.0)) == (Verdict.RINSE, DOUBTED), "it begins anew"
    assert decision.decide(replace(AT_TARGET, place=10.0, doubted=False, settled=True))[0] is Verdict.STOP


@pytest.mark.parametrize(("is_flow", "word"), [(True, "flow stopped"), (False, "in the filtrate")])
def test_no_bed_has_such_a_floor(is_flow: bool, word: str) -> None:
    absurd = replace(FLOORED, is_flow=is_flow, floor_plausible=False)
    verdict, words = Decision().decide(absurd)
    assert verdict is Verdict.CHECK and word in words
    assert Decision().decide(replace(absurd, patient=False)) == (Verdict.RINSE, "rinse on")
    assert Decision().decide(replace(absurd, floor_plausible=True))[0] is Verdict.STALLED


# ---- in flow -----------------------------------------------------------------------------------


def _rinse(target: str, water_us_cm: float) -> Rinse:
    return Rinse(
        RinseSetup(
            resin_ml=RESIN_ML,
            residue=Residue.NAOH,
            endpoint=Endpoint.parse(target, 0.5),
            flow_ml_min=FLOW_ML_MIN,
            rinse_water_us_cm=water_us_cm,
            rinse_water_step_us_cm=0.1,
            top_us_cm=20_000.0,
            resolution_us_cm=0.1,
        )
    )


def _watch(rinse: Rinse, us_cm: Callable[[float], float], from_s: float, until_s: float) -> list[RinseState]:
    """Readings to a tenth, 0.5 % noise, the same however often it is asked."""
    states = []
    for time_s in np.arange(from_s, until_s, PERIOD_S).tolist():
        noise = 1.0 + 0.005 * float(np.random.default_rng(round(time_s)).standard_normal())
        shown = round(us_cm(time_s) * noise, 1)
        states.append(rinse.observe(Row(time_s, FLOW_ML_MIN * time_s / 60.0, Mark.VALUE, shown, "uS/cm", 1)))
    return states


def _stood(time_s: float) -> float:
    """A front and a tail to 3 uS/cm; the flow stops unmarked at 950 s, at 12.5 uS/cm, for an hour and a half."""
    moved_s = max(time_s if time_s < STOPPED_S else max(STOPPED_S, time_s - STOOD_S), 250.0) - 250.0
    return 3.0 + 19_000.0 * math.exp(-moved_s / 60.0) + 80.0 * math.exp(-moved_s / 330.0)


def _resumed() -> list[RinseState]:
    """The flow goes on; somebody looks at the probe every hundred seconds, finds it in the filtrate and says so."""
    rinse = _rinse("6 uS/cm", 1.2)
    states = _watch(rinse, _stood, PERIOD_S, STOPPED_S + STOOD_S)
    assert states[-1].verdict is Verdict.STALLED, "or it shows nothing"
    states = _watch(rinse, _stood, STOPPED_S + STOOD_S, STOPPED_S + STOOD_S + 300.0)
    for _ in range(6):
        at_s = states[-1].time_s + 1.0
        rinse.observe(Row(at_s, FLOW_ML_MIN * at_s / 60.0, event="note: probe confirmed"))
        states += _watch(rinse, _stood, at_s + 4.0, at_s + 100.0)
    return states


def test_a_floor_found_while_the_flow_stood_still_does_not_outlive_the_persons_word() -> None:
    states = _resumed()
    stop_s = next(state.time_s for state in states if state.verdict is Verdict.STOP)
    assert 0.9 < _stood(stop_s) / 6.0 < 1.05
    assert states[-1].filtrate is not None and states[-1].filtrate.mid == pytest.approx(
        states[-1].reading_us_cm, rel=0.1
    )


def test_else_it_would(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: all facts say that the floor is where the reading stood."""
    monkeypatch.setattr(Rinse, "_beyond", lambda _self, _span: False)
    states = _resumed()
    assert Verdict.STOP not in {state.verdict for state in states} and states[-1].floor_us_cm > 12.0
