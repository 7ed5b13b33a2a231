"""Whole simulated rinses: repeatable, in the promised ranges, with an honest truth beside them."""

from __future__ import annotations

import csv
import time
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rinsewatch_sim.faults import Fault
from rinsewatch_sim.record import HEADER, Record
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.simulate import noise_free_knots, random_scenario, run
from rinsewatch_sim.stepper import Bench, demo_scenario

_COUNT = 40


def _record(seed: int, **overrides: object) -> Record:
    rng = np.random.default_rng(seed)
    return run(random_scenario(rng, **overrides), rng)


@pytest.fixture(scope="module")
def population() -> list[Record]:
    return [_record(seed) for seed in range(_COUNT)]


def test_same_seed_same_record() -> None:
    first, second = _record(5), _record(5)
    assert first.rows == second.rows
    assert first.rows != _record(6).rows


def test_ranges_of_the_population(population: list[Record]) -> None:
    for scenario in (r.scenario for r in population):
        assert 50.0 <= scenario.resin_ml <= 50_000.0
        assert 0.3 <= scenario.entrained_ratio <= 0.6
        assert 0.03 <= scenario.slow_ratio <= 0.3
        assert 4e-4 <= scenario.exchange_per_s <= 1e-2
        assert 0.3 <= scenario.rinse_us_cm <= 3.0
        assert 12.0 <= scenario.temperature_c <= 32.0
        assert 0.2 <= scenario.period_s <= 5.0
        assert 0.95 <= scenario.meter.gain <= 1.05


def test_every_class_is_there(population: list[Record]) -> None:
    seen = {pair for r in population for pair in r.scenario.labels().items()}
    wanted = {("mode", m) for m in ("flow", "portions", "hand")} | {("residue", "NaOH"), ("residue", "HCl")}
    wanted |= {("meter", m) for m in ("pen-0.5", "pen-0.7", "transmitter", "fine")}
    wanted |= {("faults", "clean"), ("faults", "faults"), ("resin", "aged"), ("resin", "young")}
    wanted |= {("endpoint", e) for e in ("feed", "zero", "value")} | {("floor", "above target")}
    assert wanted <= seen


def test_rinses_go_well_past_the_endpoint(population: list[Record]) -> None:
    for record in population:
        end = record.true_endpoint_ml(record.scenario.target_us_cm)
        assert (end is None) == (record.scenario.labels()["floor"] == "above target")
        if end is not None:
            assert record.poured_ml[-1] >= end + 4.9 * record.scenario.portion_ml


def test_endpoint_lies_where_the_truth_crosses(population: list[Record]) -> None:
    for record in population:
        target = record.scenario.target_us_cm
        end, below = record.true_endpoint_ml(target), record.first_below_ml(target)
        if end is not None and below is not None:
            after = record.settled_scale_us_cm[record.poured_ml >= below - 1e-6]
            before = record.settled_scale_us_cm[record.poured_ml < end - 1e-6]
            assert after[0] <= target * 1.05 and before.min(initial=np.inf) >= target * 0.999


def test_rows_are_in_order_and_hand_rows_few(population: list[Record]) -> None:
    for record in population:
        times = [row.time_s for row in record.rows]
        assert times == sorted(times) and len(record.rows) == len(record.poured_ml)
        readings = sum(bool(row.reading) for row in record.rows)
        if record.scenario.hand_typed:
            assert readings <= len(record.knots_ml)


def test_a_record_is_quick() -> None:
    """600 rinses in under two minutes means 0.2 s each; allow a busy machine three times that."""
    begin = time.process_time()
    for seed in range(100, 110):
        _record(seed)
    assert time.process_time() - begin < 6.0


def test_noise_free_rinse_is_the_mean_of_the_noisy(population: list[Record]) -> None:
    scenario = replace(population[0].scenario, faults=())
    target = scenario.target_us_cm
    ends = [run(scenario, np.random.default_rng(s)).true_endpoint_ml(target) for s in range(8)]
    volumes, curve = noise_free_knots(scenario)
    mean = float(np.mean([e for e in ends if e is not None]))
    assert volumes[np.flatnonzero(curve <= target)[0]] == pytest.approx(mean, rel=0.12)


def test_another_rinse_water_lifts_what_comes_after_it_and_nothing_before() -> None:
    scenario = replace(demo_scenario(), faults=(), floor_step=0.0)
    at = 0.5
    volumes, plain = noise_free_knots(scenario)
    salty = scenario.changed(floor_step=2.0, floor_step_at=at)
    _, lifted = noise_free_knots(salty)
    shared = min(len(plain), len(lifted))
    after = volumes[:shared] >= at * 12.0 * scenario.resin_ml
    assert after.any() and not after.all()
    assert np.array_equal(lifted[:shared][~after], plain[:shared][~after])
    rise = lifted[:shared][after] - plain[:shared][after]
    expected = salty.floor_scale_us_cm() - scenario.floor_scale_us_cm()
    assert rise[-1] == pytest.approx(expected, rel=0.3), "traces of the two conduct together, not quite their sum"
    assert (rise > 0).all()


def test_forgotten_portions_are_poured_but_not_logged() -> None:
    scenario = demo_scenario()
    forgetful = replace(scenario, operator=replace(scenario.operator, forget_chance=0.5))
    record = run(forgetful, np.random.default_rng(2))
    assert record.rows[-1].rinse_ml < record.poured_ml[-1]


def test_pause_lifts_the_next_portion() -> None:
    """Over a night the slow liquid leaks: the portion after the pause is stronger than without one."""
    base = replace(demo_scenario(), slow_ratio=0.2, exchange_per_s=5e-4)
    paused = replace(base, operator=replace(base.operator, pause_at=9, pause_s=36_000.0))
    plain, late = (noise_free_knots(s)[1] for s in (base, paused))
    assert late[10] > 1.5 * plain[10]
    events = [row.event for row in run(paused, np.random.default_rng(0)).rows]
    assert "pause" in events and "resume" in events


def test_csv_follows_the_contract(tmp_path: Path) -> None:
    record = _record(3)
    path = tmp_path / "rinse.csv"
    record.to_csv(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    head = [line[2:] for line in lines if line.startswith("# ")]
    settings = tomllib.loads("\n".join(head))
    assert {"resin_ml", "residue", "endpoint", "feed", "rinse_water", "tds_factor", "top"} <= set(settings)
    table = list(csv.reader(lines[len(head) :]))
    assert tuple(table[0]) == HEADER
    assert len(table) == len(record.rows) + 1


@pytest.mark.parametrize("flow", [False, True])
def test_live_bench_agrees_with_the_batch_run(flow: bool) -> None:
    scenario: Scenario = demo_scenario(flow=flow)
    bench = Bench(scenario, np.random.default_rng(1))
    while bench.endpoint_ml(22.0) is None:
        if bench.due():
            bench.pour()
        bench.advance(10.0)
    volumes, curve = noise_free_knots(scenario)
    expected = volumes[np.flatnonzero(curve <= 22.0)[0]]
    assert bench.endpoint_ml(22.0) == pytest.approx(expected, abs=1.01 * scenario.portion_ml)
    assert bench.filtrate_scale_us_cm == pytest.approx(22.0, rel=0.5)


def test_live_bench_shows_its_faults() -> None:
    bench = Bench(demo_scenario(), np.random.default_rng(1))
    faulty = Bench(replace(demo_scenario(), faults=(Fault(0.0, 1e9, "dry"),)), np.random.default_rng(1))
    for each in (bench, faulty):
        each.pour()
        each.advance(30.0)
    assert (bench.reading_text(), faulty.reading_text()) == ("over", "0")


def test_live_bench_freezes_and_falls_silent() -> None:
    faults = (Fault(600.0, 60.0, "frozen"), Fault(700.0, 20.0, "silent"))
    bench = Bench(replace(demo_scenario(flow=True), faults=faults), np.random.default_rng(1))
    shown: dict[int, str] = {}
    for _ in range(800):
        bench.advance(1.0)
        shown[round(bench.time_s)] = bench.reading_text()
    assert len({shown[t] for t in range(601, 660)}) == 1 < len({shown[t] for t in range(540, 600)})
    assert {shown[t] for t in range(701, 719)} == {""} and shown[721]
