"""Benchmark: what people do without rinsewatch, from a fixed volume to careful curve fits.

Fits see settled readings only, are refitted at the checkpoints and, once a reading comes near the target, at
every settled reading; they stop when the fitted curve is at or below the target.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from importlib import import_module
from typing import Any

import numpy as np

from rinsewatch.cli.bench_score import NO_ANSWER, Answer, Outcome, Task
from rinsewatch.cli.bench_settled import Array, Settled, settled

# Recycle rinse of an anion bed: 10-15 bed volumes (AWWA/ASCE Water Treatment Plant Design).
FIXED_BED_VOLUMES = 12.0
FURTHEST = 100.0  # resin volumes: a curve that needs more gives no answer
Curve = Callable[[Array], Array]
Fit = Callable[[Task, Settled], Curve | None]


def fixed_volume(task: Task) -> Outcome:
    """Rinse a fixed number of bed volumes, whatever the meter says."""
    goal = FIXED_BED_VOLUMES * task.record.scenario.resin_ml
    rows = task.record.rows
    outcome = Outcome()
    for row in task.checkpoints:
        outcome.answers[row] = Answer(None, max(0.0, goal - rows[row].rinse_ml), None, False)
    outcome.stop_row = next((i for i, row in enumerate(rows) if row.rinse_ml >= goal), None)
    return outcome


def readings_below(count: int) -> Callable[[Task], Outcome]:
    """Stop at the first ``count`` readings in a row at or below the target; forecasts nothing."""

    def estimate(task: Task) -> Outcome:
        """Watch the display only."""
        per_us_cm = task.record.scenario.meter.per_us_cm
        run = 0
        for i, row in enumerate(task.record.rows):
            if row.reading:
                below = row.reading != "over" and float(row.reading) / per_us_cm <= task.target_us_cm
                run = run + 1 if below else 0
            if run >= count:
                return Outcome(stop_row=i)
        return Outcome()

    return estimate


def fitted(fit: Fit) -> Callable[[Task], Outcome]:
    """An estimator out of a curve fit."""

    def estimate(task: Task) -> Outcome:
        """Fit anew at each checkpoint; stop where the curve is at the target."""
        series, outcome = settled(task), Outcome()
        for row in task.checkpoints:
            begin = time.perf_counter_ns()
            curve = fit(task, series.until(row))
            if curve is not None:  # too few readings for a fit cost nothing and are no fit
                outcome.cost_us.append((time.perf_counter_ns() - begin) / 1000.0)
            outcome.answers[row] = _answer(task, row, curve)
        outcome.stop_row = _first_stop(task, series, fit)
        return outcome

    return estimate


def _first_stop(task: Task, series: Settled, fit: Fit) -> int | None:
    for row, volume, reading in zip(series.rows, series.volume_ml, series.us_cm, strict=True):
        if reading <= 1.3 * task.target_us_cm:
            curve = fit(task, series.until(int(row)))
            if curve is not None and float(curve(np.array([volume]))[0]) <= task.target_us_cm:
                return int(row)
    return None


def _answer(task: Task, row: int, curve: Curve | None) -> Answer:
    """First volume at which the curve is at or below the target, by a fine grid."""
    if curve is None:
        return NO_ANSWER
    now = task.record.rows[row].rinse_ml
    ahead = np.linspace(0.0, FURTHEST * task.record.scenario.resin_ml, 8001)
    below = np.flatnonzero(curve(now + ahead) <= task.target_us_cm)
    return Answer(None, float(ahead[below[0]]), None, False) if len(below) else NO_ANSWER


def log_linear(task: Task, series: Settled) -> Curve | None:
    """Straight line through ln(reading - rinse water) of the last six usable settled readings."""
    floor = task.record.scenario.shown_us_cm(task.record.scenario.shown_rinse_water())
    excess = series.us_cm - floor
    use = np.flatnonzero(excess > np.maximum(series.step_us_cm, 0.02 * floor))[-6:]
    if len(use) < 3:
        return None
    slope, start = np.polyfit(series.volume_ml[use], np.log(excess[use]), 1)
    if slope >= 0:
        return None
    return lambda volume: np.asarray(floor + np.exp(start + slope * volume))


def _usable(series: Settled) -> tuple[Array, Array]:
    use = series.us_cm > 0
    return series.volume_ml[use][-40:], series.us_cm[use][-40:]


def exponential_with_floor(task: Task, series: Settled) -> Curve | None:
    """scipy ``curve_fit`` of floor + A exp(-V/v), relative errors, floor bounded below by zero."""
    optimize: Any = import_module("scipy.optimize")
    volume, reading = _usable(series)
    if len(volume) < 4:
        return None
    scale = task.record.scenario.resin_ml
    begin = float(volume[0])

    def model(v: Array, ln_a: float, ln_v: float, floor: float) -> Array:
        return np.asarray(floor + np.exp(np.minimum(ln_a - (v - begin) / (scale * math.exp(ln_v)), 50.0)))

    guess = (math.log(float(reading[0])), 0.0, float(reading.min()) / 2)
    sigma = 0.02 * reading + series.step_us_cm.min() / 2
    bounds = ([-10.0, -5.0, 0.0], [20.0, 5.0, float(reading.max())])
    try:
        best, _ = optimize.curve_fit(model, volume, reading, guess, sigma=sigma, bounds=bounds)
    except RuntimeError:  # no convergence: scipy's own word for it
        return None
    return lambda v: model(v, *best)


def two_rates_with_floor(task: Task, series: Settled) -> Curve | None:
    """lmfit of floor + A[(1-f) exp(-V/v1) + f exp(-V/v2)] on logarithms; None without lmfit."""
    lmfit: Any = import_module("lmfit")
    volume, reading = _usable(series)
    if len(volume) < 6:
        return None
    begin, scale = float(volume[0]), task.record.scenario.resin_ml
    parameters = lmfit.Parameters()
    parameters.add("ln_a", value=math.log(float(reading[0])), min=-10.0, max=20.0)
    parameters.add("v1", value=0.5, min=0.05, max=10.0)
    parameters.add("more", value=2.0, min=0.1, max=20.0)
    parameters.add("f", value=0.02, min=0.0, max=0.5)
    parameters.add("floor", value=float(reading.min()) / 2, min=1e-3, max=float(reading.max()))

    def model(p: dict[str, float], v: Array) -> Array:
        depth = (v - begin) / scale
        quick = (1 - p["f"]) * np.exp(-depth / p["v1"])
        slow = p["f"] * np.exp(-depth / (p["v1"] + p["more"]))
        return np.asarray(p["floor"] + math.exp(p["ln_a"]) * (quick + slow))

    def residual(p: Any) -> Array:
        return np.asarray(np.log(model(p.valuesdict(), volume)) - np.log(reading))

    best: dict[str, float] = lmfit.minimize(residual, parameters).params.valuesdict()
    return lambda v: model(best, v)


def has_lmfit() -> bool:
    """True where the test extra is installed."""
    try:
        import_module("lmfit")
    except ModuleNotFoundError:
        return False
    return True
