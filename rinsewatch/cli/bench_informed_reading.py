"""Benchmark: what the informed observer makes of a reading, and of the endpoints its hypotheses come to."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from rinsewatch.cli.bench_oracle import three_quantiles
from rinsewatch.cli.bench_score import Answer
from rinsewatch_sim.record import Record
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.water import Array

LEAST_NOISE = 0.015  # relative: with sharper readings too few members would be left; a portion scatters by 5 % itself
JITTER = 0.99  # the meter's slow and fresh noise together, of its ``noise``
FALSE_SHARE = 1e-6  # keeps the weights of members that no reading fits comparable
FAULT_STEPS, FAULT_SHARE = 1.01, 0.05
MAY_NEVER = 0.05
FAR_ABOVE_US_CM = 60.0  # up here no reading tells anything of the water (at most 3 uS/cm)


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
    low, mid, high = (max(0.0, v - poured_ml) for v in three_quantiles(end_ml[ever], kept[ever]))
    return Answer(low, mid, high if (kept * ever).sum() > (1.0 - MAY_NEVER) * kept.sum() else None, True)


def crossing(before: Array, after: Array, target_us_cm: float) -> Array:
    """Share of the way between two levels (uS/cm) at which the logarithm passes the target."""
    way = np.maximum(np.log(before) - np.log(after), 1e-12)
    return np.asarray(np.clip((np.log(before) - math.log(target_us_cm)) / way, 0.0, 1.0))
