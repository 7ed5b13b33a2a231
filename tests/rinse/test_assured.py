"""A portion in doubt matters as long as the rinse would not be done without it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse import verdict
from rinsewatch.rinse.assured import Assured
from rinsewatch.rinse.doubts import Doubts
from rinsewatch.rinse.portions import PortionBelief
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.verdict import DOUBTED, LASTING, UNLIKE

FALLS = (881, 510, 329, 228, 172, 122, 93, 67, 47, 32, 22, 15)


def _typed(shown: list[int], late_at: int = 0) -> list[Row]:
    """One whole-ppm reading typed for each portion; portion number ``late_at`` stood for 400 s more."""
    rows, poured_s = [], 0.0
    for n, ppm in enumerate(shown, start=1):
        poured_s += 505.0 if n == late_at + 1 and late_at else 105.0
        rows.append(Row(poured_s, 1900.0 * n, event="portion"))
        rows.append(Row(poured_s + 95.0, 1900.0 * n, Mark.VALUE, float(ppm), "ppm", 0))
    return rows


def _states(bench: Any, shown: list[int], target: str = "16 uS/cm", late_at: int = 0) -> list[Any]:
    """After each reading."""
    setup = bench.setup(resin_ml=1010.0, portion_ml=1900.0, endpoint=Endpoint.parse(target, 0.5))
    return list(bench.watch(setup, _typed(shown, late_at)))[1::2]


def test_it_says_nothing_before_it_was_told_or_after_it_has_forgotten() -> None:
    """No forecast, no assurance."""
    assured = Assured()
    assert assured.most_us_cm(0.0) == math.inf
    assured.renew(100.0, 50.0, np.array([8.0, 6.0, 4.0]))
    assert assured.most_us_cm(100.0) == 8.0
    assured.forget()
    assert assured.most_us_cm(100.0) == math.inf


@pytest.mark.parametrize(
    ("now_ml", "most"), [(100.0, 8.0), (149.0, 8.0), (150.0, 6.0), (200.0, 4.0), (900.0, 4.0), (1e6 / 3, 4.0)]
)
def test_its_ends_go_by_the_water_poured(now_ml: float, most: float) -> None:
    """Half a portion more is none; past the last place the last one holds."""
    assured = Assured()
    assured.renew(100.0, 50.0, np.array([8.0, 6.0, 4.0]))
    assert assured.most_us_cm(now_ml) == most


def test_water_taken_back_is_before_it() -> None:
    """A portion undone: that forecast was made with it."""
    assured = Assured()
    assured.renew(100.0, 50.0, np.array([8.0, 6.0, 4.0]))
    assert assured.most_us_cm(99.0) == assured.most_us_cm(50.0) == math.inf


def test_a_third_of_a_litre_at_a_time_loses_no_place() -> None:
    """Sums of portions are not exact."""
    assured = Assured()
    assured.renew(0.0, 1000.0 / 3.0, np.array([8.0, 6.0, 4.0]))
    assert assured.most_us_cm(sum([1000.0 / 3.0] * 2)) == 4.0


def test_a_vessel_is_believed_where_the_filtrate_is_as_clean_without_it(bench: Any) -> None:
    """The display shows 5 where 11 was foreseen, then 4. The filtrate falls by a quarter to a third a portion, so it is
    below the target of 9 ppm with the second: then a stop is right whatever the probe stands in, and not before."""
    states = _states(bench, [*FALLS, 5, 4, 3, 3], target="18 uS/cm")
    assert [str(state.verdict) for state in states[12:14]] == ["rinse", "stop"]


def test_a_vessel_is_believed_no_later_than_the_portion_after_where_that_is_close(bench: Any) -> None:
    """To 8 ppm the second of them is near enough for the forecast's dice to decide; never the first."""
    verdicts = [str(state.verdict) for state in _states(bench, [*FALLS, 5, 4, 3, 3])]
    assert verdicts[12] == "rinse" and verdicts[14] == "stop"


def test_what_stands_longer_than_usual_was_not_foreseen(bench: Any) -> None:
    """The same with a portion that stands for 500 s: more leaks into it, so the forecast from before is void."""
    states = _states(bench, [*FALLS, 5, 4], target="18 uS/cm", late_at=13)
    assert all(str(state.verdict) == "rinse" for state in states)
    assert DOUBTED in states[-1].reason


def test_portions_that_stand_still_are_told(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A washout slows down, but not at once: another vessel? "Let it settle" would be no help to who has typed it."""
    monkeypatch.setattr(verdict, "DOUBT_LASTS", math.inf)
    states = _states(bench, [*FALLS, 6, 6, 6, 6], late_at=13)
    assert str(states[-1].verdict) == "rinse" and UNLIKE in states[-1].reason


def test_who_rinses_on_in_doubt_is_asked_after_two_portions(bench: Any) -> None:
    """More of the same tells no more: only the person can."""
    states = _states(bench, [*FALLS, 6, 6, 6, 6], late_at=13)
    assert [str(state.verdict) for state in states[-4:]] == ["rinse", "rinse", "rinse", "check"]
    assert DOUBTED in states[-3].reason and states[-1].reason == LASTING


def test_the_persons_word_ends_how_the_portions_fell_as_a_measure() -> None:
    """Whoever has looked at the probe need not rinse on until the readings fall again."""
    doubts = Doubts()
    for n, shown in enumerate((60, 40, 27, 18)):
        doubts.keep_end(_digit(shown), 500.0 * n)
    assert not doubts.follows(_digit(18), 1.0, 2000.0)
    doubts.forget()
    assert not doubts.follows(_digit(18), 1.0, 2000.0), "what was no filtrate says nothing of how the others fell"
    doubts.confirmed()
    assert doubts.follows(_digit(18), 1.0, 2000.0)


def test_far_from_the_target_the_doubt_stays(bench: Any) -> None:
    """The control: to 4 uS/cm the forecast from before is far from done."""
    states = _states(bench, [*FALLS, 5, 2, 2], target="4 uS/cm")
    assert all(str(state.verdict) != "stop" for state in states)


def test_new_rinse_water_makes_it_void(bench: Any) -> None:
    """Another floor: what was foreseen with the old one says nothing."""
    belief = PortionBelief(bench.setup(resin_ml=1010.0, portion_ml=1900.0), 0.5)
    for n, ppm in enumerate(FALLS):
        belief.pour(1900.0, 120.0 * n)
        belief.take(Span(2.0 * ppm, 2.0 * ppm - 1.0, 2.0 * ppm + 1.0, 2.0), 120.0 * n + 90.0)
    belief.aim(60.0)
    belief.pour(1900.0, 120.0 * len(FALLS))
    low = Span(6.0, 5.0, 7.0, 2.0)
    belief.take(low, 120.0 * len(FALLS) + 90.0)
    assert not belief.doubts
    belief.new_rinse_water(bench.setup(resin_ml=1010.0, portion_ml=1900.0, rinse_water_us_cm=1.4), 0.1)
    assert belief.doubts


def _digit(shown: int) -> Span:
    """Whole ppm, 0.7 ppm per uS/cm: the ends of neighbouring digits meet but for the last bits."""
    return Span(shown / 0.7, max(shown - 0.5, 0.0) / 0.7, (shown + 0.5) / 0.7, 1.0 / 0.7)


@pytest.mark.parametrize(
    ("doubted", "later", "cleared"),
    [
        (0, 1, True),
        (2, 4, True),
        (2, 3, False),
        (1, 2, False),
        (3, 3, False),
        (3, 1, True),
        (3, 2, False),
        (1, 0, False),
    ],
)
def test_a_digit_more_or_less_clears_no_doubt_but_of_a_zero(doubted: int, later: int, cleared: bool) -> None:
    """Water near the border of two digits shows both; a glass that cools falls digit by digit; but air shows 0."""
    doubts = Doubts()
    doubts.call(_digit(doubted), 5.0, 300.0)  # far sooner than foreseen: time alone does not clear it
    assert doubts
    doubts.end_portion(_digit(later), 6.0)
    assert bool(doubts) is not cleared
