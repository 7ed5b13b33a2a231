"""Benchmark: the informed observer of a rinse in flow. Every water the meter shows alike, weighed by all readings.

Bed, pump, liquor, temperature and the meter's errors are known: only the waters are weighed, one by one.
"""

from __future__ import annotations

import math

import numpy as np

from rinsewatch.cli.bench_informed_reading import FAR_ABOVE_US_CM, answer, crossing, is_sound, ln_like
from rinsewatch.cli.bench_score import Outcome, Task
from rinsewatch_sim import draw
from rinsewatch_sim.alike import Waters, waters
from rinsewatch_sim.record import Record
from rinsewatch_sim.simulate import flow_past_end, progress
from rinsewatch_sim.water import Array, conductivity_us_cm

WATERS = 2000
READINGS = 100  # at most, evenly taken from those the water can be told by
ANY_AT_MOST = 40.0  # resin volumes looked ahead for a rinse that the bench might have left out
PLACES = 400  # at which a rinse is looked at for its endpoint
NO_END_YET = 3.0  # times the target by the residue alone: carbonic acid makes caustic read 2.6 times less, not more


def in_flow(task: Task, *, any_rinse: bool) -> Outcome:
    """Forecasts at the checkpoints of a rinse in flow; ``any_rinse``: also such as the bench leaves out."""
    record, scenario = task.record, task.record.scenario
    some = waters(scenario, WATERS, np.random.default_rng(WATERS), same_bench=True, any_target=any_rinse)
    sampled_ml = float(record.poured_ml[max(task.checkpoints)])
    most_ml = (ANY_AT_MOST if any_rinse else draw.FLOW_RESIN_VOLUMES_AT_MOST) * scenario.resin_ml
    time_s, poured_ml, mol_l = flow_past_end(scenario, sampled_ml, most_ml)
    rows = _telling(record, max(task.checkpoints))
    fits = np.cumsum(_fits(record, rows, some, (time_s, poured_ml, mol_l)), axis=1)
    end_ml = _ends(task, some, poured_ml, mol_l)
    outcome = Outcome()
    for row in task.checkpoints:
        known = int(np.searchsorted(rows, row, side="right"))
        ln_weights = fits[:, known - 1] if known else np.zeros(WATERS)
        weights = np.exp(ln_weights - ln_weights.max())
        outcome.answers[row] = answer(end_ml, weights, float(record.poured_ml[row]), most_ml)
    return outcome


def _telling(record: Record, until: int) -> list[int]:
    """Rows of sound readings low enough to tell something of the water, thinned evenly."""
    meter = record.scenario.meter
    rows = [i for i in range(until + 1) if is_sound(record, i) and record.rows[i].reading != "over"]
    low = [i for i in rows if float(record.rows[i].reading) / meter.per_us_cm < FAR_ABOVE_US_CM]
    return low[:: max(1, math.ceil(len(low) / READINGS))]


def _fits(record: Record, rows: list[int], some: Waters, run: tuple[Array, Array, Array]) -> Array:
    """Log likelihood of each reading for each water, shape (waters, rows)."""
    scenario, (time_s, poured_ml, mol_l) = record.scenario, run
    meter = scenario.meter
    sample = np.searchsorted(time_s, [record.rows[i].time_s - 1e-6 for i in rows])
    shown = meter.held(time_s)[np.minimum(sample, len(time_s) - 1)]
    share = np.asarray(progress(scenario, poured_ml))
    warmer = scenario.temperature_drift_c * share
    temperature = scenario.temperature_c + warmer
    true = meter.scale_us_cm(scenario.water_us_cm(mol_l, temperature, share), temperature)
    late = meter.lagged(true, np.diff(time_s, prepend=time_s[0] - 1e9)) / true
    out = np.empty((len(some.gain), len(rows)))
    for column, (row, i) in enumerate(zip(rows, shown, strict=True)):
        scale = some.reading_us_cm(np.full(len(some.gain), mol_l[i]), float(warmer[i])) * late[i]
        out[:, column] = ln_like(scenario, record.rows[row].reading, scale)
    return out


def _ends(task: Task, some: Waters, poured_ml: Array, mol_l: Array) -> Array:
    """Poured volume (mL) at which each water's rinse is at the target; inf: never."""
    scenario = task.record.scenario
    alone = scenario.meter.gain * conductivity_us_cm(scenario.residue, mol_l)
    first = max(0, int(np.argmax(alone <= NO_END_YET * task.target_us_cm)) - 1)
    wanted = np.linspace(poured_ml[first], poured_ml[-1], PLACES)
    places = np.unique(np.minimum(np.searchsorted(poured_ml, wanted), len(poured_ml) - 1))
    end = np.full(len(some.gain), math.inf)
    before, before_ml = np.full(len(some.gain), math.inf), 0.0
    for i in places:
        after = some.reading_us_cm(np.full(len(some.gain), mol_l[i]))
        share = np.where(np.isfinite(before), crossing(np.minimum(before, 1e12), after, task.target_us_cm), 1.0)
        now = np.isinf(end) & (after <= task.target_us_cm)
        end = np.where(now, before_ml + share * (poured_ml[i] - before_ml), end)
        before, before_ml = after, float(poured_ml[i])
    return end
