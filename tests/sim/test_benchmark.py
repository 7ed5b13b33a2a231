"""The benchmark: its scoring against cases worked out by hand, its controls, and a small run of it."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from rinsewatch.cli import bench_baselines as baselines
from rinsewatch.cli import bench_report as report
from rinsewatch.cli.bench_oracle import oracle, oracle_of_shown_water
from rinsewatch.cli.bench_picture import reliability_svg
from rinsewatch.cli.bench_rinse import run_rinse, setup_of, target_of
from rinsewatch.cli.bench_score import Answer, Outcome, Score, Task, pinball, score, shows_plateau
from rinsewatch.cli.bench_settled import settled
from rinsewatch.cli.benchmark import LAWS, main, under_law
from rinsewatch_sim.draw import other_water
from rinsewatch_sim.probe import meter_of
from rinsewatch_sim.record import BenchRow, Record
from rinsewatch_sim.simulate import noise_free_knots, random_scenario, run
from rinsewatch_sim.stepper import demo_scenario

_TARGET = 10.0


def _halving(portions: int = 16, start: float = 10_240.0, floor: float = 0.0) -> Task:
    """A made-up rinse of 300 mL portions, each halving the filtrate, typed once each; 10 at the tenth."""
    scenario = replace(demo_scenario(), hand_typed=True, target_us_cm=_TARGET, rinse_us_cm=0.3, co2_us_cm=0.0)
    volumes = np.asarray(300.0 * np.arange(1, portions + 1), dtype=np.float64)
    truth = np.asarray(floor + start * 0.5 ** np.arange(1, portions + 1), dtype=np.float64)
    meter = scenario.meter
    rows = tuple(
        BenchRow(100.0 * i, meter.show(float(k)), "ppm", None, float(v), "")
        for i, (v, k) in enumerate(zip(volumes, truth, strict=True))
    )
    return Task.of(Record(scenario, rows, truth, truth, truth, volumes, volumes, truth), _TARGET)


def _scored(outcome: Outcome, task: Task | None = None) -> Score:
    return score(task or _halving(), outcome, 0)


def test_endpoint_and_checkpoints_of_a_halving_rinse() -> None:
    task = _halving()
    assert task.end_ml == pytest.approx(3000.0)  # 10 240 / 2^10 = 10
    assert task.below_ml == pytest.approx(3000.0)
    assert task.checkpoints == (4, 5, 7, 8)  # 300 + f 2700 = 1650, 2055, 2460, 2730 mL


def test_errors_count_portions_and_no_answer_twenty() -> None:
    answers = {4: Answer(1000.0, 1800.0, 2000.0, True), 5: Answer(None, None, None, False)}
    result = _scored(Outcome(answers=answers))
    assert result.errors == pytest.approx([1.0, 20.0, 20.0, 20.0])
    assert result.unanswered == 3
    assert result.covered == [True]
    assert result.widths == pytest.approx([1000.0 / 300.0])


def test_open_upper_end_covers() -> None:
    answers = {4: Answer(1000.0, 1500.0, None, True), 5: Answer(1300.0, 1400.0, None, True)}
    result = _scored(Outcome(answers=answers))
    assert result.covered == [True, False]


@pytest.mark.parametrize(
    ("row", "false", "never", "waste"),
    [(8, True, False, 0.0), (9, False, False, 0.0), (11, False, False, 2.0), (14, False, True, 5.0),
     (None, False, True, 6.0)],
)  # fmt: skip
def test_stops(row: int | None, false: bool, never: bool, waste: float) -> None:
    """Row 8 is the ninth portion: 20 uS/cm, twice the target."""
    result = _scored(Outcome(stop_row=row))
    assert (result.false_stop, result.false_at_once, result.never) == (false, false, never)
    assert result.waste == pytest.approx(waste)


def test_target_below_the_floor() -> None:
    task = _halving(floor=15.0)
    scenario = replace(task.record.scenario, rinse_us_cm=15.0, target_us_cm=_TARGET)
    task = Task.of(replace(task.record, scenario=scenario), _TARGET)
    result = _scored(Outcome(stalled_row=15), task)
    assert not result.reachable and result.waste is None and not result.errors
    # the plateau is visible where the excess is below 1.5: 10 240 / 2^13 = 1.25
    assert result.stalled_after == pytest.approx(3.0, abs=0.01)
    assert _scored(Outcome(), task).stalled_after == math.inf
    assert result.plateau_shown


@pytest.mark.parametrize(("target", "shown"), [(14.9, True), (15.1, False)])
def test_a_plateau_is_shown_where_its_digits_mean_more_than_the_target(target: float, shown: bool) -> None:
    """The floor, a little over 15 uS/cm, shows as 8 ppm on a pen of whole ppm at 0.5, as does all from 15 to 17."""
    task = _halving(floor=15.0)
    scenario = replace(task.record.scenario, rinse_us_cm=15.0, target_us_cm=target)
    record = replace(task.record, scenario=scenario)
    assert shows_plateau(record, target) == shown


def test_pinball_by_hand() -> None:
    """Truth 4 portions; quantiles 3, 5, 8: losses .05 x 1, .5 x 1, .05 x 4."""
    loss = pinball(Answer(300.0, 500.0, 800.0, True), 400.0, 100.0)
    assert loss == pytest.approx((0.05 + 0.5 + 0.2) / 3.0)


def test_figures_and_tables() -> None:
    scores = [_scored(Outcome(stop_row=row)) for row in (8, 9, 11)]
    figures = report.figures(scores)
    assert figures["false_stops"] == 1 and figures["rinses"] == 3 and figures["far_rinses"] == 0
    assert figures["waste_median"] == 0.0 and figures["waste_p90"] == pytest.approx(2.0)
    table = report.main_table({"x": figures})
    assert "false stops" in table and len({len(line) for line in table.splitlines()}) == 1
    assert set(report.by_class(scores)) >= {"mode hand", "residue NaOH"}


def test_errors_are_counted_one_by_one_and_by_rinse() -> None:
    """Two rinses with errors 0, 0, 1, 3 and 2, 2, 2, 2: all eight, 2 in the middle; by rinse 1 and 2."""
    base = _scored(Outcome())
    scores = [replace(base, errors=[0.0, 0.0, 1.0, 3.0]), replace(base, errors=[2.0] * 4)]
    figures = report.figures(scores)
    assert (figures["median"], figures["p90"], figures["mean"]) == (2.0, 3.0, 1.5)
    assert (figures["rinse_median"], figures["rinse_p90"]) == (1.0, 2.0)


def test_reliability_bins_and_picture() -> None:
    chances = [(0.1, 4)] * 9 + [(0.97, 12)] * 4
    bins = report.reliability([_scored(Outcome(chances=chances))])
    assert [(count, true) for _, _, count, _, true in bins] == [(9, 0.0), (4, 1.0)]
    assert reliability_svg(bins, "t").count("<circle") == 2


def test_settled_series_is_one_entry_a_portion() -> None:
    series = settled(_halving())
    assert series.volume_ml.tolist() == [300.0 * i for i in range(1, 17)]
    assert series.us_cm[4] == 320.0 and series.until(4).us_cm[-1] == 320.0


@pytest.mark.parametrize(
    "fit", [baselines.log_linear, baselines.exponential_with_floor, baselines.two_rates_with_floor]
)
def test_fits_are_right_on_their_own_ground(fit: baselines.Fit) -> None:
    """A pure exponential with little noise is what they are made for (two rates need six readings first)."""
    if fit is baselines.two_rates_with_floor and not baselines.has_lmfit():
        pytest.skip("lmfit (test extra) is not installed")
    result = _scored(baselines.fitted(fit)(_halving()))
    assert max(result.errors[1:]) < 0.5 and not result.false_stop and not result.never


def test_threshold_rules_stop_at_once_or_later() -> None:
    stops = [baselines.readings_below(n)(_halving()).stop_row for n in (1, 3, 10)]
    assert stops == [9, 11, None]
    assert baselines.fixed_volume(_halving(25)).stop_row == 19  # 12 bed volumes of 500 mL


def _task(seed: int, **overrides: object) -> Task:
    rng = np.random.default_rng(seed)
    record = run(random_scenario(rng, **overrides), rng)
    return Task.of(record, target_of(record))


def test_oracle_knows_better_than_a_line() -> None:
    tasks = [_task(seed) for seed in range(40, 60)]
    errors = {
        name: np.mean([e for t in tasks for e in score(t, rule(t), 0).errors])
        for name, rule in (("oracle", oracle), ("line", baselines.fitted(baselines.log_linear)))
    }
    assert errors["oracle"] < 0.4
    assert errors["oracle"] < 0.6 * errors["line"]


def test_who_knows_all_but_the_water_knows_less_than_the_oracle() -> None:
    """To zero, which is all about the floor: what is left of its error nobody can know before the floor is read."""
    tasks = [task for seed in range(60, 78) if (task := _task(seed)).record.scenario.endpoint == "zero"]
    tasks = [task for task in tasks if all(row.event != "pause" for row in task.record.rows)]  # neither foresees one
    errors = {
        name: np.mean([e for t in tasks for e in score(t, rule(t), 0).errors])
        for name, rule in (("all", oracle), ("shown", oracle_of_shown_water))
    }
    assert errors["all"] < 0.5 * errors["shown"]


def test_an_oracle_does_not_foresee_a_pause() -> None:
    """Washed out in flow while it stands: the rest needs less water than it would have; known only from then on."""
    scenario = replace(demo_scenario(flow=True), exchange_per_s=4e-4)
    length_ml = float(noise_free_knots(scenario)[0][-1])
    resting = replace(scenario, flow_pause=(0.7 * length_ml, 36_000.0))
    record = run(resting, np.random.default_rng(3))
    task = Task.of(record, target_of(record))
    paused = next(i for i, row in enumerate(record.rows) if row.event == "pause")
    rows = [i for i, row in enumerate(record.rows) if row.reading]
    early, late = max(i for i in rows if i < paused - 5), min(i for i in rows if i > paused + 200)
    told = oracle(replace(task, checkpoints=(early, late))).answers
    never = replace(task, record=replace(record, scenario=scenario), checkpoints=(early, late))
    as_if = oracle(never).answers
    assert told[early] == as_if[early]
    assert abs(told[late].mid_ml - as_if[late].mid_ml) > 0.1 * scenario.portion_ml


def test_other_waters_look_the_same_to_the_meter() -> None:
    rng = np.random.default_rng(4)
    scenario = random_scenario(rng, meter=meter_of("pen-0.5"))
    waters = [other_water(scenario, rng) for _ in range(20)]
    assert {water.shown_rinse_water() for water in waters} == {scenario.shown_rinse_water()}
    assert max(w.rinse_us_cm for w in waters) > 1.2 * min(w.rinse_us_cm for w in waters)
    assert {w.target_us_cm for w in waters} == {scenario.target_us_cm}


@pytest.mark.parametrize("law", LAWS)
def test_changed_laws_change_the_rinse(law: str) -> None:
    scenario = replace(demo_scenario(flow=law != "late-probe"), rinse_us_cm=2.0)
    before = run(scenario, np.random.default_rng(1))
    after = run(under_law(scenario, law), np.random.default_rng(1))
    assert (law == "own") == (after.rows == before.rows)


def test_setup_is_what_a_person_would_type() -> None:
    setup = setup_of(demo_scenario())
    setup.check()
    assert (setup.feed_us_cm, setup.rinse_water_us_cm, setup.top_us_cm) == (22.0, 0.0, 19_980.0)
    assert setup.portion_ml == 300.0 and setup.resolution_us_cm == 2.0


def test_small_run_of_the_estimator() -> None:
    """Hand-typed rinses (few rows, quick): the milder goals of the full run, and better than a curve fit."""
    tasks = [_task(seed, hand_typed=True, flow_ml_min=None) for seed in range(200, 224)]
    own = report.figures([score(t, run_rinse(t), 0) for t in tasks])
    fit = baselines.fitted(baselines.exponential_with_floor)
    control = report.figures([score(t, fit(t), 0) for t in tasks])
    assert own["unanswered"] is not None and own["unanswered"] <= 0.02
    assert own["median"] is not None and own["median"] <= 0.6
    assert own["coverage"] is not None and own["coverage"] >= 0.78
    assert own["false_stops"] is not None and own["false_stops"] <= 1
    assert own["far_stopped"] == 0
    assert own["mean"] is not None and control["mean"] is not None and own["mean"] < control["mean"]


def test_command_prints_tables_and_json() -> None:
    runner = CliRunner()
    told = runner.invoke(main, ["--rinses", "3", "--only", "oracle,log-linear", "--jobs", "1", "--classes"])
    assert told.exit_code == 0 and "log-linear" in told.output and "mode" in told.output
    machine = runner.invoke(main, ["--rinses", "2", "--only", "oracle", "--jobs", "1", "--json"])
    assert json.loads(machine.output)["own"]["oracle"]["rinses"] >= 1
    wrong = runner.invoke(main, ["--only", "crystal ball"])
    assert wrong.exit_code == 2 and "known: rinsewatch" in wrong.output
