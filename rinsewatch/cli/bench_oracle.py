"""Benchmark: the oracles. They know the simulator's parameters of the rinse, but not its scatter.

Nobody foresees that the person will leave the rinse for the night: until then an oracle answers as if they would not.
They follow how far the real rinse is ahead of or behind the noise-free one (in mL), from the settled readings. The
second one knows everything but the water: of that only what the meter shows of it, as any estimator does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from rinsewatch.cli.bench_score import Answer, Outcome, Task
from rinsewatch.cli.bench_settled import Array, Settled, settled
from rinsewatch_sim.draw import other_water
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.simulate import noise_free_knots

T = TypeVar("T")
WATERS = 30
_WILD = 5.0  # spreads


@dataclass(slots=True)
class _Lead:
    """mL the real rinse is ahead of the noise-free one, with its variance (a scalar Kalman filter)."""

    lead_ml: float
    variance: float
    walk_per_ml: float  # variance gained per mL poured
    scatter: float  # relative scatter of one settled reading about its curve
    end_ml: float = 0.0  # what that scatter means in mL at the endpoint
    ln_fit: float = 0.0  # log likelihood of the readings

    def move(self, volume_ml: float) -> None:
        """More water was poured: the lead is less certain."""
        self.variance += self.walk_per_ml * volume_ml

    def see(self, lead_ml: float, error: float, slope: float) -> None:
        """One settled reading, uncertain by ``error`` uS/cm on a curve that falls by ``slope`` per mL, says the lead
        is this; a wild one is ignored."""
        variance = (error / slope) ** 2
        spread = math.sqrt(self.variance + variance)
        off = abs(lead_ml - self.lead_ml) / spread
        self.fit(off, spread * slope)
        if off > _WILD:
            return
        gain = self.variance / (self.variance + variance)
        self.lead_ml += gain * (lead_ml - self.lead_ml)
        self.variance *= 1.0 - gain

    def fit(self, off: float, spread_us_cm: float) -> None:
        """A reading that lies so many spreads off."""
        self.ln_fit -= 0.5 * min(off, _WILD) ** 2 + math.log(spread_us_cm)


def _start(scenario: Scenario) -> _Lead:
    portion = scenario.portion_ml
    if scenario.is_flow:  # the pump's error is 3 % of what has flowed: no walk, but a wide start
        return _Lead(0.0, (0.4 * portion) ** 2, (0.03 * portion) ** 2 / portion, 0.7 * scenario.meter.noise)
    habits = scenario.operator
    each = math.hypot(habits.volume_noise, habits.bypass_high / math.sqrt(12.0), 0.5 * habits.interval_noise)
    # a portion's own size and contact time also shape its own filtrate: scatter the next does not inherit
    scatter = math.hypot(0.7 * each, scenario.meter.noise)
    return _Lead(0.0, (0.3 * portion) ** 2, (each * portion) ** 2 / portion, scatter)


def oracle(task: Task) -> Outcome:
    """Forecasts from the noise-free curve, shifted by the filtered lead; stops when that curve says so."""
    return _follow(task, task.record.scenario)[0]


def oracle_of_shown_water(task: Task) -> Outcome:
    """The same without knowing the water: many waters that the meter shows alike, by how well each fits. No stop.

    What it errs by, nobody can know before the floor is read.
    """
    rng = np.random.default_rng(WATERS)
    worlds = [_follow(task, other_water(task.record.scenario, rng)) for _ in range(WATERS)]
    outcome = Outcome()
    for row in task.checkpoints:
        told = [(found.answers[row], fits[row]) for found, fits in worlds if row in found.answers]
        if told:
            ln_fit = np.array([fit for _, fit in told])
            weights = np.exp(ln_fit - ln_fit.max())
            ends = np.array([[a.low_ml, a.mid_ml, a.high_ml] for a, _ in told], dtype=np.float64)
            low, mid, high = (three_quantiles(ends[:, k], weights)[k] for k in range(3))
            outcome.answers[row] = Answer(low, mid, high, True)
    return outcome


def three_quantiles(values: Array, weights: Array) -> list[float]:
    """The 5 %, middle and 95 % of weighted values."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order]) / weights.sum()
    return [float(values[order][min(int(np.searchsorted(reached, q)), len(values) - 1)]) for q in (0.05, 0.5, 0.95)]


def _follow(task: Task, scenario: Scenario) -> tuple[Outcome, dict[int, float]]:
    """The outcome if the rinse were this one, and at each checkpoint how well it has fitted so far."""
    paused = next((i for i, row in enumerate(task.record.rows) if row.event == "pause"), None)
    told, fits = _along(task, scenario)
    if paused is None:
        return told, fits
    unaware, before = _along(task, _without_pause(scenario))
    stop = unaware.stop_row
    outcome = Outcome(stop_row=stop if stop is not None and stop < paused else told.stop_row)
    outcome.answers = _up_to(paused, unaware.answers, told.answers)
    return outcome, _up_to(paused, before, fits)


def _up_to(paused: int, before: dict[int, T], after: dict[int, T]) -> dict[int, T]:
    """By row: what was said without knowing of the pause, and from it on with it."""
    return {row: said for row, said in before.items() if row < paused} | {
        row: said for row, said in after.items() if row >= paused
    }


def _without_pause(scenario: Scenario) -> Scenario:
    return scenario.changed(flow_pause=None, operator=replace(scenario.operator, pause_at=None, pause_s=0.0))


def _along(task: Task, scenario: Scenario) -> tuple[Outcome, dict[int, float]]:
    """The same along one noise-free rinse."""
    volumes, curve = noise_free_knots(scenario)
    below = np.flatnonzero(curve <= task.target_us_cm)
    outcome, fits = Outcome(), dict[int, float]()
    if not len(below):
        return outcome, fits
    end = _cross(volumes, curve, int(below[0]), task.target_us_cm)
    series, lead = settled(task), _start(scenario)
    at = int(below[0])
    if at > 0 and not scenario.is_flow:
        lead.end_ml = lead.scatter * (volumes[at] - volumes[at - 1]) / math.log(curve[at - 1] / curve[at])
    before = 0.0
    for i, row in enumerate(series.rows):
        volume = float(series.volume_ml[i])
        lead.move(volume - before)
        before = volume
        _see(lead, series, i, volumes, curve)
        if outcome.stop_row is None and volume + lead.lead_ml >= end:
            outcome.stop_row = int(row)
        _answer_until(task, outcome, series, i, end, lead)
        for answered in outcome.answers:
            fits.setdefault(answered, lead.ln_fit)
    return outcome, fits


def _answer_until(task: Task, outcome: Outcome, series: Settled, i: int, end: float, lead: _Lead) -> None:
    """Answer the checkpoints that come before the next settled reading."""
    following = series.rows[i + 1] if i + 1 < len(series.rows) else len(task.record.rows)
    for row in task.checkpoints:
        if row < following and (i == 0 or row >= series.rows[i]):
            mid = end - task.record.rows[row].rinse_ml - lead.lead_ml
            spread = 1.645 * math.sqrt(lead.variance + lead.walk_per_ml * max(0.0, mid) + lead.end_ml**2)
            outcome.answers[row] = Answer(max(0.0, mid - spread), max(0.0, mid), max(0.0, mid + spread), True)


def _cross(volumes: Array, curve: Array, i: int, target: float) -> float:
    if i == 0:
        return float(volumes[0])
    share = math.log(curve[i - 1] / target) / math.log(curve[i - 1] / curve[i])
    return float(volumes[i - 1] + share * (volumes[i] - volumes[i - 1]))


def _see(lead: _Lead, series: Settled, i: int, volumes: Array, curve: Array) -> None:
    """What one settled reading speaks for; nothing where the curve is flat, above it, or below its floor."""
    reading, step = float(series.us_cm[i]), float(series.step_us_cm[i])
    falling = np.minimum.accumulate(curve)
    if reading <= falling[-1]:
        error = math.hypot(step / math.sqrt(12.0), lead.scatter * float(falling[-1]))
        lead.fit((float(falling[-1]) - reading) / error, error)
        return
    k = int(np.searchsorted(-falling, -reading))
    if k == 0 or falling[k] >= falling[k - 1]:
        return
    met = _cross(volumes, falling, k, reading)
    slope = float((falling[k - 1] - falling[k]) / (volumes[k] - volumes[k - 1]))
    error = math.hypot(step / math.sqrt(12.0), lead.scatter * reading)
    lead.see(met - float(series.volume_ml[i]), error, slope)
