"""Shapes of portions and earlier forecasts at their edges: what is remembered, looked at again, and forgotten."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rinsewatch.rinse.earlier import KEPT as FORECASTS
from rinsewatch.rinse.earlier import LEAST_JUDGES, EarlierForecasts
from rinsewatch.rinse.shape import KEPT, LEAST_READINGS, PortionShape
from rinsewatch.rinse.spans import Span

FLOOR = 1.0


def _portion(
    shape: PortionShape, us_cm: float, ln_change: float, count: int = 30, begin: int = 0, *, trusted: bool = True
) -> None:
    """Readings ``begin`` to ``count`` of a portion read for a minute that changes by so much, evenly in the log."""
    for i in range(begin, count):
        shown = round(us_cm * math.exp(ln_change * i / (count - 1)), 1)
        span = Span(shown, max(shown - 0.05, 0.0), shown + 0.05, 0.1)
        shape.add(60.0 * i / (count - 1), span)
        if trusted:
            shape.trust(60.0 * i / (count - 1), span)


def _known(ln_changes: list[float], count: int = 30) -> PortionShape:
    shape = PortionShape()
    for change in ln_changes:
        _portion(shape, 400.0, change, count)
        shape.next_portion()
    return shape


def test_without_any_reading_nothing_is_held_against_a_portion() -> None:
    shape = PortionShape()
    assert shape.behaves(FLOOR) and shape.vouches(FLOOR)


def test_two_portions_before_it_are_enough_to_doubt_one_and_a_single_one_is_not() -> None:
    for before, doubted in ((1, False), (2, True)):
        shape = _known([0.6] * before)
        _portion(shape, 50.0, 0.0)
        assert shape.behaves(FLOOR) is not doubted


def test_portions_of_few_readings_serve_as_examples_and_are_judged_from_six_on() -> None:
    assert LEAST_READINGS == 6  # more would leave slow meters without this guard
    shape = _known([0.6] * 3, count=6)
    _portion(shape, 50.0, 0.6, count=6)
    assert shape.vouches(FLOOR)
    flat = _known([0.6] * 3, count=6)
    _portion(flat, 50.0, 0.0, count=6)
    assert not flat.behaves(FLOOR)


def test_what_was_over_range_tells_nothing_of_a_shape() -> None:
    shape = _known([0.0] * 3)
    for i in range(20):
        shape.add(1.0 * i, Span(2000.0, 2000.0, math.inf, 0.0))
    for i in range(40):
        shape.add(20.0 + 1.0 * i, Span(50.0, 49.95, 50.05, 0.1))
    assert shape.behaves(FLOOR)


def test_the_next_portion_begins_without_suspicion() -> None:
    shape = _known([0.6] * 4)
    _portion(shape, 50.0, 0.0, trusted=False)
    assert not shape.behaves(FLOOR) and not shape.vouches(FLOOR)
    shape.next_portion()
    assert shape.behaves(FLOOR) and shape.vouches(FLOOR)
    _portion(shape, 50.0, 0.0)
    assert not shape.behaves(FLOOR)  # a portion not believed is no example


def test_what_was_refused_in_a_portion_is_no_part_of_its_example() -> None:
    """Bubbles on the probe in three portions once made every later portion unlike them."""
    for refused, behaves in ((False, False), (True, True)):
        shape = PortionShape()
        for _ in range(3):
            for i in range(30):
                bubble = 6 <= i < 12
                shown = 400.0 * math.exp(0.6 * i / 29) * (0.05 if bubble else 1.0)
                span = Span(shown, shown - 0.05, shown + 0.05, 0.1)
                shape.add(60.0 * i / 29, span)
                if not (refused and bubble):
                    shape.trust(60.0 * i / 29, span)
            shape.next_portion()
        _portion(shape, 50.0, 0.6)
        assert shape.behaves(FLOOR) is behaves


def test_what_was_believed_by_mistake_is_no_example() -> None:
    """Beside portions that rise seven times, one that rises as the true ones did would be unlike."""
    for mistaken, behaves in ((True, True), (False, False)):
        shape = _known([0.6] * 2)
        for _ in range(4):
            _portion(shape, 50.0, 2.0)
            if mistaken:
                shape.distrust()
            shape.next_portion()
        _portion(shape, 50.0, 0.5)
        assert shape.behaves(FLOOR) is behaves


def test_words_and_zeros_are_no_part_of_an_example() -> None:
    shape = PortionShape()
    for _ in range(3):
        shape.trust(0.0, Span(0.0, 0.0, 0.05, 0.1))
        shape.trust(1.0, Span(2000.0, 2000.0, math.inf, 0.0))
        _portion(shape, 400.0, 0.6)
        shape.trust(60.0, Span(0.0, 0.0, 0.05, 0.1))
        shape.trust(60.0, Span(2000.0, 2000.0, math.inf, 0.0))
        shape.next_portion()
    _portion(shape, 50.0, 0.0)
    assert not shape.behaves(FLOOR)


def test_a_persons_word_forgets_what_the_portions_before_did() -> None:
    shape = _known([0.6] * 4)
    _portion(shape, 50.0, 0.0)
    assert not shape.behaves(FLOOR)
    shape.forget()
    assert shape.behaves(FLOOR) and shape.vouches(FLOOR)
    shape.next_portion()
    _portion(shape, 50.0, 0.0)
    assert shape.behaves(FLOOR)


def test_a_fall_by_a_fifth_is_a_film_and_two_thirds_of_the_usual_rise_are_a_leaking_bed() -> None:
    for before, change, behaves in ((0.0, -0.24, False), (0.6, 0.4, True), (0.37, 0.09, False)):
        shape = _known([before] * 4)
        _portion(shape, 50.0, change)
        assert shape.behaves(FLOOR) is behaves, (before, change)


@pytest.mark.parametrize(("before", "change"), [(0.6, 0.18), (0.44, -0.1)])
def test_a_coarse_display_is_given_the_benefit_of_the_doubt(before: float, change: float) -> None:
    """Steps of 5 at 50: what would be too flat on a fine display may be one step less than was there."""
    for step, behaves in ((5.0, True), (0.1, False)):
        shape = _known([before] * 4)
        for i in range(30):
            shown = 50.0 * math.exp(change * i / 29)
            shape.add(60.0 * i / 29, Span(shown, shown - step / 2, shown + step / 2, step))
        assert shape.behaves(FLOOR) is behaves


def test_proof_is_looked_for_without_the_other_question_asked_first() -> None:
    shape = _known([0.6] * 4)
    _portion(shape, 50.0, 0.0)
    assert not shape.vouches(FLOOR)


def test_a_portion_is_looked_at_again_as_it_goes_on() -> None:
    shape = _known([0.0] * 4)
    for i in range(40):
        shape.add(1.0 * i, Span(50.0, 49.95, 50.05, 0.1))
        assert shape.behaves(FLOOR)
    for i in range(30):  # then a film dries
        shown = round(50.0 * 0.98**i, 1)
        shape.add(40.0 + i, Span(shown, shown - 0.05, shown + 0.05, 0.1))
        shape.behaves(FLOOR)
    assert not shape.behaves(FLOOR)


def test_the_last_portions_are_remembered_and_older_ones_are_not() -> None:
    """A bed whose portions once fell is not suspected for falling until that is long ago."""
    for since, suspected in ((KEPT - 1, False), (KEPT, True)):
        shape = _known([-0.4] + [0.0] * since)
        _portion(shape, 50.0, -0.4)
        assert shape.behaves(FLOOR) is not suspected


def _forecasts(*lows: float) -> EarlierForecasts:
    earlier = EarlierForecasts()
    for low in lows:
        fall = low * np.array([1.0, 0.5, 0.25])
        earlier.add(100.0, np.array([0.0, 500.0, 1000.0]), fall, 2.0 * fall)
    return earlier


def test_the_newest_forecast_is_the_one_carried_on() -> None:
    assert _forecasts(80.0, 90.0, 100.0).last_low_us_cm(0.0) == pytest.approx(100.0)


def test_a_forecast_speaks_to_its_very_end() -> None:
    earlier = _forecasts(*[80.0] * LEAST_JUDGES)
    assert [earlier.low_us_cm(volume) for volume in (750.0, 1000.0)] == pytest.approx([30.0, 20.0])


def test_as_many_forecasts_as_are_kept_all_speak() -> None:
    assert _forecasts(4000.0, *[80.0] * (FORECASTS - 1)).low_us_cm(500.0, share=1.0) == pytest.approx(2000.0)
