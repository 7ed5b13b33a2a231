"""Beds by formula: against closed forms, and against the bed that keeps a balance where both must agree."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import gammaincc

from rinsewatch_sim.column import Bed, Exchange
from rinsewatch_sim.simulate import run
from rinsewatch_sim.stepper import demo_scenario
from rinsewatch_sim.textbook import TextbookBed


def test_portions_are_the_product_of_the_mixing() -> None:
    """``c0 (Ve/(Ve+Vp))^n``: Ve 200, Vp 300 mL give 0.4 a portion."""
    bed = TextbookBed(200.0, 2.0, 1, 0.0, 500.0)
    assert [bed.portion(300.0, 60.0) for _ in range(3)] == pytest.approx([0.8, 0.32, 0.128])
    assert bed.soak(300.0, 1e9) == pytest.approx(0.0512), "standing makes no difference"


@pytest.mark.parametrize(("cells", "volumes"), [(1, 0.3), (4, 2.0), (30, 1.1), (30, 3.0)])
def test_the_front_is_the_incomplete_gamma_function(cells: int, volumes: float) -> None:
    """Against scipy's."""
    bed = TextbookBed(100.0, 1.0, cells, 0.0, 500.0)
    assert bed.flow(100.0 * volumes, 1.0) == pytest.approx(float(gammaincc(cells, cells * volumes)), rel=1e-9)


@pytest.mark.parametrize("cells", [1, 4])
def test_flow_through_mixed_cells_is_what_a_balance_gives(cells: int) -> None:
    balance = Bed(300.0, 1.0, cells, Exchange.law("first-order", 1e-12), 0.0)
    balance.fill(2.0, 0.0)
    formula = TextbookBed(300.0, 2.0, cells, 0.0, 500.0)
    for _ in range(600):
        assert formula.flow(2.0, 2.0) == pytest.approx(balance.flow(2.0, 2.0), rel=2e-2, abs=1e-9)


def test_the_tail_is_the_second_exponential() -> None:
    bed = TextbookBed(100.0, 2.0, 3, 0.01, 1000.0)
    late = [bed.flow(2000.0, 1.0) for _ in range(4)]
    assert np.diff(np.log(late[1:])) == pytest.approx([-2.0, -2.0], abs=1e-3)
    assert late[0] == pytest.approx(0.02 * math.exp(-2.0), rel=1e-3)


def test_late_at_the_probe() -> None:
    """For a third of the portion's time the meter shows the portion before, and then the same as ever."""
    scenario = replace(demo_scenario(), start_mol_l=0.02, period_s=1.0)
    usual, late = (run(replace(scenario, probe_late=share), np.random.default_rng(3)) for share in (0.0, 0.33))
    assert np.array_equal(usual.knots_us_cm, late.knots_us_cm)
    second = [i for i, row in enumerate(late.rows) if row.reading and row.rinse_ml == 600.0]
    third = len(second) // 3
    early = slice(second[3], second[third - 2])
    assert np.all(late.scale_us_cm[early] > 1.2 * usual.scale_us_cm[early])
    assert late.scale_us_cm[second[-1]] == pytest.approx(usual.scale_us_cm[second[-1]], rel=0.01)
