"""What a stirred charge turns, against hand calculation and a titration to equilibrium by small steps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.chemistry.resin import Range
from rinsewatch.errors import QuantityError
from rinsewatch.planning.turning import turned_range, turned_share


@pytest.mark.parametrize(("times", "share"), [(1.0, 0.5), (2.0, 2.0 / 3.0), (3.0, 0.75)])
def test_without_selectivity_the_ions_share_out_evenly(times: float, share: float) -> None:
    """By hand, K = 1: (1 - r)(t - r) = r^2, so r = t / (1 + t)."""
    assert turned_share(times, 1.0) == pytest.approx(share, rel=1e-9)


def test_sodium_and_chloride_by_the_quadratic_formula() -> None:
    """By hand: K 1.5, t 3: 0.5 r^2 + 4 r - 3 = 0, r = 0.690; K 22, t 12: 21 r^2 + 13 r - 12 = 0, r = 0.507."""
    assert turned_share(3.0, 1.5) == pytest.approx(-4.0 + 22.0**0.5, rel=1e-6)
    assert turned_share(12.0, 22.0) == pytest.approx((-13.0 + (169.0 + 1008.0) ** 0.5) / 42.0, rel=1e-6)


@given(times=st.floats(0.2, 20.0), selectivity=st.floats(0.5, 30.0), parts=st.integers(1, 6))
def test_more_dose_and_more_parts_turn_more_and_never_all(times: float, selectivity: float, parts: int) -> None:
    share = turned_share(times, selectivity, parts)
    assert 0.0 < share < 1.0
    assert share <= times
    assert turned_share(times, selectivity, parts + 1) >= share - 1e-9
    assert turned_share(times * 1.5, selectivity, parts) > share - 1e-9
    assert turned_share(times, selectivity * 1.5, parts) < share + 1e-9


def test_in_endless_small_parts_it_ends_where_the_column_formula_says() -> None:
    """Integrated by hand: dt = dr (1 + K r/(1 - r)): t = (1 - K) r - K ln(1 - r)."""
    from math import log

    for selectivity in (1.5, 6.0):
        share = turned_share(3.0, selectivity, 4000)
        assert (1.0 - selectivity) * share - selectivity * log(1.0 - share) == pytest.approx(3.0, rel=2e-3)


def test_the_higher_selectivity_is_the_low_end() -> None:
    both = turned_range(3.0, Range(6.0, 22.0))
    assert both.low < both.high


@pytest.mark.parametrize(("times", "selectivity", "parts"), [(0.0, 1.0, 1), (1.0, 0.0, 1), (1.0, 1.0, 0)])
def test_what_is_no_dose_is_refused(times: float, selectivity: float, parts: int) -> None:
    with pytest.raises(QuantityError, match="more than 0"):
        turned_share(times, selectivity, parts)
