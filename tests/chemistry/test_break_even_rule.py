"""The break-even rule against arithmetic done in the test: the best of all stops, counted one by one."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.chemistry.breakeven import (
    break_even_eq_l,
    break_even_us_cm,
    gain_eq,
    left_eq,
    paying_filtrate_us_cm,
    price_l,
)
from rinsewatch.chemistry.load import feed_load_eq_l, residue_eq_l
from rinsewatch.errors import QuantityError

LOAD_EQ_L = 1.5e-4


# Limiting conductivities (CRC): caustic 248, acid 426, sodium chloride 126 S cm2/eq; feed of 40 uS/cm, where the
# 1 uS/cm of carbon dioxide is small. 5 %: the load is the middle of its range.
@pytest.mark.parametrize(("residue", "ratio"), [("NaOH", 248 / 121), ("HCl", 426 / 121), ("salt", 126 / 121)])
@pytest.mark.parametrize("share", [0.0, 0.5, 1.0, 3.0])
def test_in_readings_caustic_is_twice_and_acid_three_and_a_half_times_the_feed(
    residue: str, ratio: float, share: float
) -> None:
    reading = break_even_us_cm(residue, 40.0, share * 200.0, 200.0)
    assert reading / 40.0 == pytest.approx(ratio * (1.0 + share), rel=0.05)


def test_the_reading_is_the_equivalents() -> None:
    reading = break_even_us_cm("NaOH", 20.0, 250.0, 200.0)
    load = feed_load_eq_l(20.0, "NaOH").middle
    assert residue_eq_l("NaOH", reading) == pytest.approx(load * 2.25, rel=1e-6)


def test_a_portion_by_hand() -> None:
    """200 mL at 1 meq/L and as much water: half leaves, 0.1 meq; with 50 mL of slow liquid at 3 meq/L fully mixed in,
    (0.2 + 0.15) meq in 450 mL is 0.778 meq/L, and 200 mL of that leave."""
    assert gain_eq(1e-3, 200.0, 200.0) == pytest.approx(1e-4)
    assert gain_eq(1e-3, 200.0, 200.0, 3e-3, 50.0, 1.0) == pytest.approx(0.2 * 0.35e-3 / 0.45)
    assert gain_eq(1e-3, 200.0, 200.0, 3e-3, 50.0, 0.0) == pytest.approx(1e-4)
    assert left_eq(1e-3, 200.0, 3e-3, 50.0) == pytest.approx(0.35e-3)
    assert price_l(1e-4, LOAD_EQ_L) == pytest.approx(2.0 / 3.0)


@given(entrained=st.floats(10.0, 1e4), share=st.floats(0.05, 5.0), load=st.floats(1e-6, 1e-2))
def test_at_break_even_the_next_portion_just_pays(entrained: float, share: float, load: float) -> None:
    portion = share * entrained
    at = break_even_eq_l(load, portion, entrained)
    assert price_l(float(gain_eq(at, portion, entrained)), load) == pytest.approx(portion / 1000.0, rel=1e-9)


def _best_of_all(start: float, portion: float, entrained: float, price: float) -> int:
    """Number of portions with the most water: -N / c_load less what was poured; plain counting."""
    stay = entrained / (entrained + portion)
    net = [-start * stay**n * entrained / 1000.0 / LOAD_EQ_L - price * n * portion / 1000.0 for n in range(200)]
    return int(np.argmax(net))


def _first_below(start: float, portion: float, entrained: float, threshold: float) -> int:
    stay = entrained / (entrained + portion)
    return next(n for n in range(200) if start * stay**n < threshold)


@given(
    start=st.floats(0.1, 4.4),
    entrained=st.floats(15.0, 3e4),
    share=st.floats(0.3, 6.0),
    price=st.sampled_from([0.2, 1.0, 3.0]),
)
def test_mobile_liquid_stops_at_the_best_of_all_stops(
    start: float, entrained: float, share: float, price: float
) -> None:
    portion = share * entrained
    rule = _first_below(start, portion, entrained, break_even_eq_l(LOAD_EQ_L, portion, entrained, price))
    assert rule == _best_of_all(start, portion, entrained, price)


def test_without_the_factor_it_is_one_portion_late() -> None:
    """The control that must fail: c_load itself as the threshold, exactly one portion too many at any size."""
    for share in (0.5, 1.0, 2.0, 4.0):
        best = _best_of_all(2.0, share * 200.0, 200.0, 1.0)
        assert _first_below(2.0, share * 200.0, 200.0, LOAD_EQ_L) == best + 1


def test_continuous_flow_is_the_limit_of_small_portions() -> None:
    """Best volume by closed form: N = c0 Ve exp(-V/Ve), dN/dV = -c, so c = c_load whatever Ve."""
    assert break_even_eq_l(LOAD_EQ_L, 0.0, 123.0) == LOAD_EQ_L
    assert break_even_us_cm("HCl", 20.0, 0.0, 77.0) == paying_filtrate_us_cm("HCl", 20.0)
    assert break_even_us_cm("HCl", 20.0, 1e-6, 77.0) == pytest.approx(paying_filtrate_us_cm("HCl", 20.0))
    volumes = np.linspace(0.0, 20.0, 200_001)
    best = volumes[np.argmax(-2.0 * np.exp(-volumes) / LOAD_EQ_L - volumes)]
    assert 2.0 * math.exp(-best) == pytest.approx(LOAD_EQ_L, rel=1e-3)


def test_two_resins_that_give_out_together_share_the_weight() -> None:
    """Equal capacities: litres made follow the worse residue. Every pair of volumes tried: both stop at twice c_load
    (weight 1/2); the careful default c_load would pour ln 2 = 0.7 Ve more on each."""
    volumes = np.linspace(6.0, 12.0, 1201)
    caustic = 4.0 * np.exp(-volumes)[:, None]
    acid = 1.8 * np.exp(-volumes)[None, :]
    net = -np.maximum(caustic, acid) / LOAD_EQ_L - volumes[:, None] - volumes[None, :]
    i, j = np.unravel_index(np.argmax(net), net.shape)
    wanted = break_even_eq_l(LOAD_EQ_L, 0.0, 1.0, weight=0.5)
    assert float(caustic[i, 0]) == pytest.approx(wanted, rel=0.02)
    assert float(acid[0, j]) == pytest.approx(wanted, rel=0.02)


def test_dear_and_cheap_rinse_water() -> None:
    own = break_even_us_cm("NaOH", 20.0, 250.0, 200.0)
    assert break_even_us_cm("NaOH", 20.0, 250.0, 200.0, water_price=2.0) == pytest.approx(2.0 * own, rel=0.01)
    assert paying_filtrate_us_cm("NaOH", 20.0, weight=0.5) == pytest.approx(
        2.0 * paying_filtrate_us_cm("NaOH", 20.0), rel=0.01
    )


def test_a_population_at_once() -> None:
    mobile = np.geomspace(1e-5, 1e-2, 256)
    entrained = np.linspace(100.0, 300.0, 256)
    gains = gain_eq(mobile, 250.0, entrained, 2.0 * mobile, 40.0, 0.3)
    assert isinstance(gains, np.ndarray)
    one = gain_eq(float(mobile[7]), 250.0, float(entrained[7]), 2.0 * float(mobile[7]), 40.0, 0.3)
    assert gains[7] == pytest.approx(one)
    assert price_l(gains, LOAD_EQ_L).shape == (256,)
    assert np.all(gains < left_eq(mobile, entrained, 2.0 * mobile, np.full(256, 40.0)))


@pytest.mark.parametrize(
    ("call", "words"),
    [(lambda: break_even_us_cm("NaOH", 20.0, 250.0, 0.0), "entrained"),
     (lambda: break_even_us_cm("NaOH", 20.0, -1.0, 200.0), "portion"),
     (lambda: break_even_us_cm("NaOH", 0.0, 250.0, 200.0), "pure water"),
     (lambda: break_even_us_cm("tea", 20.0, 250.0, 200.0), "choose NaOH"),
     (lambda: break_even_us_cm("NaOH", float("inf"), 250.0, 200.0), "feed"),
     (lambda: break_even_us_cm("NaOH", 20.0, 250.0, 200.0, water_price=0.0), "water price"),
     (lambda: break_even_us_cm("NaOH", 20.0, 250.0, 200.0, weight=1.5), "at most 1"),
     (lambda: gain_eq(np.array([1e-3, -1e-3]), 250.0, 200.0), "mobile"),
     (lambda: gain_eq(1e-3, 250.0, np.array([200.0, 0.0])), "entrained"),
     (lambda: gain_eq(1e-3, 250.0, 200.0, 1e-3, 10.0, 1.1), "leak share"),
     (lambda: left_eq(float("nan"), 200.0), "mobile"), (lambda: price_l(1e-3, 0.0), "feed load")],
)  # fmt: skip
def test_nonsense_is_refused_in_one_line(call: Callable[[], object], words: str) -> None:
    with pytest.raises(QuantityError, match=words) as caught:
        call()
    assert "\n" not in str(caught.value)
