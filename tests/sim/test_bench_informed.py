"""The benchmark's informed observer: what it is told, that it uses it, and controls that must do worse."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rinsewatch.cli import bench_informed_portions
from rinsewatch.cli.bench_baselines import fitted, log_linear
from rinsewatch.cli.bench_informed import informed, informed_of_ranges
from rinsewatch.cli.bench_informed_portions import poured
from rinsewatch.cli.bench_informed_reading import answer, is_sound, ln_like
from rinsewatch.cli.bench_rinse import target_of
from rinsewatch.cli.bench_score import Task, score
from rinsewatch_sim.operator import Operator, Pour
from rinsewatch_sim.probe import meter_of
from rinsewatch_sim.record import Record
from rinsewatch_sim.simulate import random_scenario, run
from rinsewatch_sim.stepper import demo_scenario


def _task(seed: int, **overrides: object) -> Task:
    rng = np.random.default_rng(seed)
    record = run(random_scenario(rng, **overrides), rng)
    return Task.of(record, target_of(record))


@pytest.mark.parametrize("hand", [False, True])
@pytest.mark.parametrize("unlogged", [2, 3, 4, 5])  # before the pause, the last before it, the first after it, later
def test_it_is_told_when_each_portion_was_really_poured(
    hand: bool, unlogged: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    pours: list[Pour] = []
    original = Operator.pour

    def noted(self: Operator, index: int, rng: np.random.Generator) -> Pour:
        pours.append(replace(original(self, index, rng), logged=index != unlogged))
        return pours[-1]

    monkeypatch.setattr(Operator, "pour", noted)
    scenario = demo_scenario()
    habits = replace(scenario.operator, pause_at=3, pause_s=7200.0)
    record = run(replace(scenario, operator=habits, hand_typed=hand, faults=()), np.random.default_rng(3))
    told = poured(record)
    assert len(told) == len(pours) > 8
    for number, (one, pour) in enumerate(zip(told[:-1], pours, strict=False)):
        assert one.interval_s == pytest.approx(pour.interval_s, abs=2.5 * scenario.period_s), number
        assert one.pause_s == pytest.approx(pour.pause_s)
        assert one.row is not None and record.rows[one.row].reading
    starts = np.cumsum([0.0] + [p.interval_s + p.pause_s for p in pours])
    assert [one.start_s for one in told] == pytest.approx(starts[: len(told)], abs=2.5 * scenario.period_s)
    assert all(a.start_s < b.start_s for a, b in pairwise(told))


def test_faults_are_known_to_it() -> None:
    record = run(demo_scenario(), np.random.default_rng(1))
    row = [i for i, r in enumerate(record.rows) if r.reading not in ("", "over") and r.rinse_ml == 2700.0][-1]
    assert is_sound(record, row)
    wrong = list(record.rows)
    wrong[row] = replace(wrong[row], reading="0")
    assert not is_sound(replace(record, rows=tuple(wrong)), row)


def test_likelihood_is_the_share_of_noise_that_shows_this_text() -> None:
    """Against counting: noisy levels, shown; only what the meter shows at all is counted."""
    scenario = demo_scenario()
    scenario = replace(scenario, meter=replace(scenario.meter, noise=0.05))
    rng = np.random.default_rng(2)
    levels = np.array([9.1, 10.0, 11.0, 11.9])
    shown = scenario.meter.show(10.0)
    drawn = levels[:, None] * np.exp(0.99 * 0.05 * rng.standard_normal((4, 20_000)))
    counted = [np.mean([scenario.meter.show(float(v)) == shown for v in row]) for row in drawn]
    assert np.exp(ln_like(scenario, shown, levels)) == pytest.approx(counted, abs=0.012)
    over = ln_like(scenario, "over", np.array([0.5, 1.0, 2.0]) * scenario.meter.top_us_cm)
    assert np.exp(over) == pytest.approx([0.0, 0.5, 1.0], abs=1e-3)


def test_answer_leaves_out_what_the_bench_does_not_draw() -> None:
    ends, weights = np.array([400.0, 500.0, 600.0, 9000.0]), np.ones(4)
    told = answer(ends, weights, 300.0, 5000.0)
    assert (told.low_ml, told.mid_ml, told.high_ml) == (100.0, 200.0, 300.0)
    never = answer(np.array([400.0, np.inf]), np.ones(2), 300.0, 5000.0)
    assert never.mid_ml == 100.0 and never.high_ml is None


def _without_readings(task: Task) -> Task:
    rows = tuple(replace(row, reading="under") if row.reading else row for row in task.record.rows)
    return replace(task, record=replace(task.record, rows=rows))


def _mean(tasks: list[Task]) -> float:
    return float(np.mean([e for t in tasks for e in score(t, informed(t), 0).errors]))


def _fewer(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, fewer in (("MEMBERS_AT_FIRST", 20_000), ("MEMBERS", 6000), ("WATERS", 300), ("FORECASTS", 400)):
        monkeypatch.setattr(bench_informed_portions, name, fewer)


def test_in_portions_it_beats_a_line_and_needs_its_readings(monkeypatch: pytest.MonkeyPatch) -> None:
    _fewer(monkeypatch)
    tasks = [_task(seed, hand_typed=True, flow_ml_min=None) for seed in range(300, 306)]
    tasks = [task for task in tasks if task.checkpoints]
    assert len(tasks) >= 5
    line = np.mean([e for t in tasks for e in score(t, fitted(log_linear)(t), 0).errors])
    found = _mean(tasks)
    assert found < 0.8 * line
    assert found < 0.7 * _mean([_without_readings(task) for task in tasks])  # the control: the ranges alone


def test_in_flow_it_knows_all_but_the_water() -> None:
    """Far above any water it is exact; to zero it is not, and the readings teach it."""
    feed, zero = ([_task(seed) for seed in seeds] for seeds in ((400, 403, 406, 411), (425, 431)))
    assert {t.record.scenario.endpoint for t in feed} == {"feed"}
    assert {t.record.scenario.endpoint for t in zero} == {"zero"}
    assert all(t.record.scenario.is_flow for t in feed + zero)
    assert _mean(feed) < 0.15
    assert _mean(zero) < 0.8 * _mean([_without_readings(t) for t in zero])


def test_of_ranges_it_knows_less_of_an_end_near_the_floor() -> None:
    """The same rinses to zero in flow: who does not know which floors are left out is wider, and no better."""
    fine = {"meter": meter_of("fine"), "flow_ml_min": 20.0, "resin_ml": 300.0}
    zero = [_task(seed, **fine) for seed in (441, 442, 450, 451)]
    assert all(task.record.scenario.endpoint == "zero" and task.checkpoints for task in zero)
    told, of_ranges = ([score(t, observer(t), 0) for t in zero] for observer in (informed, informed_of_ranges))
    assert np.mean([e for s in of_ranges for e in s.errors]) > 1.2 * np.mean([e for s in told for e in s.errors])
    assert [s.unanswered for s in of_ranges] == [0] * len(zero)


def test_an_end_past_the_record_is_foreseen(monkeypatch: pytest.MonkeyPatch) -> None:
    _fewer(monkeypatch)
    task = _task(300, hand_typed=True, flow_ml_min=None)
    record: Record = task.record
    cut = max(task.checkpoints) + 1
    short = replace(
        record, rows=record.rows[:cut], poured_ml=record.poured_ml[:cut], scale_us_cm=record.scale_us_cm[:cut]
    )
    whole, part = informed(task), informed(replace(task, record=short))
    assert part.answers.keys() == whole.answers.keys()
    for row, said in whole.answers.items():
        assert part.answers[row].mid_ml == pytest.approx(said.mid_ml, abs=0.3 * record.scenario.portion_ml)
