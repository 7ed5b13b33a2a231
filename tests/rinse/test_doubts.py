"""A reading too low to be believed at once is doubted; not for ever."""

from __future__ import annotations

from typing import Any

import pytest

from rinsewatch.rinse.doubts import Doubts
from rinsewatch.rinse.portions import PortionBelief
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.state import Verdict
from rinsewatch.rinse.verdict import DOUBTED

FALLS = (881, 510, 329, 228, 172, 122, 93, 67, 47, 32, 22, 15, 12, 8, 6, 4)


def _typed(shown: list[int]) -> list[Row]:
    """One whole-ppm reading typed for each portion, 95 s after it was poured."""
    rows = []
    for n, ppm in enumerate(shown, start=1):
        rows.append(Row(105.0 * n - 95.0, 1900.0 * n, event="portion"))
        rows.append(Row(105.0 * n, 1900.0 * n, Mark.VALUE, float(ppm), "ppm", 0))
    return rows


def _first_stop_shows(bench: Any, shown: list[int]) -> int | None:
    setup = bench.setup(resin_ml=1010.0, portion_ml=1900.0, endpoint=Endpoint.parse("4 uS/cm", 0.5))
    rows = _typed(shown)
    first = bench.first_stop(bench.watch(setup, rows))
    return None if first is None else int(rows[first].reading or 0)


@pytest.mark.parametrize("zeros", [0, 1])
def test_a_zero_typed_with_the_probe_in_air_does_not_bar_the_stop(bench: Any, zeros: int) -> None:
    """The portions after it read more again: it was that zero that was wrong."""
    assert _first_stop_shows(bench, [*FALLS, *[0] * zeros, 2, 1, 1, 1]) in (1, 2)


def test_zeros_from_then_on_are_no_stop(bench: Any) -> None:
    """A pen that shows 0 from two portions before the endpoint on has not shown that it is there."""
    states = bench.watch(
        bench.setup(resin_ml=1010.0, portion_ml=1900.0, endpoint=Endpoint.parse("4 uS/cm", 0.5)),
        _typed([*FALLS[:-2], 0, 0]),
    )
    assert Verdict.STOP not in {state.verdict for state in states}


@pytest.mark.parametrize("vessel", [(2, 2), (2, 1), (1, 2), (1, 1)])
@pytest.mark.parametrize("cut", [9, 11, 13])
def test_another_vessel_typed_portion_after_portion_is_never_believed_by_itself(
    bench: Any, cut: int, vessel: tuple[int, int]
) -> None:
    """Digits that flicker between 2 and 1 are no washout; the forecast must not come down to them. Falling as it does,
    the filtrate reads 3 ppm with portion 17 and the target's 2 with portion 18."""
    rows = _typed([*FALLS[:cut], *vessel * 6])
    states = bench.watch(bench.setup(resin_ml=1010.0, portion_ml=1900.0, endpoint=Endpoint.parse("4 uS/cm", 0.5)), rows)
    verdicts = [state.verdict for state in states[1::2]]
    assert set(verdicts[cut + 2 : 18]) == {Verdict.CHECK}, "asked as long as the answer matters"
    assert Verdict.STOP not in verdicts


def test_a_doubt_waits_for_a_later_portion() -> None:
    """Also where what is read is what was foreseen, as after a fall within the portion: another one must tell."""
    doubts = Doubts()
    doubts.fell(Span(94.0, 93.0, 95.0, 2.0), 128.0, 9.0, 94.0)
    same = Span(94.0, 93.0, 95.0, 2.0)
    assert not doubts.borne_out(same, 9.0)
    assert doubts.borne_out(same, 10.0)


def test_the_persons_word_ends_that_hold(bench: Any) -> None:
    """The control of the test before: the same readings, vouched for, are the filtrate."""
    rows = _typed([*FALLS[:13], 2, 2, 2, 2])
    rows.append(Row(rows[-1].time_s + 1.0, rows[-1].rinse_ml, event="note: probe confirmed"))
    for n in range(1, 4):
        rows.append(Row(rows[-1].time_s + 5.0, 1900.0 * (17 + n), event="portion"))
        rows.append(Row(rows[-1].time_s + 95.0, 1900.0 * (17 + n), Mark.VALUE, 1.0, "ppm", 0))
    setup = bench.setup(resin_ml=1010.0, portion_ml=1900.0, endpoint=Endpoint.parse("4 uS/cm", 0.5))
    states = bench.watch(setup, rows)
    assert states[-1].cause == "" and states[-1].verdict is not Verdict.CHECK


@pytest.mark.parametrize("shown", [1, 0])
def test_a_doubt_is_told_and_the_persons_word_ends_it(bench: Any, shown: int) -> None:
    """A fall by more than foreseen, then the same again: no stop until it is borne out, or someone looked."""
    setup = bench.setup(resin_ml=1010.0, portion_ml=1900.0, endpoint=Endpoint.parse("4 uS/cm", 0.5))
    rows = _typed([*FALLS[:-1], shown, shown, shown, shown, shown][: len(FALLS) + (3 if shown else 4)])
    unsure = bench.watch(setup, rows)[-1]
    assert unsure.verdict is Verdict.RINSE and DOUBTED in unsure.reason
    rows.append(Row(rows[-1].time_s + 1.0, rows[-1].rinse_ml, event="note: probe confirmed"))
    rows.append(Row(rows[-1].time_s + 1.0, rows[-1].rinse_ml, Mark.VALUE, float(shown), "ppm", 0))
    assert bench.watch(setup, rows)[-1].verdict is Verdict.STOP


@pytest.mark.parametrize(
    ("first", "for_s", "back_s", "doubted"),
    [(64, 70, 120, True), (47, 70, 120, False), (64, 5, 120, False), (64, 70, 72, False), (64, 70, 117, True)],
)
def test_a_standing_portion_that_falls_is_doubted(
    bench: Any, first: int, for_s: int, back_s: int, doubted: bool
) -> None:
    """Poured and not logged, or a display gone over to coarser steps: the next portion must tell.

    Soon after the pour the reading is still on its way; and a fall that comes back for five readings was a bubble.
    """
    belief = PortionBelief(bench.setup(resin_ml=1010.0, portion_ml=1900.0), 0.5)
    for n, ppm in enumerate((881, 510, 329, 228, 172, 122, 93, 67)):
        belief.pour(1900.0, 120.0 * n)
        belief.take(Span(2.0 * ppm, 2.0 * ppm - 1.0, 2.0 * ppm + 1.0, 2.0), 120.0 * n + 90.0)
    belief.pour(1900.0, 960.0)
    for i in range(120):
        ppm = first if i < for_s or i >= back_s else 47
        belief.take(Span(2.0 * ppm, 2.0 * ppm - 1.0, 2.0 * ppm + 1.0, 2.0), 961.0 + i)
    assert belief.doubts is doubted
