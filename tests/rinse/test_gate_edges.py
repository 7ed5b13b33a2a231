"""The gate at its edges: how a hold grows, changes and ends; what proves a washout; what counts as standing still."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from rinsewatch.rinse.gate import Assessment, Cause, Expectation, Gate
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.state import Quality

MID = Expectation(80.0, 125.0, True, True, False)
GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD
LATE_S = 1000.0  # a rinse under way: times are not small


def _span(us_cm: float, step: float = 1.0) -> Span:
    return Span(us_cm, max(us_cm - step / 2, 0.0), us_cm + step / 2, step)


def _read(gate: Gate, values: Sequence[float], expected: Expectation = MID, start_s: float = LATE_S) -> list[Quality]:
    """One reading a second, all in one portion."""
    return [gate.assess(_span(v), start_s + i, 5.0, expected).quality for i, v in enumerate(values)]


def _places(
    values: Sequence[float], *, apart_s: float = 20.0, step: float = 0.01, expected: Expectation = MID, gate: Gate
) -> list[Assessment]:
    """One reading in each of the portions that follow."""
    return [gate.assess(_span(v, step), LATE_S + apart_s * i, 6.0 + i, expected) for i, v in enumerate(values)]


def _held(cause: Cause) -> Gate:
    """A gate that holds for this cause, after three readings of it."""
    gate = Gate()
    _read(gate, {Cause.DRY: [0.0] * 3, Cause.LOW: [20.0] * 3, Cause.HIGH: [500.0, 501.0, 502.0]}[cause])
    assert gate.held is cause
    return gate


def test_a_new_gate_holds_nothing() -> None:
    gate = Gate()
    assert (gate.held, gate.held_for_s(LATE_S), gate.good_run, gate.silent) == (Cause.NONE, 0.0, 0, False)


def test_causes_are_the_words_of_the_record() -> None:
    """They stand in the JSON lines and in events of the logbook."""
    assert [cause.value for cause in Cause] == ["", "dry", "low", "high", "frozen", "link"]


def test_one_odd_reading_is_doubted_the_second_disbelieved_and_the_time_counts_from_the_first() -> None:
    gate = Gate()
    assert _read(gate, [20.0, 20.0, 20.0]) == [UNCERTAIN, BAD, BAD]
    assert gate.held_for_s(LATE_S + 7.0) == 7.0


@pytest.mark.parametrize(("odd", "after"), [(1, [GOOD, GOOD]), (2, [GOOD, GOOD]), (3, [UNCERTAIN, GOOD])])
def test_after_more_than_two_odd_readings_one_good_one_is_not_enough(odd: int, after: list[Quality]) -> None:
    gate = Gate()
    _read(gate, [20.0] * odd)
    assert _read(gate, [100.0, 100.0], start_s=LATE_S + 10) == after
    assert gate.held is Cause.NONE


def test_a_confirmation_is_used_up_by_the_first_odd_reading() -> None:
    gate = _held(Cause.LOW)
    gate.confirm()
    assert _read(gate, [20.0, 20.0, 20.0]) == [GOOD, UNCERTAIN, BAD]


@pytest.mark.parametrize(("first", "then"), [(Cause.DRY, 20.0), (Cause.HIGH, 20.0), (Cause.LOW, 500.0)])
def test_another_cause_is_another_hold(first: Cause, then: float) -> None:
    gate = _held(first)
    assert _read(gate, [then], start_s=LATE_S + 100) == [UNCERTAIN]
    assert gate.held is not first and gate.held_for_s(LATE_S + 102) == 2.0


def test_a_high_reading_that_then_stands_still_is_the_same_trouble() -> None:
    gate = Gate()
    for i in range(8):
        gate.assess(_span(500.0), LATE_S + i, 5.0, replace(MID, travel=3.0 + 0.1 * i))
    assert gate.held is Cause.FROZEN and gate.held_for_s(LATE_S + 8) == 8.0


@pytest.mark.parametrize(
    ("cause", "share", "believed"),
    [(Cause.DRY, 1.0, True), (Cause.HIGH, 1.0, True), (Cause.LOW, 1.4, False), (Cause.LOW, 1.6, True)],
)
def test_after_zeros_or_over_words_the_filtrate_may_have_gone_on_falling_but_another_vessel_has_not(
    cause: Cause, share: float, believed: bool
) -> None:
    """Unless the reading rises: then the probe was put back, and the filtrate has gone on meanwhile."""
    value = share * (20.0 if cause is Cause.LOW else 50.0)
    found = _read(_held(cause), [value, value], replace(MID, carried_low_us_cm=20.0), LATE_S + 10)
    assert (found[-1] is GOOD) is believed
    assert _read(_held(cause), [value, value])[-1] is not GOOD  # nothing was carried on


def test_digits_that_flicker_by_a_step_are_no_rise() -> None:
    """Water at the edge of two whole-ppm digits shows 2 and 4 uS/cm by turns: nobody put the probe back."""
    gate = Gate()
    _read(gate, [100.0, 100.0])
    for n in range(12):
        shown = (2.0, 4.0)[n % 2]
        found = gate.assess(
            Span(shown, shown - 1.0, shown + 1.0, 2.0), LATE_S + n, 5.0, replace(MID, carried_low_us_cm=1.0)
        )
        assert found.quality is not GOOD


@pytest.mark.parametrize("comes_down", [True, False])
def test_a_forecast_comes_down_to_held_readings_only_where_it_may(comes_down: bool) -> None:
    found = _read(_held(Cause.LOW), [20.0, 20.0], replace(MID, low_us_cm=10.0, comes_down=comes_down), LATE_S + 10)
    assert (found[-1] is GOOD) is comes_down


def test_by_default_the_forecast_may_come_down() -> None:
    assert _read(_held(Cause.LOW), [20.0, 20.0], Expectation(10.0, 125.0, True, True, False), LATE_S + 10)[-1] is GOOD


def test_a_reading_whose_interval_touches_the_expected_one_fits() -> None:
    assert Gate().assess(_span(79.5), 0.0, 5.0, MID).quality is GOOD
    assert Gate().assess(_span(125.5), 0.0, 5.0, MID).quality is GOOD
    assert Gate().assess(_span(0.0), 0.0, 5.0, replace(MID, low_us_cm=0.5)).quality is GOOD
    assert Gate().assess(_span(79.4), 0.0, 5.0, MID).cause is Cause.LOW
    assert Gate().assess(_span(125.6), 0.0, 5.0, MID).cause is Cause.HIGH


def test_zero_is_possible_where_half_a_step_is_more_than_pure_water() -> None:
    """0.055 uS/cm at 25 C (Light et al. 2005): steps of 0.15 may show it as 0."""
    assert Gate().assess(_span(0.0, 0.15), 0.0, 5.0, Expectation(0.0, 1.4, True, True, False)).cause is Cause.NONE


def _stands(travels: Sequence[float], step: float = 0.01) -> list[Cause]:
    """A display that shows 100.0 throughout, the washout having travelled so many e-folds."""
    gate = Gate()
    wide = replace(MID, low_us_cm=20.0, high_us_cm=150.0)
    return [
        gate.assess(_span(100.0, step), 30.0 * i, 5.0, replace(wide, travel=t)).cause for i, t in enumerate(travels)
    ]


def test_five_equal_readings_while_the_washout_runs_on_are_frozen_and_four_are_not() -> None:
    assert _stands([3.0, 3.1, 3.2, 3.3, 3.4]) == [Cause.NONE] * 4 + [Cause.FROZEN]


@pytest.mark.parametrize(
    ("travelled", "step", "frozen"),
    [
        (0.0, 0.01, False),  # it did not move, and it should not have
        (0.15, 0.01, False),  # a slow tail: washouts slow down
        (0.28, 0.01, True),  # a quarter less was to be expected
        (0.35, 5.0, True),  # coarse: three steps should have shown
        (0.35, 10.0, False),  # coarser still: they need not
    ],
)
def test_how_far_the_washout_must_have_moved(travelled: float, step: float, frozen: bool) -> None:
    found = _stands([3.0 + travelled * i / 9 for i in range(10)], step)
    assert (Cause.FROZEN in found) is frozen


def test_high_readings_rejoin_once_three_portions_and_more_than_three_quarters_of_a_minute_show_a_fall() -> None:
    found = _places([5000.0, 4000.0, 3900.0, 3800.0], apart_s=30.0, gate=Gate())
    assert [a.rejoined for a in found] == [False, False, True, False]
    assert found[2].quality is GOOD


@pytest.mark.parametrize(
    ("values", "apart_s", "rejoins"),
    [
        ([5000.0, 4900.0, 4000.0], 15.0, False),  # half a minute is too soon
        ([5000.0, 4900.0, 4000.0], 30.0, True),
        ([5000.0, 2500.0], 100.0, False),  # two portions are no trend
        ([5000.0, 4990.0, 4900.0], 30.0, False),  # 2 %: scatter
        ([5000.0, 4990.0, 4600.0], 30.0, True),  # 8 %
        ([5000.0, 5100.0, 5200.0], 30.0, False),
    ],
)
def test_what_proves_that_high_readings_are_a_washout(values: list[float], apart_s: float, rejoins: bool) -> None:
    gate = Gate()
    found = _places(values, apart_s=apart_s, gate=gate)
    assert any(a.rejoined for a in found) is rejoins
    assert (gate.held is Cause.NONE) is rejoins


def test_the_last_reading_of_a_portion_stands_for_it_and_the_distant_past_is_forgotten() -> None:
    gate = Gate()
    _read(gate, [3000.0, 5000.0])  # portion 5: only the last one counts
    found = _places([4500.0, 4000.0], apart_s=60.0, gate=gate)
    assert [a.rejoined for a in found] == [False, True]
    slow = _places([3000.0, 5000.0, 4900.0, 4800.0, 4700.0, 4600.0, 4500.0], apart_s=60.0, gate=Gate())
    assert [a.rejoined for a in slow] == [False] * 6 + [True]


def _low(*values: float, expected: Expectation = MID) -> list[bool]:
    return [a.rejoined for a in _places(values, expected=expected, gate=Gate())]


@pytest.mark.parametrize(
    "values",
    [
        (50.0, 35.0, 24.5, 17.0),
        (50.0, 47.1, 36.3, 30.0),  # unevenly: 6 % and 26 %
        (50.0, 40.5, 33.5, 27.0),  # a third in all
    ],
)
def test_low_readings_are_proved_by_three_finished_portions_each_lower(values: tuple[float, ...]) -> None:
    assert _low(*values) == [False, False, False, True]


@pytest.mark.parametrize(
    "values",
    [
        (50.0, 52.0, 30.0, 25.0),  # once up
        (50.0, 45.0, 41.0, 38.0),  # too slow: another vessel may drift so
        (50.0, 49.5, 34.0, 25.0),  # once not lower
    ],
)
def test_what_does_not_prove_them(values: tuple[float, ...]) -> None:
    assert not any(_low(*values))


def test_only_the_last_portions_must_fall() -> None:
    assert _low(50.0, 50.0, 35.0, 24.5, 17.0) == [False] * 4 + [True]


def test_below_what_a_washout_could_have_reached_nothing_is_proved() -> None:
    assert not any(_low(*(50.0 * 0.7**n for n in range(9)), expected=replace(MID, proof_low_us_cm=30.0)))
    assert any(_low(*(50.0 * 0.7**n for n in range(9)), expected=replace(MID, proof_low_us_cm=1.0)))
    assert any(_low(0.9, 0.6, 0.4, 0.3))  # without such a limit: none


def _alike(*endings: tuple[bool, ...]) -> bool:
    """Portions that fall as a washout does, each read as often as ``endings`` says alike or unlike; is it proved?"""
    gate, proved = Gate(), False
    for n, portion in enumerate(endings):
        for i, alike in enumerate(portion):
            expected = replace(MID, alike=alike)
            found = gate.assess(_span(50.0 * 0.7**n, 0.01), LATE_S + 20.0 * n + i, 6.0 + n, expected)
            proved = proved or found.rejoined
    return proved


def test_a_portion_proves_nothing_if_it_was_unlike_those_before_when_it_ended() -> None:
    """A display that flickers between two digits looks unlike for a moment: only how the portion ends counts."""
    assert _alike((True, False, True), (False, True), (True,), (True,))
    assert not _alike((True,), (True, False), (True,), (True,))
    assert not _alike((True,), (True,), (True,), (False,))
    assert _alike((False,), (True,), (True,), (True,), (True,))


def test_over_range_is_never_taken_for_a_display_that_stands_still() -> None:
    gate, over = Gate(), Span(2000.0, 2000.0, math.inf, 0.0)
    found = [gate.assess(over, LATE_S + i, 5.0, replace(MID, travel=0.1 * i)).cause for i in range(10)]
    assert set(found) == {Cause.HIGH}
