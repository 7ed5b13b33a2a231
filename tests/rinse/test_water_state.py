"""Rinse water fresh from its cartridge, or from a can that stood in air: what the person says of it.

Against the simulator's water (other formulas, other constants): half of its waters hold carbonic acid.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rinsewatch import RinseSetup
from rinsewatch.cli.bench_rinse import run_rinse, run_told, target_of
from rinsewatch.cli.bench_score import Score, Task, score
from rinsewatch.rinse.prior import CARBON, prior_from_setup
from rinsewatch_sim.record import Record
from rinsewatch_sim.simulate import random_scenario, run

FIRST_SEED, RINSES = 81_000, 12


def _share(setup: RinseSetup) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Of what carbon dioxide can make of the floor: 5, 50, 95 %."""
    theta = prior_from_setup(setup, 0.01).draw(20_000, np.random.default_rng(1))
    return np.quantile(1.0 / (1.0 + np.exp(-theta[:, CARBON])), (0.05, 0.5, 0.95))


def test_what_is_said_bounds_the_carbon_dioxide(bench: Any) -> None:
    """Nothing said, the control, leaves next to none and next to all possible."""
    setup = bench.setup(rinse_water_us_cm=0.83, rinse_water_step_us_cm=0.01)
    fresh, stood = (_share(replace(setup, water_stood=stood)) for stood in (False, True))
    untold = _share(setup)
    assert fresh[2] < 0.5 < stood[2]
    assert fresh[1] < 0.1 < 0.3 < stood[1]
    assert untold[0] < 0.02 and untold[2] > 0.85


def test_where_nothing_explains_the_readings_the_person_may_have_been_wrong(bench: Any) -> None:
    priors = [prior_from_setup(bench.setup(water_stood=stood), 1.0) for stood in (None, False, True)]
    assert len({prior.mean[CARBON] for prior in priors}) == 3
    assert len({(prior.unusual().mean[CARBON], prior.unusual().spread[CARBON]) for prior in priors}) == 1


def _to_zero() -> list[Record]:
    """Rinses of caustic to zero, typed by hand: carbon dioxide matters most there."""
    records: list[Record] = []
    seed = FIRST_SEED
    while len(records) < RINSES:
        rng = np.random.default_rng(seed)
        scenario = random_scenario(rng)
        labels = scenario.labels()
        if (labels["residue"], labels["endpoint"], labels["mode"]) == ("NaOH", "zero", "hand"):
            records.append(run(scenario, rng))
        seed += 1
    return records


@pytest.fixture(scope="module")
def scores() -> dict[str, list[Score]]:
    """Of each rinse, by what the person says of the same readings."""
    out: dict[str, list[Score]] = {"told": [], "untold": [], "told wrongly": []}
    for record in _to_zero():
        task = Task.of(record, target_of(record))
        out["told"].append(score(task, run_told(task), 0))
        out["untold"].append(score(task, run_rinse(task), 0))
        out["told wrongly"].append(score(task, run_rinse(task, water_stood=not record.scenario.water_stood), 0))
    return out


def test_it_brings_the_forecast_nearer(scores: dict[str, list[Score]]) -> None:
    """And the wrong word, the control, takes it further away."""
    told, untold, wrongly = (
        float(np.mean([s.errors for s in scores[who] if s.reachable])) for who in ("told", "untold", "told wrongly")
    )
    assert told < untold < wrongly


def test_a_wrong_word_stops_nothing_falsely(scores: dict[str, list[Score]]) -> None:
    for who in scores:
        assert not any(s.false_stop or s.never for s in scores[who]), who
