"""Fault bench: the simulated rinses in portions that rows about the person and the water are run on."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rinsewatch import Rinse, Row, Verdict
from rinsewatch.cli.bench_fault_campaign import SEEDS_FROM
from rinsewatch.cli.bench_rinse import setup_of, target_of
from rinsewatch.cli.bench_score import FALSE_STOP
from rinsewatch_sim.record import Record
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.simulate import random_scenario, run

Change = Callable[[Scenario], Scenario | None]
_MOST_ROWS = 2_500


def portions_record(seed: int, change: Change = lambda scenario: scenario) -> Record:
    """A sound rinse in portions that reaches its target, changed by ``change`` (None: draw another)."""
    for attempt in range(300):
        rng = np.random.default_rng(SEEDS_FROM + 10_000 * (attempt + 1) + seed)
        drawn = random_scenario(rng, faults=(), hand_typed=False, flow_ml_min=None)
        scenario = None if drawn.is_flow else change(drawn)
        if scenario is None:
            continue
        record = run(scenario, rng)
        if record.true_endpoint_ml(target_of(record)) is not None and len(record.rows) <= _MOST_ROWS:
            return record
    raise LookupError("no rinse in portions found")


def first_stop(record: Record, rows: list[Row]) -> int | None:
    """The number of the row at which the monitor says stop, None if it never does."""
    rinse = Rinse(setup_of(record.scenario))
    for number, row in enumerate(rows):
        if rinse.observe(row).verdict is Verdict.STOP:
            return number
    return None


def is_false(record: Record, stop: int | None) -> bool:
    """True where the true filtrate was above the limit of a false stop."""
    return stop is not None and bool(record.settled_scale_us_cm[stop] > FALSE_STOP * target_of(record))
