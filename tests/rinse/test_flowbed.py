"""The washout in continuous flow, against published worked values, certified sums and the matrix exponential."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import quad
from scipy.stats import poisson

from rinsewatch.rinse.flowbed import FlowBed, FlowState
from rinsewatch.rinse.flowpath import FlowPath
from rinsewatch.rinse.prior import CELLS, ENTRAINED, EXCHANGE, FILL, SLOW, START, fill
from rinsewatch.rinse.residence import Residence
from tests.rinse.columns import FULL, NO_SLOW, Column, MixedCells, theta_of

Array = npt.NDArray[np.float64]
RESIN_ML = 500.0


def _many(count: int, rng: np.random.Generator, width: float = 1.0) -> Array:
    """Beds of all kinds, those nobody has among them: ``width`` times the usual log spreads."""
    theta = np.zeros((count, 9))
    theta[:, FILL] = 1.2 * width * rng.standard_normal(count)
    for column, middle, spread in ((ENTRAINED, 0.45, 0.4), (SLOW, 0.16, 0.75), (EXCHANGE, 4e-3, 0.9)):
        theta[:, column] = math.log(middle) + width * spread * rng.standard_normal(count)
    theta[:, CELLS] = np.abs(math.log(8.0) + 0.9 * width * rng.standard_normal(count))
    theta[:, START] = 13.0
    return theta


@pytest.mark.parametrize(
    ("cells", "share"),
    [(1, (0.606531, 0.367879, 0.135335, 0.0497871)), (3, (0.808847, 0.423190, 0.0619688, 0.0062322)),
     (5, (0.891178, 0.440493, 0.0292527, 8.56641e-4)), (10, (0.968172, 0.457930, 0.00499541, 7.12175e-6))],
)  # fmt: skip
def test_tanks_in_series_table(cells: int, share: tuple[float, ...]) -> None:
    """Step washout of N equal mixed tanks (Levenspiel, Chemical Reaction Engineering, tanks-in-series model):
    W = sum over i < N of (N th)^i e^-(N th) / i!, a Poisson sum, at theta 0.5, 1, 2, 3."""
    bed, theta = FlowBed(1000.0, 1.0), theta_of(0.5, slow=0.0, cells=cells)
    for at, expected in zip((0.5, 1.0, 2.0, 3.0), share, strict=True):
        left = math.exp(bed.level(theta, bed.start(theta), 500.0 * at)[0])
        assert left == pytest.approx(expected, rel=1e-5)
        assert left == pytest.approx(poisson.cdf(cells - 1, cells * at), rel=1e-9)


def test_mean_and_variance_of_a_tracer_curve() -> None:
    """Levenspiel's example 11.1: mean 15 min, variance 47.5 min2, so 4.737 tanks; a washout with that many has
    the area (= mean) and the second moment of that tracer curve."""
    mean, variance = 15.0, 47.5
    bed, theta = FlowBed(1.0, 1.0), theta_of(mean, slow=0.0, cells=mean**2 / variance)
    state = bed.start(theta)

    def left(volume: float) -> float:
        return math.exp(bed.level(theta, state, volume)[0])

    assert quad(left, 0.0, 200.0)[0] == pytest.approx(mean, rel=1e-4)
    assert 2.0 * quad(lambda v: v * left(v), 0.0, 200.0)[0] - mean**2 == pytest.approx(variance, rel=1e-3)


def _share_of_tail(theta: Array, flow_ml_s: float, volume_ml: float) -> float:
    """A plainer formula: the front as if there were no exchange, the slow liquid as one exponential beside it."""
    entrained = RESIN_ML * math.exp(theta[0, ENTRAINED])
    slow_ml, rate, cells = entrained * math.exp(theta[0, SLOW]), math.exp(theta[0, EXCHANGE]), math.exp(theta[0, CELLS])
    share = rate * slow_ml / (flow_ml_s + rate * slow_ml)
    front = (1.0 - share) * float(poisson.cdf(round(cells) - 1, cells * volume_ml / entrained))
    return math.log(front + share * math.exp(-volume_ml * share / slow_ml))


def test_mixed_cells_with_exchange_agree_with_the_matrix_exponential() -> None:
    """Forty beds, down to e^-14: never more than 5 % off; the plainer formula is off by half and more in most."""
    rng, worst_plain = np.random.default_rng(11), []
    for _ in range(40):
        column = Column.drawn(rng, RESIN_ML)
        flow, theta = column.flow_ml_s, column.theta(RESIN_ML)
        bed, cells = FlowBed(RESIN_ML, flow), MixedCells(column)
        volumes = RESIN_ML * np.linspace(0.1, 12.0, 30)
        ours = bed.levels(theta, bed.start(theta), volumes)[0]
        steps = np.diff(volumes, prepend=0.0) / flow
        exact = np.array([math.log(max(cells.run(cells.flowing, s), 1e-300)) for s in steps])
        seen = exact > -14.0
        assert np.abs(ours - exact)[seen].max() < 0.05
        plain = np.array([_share_of_tail(theta, flow, v) for v in volumes])
        worst_plain.append(float(np.abs(plain - exact)[seen].max()))
    assert np.median(worst_plain) > 0.4


@pytest.mark.parametrize(("fill", "most"), [(0.5, 0.07), (0.2, 0.15)])
def test_slow_liquid_that_starts_weaker_agrees_with_the_matrix_exponential(fill: float, most: float) -> None:
    """Forty beds, down to e^-14. Taken as full, or as so much less slow liquid, it is off by far more in most."""
    rng, as_full, as_less = np.random.default_rng(11), [], []
    for _ in range(40):
        column = Column.drawn(rng, RESIN_ML, fill)
        flow, theta, cells = column.flow_ml_s, column.theta(RESIN_ML), MixedCells(column)
        volumes = RESIN_ML * np.linspace(0.1, 12.0, 30)
        steps = np.diff(volumes, prepend=0.0) / flow
        exact = np.array([math.log(max(cells.run(cells.flowing, s), 1e-300)) for s in steps])
        full = theta_of(0.45, column.slow_share, column.rate_s, column.cells)
        less = theta_of(0.45, column.slow_share * fill, column.rate_s, column.cells)
        bed = FlowBed(RESIN_ML, flow)
        ours, *controls = (bed.levels(each, bed.start(each), volumes)[0] - exact for each in (theta, full, less))
        seen = exact > -14.0
        assert np.abs(ours[seen]).max() < most
        as_full.append(float(np.abs(controls[0][seen]).max()))
        as_less.append(float(np.abs(controls[1][seen]).max()))
    assert np.median(as_full) > 4.0 * most
    assert np.median(as_less) > 1.5 * most


def test_all_that_was_in_the_bed_comes_out() -> None:
    """The area under the whole curve is mobile liquid and what the slow liquid holds (conservation of mass)."""
    rng = np.random.default_rng(12)
    theta, bed = _many(60, rng), FlowBed(RESIN_ML, 1.4)
    state = bed.start(theta)
    path = bed.path(theta, state, 0.0)
    early = bed.levels(theta, state, np.linspace(0.0, 0.1 * RESIN_ML, 21)) - theta[:, START, None]
    first = np.trapezoid(np.exp(early), dx=0.005 * RESIN_ML, axis=1)
    held = RESIN_ML * np.exp(theta[:, ENTRAINED]) * (1.0 + np.exp(theta[:, SLOW]) * fill(theta))
    out = first + path.left(0.1 * RESIN_ML) / np.exp(theta[:, START])
    np.testing.assert_allclose(out, held, rtol=0.01)


@pytest.mark.parametrize(("full", "rise"), [(True, 1e-3), (False, 0.02)])
def test_any_bed_gives_a_falling_finite_curve(full: bool, rise: float) -> None:
    """Five times the usual spreads, no slow liquid at all among them: finite, never rising, never above the start.

    Slow liquid that starts weaker and is ten times the mobile liquid or more may make it rise by 2 %.
    """
    rng = np.random.default_rng(13)
    theta, bed = _many(2000, rng, width=5.0), FlowBed(RESIN_ML, 1.4)
    theta[:100, SLOW] = NO_SLOW
    if full:
        theta[:, FILL] = FULL
    with np.errstate(all="raise", under="ignore"):
        volumes = RESIN_ML * np.concatenate([[0.0], np.geomspace(1e-4, 1e3, 40)])
        levels = bed.levels(theta, bed.start(theta), volumes)
    assert np.isfinite(levels).all()
    assert levels.max() <= 13.0 + 1e-9
    assert np.diff(levels, axis=1).max() < rise
    assert np.percentile(np.diff(levels, axis=1), 99.9) < 1e-3


def test_levels_at_many_volumes_are_those_at_each() -> None:
    """Two ways to ask for the same numbers."""
    bed, theta = FlowBed(500.0, 2.0), np.vstack([theta_of(), theta_of(0.3, 0.3, 1e-3, 1.0)])
    state, volumes = bed.start(theta), np.array([0.0, 10.0, 400.0, 6000.0])
    table = bed.levels(theta, state, volumes)
    for column, volume in enumerate(volumes):
        np.testing.assert_allclose(table[:, column], bed.level(theta, state, float(volume)), rtol=1e-12)


@pytest.mark.parametrize("rest_s", [0.0, 300.0, 3600.0])
@pytest.mark.parametrize("from_ml", [0.0, 60.0, 250.0, 1200.0, 2500.0])
def test_the_path_ahead_is_the_curve(rest_s: float, from_ml: float) -> None:
    """Levels, crossings and areas read off the path agree with the curve itself (and its fine sum)."""
    theta, bed = _many(64, np.random.default_rng(14)), FlowBed(RESIN_ML, 1.4)
    state = bed.start(theta)
    if rest_s:
        state = bed.rest(theta, state, 600.0, rest_s)
        from_ml += 600.0
    from_ml = max(from_ml, 60.0)  # before, the path says that all is still at full strength
    path = bed.path(theta, state, from_ml)
    assert path.start_ml <= from_ml + 1e-6 * RESIN_ML
    assert np.isfinite(path.ln_level).all() and (np.diff(path.volume_ml, axis=1) >= 0.0).all()
    volumes = from_ml + RESIN_ML * np.concatenate([np.linspace(0.0, 0.3, 7), np.linspace(0.5, 15.0, 30)])
    curve = bed.levels(theta, state, volumes)
    off = np.abs(path.levels(volumes) - curve)
    assert off.max() < 0.05
    assert np.percentile(off, 99) < 0.01
    goal = curve[:, 0] - 4.0
    found = path.crossing(goal)
    there = [bed.level(theta[i : i + 1], _one(state, i), float(found[i]))[0] for i in range(64)]
    np.testing.assert_allclose(there, goal, atol=0.03)
    fine = from_ml + RESIN_ML * np.concatenate([[0.0], np.geomspace(1e-3, 60.0, 3000)])
    area = np.trapezoid(np.exp(bed.levels(theta, state, fine)), fine, axis=1)
    np.testing.assert_allclose(path.left(from_ml), area, rtol=0.01)


def _one(state: FlowState, member: int) -> FlowState:
    parts = (each[member : member + 1] for each in (state.kept, state.gained, state.fade, state.slow, state.fill))
    return FlowState(*parts, volume_ml=state.volume_ml)


def test_crossing_is_where_the_curve_crosses() -> None:
    """The level at the crossing is the goal; a fine walk along the curve agrees."""
    bed, theta = (
        FlowBed(500.0, 2.0),
        np.vstack([theta_of(), theta_of(0.3, 0.3, 1e-3, 1.0), theta_of(0.6, 0.02, 2e-2, 9.0)]),
    )
    state = bed.start(theta)
    path, now = bed.path(theta, state, 120.0), bed.level(theta, state, 120.0)
    for drop in (0.5, 3.0, 8.0):
        goal = now - drop
        found = path.crossing(goal)
        there = [bed.level(theta, state, float(found[i]))[i] for i in range(3)]
        np.testing.assert_allclose(there, goal, atol=1e-4)
        walk = np.arange(0.0, 20_000.0, 2.0)
        below = bed.levels(theta, state, 120.0 + walk) <= goal[:, None]
        assert below.any(axis=1).all()
        np.testing.assert_allclose(found - 120.0, walk[below.argmax(axis=1)], atol=2.1)


def test_path_at_its_ends() -> None:
    """Targets above all of it are met at its start; what lies beyond its last place is never reached."""
    volume, level = np.array([[0.0, 1.0, 2.0, 4.0]]), np.array([[0.0, -1.0, -2.0, -4.0]])
    path = FlowPath.through(volume, level, np.full((1, 4), -1.0))
    assert path.crossing(np.array([0.5]))[0] == 0.0
    assert path.crossing(np.array([-1.5]))[0] == pytest.approx(1.5)
    assert math.isinf(path.crossing(np.array([-9.0]))[0])
    assert path.level(1.25)[0] == pytest.approx(-1.25)
    assert path.level(7.0)[0] == pytest.approx(-7.0)  # as steep as it was
    assert path.left(1.0)[0] == pytest.approx(math.exp(-1.0) - math.exp(-4.0))
    assert path.left(1.5)[0] == pytest.approx(math.exp(-1.5) - math.exp(-4.0))


@pytest.mark.parametrize("seconds", [60.0, 900.0, 7200.0])
@pytest.mark.parametrize("cells", [1, 6, 20])
def test_after_a_rest_the_filtrate_starts_higher(cells: int, seconds: float) -> None:
    """Against the cells themselves: the first filtrate after the rest within 8 %, the longer the rest the higher."""
    flow, at_ml = 1.4, 1500.0
    theta, bed = theta_of(0.45, 0.25, 2e-3, cells), FlowBed(RESIN_ML, flow)
    column = MixedCells(Column(cells, 0.45 * RESIN_ML, 0.25, 2e-3, flow))
    before = column.run(column.flowing, at_ml / flow)
    after = column.run(column.still, seconds)
    state = bed.start(theta)
    rested, shorter = (bed.rest(theta, state, at_ml, s) for s in (seconds, seconds / 2.0))
    first = bed.level(theta, rested, at_ml)[0]
    assert first == pytest.approx(math.log(after), abs=0.08)
    assert bed.level(theta, shorter, at_ml)[0] < first
    assert after > 1.02 * before
    # What the mobile liquid won the slow liquid lost: no residue is made.
    slow_before = bed._slow(theta, bed._curve(theta, state), at_ml)[0]
    won = math.exp(first) - math.exp(bed.level(theta, state, at_ml)[0])
    assert won == pytest.approx(0.25 * (slow_before - rested.slow[0]), rel=1e-6)


def test_washout_after_rests_agrees_with_the_matrix_exponential() -> None:
    """Twenty-five beds, one rest or two, 10 min to 8 h: the front within 0.6 of a log unit, what follows within 0.3.
    A column that starts anew, evenly filled to what the outlet reads, is off by more than that in most."""
    rng, plain = np.random.default_rng(15), []
    for number in range(25):
        drawn = Column.drawn(rng, RESIN_ML)
        flow, theta, column = drawn.flow_ml_s, drawn.theta(RESIN_ML), MixedCells(drawn)
        bed, at_ml, after = FlowBed(RESIN_ML, flow), 0.0, 1.0
        state = bed.start(theta)
        for _ in range(1 + number % 2):
            more_ml = RESIN_ML * rng.uniform(1.5, 5.0)
            seconds = math.exp(rng.uniform(math.log(600.0), math.log(30_000.0)))
            column.run(column.flowing, more_ml / flow)
            after, at_ml = column.run(column.still, seconds), at_ml + more_ml
            state = bed.rest(theta, state, at_ml, seconds)
        further = RESIN_ML * np.array([0.1, 0.2, 0.4, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0])
        exact = np.array(
            [math.log(max(column.run(column.flowing, s / flow), 1e-300)) for s in np.diff(further, prepend=0.0)]
        )
        off = bed.levels(theta, state, at_ml + further)[0] - exact
        assert np.abs(off[:4]).max() < 0.6
        assert np.abs(off[4:]).max() < 0.3
        anew = bed.levels(theta, bed.start(theta), further)[0] + math.log(after) - exact
        plain.append(float(np.abs(anew[4:]).max()))
    assert np.median(plain) > 0.3


@pytest.mark.parametrize("at_volumes", [0.1, 0.7, 1.2])
def test_a_rest_in_the_front_fills_the_slow_liquid(at_volumes: float) -> None:
    """It starts weaker and takes up: what follows, from two resin volumes on, is other than without the rest.
    Twenty-five beds, a rest of an hour: off by 0.15 of a log unit in the middle, 0.65 at most; without it by 0.4."""
    rng, plain, ours = np.random.default_rng(16), [], []
    for _ in range(25):
        drawn = Column.drawn(rng, RESIN_ML, fill=0.3)
        flow, theta, column = drawn.flow_ml_s, drawn.theta(RESIN_ML), MixedCells(drawn)
        bed, at_ml = FlowBed(RESIN_ML, flow), RESIN_ML * at_volumes
        column.run(column.flowing, at_ml / flow)
        column.run(column.still, 3600.0)
        state = bed.rest(theta, bed.start(theta), at_ml, 3600.0)
        further = RESIN_ML * np.array([2.0, 3.0, 4.0, 6.0])
        steps = np.diff(further, prepend=0.0) / flow
        exact = np.array([math.log(max(column.run(column.flowing, s), 1e-300)) for s in steps])
        for begun, off in ((state, ours), (bed.start(theta), plain)):
            off.append(float(np.abs(bed.levels(theta, begun, at_ml + further)[0] - exact).max()))
    assert np.median(ours) < 0.15
    assert max(ours) < 0.65
    assert np.median(plain) > 0.4


@pytest.mark.parametrize("resin_volumes_per_h", [1.0, 0.1, 0.01])
def test_a_rest_at_a_crawl_changes_next_to_nothing(resin_volumes_per_h: float) -> None:
    """So slow a flow leaves both liquids in balance: the slow one remembers only the newest water, which a grid
    over all of it missed (the level after a rest was then off by tens of e-folds)."""
    flow = RESIN_ML * resin_volumes_per_h / 3600.0
    drawn = Column(4, 0.45 * RESIN_ML, 0.12, 0.02, flow)
    bed, theta = FlowBed(RESIN_ML, flow), drawn.theta(RESIN_ML)
    for at_volumes in (1.5, 3.0):
        at_ml = RESIN_ML * at_volumes
        rested = bed.rest(theta, bed.start(theta), at_ml, 600.0)
        before = bed.level(theta, bed.start(theta), at_ml)[0]
        column = MixedCells(drawn)
        column.run(column.flowing, at_ml / flow)
        exact = math.log(column.run(column.still, 600.0))
        assert bed.level(theta, rested, at_ml)[0] == pytest.approx(exact, abs=0.1)
        assert exact - before < 0.15


def test_poles_of_a_column_multiply_and_add_up() -> None:
    """Vieta: the two poles' product is through times exchange, their sum through, in and back."""
    column = Residence.of(np.array([5.0]), np.array([200.0]), np.array([0.2]), np.array([0.004]))
    slow, quick = column.slow_per_ml[0], column.quick_per_ml[0]
    assert slow * quick == pytest.approx(0.025 * 0.004)
    assert slow + quick == pytest.approx(0.025 + 0.0008 + 0.004)
    assert 0.0 < slow < 0.004 < quick
