"""A floor below what the rinse water reads: anion resin, freshly in the hydroxide form, takes up the carbonic acid.

Common practice, no source: carbon dioxide exhausts the anion resin, and water kept in a jar reads little else. The
numbers are invented. A target between the two readings can be reached.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from rinsewatch.rinse import prior
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.prior import FLOOR, PURE_WATER_US_CM, prior_from_setup
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import Verdict

RESIN_ML, PORTION_ML, FLOW_ML_MIN, PACE_S, STEP_US_CM = 500.0, 400.0, 100.0, 170.0, 0.1
WATER_US_CM, TOP_US_CM = 1.1, 2000.0
Rinsed = Callable[[float, float, int], tuple[float | None, set[Verdict]]]


def _setup(target_us_cm: float, *, flow: bool, water_us_cm: float = WATER_US_CM) -> RinseSetup:
    return RinseSetup(
        resin_ml=RESIN_ML,
        residue=Residue.NAOH,
        endpoint=Endpoint.parse(f"{target_us_cm} uS/cm", 0.5),
        portion_ml=None if flow else PORTION_ML,
        flow_ml_min=FLOW_ML_MIN if flow else None,
        rinse_water_us_cm=water_us_cm,
        rinse_water_step_us_cm=STEP_US_CM,
        top_us_cm=TOP_US_CM,
    )


def _row(time_s: float, volume_ml: float | None, true: float, rng: np.random.Generator) -> Row:
    shown = max(true * (1.0 + 0.005 * rng.standard_normal()), 0.0)
    over = shown > TOP_US_CM
    return Row(time_s, volume_ml, Mark.OVER if over else Mark.VALUE, None if over else round(shown, 1), "uS/cm", 1)


def _portions(floor_us_cm: float, target_us_cm: float, seed: int) -> tuple[float | None, set[Verdict]]:
    """(true filtrate at the stop in targets, None without one; what was said)."""
    rng, said = np.random.default_rng(seed), set()
    rinse = Rinse(_setup(target_us_cm, flow=False))
    keeps, leaks = rng.uniform(0.25, 0.4), rng.uniform(0.5, 0.62)
    mobile, slow = 2e5, 2e5 * rng.uniform(0.005, 0.03)
    for number in range(1, 30):
        begin_s, volume_ml = PACE_S * number, PORTION_ML * number
        rinse.observe(Row(begin_s, volume_ml, event="portion"))
        mobile, slow = (x * math.exp(0.03 * rng.standard_normal()) for x in (mobile * keeps, slow * leaks))
        for after_s in range(5, 155, 5):
            true = floor_us_cm + (mobile + slow) * (0.9 + 0.1 * after_s / 150.0)
            state = rinse.observe(_row(begin_s + after_s, volume_ml, true, rng))
            said.add(state.verdict)
            if state.verdict is Verdict.STOP:
                return (floor_us_cm + mobile + slow) / target_us_cm, said
    return None, said


def _flow(floor_us_cm: float, target_us_cm: float, seed: int) -> tuple[float | None, set[Verdict]]:
    rng, said = np.random.default_rng(seed), set()
    rinse, tail = Rinse(_setup(target_us_cm, flow=True)), rng.uniform(0.4, 0.6) * RESIN_ML
    weak, waits_ml = rng.uniform(0.002, 0.02), rng.uniform(0.3, 0.5) * RESIN_ML
    for time_s in range(0, 4200, 5):
        volume_ml = FLOW_ML_MIN * time_s / 60.0
        out_ml = max(volume_ml - waits_ml, 0.0)
        strong = (1.0 - weak) * math.exp(-out_ml / (0.12 * RESIN_ML))
        true = floor_us_cm + 3e5 * (strong + weak * math.exp(-out_ml / tail))
        state = rinse.observe(_row(float(time_s), None, true, rng))
        said.add(state.verdict)
        if state.verdict is Verdict.STOP:
            return true / target_us_cm, said
    return None, said


@pytest.mark.parametrize("rinse", [_portions, _flow])
@pytest.mark.parametrize("floor_us_cm", [0.4, 0.8])
def test_a_target_below_the_rinse_water_is_reached(rinse: Rinsed, floor_us_cm: float) -> None:
    target_us_cm = 0.5 * (floor_us_cm + WATER_US_CM)
    for seed in (1, 2):
        there, said = rinse(floor_us_cm, target_us_cm, seed)
        assert there is not None and 0.5 < there < 1.05
        if floor_us_cm < 0.5:  # the other comes to the rinse water's reading so slowly that it is taken for the floor
            assert Verdict.STALLED not in said


@pytest.mark.parametrize("rinse", [_portions, _flow])
def test_where_no_floor_may_lie_below_it_never_stops(rinse: Rinsed, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control."""
    monkeypatch.setattr(prior, "LOW_FLOOR_SHARE", 0.0)
    monkeypatch.setattr(prior, "LOW_FLOOR_SPREADS", 40.0)
    assert rinse(0.4, 0.75, 1)[0] is None


@pytest.mark.parametrize("rinse", [_portions, _flow])
def test_a_floor_above_the_target_still_never_stops(rinse: Rinsed) -> None:
    """Below the rinse water's reading, and the target further below."""
    assert rinse(0.8, 0.5, 1)[0] is None


def test_floors_lie_between_pure_water_and_the_usual_ones_for_one_unusual_bed_in_ten() -> None:
    usual = prior_from_setup(_setup(1.0, flow=True), STEP_US_CM)
    rng, bound = np.random.default_rng(3), usual.floor_bound_us_cm
    for case, low, high in ((usual, 0.0, 0.001), (usual.unusual(), 0.08, 0.12)):
        floors = case.floor_us_cm(case.draw(20_000, rng))
        assert floors.min() >= PURE_WATER_US_CM
        assert low <= float((floors < bound).mean()) <= high
    spread = np.sort(floors[floors < bound])
    assert spread[len(spread) // 2] == pytest.approx(0.5 * (PURE_WATER_US_CM + bound), rel=0.1)


def test_the_density_is_that_of_the_draws_below_the_bound_too() -> None:
    """By counting: log density against the share of draws in each bin of the floor's parameter."""
    unusual = prior_from_setup(_setup(1.0, flow=True), STEP_US_CM).unusual()
    rng = np.random.default_rng(4)
    drawn = unusual.draw(400_000, rng)[:, FLOOR]
    centres = np.linspace(unusual.mean[FLOOR] - 8.0, unusual.mean[FLOOR] + 1.0, 10)
    width = 0.2
    counted = np.array([(np.abs(drawn - c) < 0.5 * width).mean() / width for c in centres])
    theta = np.tile(unusual.mean, (centres.size, 1))
    theta[:, FLOOR] = centres
    density = np.exp(unusual.log_density(theta))
    ratio = counted / density
    enough = counted > 1e-3
    assert enough.sum() >= 5
    assert np.allclose(ratio[enough], ratio[enough].mean(), rtol=0.12)


def test_nothing_lies_below_pure_water() -> None:
    unusual = prior_from_setup(_setup(1.0, flow=True, water_us_cm=PURE_WATER_US_CM), STEP_US_CM).unusual()
    assert unusual.floor_low_share == 0.0
