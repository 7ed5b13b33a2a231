"""The decision on its own: what a stop needs, what takes it back, what is said otherwise; and the target."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rinsewatch.rinse.gate import Cause
from rinsewatch.rinse.setup import Endpoint, EndpointKind, Residue, RinseSetup
from rinsewatch.rinse.state import Verdict
from rinsewatch.rinse.target import target_us_cm
from rinsewatch.rinse.verdict import DOUBTED, STANDS, UNLIKE, WAITS, Decision, Evidence, on_plateau

THERE = Evidence(
    chance_at=0.6, chance_near=0.98, chance_not_wrong=0.995, chance_unreachable=0.0, excess_share=0.5, settled=True,
    known=True, hold=Cause.NONE, hold_lasting=False, good=True, has_target=True, patient=False,
)  # fmt: skip
UNDER_WAY = replace(THERE, chance_at=0.0, chance_near=0.0, chance_not_wrong=0.0)
OUT_OF_REACH = replace(UNDER_WAY, chance_unreachable=0.98, excess_share=0.2, patient=True)


def _verdict(evidence: Evidence) -> Verdict:
    return Decision().decide(evidence)[0]


def test_all_together_is_a_stop() -> None:
    assert Decision().decide(THERE) == (Verdict.STOP, "the endpoint is reached")
    # the least of each chance: even, 95 %, 98.5 %
    assert _verdict(replace(THERE, chance_at=0.5, chance_near=0.95, chance_not_wrong=0.985)) is Verdict.STOP


@pytest.mark.parametrize("hold", [Cause.HIGH, Cause.FROZEN])
def test_in_flow_what_stands_too_high_may_be_a_flow_that_stands(hold: Cause) -> None:
    """Nobody marked it; in portions nothing flows."""
    held = replace(UNDER_WAY, hold=hold, hold_lasting=True)
    (asked, in_flow), (same, poured) = Decision().decide(replace(held, is_flow=True)), Decision().decide(held)
    assert asked is same is Verdict.CHECK
    assert "flow" in in_flow and "flow" not in poured


def test_a_reading_that_stands_is_told_where_nothing_weightier_is() -> None:
    standing = replace(UNDER_WAY, stands=True, waits=True)
    assert Decision().decide(standing) == (Verdict.RINSE, STANDS)
    assert Decision().decide(replace(standing, stands=False)) == (Verdict.RINSE, WAITS)
    assert Decision().decide(replace(standing, chance_unreachable=0.6))[1] != STANDS
    assert Decision().decide(replace(standing, hold=Cause.DRY, hold_lasting=True))[0] is Verdict.CHECK


def test_where_the_steps_hide_the_target_the_forecast_must_be_surer() -> None:
    assert _verdict(replace(THERE, coarse_us_cm=7.1)) is Verdict.STOP
    verdict, words = Decision().decide(replace(THERE, coarse_us_cm=7.1, chance_not_wrong=0.99))
    assert verdict is Verdict.RINSE and "hide the target" in words
    assert _verdict(replace(THERE, chance_not_wrong=0.99)) is Verdict.STOP


@pytest.mark.parametrize(
    "lacking",
    [
        {"chance_at": 0.45}, {"chance_near": 0.94}, {"chance_not_wrong": 0.98}, {"settled": False}, {"good": False},
        {"known": False}, {"has_target": False}, {"hold": Cause.LOW}, {"hold": Cause.DRY},
    ],
)  # fmt: skip
def test_without_any_one_of_them_there_is_none(lacking: dict[str, object]) -> None:
    assert _verdict(replace(THERE, **lacking)) is Verdict.RINSE  # type: ignore[arg-type]  # fields of Evidence


@pytest.mark.parametrize("cause", [Cause.DRY, Cause.LOW, Cause.HIGH, Cause.FROZEN, Cause.LINK])
def test_a_lasting_hold_is_a_check_in_words_of_its_own_even_after_a_stop(cause: Cause) -> None:
    decision = Decision()
    decision.decide(THERE)
    held = replace(THERE, hold=cause, hold_lasting=True)
    verdict, words = decision.decide(held)
    assert verdict is Verdict.CHECK and len(words) > 20
    assert words not in {Decision().decide(replace(held, hold=other))[1] for other in Cause if other not in (cause, "")}
    # The stop was only covered; but where the meter read far more meanwhile it must be found anew.
    after = Verdict.RINSE if cause is Cause.HIGH else Verdict.STOP
    assert decision.decide(replace(THERE, settled=False))[0] is after
    assert decision.decide(THERE)[0] is Verdict.STOP


def test_where_water_runs_nobody_is_asked_about_a_portion() -> None:
    held = replace(THERE, hold=Cause.LOW, hold_lasting=True)
    in_flow = Decision().decide(replace(held, is_flow=True))[1]
    assert "portion" in Decision().decide(held)[1] and "portion" not in in_flow and "another vessel" in in_flow


def test_a_stop_stays_until_the_filtrate_has_surely_risen() -> None:
    decision = Decision()
    decision.decide(THERE)
    doubtful = replace(UNDER_WAY, chance_not_wrong=0.25)
    risen = replace(UNDER_WAY, chance_not_wrong=0.1)
    for stays in (doubtful, replace(risen, good=False), replace(risen, known=False), replace(doubtful, settled=False)):
        assert decision.decide(stays)[0] is Verdict.STOP
    verdict, words = decision.decide(risen)
    assert verdict is Verdict.RINSE and "risen" in words
    assert decision.decide(risen) == (Verdict.RINSE, "rinse on")  # taken back, and told once
    assert decision.decide(THERE)[0] is Verdict.STOP  # and it can come again


def test_stalled_needs_near_certainty_the_plateau_and_a_portion_poured_on_it() -> None:
    verdict, words = Decision().decide(OUT_OF_REACH)
    assert verdict is Verdict.STALLED and "more water will not help" in words and "(w)" not in words
    verdict, words = Decision().decide(replace(OUT_OF_REACH, floor_high=True))
    assert verdict is Verdict.STALLED and "more water will not help" in words and "(w)" in words
    assert _verdict(replace(OUT_OF_REACH, chance_unreachable=0.97)) is Verdict.STALLED
    for not_yet in ({"patient": False}, {"excess_share": 0.25}, {"chance_unreachable": 0.96}):
        assert _verdict(replace(OUT_OF_REACH, **not_yet)) is Verdict.RINSE  # type: ignore[arg-type]
    assert on_plateau(OUT_OF_REACH) and not on_plateau(replace(OUT_OF_REACH, excess_share=0.3))


@pytest.mark.parametrize(
    ("evidence", "part"),
    [
        (replace(UNDER_WAY, has_target=False), "no target yet"),
        (replace(UNDER_WAY, known=False), "not read in range yet"),
        (replace(THERE, settled=False), "let the reading settle"),
        (replace(UNDER_WAY, chance_unreachable=0.5), "may be below what"),
        (replace(UNDER_WAY, chance_unreachable=0.45), "rinse on"),
        (UNDER_WAY, "rinse on"),
    ],
)
def test_what_is_said_while_there_is_no_verdict(evidence: Evidence, part: str) -> None:
    verdict, words = Decision().decide(evidence)
    assert verdict is Verdict.RINSE and part in words


def _setup(endpoint: Endpoint, feed: float | None = None, water: float | None = None) -> RinseSetup:
    return RinseSetup(
        resin_ml=500.0, residue=Residue.NAOH, endpoint=endpoint, portion_ml=250.0, feed_us_cm=feed,
        rinse_water_us_cm=water,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("endpoint", "feed", "water", "step", "target"),
    [
        (Endpoint.parse("12 uS/cm", 0.5), 9.0, 1.0, 2.0, 12.0),  # as it was said
        (Endpoint(EndpointKind.FEED), 9.0, 1.0, 2.0, 9.0),  # no higher than the feed
        (Endpoint(EndpointKind.FEED), 0.5, 0.0, 2.0, 1.0),  # a display of 0 stands for half a step
        (Endpoint(EndpointKind.FEED), None, 1.0, 2.0, None),
        (Endpoint(EndpointKind.ZERO), 9.0, 3.0, 2.0, 4.0),  # like the rinse water: within half a step
        (Endpoint(EndpointKind.ZERO), 9.0, 3.0, 0.1, 3.3),  # or a tenth
        (Endpoint(EndpointKind.ZERO), 9.0, None, 2.0, None),
        (Endpoint(EndpointKind.BREAK_EVEN), 9.0, 3.0, 2.0, None),  # it moves with the belief
    ],
)
def test_the_target_of_each_kind_of_endpoint(
    endpoint: Endpoint, feed: float | None, water: float | None, step: float, target: float | None
) -> None:
    assert target_us_cm(_setup(endpoint, feed, water), step) == (None if target is None else pytest.approx(target))


def test_a_portion_unlike_those_before_is_said_to_be_and_not_to_settle() -> None:
    waiting = replace(THERE, settled=False)
    assert Decision().decide(waiting) == (Verdict.RINSE, "about there: let the reading settle")
    assert Decision().decide(replace(waiting, unlike=True)) == (Verdict.RINSE, UNLIKE)
    assert Decision().decide(replace(waiting, unlike=True, doubted=True)) == (Verdict.RINSE, DOUBTED)
    assert Decision().decide(replace(UNDER_WAY, unlike=True)) == (Verdict.RINSE, "rinse on")


def test_what_stands_at_the_target_is_no_plateau_above_it() -> None:
    assert _verdict(OUT_OF_REACH) is Verdict.STALLED
    assert _verdict(replace(OUT_OF_REACH, reads_at=True)) is Verdict.RINSE


def test_read_far_above_the_target_a_stop_ends_whatever_is_believed() -> None:
    decision = Decision()
    decision.decide(THERE)
    verdict, words = decision.decide(replace(THERE, reads_above=True))
    assert verdict is Verdict.RINSE and "risen" in words


def test_a_stop_missed_by_little_says_so() -> None:
    decision = Decision()
    decision.decide(THERE)
    verdict, words = decision.decide(replace(THERE, chance_at=0.01))
    assert verdict is Verdict.STOP and "just above" in words
    assert decision.decide(THERE)[1] == "the endpoint is reached"


def test_out_of_reach_is_said_before_what_the_display_hides() -> None:
    _, words = Decision().decide(replace(OUT_OF_REACH, patient=False, coarse_us_cm=2.0))
    assert "may be below" in words
