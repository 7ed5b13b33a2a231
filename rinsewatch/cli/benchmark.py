"""The benchmark: simulated rinses through ``Rinse`` and, beside it, what people do without.

    python -m rinsewatch.cli.benchmark --rinses 600 --seeds dev --classes --jobs 2

Seeds are fixed: ``dev`` to work with, ``final`` only to print a last score. The bench is invented; no figure
comes from a real rinse.
"""

from __future__ import annotations

import json
import math
import os
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, cast

import click
import numpy as np

from rinsewatch.cli import bench_baselines as baselines
from rinsewatch.cli import bench_report as report
from rinsewatch.cli.bench_informed import informed, informed_of_ranges
from rinsewatch.cli.bench_oracle import oracle, oracle_of_shown_water
from rinsewatch.cli.bench_picture import reliability_svg
from rinsewatch.cli.bench_rinse import run_rinse, run_told, target_of
from rinsewatch.cli.bench_score import Outcome, Score, Task, score
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.simulate import random_scenario, run

SEEDS = {"dev": 1_000, "final": 7_000_000}
LAWS = (
    "own",
    "diffusion",
    "two-rate",
    "plug",
    "channel",
    "drift",
    "heavy-noise",
    "salt-splitting",
    "textbook",
    "late-probe",
)
ESTIMATORS: dict[str, Callable[[Task], Outcome]] = {
    "rinsewatch": run_rinse,
    "told of water": run_told,
    "oracle": oracle,
    "of shown water": oracle_of_shown_water,
    "informed": informed,
    "of ranges": informed_of_ranges,
    "12 bed volumes": baselines.fixed_volume,
    "first below": baselines.readings_below(1),
    "three below": baselines.readings_below(3),
    "ten below": baselines.readings_below(10),
    "log-linear": baselines.fitted(baselines.log_linear),
    "curve_fit": baselines.fitted(baselines.exponential_with_floor),
    "lmfit two-rate": baselines.fitted(baselines.two_rates_with_floor),
}


@dataclass(frozen=True, slots=True)
class Job:
    """One rinse for a worker."""

    seed: int
    law: str
    names: tuple[str, ...]


def under_law(scenario: Scenario, law: str) -> Scenario:
    """The same rinse with one of the bench's laws changed (``own``: unchanged)."""
    if law == "plug":
        return scenario.changed(cells=60)
    if law == "channel":
        return scenario.changed(channel=0.15, cells=max(scenario.cells, 6))
    if law == "drift":
        return scenario.changed(floor_drift=0.3)
    if law == "heavy-noise":
        meter = replace(scenario.meter, noise_kind="heavy", noise=1.5 * scenario.meter.noise)
        return scenario.changed(meter=meter)
    if law == "salt-splitting":  # the bed swaps the rinse water's salt for its own ion, which conducts more
        salt_us_cm = scenario.rinse_us_cm - scenario.co2_us_cm
        return scenario.changed(leak_us_cm=salt_us_cm * (1.0 if scenario.residue == "NaOH" else 2.4))
    if law == "late-probe":  # a slow filter: it takes a third of a portion's time until anything new is read
        return scenario.changed(probe_late=0.33)
    return scenario if law == "own" else scenario.changed(exchange_law=law)


def one(job: Job) -> dict[str, Score]:
    """Simulate one rinse and score every wanted estimator on it."""
    rng = np.random.default_rng(job.seed)
    record = run(under_law(random_scenario(rng), job.law), rng)
    task = Task.of(record, target_of(record))
    return {name: score(task, ESTIMATORS[name](task), job.seed) for name in job.names}


def campaign(count: int, first_seed: int, law: str, names: tuple[str, ...], jobs: int) -> dict[str, list[Score]]:
    """Scores by estimator over ``count`` rinses, on ``jobs`` processes."""
    out: dict[str, list[Score]] = {name: [] for name in names}
    for scores in _results([Job(first_seed + i, law, names) for i in range(count)], jobs):
        for name, value in scores.items():
            out[name].append(value)
    return out


def _results(work: list[Job], jobs: int) -> Iterator[dict[str, Score]]:
    if jobs <= 1:
        yield from map(one, work)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(one, work, chunksize=4)


def _names(only: str, no_baselines: bool) -> tuple[str, ...]:
    if no_baselines:
        return ("rinsewatch",)
    names = tuple(name for name in ESTIMATORS if name != "lmfit two-rate" or baselines.has_lmfit())
    if not only:
        if len(names) < len(ESTIMATORS):
            click.echo("lmfit is not installed (test extra): its row is left out", err=True)
        return names
    wanted = tuple(part.strip() for part in only.split(","))
    unknown = [name for name in wanted if name not in ESTIMATORS]
    if unknown:
        raise click.UsageError(f"--only: unknown {unknown[0]!r}; known: {', '.join(ESTIMATORS)}")
    return wanted


def _show(scores: dict[str, list[Score]], classes: bool, listed: int) -> None:
    rows = {name: report.figures(values) for name, values in scores.items()}
    click.echo(report.main_table(rows))
    click.echo("\n" + report.far_table(rows))
    own = scores.get("rinsewatch", [])
    if own:
        click.echo("\n" + report.reliability_table(own))
    if classes:
        for name in [n for n in ("rinsewatch", "oracle", "informed", "of ranges") if n in scores]:
            click.echo(f"\n{name}, by class\n" + report.main_table(report.by_class(scores[name])))
    for item in report.worst(own, listed, lambda s: max(s.errors, default=0.0) + 50.0 * s.false_stop):
        click.echo(f"\nseed {item.seed}: {item.labels}\n  errors {[round(e, 2) for e in item.errors]}")
        click.echo(f"  false stop {item.false_stop}, never {item.never}, waste {item.waste}")


def _as_json(scores: dict[str, list[Score]]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, values in scores.items():
        details = {"classes": report.by_class(values), "reliability": report.reliability(values)}
        out[name] = report.figures(values) | details
    return cast(dict[str, Any], _finite(out))


def _finite(value: Any) -> Any:
    """The same with None for infinities, which JSON cannot hold."""
    if isinstance(value, dict):
        return {name: _finite(part) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(part) for part in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


@click.command(epilog="Example: python -m rinsewatch.cli.benchmark --rinses 100 --no-baselines --classes")
@click.option("--rinses", default=600, show_default=True, type=click.IntRange(1), help="How many rinses.")
@click.option("--seeds", default="dev", show_default=True, type=click.Choice(list(SEEDS)), help="Seed set.")
@click.option("--classes", is_flag=True, help="Also by class of rinse.")
@click.option("--jobs", default=min(2, os.cpu_count() or 1), type=click.IntRange(1), help="Processes.")
@click.option("--no-baselines", is_flag=True, help="Only rinsewatch itself.")
@click.option("--only", default="", help="Comma-separated estimators, e.g. 'rinsewatch,oracle'.")
@click.option("--laws", is_flag=True, help="Repeat with the bench's laws changed, one at a time.")
@click.option("--worst", default=0, type=click.IntRange(0), help="List the worst rinses with their seeds.")
@click.option("--picture", type=click.Path(dir_okay=False), help="Write the reliability picture (SVG) here.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of tables.")
@click.option("--dump", type=click.Path(dir_okay=False), help="Add every score to this file, JSON lines.")
def main(
    rinses: int, seeds: str, classes: bool, jobs: int, no_baselines: bool, only: str,
    laws: bool, worst: int, picture: str | None, as_json: bool, dump: str | None,
) -> None:  # fmt: skip
    """Score the forecast and the stop on simulated rinses, next to the simple methods and an oracle."""
    names = _names(only, no_baselines)
    collected: dict[str, Any] = {}
    for law in LAWS if laws else ("own",):
        begin = time.monotonic()
        scores = campaign(rinses, SEEDS[seeds], law, names, jobs)
        if dump is not None:
            _dump(dump, law, scores)
        if picture is not None and law == "own" and "rinsewatch" in scores:
            bins = report.reliability(scores["rinsewatch"])
            svg = reliability_svg(bins, f"{rinses} simulated rinses, {seeds} seeds")
            Path(picture).write_text(svg, encoding="utf-8")
        if as_json:
            collected[law] = _as_json(scores)
            continue
        click.echo(f"law: {law}, {rinses} rinses, {seeds} seeds, {time.monotonic() - begin:.0f} s")
        _show(scores, classes, worst)
        click.echo("")
    if as_json:
        json.dump(collected, sys.stdout)
        click.echo("")


def _dump(path: str, law: str, scores: dict[str, list[Score]]) -> None:
    with open(path, "a", encoding="utf-8") as out:
        for name, values in scores.items():
            for value in values:
                out.write(json.dumps(_finite({"law": law, "estimator": name} | asdict(value))) + "\n")


if __name__ == "__main__":
    main()
