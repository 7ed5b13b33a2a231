"""Benchmark: the informed observer. What could be said by somebody who knows the bench's own laws and ranges.

Of a rinse in portions it knows what it was told before the start, when each portion was really poured, for how long
each stood, how uneven such people pour, the meter's noise and which readings are faults; of the bed, the liquor, the
rinse water and the meter's errors only the ranges all rinses are drawn from. Of a rinse in flow it knows everything
but the rinse water and the leak; of these what the meter shows. It follows the readings by Bayes' rule with the bench's
own laws (``bench_informed_portions``, ``bench_informed_flow``), knows a pause before it comes, and that no rinse drawn
is endless. No estimator can know as much; what it errs by, the readings do not tell.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from rinsewatch.cli.bench_score import Answer, Outcome, Task
from rinsewatch_sim.record import Record
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.water import Array

LEAST_NOISE = 0.015  # relative: with sharper readings too few members would be left; a portion scatters by 5 % itself
JITTER = 0.99  # the meter's slow and fresh noise together, of its ``noise``
FALSE_SHARE = 1e-6  # keeps the weights of members that no reading fits comparable
FAULT_STEPS, FAULT_SHARE = 1.01, 0.05
MAY_NEVER = 0.05


def informed(task: Task) -> Outcome:
    """Forecasts at the checkpoints; no stop."""
    from rinsewatch.cli.bench_informed_flow import in_flow
    from rinsewatch.cli.bench_informed_portions import in_portions

    if not task.checkpoints:
        return Outcome()
    return in_flow(task) if task.record.scenario.is_flow else in_portions(task)


def is_sound(record: Record, row: int) -> bool:
    """This row holds a reading, and it is none of the bench's faults."""
    text, meter = record.rows[row].reading, record.scenario.meter
    if text in ("", "under"):
        return False
    true = float(record.scale_us_cm[row]) * meter.per_us_cm
    if text == "over":
        return true > 0.95 * meter.steps[-1][0]
    shown = float(text)
    return abs(shown - true) <= FAULT_STEPS * meter.step_at(shown) + FAULT_SHARE * shown


def ln_like(scenario: Scenario, text: str, scale_us_cm: Array) -> Array:
    """Log likelihood of a display's text where the noise-free meter would be at ``scale_us_cm``, same shape."""
    meter, noise = scenario.meter, JITTER * max(scenario.meter.noise, LEAST_NOISE)
    ln = np.log(scale_us_cm)
    if text == "over":
        return np.asarray(np.log(ndtr((ln - math.log(meter.top_us_cm)) / noise) + FALSE_SHARE))
    shown = float(text)
    half = 0.5 * meter.step_at(shown)
    high = math.log((shown + half) / meter.per_us_cm)
    low = math.log((shown - half) / meter.per_us_cm) if shown > half else -math.inf
    # Of the two tails the one with digits left.
    upper = ln > high
    near = ndtr(np.where(upper, high - ln, ln - low) / noise) - ndtr(np.where(upper, low - ln, ln - high) / noise)
    return np.asarray(np.log(near + FALSE_SHARE * np.exp(-np.abs(ln - high))))


def answer(end_ml: Array, weights: Array, poured_ml: float, most_ml: float) -> Answer:
    """Of the members' endpoints (mL poured; inf: never) the 5 %, middle and 95 %, less what has been poured.

    Those past ``most_ml`` are not drawn by the bench; they count only where nothing else is left.
    """
    kept = weights * ((end_ml <= most_ml) | ~np.isfinite(end_ml))
    if not (kept * np.isfinite(end_ml)).sum() > 0.0:
        kept = weights
    ever = np.isfinite(end_ml)
    if not (kept * ever).sum() > 0.0:
        return Answer(0.0, most_ml - poured_ml, None, True)
    low, mid, high = (max(0.0, v - poured_ml) for v in _quantiles(end_ml[ever], kept[ever]))
    return Answer(low, mid, high if (kept * ever).sum() > (1.0 - MAY_NEVER) * kept.sum() else None, True)


def _quantiles(values: Array, weights: Array) -> list[float]:
    order = np.argsort(values)
    reached = np.cumsum(weights[order]) / weights.sum()
    return [float(values[order][min(int(np.searchsorted(reached, q)), len(values) - 1)]) for q in (0.05, 0.5, 0.95)]


def crossing(before: Array, after: Array, target_us_cm: float) -> Array:
    """Share of the way between two levels (us/cm) at which the logarithm passes the target."""
    way = np.maximum(np.log(before) - np.log(after), 1e-12)
    return np.asarray(np.clip((np.log(before) - math.log(target_us_cm)) / way, 0.0, 1.0))
