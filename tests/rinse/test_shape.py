"""How a portion moves while it stands, judged by those before it: leaking bed, other vessel, drying film."""

from __future__ import annotations

import math
from typing import Any

import pytest

from rinsewatch.rinse.portions import PortionBelief
from rinsewatch.rinse.shape import LEAST_KNOWN, LEAST_READINGS, PortionShape
from rinsewatch.rinse.spans import Span

FLOOR = 1.0


def _add(
    shape: PortionShape,
    start_us_cm: float,
    ln_change: float,
    step: float = 0.1,
    count: int = 30,
    *,
    trusted: bool = True,
) -> None:
    """A portion read for 60 s that changes by so much, evenly in the log."""
    for i in range(count):
        us_cm = round(start_us_cm * math.exp(ln_change * i / (count - 1)) / step) * step
        span = Span(us_cm, max(us_cm - step / 2, 0.0), us_cm + step / 2, step)
        shape.add(60.0 * i / (count - 1), span)
        if trusted:
            shape.trust(60.0 * i / (count - 1), span)


def _leaking(portions: int = 4, ln_change: float = 0.6) -> PortionShape:
    """A bed whose slow liquid leaks: every portion rises."""
    shape = PortionShape()
    for n in range(portions):
        _add(shape, 400.0 * 0.6**n, ln_change)
        shape.next_portion()
    return shape


def test_a_portion_that_rises_like_those_before_behaves_and_proves_it() -> None:
    shape = _leaking()
    _add(shape, 50.0, 0.5)
    assert shape.behaves(FLOOR) and shape.vouches(FLOOR)


def test_a_probe_in_another_vessel_reads_flat() -> None:
    """The control: the same flat portion where those before were flat as well."""
    shape = _leaking()
    _add(shape, 50.0, 0.0)
    assert not shape.behaves(FLOOR) and not shape.vouches(FLOOR)
    calm = _leaking(ln_change=0.0)
    _add(calm, 50.0, 0.0)
    assert calm.behaves(FLOOR) and calm.vouches(FLOOR)


@pytest.mark.parametrize("usual", [0.0, 0.6])
def test_a_film_that_dries_falls(usual: float) -> None:
    shape = _leaking(ln_change=usual)
    _add(shape, 50.0, -0.5)
    assert not shape.behaves(FLOOR)


def test_beds_whose_portions_always_fall_are_not_suspected() -> None:
    """A slow meter: the reading comes down to each portion for as long as it stands."""
    shape = _leaking(ln_change=-0.4)
    _add(shape, 50.0, -0.4)
    assert shape.behaves(FLOOR)


def test_near_the_floor_no_rise_is_due() -> None:
    """Only what lies above the floor can rise."""
    shape = _leaking()
    _add(shape, 1.05, 0.0)
    assert shape.behaves(1.0)
    assert shape.vouches(1.0)
    flat_above = _leaking()
    _add(flat_above, 1.05, 0.0, step=0.01)
    assert not flat_above.behaves(0.05)


def test_a_coarse_display_gives_no_objection_and_no_proof() -> None:
    """3 uS/cm on steps of 2: whether it rises cannot be seen."""
    shape = _leaking()
    _add(shape, 4.0, 0.0, step=2.0)
    assert shape.behaves(0.5) and not shape.vouches(0.5)


def test_too_little_known_is_no_reason_to_doubt() -> None:
    shape = _leaking(portions=LEAST_KNOWN - 1)
    _add(shape, 50.0, -1.0)
    assert shape.behaves(FLOOR) and shape.vouches(FLOOR)
    few = _leaking()
    _add(few, 50.0, -1.0, count=LEAST_READINGS - 1)
    assert few.behaves(FLOOR) and few.vouches(FLOOR) and not few.moves(FLOOR)


def test_a_portion_that_misbehaved_or_was_not_believed_is_no_example() -> None:
    """However many flat portions follow one another, they do not become what is usual."""
    shape = _leaking()
    for _ in range(8):
        _add(shape, 50.0, 0.0)
        assert not shape.behaves(FLOOR)
        shape.next_portion()
    refused = _leaking(portions=LEAST_KNOWN, ln_change=0.6)
    for _ in range(12):
        _add(refused, 50.0, 0.5, trusted=False)
        refused.next_portion()
    _add(refused, 50.0, 0.0)
    assert not refused.behaves(FLOOR)


def test_the_persons_word_ends_the_comparison() -> None:
    shape = _leaking()
    _add(shape, 50.0, 0.0)
    assert not shape.behaves(FLOOR)
    shape.forget()
    assert shape.behaves(FLOOR) and shape.vouches(FLOOR)


def test_zeros_and_over_range_have_no_shape() -> None:
    shape = _leaking()
    _add(shape, 50.0, 0.5)
    shape.add(61.0, Span(0.0, 0.0, 0.05, 0.1))
    shape.add(62.0, Span(2000.0, 2000.0, math.inf, 0.0))
    assert shape.behaves(FLOOR)


def test_only_a_movement_seen_on_the_display_is_proof() -> None:
    shape = _leaking()
    assert not shape.moves(FLOOR)  # the portion has only begun
    _add(shape, 50.0, 0.5)
    assert shape.moves(FLOOR)
    flat = _leaking()
    _add(flat, 50.0, 0.0)
    assert not flat.moves(FLOOR)
    first = _leaking(portions=LEAST_KNOWN - 1)
    _add(first, 50.0, 0.5)
    assert not first.moves(FLOOR)


def test_the_other_way_round_is_no_likeness() -> None:
    shape = _leaking(ln_change=-0.4)
    _add(shape, 50.0, -0.4)
    assert shape.moves(FLOOR)
    rising = _leaking(ln_change=-0.4)
    _add(rising, 50.0, 0.4)
    assert not rising.moves(FLOOR)


def test_digits_that_flicker_by_a_step_prove_nothing() -> None:
    """A whole-unit display at 2 and 1: no two parts of a portion are alike, and nothing has moved."""
    shape = _leaking()
    for i in range(60):
        us_cm = 4.0 if i > 40 and i % 2 else 2.0
        shape.add(1.0 * i, Span(us_cm, us_cm - 1.0, us_cm + 1.0, 2.0))
    assert shape.behaves(0.5) and not shape.moves(0.5)


@pytest.mark.parametrize(("high", "unlike"), [(True, False), (False, True)])
def test_a_probe_that_stood_in_stronger_water_for_a_while_moves_like_itself_again(
    bench: Any, high: bool, unlike: bool
) -> None:
    """Readings far above the filtrate are another water's. The control: taken as its own, they look like a fall."""
    belief = PortionBelief(bench.setup(resin_ml=1010.0, portion_ml=1900.0), 0.5)
    for n in range(5):
        belief.pour(1900.0, 100.0 * n)
        for i in range(90):
            us_cm = 0.7**n * 60.0 * math.exp(0.4 * i / 90.0)
            astray = n == 4 and 20 <= i < 60
            span = Span(*(200.0, 199.0, 201.0, 2.0) if astray else (us_cm, us_cm - 0.05, us_cm + 0.05, 0.1))
            belief.notice(span, 100.0 * n + i, high=astray and high)
            if not astray:
                belief.take(span, 100.0 * n + i)
    assert belief.unlike is unlike
