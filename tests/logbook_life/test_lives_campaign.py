"""A small version of the campaign on simulated lives; the command prints the large one."""

from __future__ import annotations

import numpy as np
import pytest

from rinsewatch.cli import bench_lives
from rinsewatch.cli.bench_lifeforecast import true_crossing
from rinsewatch.logbook.life.findings import Kind
from rinsewatch_sim.lives import Habits, Harm, live
from rinsewatch_sim.lives_draw import demo_lives

OPTIONS = bench_lives.Options(cycles=14)


@pytest.fixture(scope="module")
def outcomes() -> list[bench_lives.Outcome]:
    tasks = bench_lives.tasks_of(12, "dev", ["healthy", "fouling"], OPTIONS)
    return [bench_lives.run_one(task) for task in tasks]


def test_fouling_is_found_within_four_cycles_and_the_naive_rule_is_later(outcomes: list[bench_lives.Outcome]) -> None:
    fouled = [o for o in outcomes if o.cause == "fouling"]
    found, of = bench_lives.within(fouled, Kind.ANION_SIDE.value, 4)
    naive = sum(any(o.naive[o.onset - 1 : o.onset + 3]) for o in fouled)
    assert of == 12 and found >= 10
    assert naive < found


def test_healthy_cycles_are_seldom_accused(outcomes: list[bench_lives.Outcome]) -> None:
    looks = bench_lives.healthy_looks(outcomes)
    assert len(looks) > 200
    assert sum(bool(kinds) for kinds, _, _ in looks) <= 0.03 * len(looks)


def test_the_report_says_all_of_it(outcomes: list[bench_lives.Outcome]) -> None:
    text = "\n".join(bench_lives.report(outcomes))
    for words in ("fouling", "anion side", "false alarms per 100 healthy cycles", "naive", "interval holds the truth"):
        assert words in text


def test_the_demonstration_shows_one_well_and_one_fouling_bed() -> None:
    well, fouled = (bench_lives.follow(one, bench_lives.Options()) for one in demo_lives())
    assert not any(well.found)
    assert Kind.ANION_SIDE.value in fouled.found[-1] and Kind.CAPACITY_FALLING.value in fouled.found[-1]


def test_truth_of_the_forecast_is_the_simulators_law() -> None:
    habits = Habits(ageing=0.0, anion_share=0.55)
    fouled = live(np.random.default_rng(1), habits, Harm(cause="fouling", onset=6, loss=0.05), 8)
    assert true_crossing(fouled, 0.7) == pytest.approx(11.0)  # 5 % a cycle: 30 % after six affected cycles
    well = live(np.random.default_rng(1), habits, Harm(), 8)
    assert true_crossing(well, 0.7) == float("inf")


def test_the_command_runs_and_refuses_unknown_causes(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_lives.main(["--lives", "1", "--causes", "indicator"]) == 0
    assert "indicator" in capsys.readouterr().out
    assert bench_lives.main(["--causes", "moths"]) == 2
    assert "no cause 'moths'" in capsys.readouterr().err


def test_development_and_final_seeds_do_not_meet() -> None:
    seeds = {
        name: {seed for seed, _, _ in bench_lives.tasks_of(500, name, list(bench_lives.CAUSES), OPTIONS)}
        for name in bench_lives.SEEDS
    }
    assert not seeds["dev"] & seeds["final"]
    assert all(len(each) == 500 * len(bench_lives.CAUSES) for each in seeds.values())
