"""The bed: mass cannot appear or vanish, and textbook washouts come out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rinsewatch_sim.column import Bed, Exchange, exponential

_LAWS = ("first-order", "two-rate", "diffusion")


def _bed(cells: int = 1, slow_ml: float = 0.0, entrained_ml: float = 100.0) -> Bed:
    bed = Bed(entrained_ml, slow_ml, cells, Exchange.law("first-order", 1e-3))
    bed.fill(1.0, 1.0)
    return bed


@given(
    cells=st.integers(1, 12), slow_ml=st.floats(1.0, 40.0), law=st.sampled_from(_LAWS),
    channel=st.floats(0.0, 0.4),
    acts=st.lists(st.tuples(st.sampled_from("frp"), st.floats(1.0, 500.0)), min_size=1, max_size=6),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_mass_is_conserved(cells: int, slow_ml: float, law: str, channel: float, acts: list[tuple[str, float]]) -> None:
    bed = Bed(100.0, slow_ml, cells, Exchange.law(law, 2e-3), channel)
    bed.fill(2.0, 0.7)
    before = bed.held_mmol
    collected = 0.0
    for act, amount in acts:
        if act == "f":
            collected += bed.flow(amount, 60.0) * amount
        elif act == "p":
            collected += bed.portion(amount, 30.0, 0.1) * amount
        else:
            bed.rest(amount)
        assert (bed.amounts >= -1e-12 * before).all()
    assert bed.held_mmol + collected == pytest.approx(before, rel=1e-10)
    assert bed.left_mmol == pytest.approx(collected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("entrained_ml", "portion_ml", "count", "left"),
    [(1.0, 1.0, 5, 0.03125), (100.0, 900.0, 3, 1.0e-3), (1.0, 20.0, 1, 0.047619), (1.0, 4.0, 5, 3.2e-4)],
)
def test_batch_washout(entrained_ml: float, portion_ml: float, count: int, left: float) -> None:
    """C_n = C_0 (Ve/(Ve+V))^n: the usual worked examples of washing in portions."""
    bed = _bed(entrained_ml=entrained_ml)
    for _ in range(count):
        filtrate = bed.portion(portion_ml, 10.0)
    assert bed.mobile_mol_l == pytest.approx(left, rel=1e-4)
    assert filtrate == pytest.approx(left, rel=1e-4)


@pytest.mark.parametrize(
    ("cells", "expected"),
    [(1, (0.606531, 0.367879, 0.135335, 0.0497871)), (3, (0.808847, 0.423190, 0.0619688, 0.0062322)),
     (10, (0.968172, 0.457930, 0.00499541, 7.12175e-6))],
)  # fmt: skip
def test_tanks_in_series(cells: int, expected: tuple[float, ...]) -> None:
    """Step washout of N tanks = Poisson.cdf(N-1, N theta) at theta 0.5, 1, 2, 3 (Levenspiel's model)."""
    bed = _bed(cells)
    outlet = []
    for _ in range(6):
        bed.flow(50.0, 30.0)
        outlet.append(bed.outlet_mol_l)
    assert [outlet[0], outlet[1], outlet[3], outlet[5]] == pytest.approx(expected, rel=5e-6)


@pytest.mark.parametrize(("left", "time"), [(0.5, 0.030547), (0.1, 0.182985), (0.05, 0.253118), (0.01, 0.416174)])
def test_diffusion_law_is_a_sphere(left: float, time: float) -> None:
    """Sphere with constant surface (Boyd, Crank): Dt/r^2 at which 1-F of the content is left."""
    rate = 1e-3  # pi^2 D / r^2
    bed = Bed(1e9, 10.0, 1, Exchange.law("diffusion", rate))
    bed.fill(0.0, 1.0)
    bed.rest(time * math.pi**2 / rate)
    assert bed.slow_mol_l == pytest.approx(left, rel=0.01)


def test_resting_bed_leaks_back() -> None:
    """After a pause the slow liquid has made the mobile liquid stronger, up to a common strength."""
    bed = _bed(slow_ml=20.0)
    bed.portion(400.0, 5.0)
    before = bed.mobile_mol_l
    bed.rest(1e5)
    assert bed.mobile_mol_l > 1.2 * before
    assert bed.mobile_mol_l == pytest.approx(bed.slow_mol_l, rel=1e-6)


def test_channelled_bed_breaks_through_sooner_and_tails_longer() -> None:
    even, channelled = _bed(12), Bed(100.0, 0.0, 12, Exchange.law("first-order", 1e-3), 0.3)
    channelled.fill(1.0, 1.0)
    for bed in (even, channelled):
        bed.flow(300.0, 60.0)
    assert channelled.outlet_mol_l > 5.0 * even.outlet_mol_l


def test_steps_may_be_cut_anywhere() -> None:
    whole, parts = _bed(5, 8.0), _bed(5, 8.0)
    whole.flow(120.0, 60.0)
    for _ in range(4):
        parts.flow(30.0, 15.0)
    assert parts.amounts == pytest.approx(whole.amounts, rel=1e-10)


def test_exponential_of_a_known_matrix() -> None:
    turn = exponential(np.array([[0.0, -math.pi], [math.pi, 0.0]]))
    assert turn == pytest.approx(-np.eye(2), abs=1e-12)


def test_unknown_law_is_refused() -> None:
    with pytest.raises(ValueError, match="known: first-order"):
        Exchange.law("magic", 1.0)
