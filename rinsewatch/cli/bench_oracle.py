"""Benchmark: the oracle. It knows the simulator's parameters of the rinse, but not its scatter.

It follows how far the real rinse is ahead of or behind the noise-free one (in mL), from the settled readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rinsewatch.cli.bench_score import Answer, Outcome, Task
from rinsewatch.cli.bench_settled import Array, Settled, settled
from rinsewatch_sim.simulate import noise_free_knots


@dataclass(slots=True)
class _Lead:
    """mL the real rinse is ahead of the noise-free one, with its variance (a scalar Kalman filter)."""

    lead_ml: float
    variance: float
    walk_per_ml: float  # variance gained per mL poured
    scatter: float  # relative scatter of one settled reading about its curve
    end_ml: float = 0.0  # what that scatter means in mL at the endpoint

    def move(self, volume_ml: float) -> None:
        """More water was poured: the lead is less certain."""
        self.variance += self.walk_per_ml * volume_ml

    def see(self, lead_ml: float, variance: float) -> None:
        """One settled reading says the lead is this; a wild one is ignored."""
        spread = math.sqrt(self.variance + variance)
        if abs(lead_ml - self.lead_ml) > 5.0 * spread:
            return
        gain = self.variance / (self.variance + variance)
        self.lead_ml += gain * (lead_ml - self.lead_ml)
        self.variance *= 1.0 - gain


def _start(task: Task) -> _Lead:
    scenario = task.record.scenario
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
    volumes, curve = noise_free_knots(task.record.scenario)
    below = np.flatnonzero(curve <= task.target_us_cm)
    outcome = Outcome()
    if not len(below):
        return outcome
    end = _cross(volumes, curve, int(below[0]), task.target_us_cm)
    series, lead = settled(task), _start(task)
    at = int(below[0])
    if at > 0 and not task.record.scenario.is_flow:
        lead.end_ml = lead.scatter * (volumes[at] - volumes[at - 1]) / math.log(curve[at - 1] / curve[at])
    before = 0.0
    for i, row in enumerate(series.rows):
        volume = float(series.volume_ml[i])
        lead.move(volume - before)
        before = volume
        seen = _reading_lead(series, i, volumes, curve, lead.scatter)
        if seen is not None:
            lead.see(*seen)
        if outcome.stop_row is None and volume + lead.lead_ml >= end:
            outcome.stop_row = int(row)
        _answer_until(task, outcome, series, i, end, lead)
    return outcome


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


def _reading_lead(
    series: Settled, i: int, volumes: Array, curve: Array, scatter: float
) -> tuple[float, float] | None:
    """(lead mL, variance) that one settled reading speaks for, None where the curve is flat or not met."""
    reading, step = float(series.us_cm[i]), float(series.step_us_cm[i])
    falling = np.minimum.accumulate(curve)
    if not falling[-1] < reading < falling[0]:
        return None
    k = int(np.searchsorted(-falling, -reading))
    if k == 0 or falling[k] >= falling[k - 1]:
        return None
    met = _cross(volumes, falling, k, reading)
    slope = (falling[k - 1] - falling[k]) / (volumes[k] - volumes[k - 1])
    error = math.hypot(step / math.sqrt(12.0), scatter * reading)
    return met - float(series.volume_ml[i]), (error / slope) ** 2
