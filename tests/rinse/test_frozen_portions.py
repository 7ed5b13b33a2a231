"""A display that freezes for some portions and then lives again; nobody answers.

Simulated beds, the display held by hand. A portion poured meanwhile once made the same digits new ones: they were
learnt, the rinse seemed to stand on a floor there, and what was read afterwards seemed to fall too far, for ever.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rinsewatch.cli.bench_rinse import run_rinse, target_of
from rinsewatch.cli.bench_score import Score, Task, score
from rinsewatch.rinse.gate import Gate
from rinsewatch.rinse.portions import PortionBelief
from rinsewatch_sim.faults import Fault
from rinsewatch_sim.record import Record
from rinsewatch_sim.simulate import random_scenario, run

FROZEN_PORTIONS = 3.3
BEGINS = {90_011: 7.3, 90_108: 9.7, 91_112: 8.0}  # seed, portions until the display freezes


def _record(seed: int, *, frozen: bool = True) -> Record:
    scenario = replace(random_scenario(np.random.default_rng(seed)), faults=())
    sound = run(scenario, np.random.default_rng(seed + 1))
    if not frozen:
        return sound
    row = int(np.searchsorted(sound.poured_ml, BEGINS[seed] * scenario.portion_ml))
    interval_s = scenario.operator.interval_s
    fault = Fault(sound.rows[row].time_s + 0.3 * interval_s, FROZEN_PORTIONS * interval_s, "frozen")
    return run(replace(scenario, faults=(fault,)), np.random.default_rng(seed + 1))


def _score(record: Record) -> Score:
    task = Task.of(record, target_of(record))
    return score(task, run_rinse(task), 0)


@pytest.mark.parametrize("seed", BEGINS)
def test_the_rinse_goes_on_where_it_is(seed: int) -> None:
    """Stopped within a portion of where it is done, as without the fault."""
    for found in (_score(_record(seed)), _score(_record(seed, frozen=False))):
        assert found.stopped and not found.false_stop and not found.never
        assert found.waste is not None and found.waste <= 1.0
        assert found.unanswered == 0


def test_where_a_new_portion_unfreezes_the_same_digits_it_never_stops(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control."""
    monkeypatch.setattr(Gate, "_frozen_before", False)
    assert _score(_record(90_108)).never


def test_where_what_was_read_until_the_next_portion_always_counts_it_never_stops(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The other control."""
    monkeypatch.setattr(PortionBelief, "_was_foreseen", lambda *_: True)
    assert _score(_record(91_112)).never
