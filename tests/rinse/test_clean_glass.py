"""A pen left in a glass of clean water, one reading typed for each portion: what washes off it makes it fall slowly."""

from __future__ import annotations

from typing import Any

import pytest

from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import Verdict

PACE_S = 200.0


def _verdicts(bench: Any, shown: list[int]) -> list[Verdict]:
    """Three portions over range, then a whole-ppm reading typed at the end of each."""
    setup = bench.setup(
        resin_ml=500.0, portion_ml=500.0, endpoint=Endpoint.parse("18 uS/cm", 0.5), feed_us_cm=18.0,
        rinse_water_us_cm=0.0, top_us_cm=1998.0,
    )  # fmt: skip
    rows = list[Row]()
    for n, ppm in enumerate([-1, -1, -1, *shown], start=1):
        rows.append(Row(PACE_S * (n - 1) + 1.0, 500.0 * n, event="portion"))
        mark, value = (Mark.OVER, None) if ppm < 0 else (Mark.VALUE, float(ppm))
        rows.append(Row(PACE_S * n, 500.0 * n, mark, value, "ppm", 0))
    return [state.verdict for state in bench.watch(setup, rows)]


def _washout(fall: float, count: int) -> list[int]:
    return [round(881 * fall**n) for n in range(count)]


@pytest.mark.parametrize("glass", [[4, 3, 2, 2], [8, 6, 4, 2], [6, 5, 4, 3], [20, 10, 5, 2], [5, 3, 3, 2, 1]])
@pytest.mark.parametrize(("fall", "honest"), [(0.7, 2), (0.8, 2), (0.6, 4), (0.7, 4), (0.8, 4), (0.8, 8)])
def test_a_glass_that_falls_digit_by_digit_is_no_washout(
    bench: Any, fall: float, honest: int, glass: list[int]
) -> None:
    """No few portions forgotten bring 451 ppm to 4."""
    verdicts = _verdicts(bench, _washout(fall, honest) + glass)
    assert Verdict.STOP not in verdicts and verdicts[-1] is Verdict.CHECK


def test_a_portion_not_told_is_still_proved_by_the_ones_after_it(bench: Any) -> None:
    """The control: what goes on falling as a washout does is believed without a word from anybody, and not too soon."""
    shown = _washout(0.7, 22)
    del shown[6:8]  # two poured like the others; nobody pressed p, nothing was read
    verdicts = _verdicts(bench, shown)
    assert verdicts[-1] is Verdict.STOP
    first = (verdicts.index(Verdict.STOP) - 7) // 2  # two rows each: a portion and its reading; three were over range
    assert shown[first] <= 9 < shown[first - 1], "9 ppm are 18 uS/cm"


@pytest.mark.parametrize("fall", [0.55, 0.65, 0.75])
@pytest.mark.parametrize("at", [4, 6])
def test_one_portion_not_told_needs_nobody(bench: Any, fall: float, at: int) -> None:
    """Two at once may be asked about first; one is less than forecasts differ."""
    shown = _washout(fall, 22)
    del shown[at]
    verdicts = _verdicts(bench, shown)
    assert verdicts[-1] is Verdict.STOP and Verdict.CHECK not in verdicts


@pytest.mark.parametrize("fall", [0.55, 0.65, 0.75])
@pytest.mark.parametrize("at", [4, 6])
def test_four_portions_not_told_are_always_asked_about(bench: Any, fall: float, at: int) -> None:
    """However the washout goes: nobody forgets four, and a glass of rinse water looks like that. Digits only: to a
    display that shows 0 for many portions on end the forecast comes down by itself."""
    shown = [ppm for ppm in _washout(fall, 22) if ppm]
    del shown[at : at + 4]
    verdicts = _verdicts(bench, shown)
    assert Verdict.CHECK in verdicts and Verdict.STOP not in verdicts


def test_three_portions_not_told_are_asked_about_until_the_told_ones_would_do(bench: Any) -> None:
    """So far no two portions that are poured and forgotten bring it. With another one past the endpoint of the portions
    that were told, the question may rest."""
    shown = _washout(0.7, 22)
    done = next(n for n, ppm in enumerate(shown) if ppm <= 9)  # 9 ppm are 18 uS/cm
    del shown[6:9]
    verdicts = _verdicts(bench, shown)[7::2]  # two rows a portion; three were over range
    assert set(verdicts[7 : done + 1]) == {Verdict.CHECK}
    assert Verdict.STOP not in verdicts[: done + 1] and verdicts[-1] is Verdict.STOP
