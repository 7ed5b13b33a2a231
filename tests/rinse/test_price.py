"""The price of stopping: against mass balances worked out here, and against the rule's own words."""

from __future__ import annotations

import math

import pytest

from rinsewatch import Rinse, Row
from rinsewatch.chemistry.breakeven import paying_filtrate_us_cm
from rinsewatch.chemistry.load import feed_load_eq_l
from rinsewatch.rinse.row import Mark
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import RinseState

FEED_US_CM = 20.0
RESIN_ML, PORTION_ML = 500.0, 500.0
# Ionic conductivities at 25 C, CRC Handbook: H 349.65, Cl 76.31 S cm2/mol.
ACID_S_CM2_EQ = 425.96


def _setup(endpoint: str = "break-even", **changes: object) -> RinseSetup:
    usual: dict[str, object] = {
        "resin_ml": RESIN_ML,
        "residue": Residue.HCL,
        "endpoint": Endpoint.parse(endpoint, 0.5),
        "portion_ml": PORTION_ML,
        "feed_us_cm": FEED_US_CM,
        "rinse_water_us_cm": 1.0,
    }
    return RinseSetup(**(usual | changes))  # type: ignore[arg-type]


def _rinse(setup: RinseSetup, portions: int = 14, keep: float = 0.31) -> list[RinseState]:
    """Acid that falls by ``keep`` a portion (Ve/(Ve+Vp) for Ve 225 mL), read once each; linear far below 1 mol/L."""
    rinse, states = Rinse(setup), []
    for n in range(1, portions):
        rinse.observe(Row(180.0 * n, PORTION_ML * n, event="portion"))
        us_cm = 1.0 + 425960.0 * 1.5 * keep**n
        if us_cm < 20_000:
            states.append(rinse.observe(Row(180.0 * n + 130.0, PORTION_ML * n, Mark.VALUE, us_cm, "uS/cm", 1)))
    return states


def test_the_price_is_the_residue_over_the_feed_s_load() -> None:
    """Mobile liquid of 225 mL at the filtrate's strength; whatever slow liquid is believed comes on top."""
    state = _rinse(_setup("feed"))[4]
    assert state.price is not None and state.filtrate is not None
    mobile_eq = (state.filtrate.mid - 1.0) / (1000.0 * ACID_S_CM2_EQ) * 0.225
    load = feed_load_eq_l(FEED_US_CM, "HCl").middle
    assert mobile_eq / load * 0.7 < state.price.stop_l.mid < mobile_eq / load * 2.5
    assert state.price.portion_l == pytest.approx(0.5)
    next_eq = (state.filtrate.mid - 1.0) * 0.31 / (1000.0 * ACID_S_CM2_EQ) * 0.5
    assert state.price.rescued_l == pytest.approx(next_eq / load, rel=0.25)


def test_no_price_without_the_feed_or_from_a_feed_without_load() -> None:
    """Nothing but pure water wears no cation resin; the anion resin still meets carbon dioxide from the air."""
    for residue, feed in ((Residue.HCL, None), (Residue.NAOH, None), (Residue.NAOH, 0.0)):
        setup = _setup("12 uS/cm", residue=residue, feed_us_cm=feed, resolution_us_cm=0.01)
        assert _rinse(setup)[4].price is None


def test_break_even_stops_when_the_next_portion_no_longer_pays() -> None:
    states = _rinse(_setup())
    stop = next(i for i, s in enumerate(states) if s.verdict == "stop")
    before, at = states[stop - 1].price, states[stop].price
    assert before is not None and at is not None
    assert before.rescued_l > before.portion_l * 0.9
    assert at.rescued_l < at.portion_l


def test_the_target_lies_above_the_feed_reading_for_acid() -> None:
    """Acid conducts 3.5 times as much as salt: about 3.5 (1 + Vp/Ve) times the feed, here 11 times."""
    target = _rinse(_setup())[-1].target_us_cm
    assert target is not None
    assert 6.0 * FEED_US_CM < target < 16.0 * FEED_US_CM


def test_in_flow_the_target_is_the_paying_filtrate_on_top_of_the_floor() -> None:
    rinse = Rinse(_setup(portion_ml=None, flow_ml_min=100.0))
    target, floor = rinse.state.target_us_cm, rinse.state.floor_us_cm
    assert target is not None and floor is not None
    assert target - floor == pytest.approx(paying_filtrate_us_cm("HCl", FEED_US_CM), rel=0.05)


def test_feed_measured_in_mid_rinse_moves_the_break_even() -> None:
    rinse = Rinse(_setup())
    before = rinse.state.target_us_cm
    after = rinse.observe(Row(1.0, 0.0, event="note: feed = 40 uS/cm")).target_us_cm
    assert before is not None and after is not None
    assert after == pytest.approx(2.0 * before, rel=0.1)


def test_a_slip_of_the_feed_is_not_taken() -> None:
    rinse = Rinse(_setup())
    before = rinse.state.target_us_cm
    assert rinse.observe(Row(1.0, 0.0, event="note: feed = 40 mS/cm")).target_us_cm == before


def test_prices_in_flow_fall_and_stay_finite() -> None:
    rinse, prices = Rinse(_setup(portion_ml=None, flow_ml_min=250.0)), []
    for n in range(1, 600):
        us_cm = 1.0 + 6e5 * math.exp(-n * 0.02)
        if us_cm < 20_000:
            state = rinse.observe(Row(10.0 * n, None, Mark.VALUE, us_cm, "uS/cm", 1))
            prices.append(state.price)
    known = [p for p in prices if p is not None]
    assert len(known) > 200
    assert known[0].stop_l.mid > 20 * known[-1].stop_l.mid > 0.0
    assert all(p.stop_l.low <= p.stop_l.mid <= p.stop_l.high < math.inf for p in known)
