"""Benchmark: feeds simulated recordings to ``rinsewatch.Rinse``, row by row as ``replay`` would."""

from __future__ import annotations

import time
from dataclasses import replace

from rinsewatch import Endpoint, Residue, Rinse, RinseSetup, RinseState, Row, Verdict
from rinsewatch.cli.bench_score import NO_ANSWER, Answer, Outcome, Task
from rinsewatch.quantities import parse_reading, reading_us_cm
from rinsewatch.rinse.row import Mark
from rinsewatch.rinse.target import target_us_cm
from rinsewatch_sim.record import BenchRow, Record
from rinsewatch_sim.scenario import Scenario

_MARKS = {"": Mark.NONE, "over": Mark.OVER, "under": Mark.UNDER}


def setup_of(scenario: Scenario) -> RinseSetup:
    """The set-up a person would give for this rinse."""
    settings = scenario.settings()
    factor = scenario.meter.tds_factor

    def us_cm(name: str) -> float:
        quantity = parse_reading(str(settings[name]), name)
        return reading_us_cm(quantity.value, quantity.unit, factor)

    return RinseSetup(
        resin_ml=scenario.resin_ml,
        residue=Residue(scenario.residue),
        endpoint=Endpoint.parse(str(settings["endpoint"]), factor),
        portion_ml=None if scenario.is_flow else scenario.operator.portion_ml,
        flow_ml_min=scenario.flow_ml_min,
        feed_us_cm=us_cm("feed"),
        rinse_water_us_cm=us_cm("rinse_water"),
        tds_factor=factor,
        top_us_cm=us_cm("top"),
        resolution_us_cm=us_cm("resolution"),
    )


def row_of(row: BenchRow) -> Row:
    """A recorded row as the core sees it."""
    mark = _MARKS.get(row.reading, Mark.VALUE)
    value = float(row.reading) if mark is Mark.VALUE else None
    shown_decimals = len(row.reading.partition(".")[2]) if mark is Mark.VALUE else None
    return Row(
        time_s=round(row.time_s, 3),
        rinse_ml=round(row.rinse_ml, 3),
        mark=mark,
        reading=value,
        unit=row.unit,
        decimals=shown_decimals,
        temperature_c=row.temperature_c,
        event=row.event,
    )


def target_of(record: Record) -> float:
    """The target in uS/cm on the meter's scale as the tool itself understands the endpoint."""
    return target_in(record.scenario)


def target_in(scenario: Scenario) -> float:
    """As ``target_of``, of a rinse not run yet."""
    target = target_us_cm(setup_of(scenario), scenario.meter.finest_step / scenario.meter.per_us_cm)
    return scenario.target_us_cm if target is None else target


def answer_of(state: RinseState) -> Answer:
    """The remaining volume out of a state."""
    if state.remaining is None:
        return NO_ANSWER
    return Answer(state.remaining.low_ml, state.remaining.mid_ml, state.remaining.high_ml, True)


def run_told(task: Task) -> Outcome:
    """As ``run_rinse``, by a person who says whether the rinse water is fresh or has stood in air."""
    return run_rinse(task, water_stood=task.record.scenario.water_stood)


def run_rinse(task: Task, *, water_stood: bool | None = None) -> Outcome:
    """Every row through ``Rinse``; stops feeding when the score is settled. ``water_stood``: what the person says."""
    rinse, outcome = Rinse(replace(setup_of(task.record.scenario), water_stood=water_stood)), Outcome()
    wanted = set(task.checkpoints)
    rows, poured = task.record.rows, task.record.poured_ml
    for i, raw in enumerate(rows):
        row = row_of(raw)
        begin = time.perf_counter_ns()
        state = rinse.observe(row)
        if raw.reading:
            outcome.cost_us.append((time.perf_counter_ns() - begin) / 1000.0)
        if i in wanted:
            outcome.answers[i] = answer_of(state)
        if i + 1 == len(rows) or _new_block(task, float(poured[i]), float(poured[i + 1])):
            outcome.chances.append((state.chance_reached, i))
        _note_verdict(outcome, state, i)
        if outcome.stop_row is not None and i >= task.last_row:
            break
    return outcome


def _new_block(task: Task, before_ml: float, after_ml: float) -> bool:
    """True where the next row belongs to another portion (flow: half a nominal one)."""
    block = task.record.scenario.portion_ml * (0.5 if task.record.scenario.is_flow else 1.0)
    return int(before_ml / block + 1e-6) != int(after_ml / block + 1e-6)


def _note_verdict(outcome: Outcome, state: RinseState, row: int) -> None:
    if outcome.stop_row is None and state.verdict is Verdict.STOP:
        outcome.stop_row = row
    if outcome.stalled_row is None and outcome.stop_row is None and state.verdict is Verdict.STALLED:
        outcome.stalled_row = row
