"""The course of a rinse stays bounded however long it takes, and what is forgotten does not matter."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from rinsewatch.rinse.beds import PortionBed, Pour
from rinsewatch.rinse.course import FlowCourse, PortionCourse
from rinsewatch.rinse.evidence import Observation
from rinsewatch.rinse.flowbed import FlowBed
from rinsewatch.rinse.prior import prior_from_setup
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup

SETUP = RinseSetup(resin_ml=500.0, residue=Residue.NAOH, endpoint=Endpoint.parse("12 uS/cm", 0.5), portion_ml=250.0)


def test_bundling_many_portions_changes_no_level() -> None:
    """400 portions of varying size are kept as far fewer bundles; each level comes out within 0.5 % of its e-folds."""
    theta = prior_from_setup(SETUP, 1.0).draw(50, np.random.default_rng(4))
    bed, course, rng = PortionBed(500.0), PortionCourse(PortionBed(500.0)), np.random.default_rng(5)
    state, before = bed.start(theta), 0.0
    for n in range(400):
        pour = Pour(40.0 * math.exp(0.05 * rng.standard_normal()), 60.0 * n, 60.0 if n else 0.0)
        course.pour(pour)
        state, before = bed.pour(theta, state, pour, before), pour.volume_ml
    assert len(course.pours) <= 100
    bundled = course.state(theta)
    assert bundled.volume_ml == pytest.approx(state.volume_ml)
    np.testing.assert_allclose(np.log(bundled.slow), np.log(state.slow), rtol=0.005)
    np.testing.assert_allclose(course.ln_level_now(theta), bed.level(theta, state, before, 0.0), rtol=0.004, atol=0.04)


@pytest.mark.parametrize("jump_at", [3, 60])
def test_facts_are_thinned_but_never_a_sudden_change(jump_at: int) -> None:
    """Neighbouring facts say nearly the same; a marked change between them may not go."""
    course = PortionCourse(PortionBed(500.0))
    for n in range(300):
        course.pour(Pour(40.0, 60.0 * n, 60.0))
        course.learn(40.0, Observation(9.0, 10.0, 0.03, jump=2.0 if n == jump_at else 0.0))
    kept = course.observations
    assert 10 <= len(kept) <= 60
    assert course.last_serial == 300 == kept[-1].serial
    assert [o.serial for o in kept] == sorted({o.serial for o in kept})
    theta = prior_from_setup(SETUP, 1.0).draw(3, np.random.default_rng(4))
    assert course.trace(theta).shape == (3, len(kept))


def test_sudden_change_survives_thinning_in_flow() -> None:
    """As above, in continuous flow, where no pours are bundled."""
    course = FlowCourse(FlowBed(500.0, 2.0))
    for n in range(1000):
        course.learn(10.0 * n, Observation(9.0, 10.0, 0.03, jump=2.0 if n == 7 else 0.0))
    assert len(course.observations) <= 60
    assert [o.serial for o in course.observations if o.jump] == [8]


def test_of_a_run_over_range_only_the_last_counts() -> None:
    """Over range now implies over range before: twenty such facts are one, at the latest place."""
    course = FlowCourse(FlowBed(500.0, 2.0))
    for n in range(20):
        course.learn(10.0 * n, Observation(2000.0, math.inf, 0.03))
    course.learn(300.0, Observation(900.0, 901.0, 0.03))
    assert [math.isinf(o.high) for o in course.observations] == [True, False]
    assert course.facts[0].place == 190.0


def test_taking_back_a_portion_forgets_what_was_seen_after_it() -> None:
    """Undo: the portion and its readings are as if they had never been."""
    course, never = PortionCourse(PortionBed(500.0)), PortionCourse(PortionBed(500.0))
    for n in range(4):
        for c in (course, never):
            c.pour(Pour(250.0, 100.0 * n, 100.0 if n else 0.0))
            c.learn(60.0, Observation(100.0 - n, 101.0 - n, 0.03))
    course.pour(Pour(250.0, 400.0, 100.0))
    course.learn(60.0, Observation(1.0, 2.0, 0.03))
    course.unpour()
    theta = prior_from_setup(SETUP, 1.0).draw(3, np.random.default_rng(4))
    np.testing.assert_array_equal(course.trace(theta), never.trace(theta))
    assert [(o.low, o.high) for o in course.observations] == [(o.low, o.high) for o in never.observations]
    PortionCourse(PortionBed(500.0)).unpour()  # nothing to take back: nothing happens


def test_rests_in_flow_are_bounded_and_add_up() -> None:
    """Two rests at one place are one; many rests keep only the latest few; each begins a new stretch."""
    theta = prior_from_setup(SETUP, 1.0).draw(5, np.random.default_rng(4))
    theta = np.hstack([theta, np.full((5, 1), 1.0)])
    course, joined = FlowCourse(FlowBed(500.0, 2.0)), FlowCourse(FlowBed(500.0, 2.0))
    course.rest(500.0, 300.0)
    course.rest(500.0, 600.0)
    joined.rest(500.0, 900.0)
    course.now_ml = joined.now_ml = 700.0
    np.testing.assert_allclose(course.ln_level_now(theta), joined.ln_level_now(theta))
    for n in range(60):
        course.rest(600.0 + 50.0 * n, 300.0)
    assert len(course.states(theta)) <= 10


def test_a_fact_more_is_the_whole_trace_anew() -> None:
    """What the last trace of the same hypotheses gave is not worked out again: same numbers as a fresh course gives,
    after a fact more, an over range forgotten, a rest and other hypotheses as well."""
    theta = np.hstack([prior_from_setup(SETUP, 1.0).draw(5, np.random.default_rng(4)), np.full((5, 1), 1.0)])
    course = FlowCourse(FlowBed(500.0, 2.0))

    def fresh(hypotheses: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        other = FlowCourse(course.bed)
        other.facts, other.rests = list(course.facts), list(course.rests)
        return other.trace(hypotheses)

    for n in range(130):
        course.learn(20.0 * n, Observation(900.0 - n, math.inf if n < 3 else 901.0 - n, 0.03))
        if n == 60:
            course.rest(20.0 * n, 500.0)
        if n == 90:
            theta = theta[::-1].copy()
        np.testing.assert_allclose(course.trace(theta), fresh(theta), rtol=1e-9)
