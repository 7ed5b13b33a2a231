"""Campaign on simulated lives: the forecast of the discard threshold against the simulator's truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

from rinsewatch.logbook.life.forecast import Forecast, NotIdentified
from rinsewatch_sim.lives import Life, true_capacity_eq

_FARTHEST = 300


@dataclass(frozen=True, slots=True)
class Crossing:
    """One look: cycles since onset, the forecast (None: not identified) and the true crossing, in cycles."""

    cause: str
    since_onset: int
    low: float | None
    middle: float | None
    high: float | None
    truth: float


def true_crossing(life: Life, threshold: float) -> float:
    """Cycle at which the bed's mean capacity is below ``threshold`` of that of its first five; inf: never."""
    first = float(np.median([true_capacity_eq(life.habits, life.harm, n) for n in range(1, 6)]))
    before = true_capacity_eq(life.habits, life.harm, 1) / first
    for number in range(2, _FARTHEST):
        now = true_capacity_eq(life.habits, life.harm, number) / first
        if now < threshold:
            return number - 1 + (before - threshold) / (before - now)
        before = now
    return float("inf")


def crossings(life: Life, cycle: int, ahead: Forecast | NotIdentified) -> list[Crossing]:
    """The look after ``cycle``, if the capacity is really falling then or a forecast was made."""
    harm = life.harm
    affected = cycle - harm.onset + 1
    falls = harm.cause in ("fouling", "oxidation") and affected >= 1
    if isinstance(ahead, NotIdentified):
        return [Crossing(harm.cause, affected, None, None, None, true_crossing(life, ahead.threshold))] if falls else []
    truth = true_crossing(life, ahead.threshold)
    return [Crossing(harm.cause, affected, ahead.low, ahead.cycle, ahead.high, truth)]


def forecast_lines(looks: Sequence[Crossing]) -> list[str]:
    """How often there is a forecast, how far it is off, and how often the truth is within its interval."""
    lines = ["forecast of the discard threshold (fouling and oxidation, the resin really losing capacity)"]
    for low, high in ((1, 4), (5, 8), (9, 14)):
        mine = [c for c in looks if c.cause in ("fouling", "oxidation") and low <= c.since_onset <= high]
        mine = [c for c in mine if isfinite(c.truth)]
        lines.append(f"  {low} to {high} cycles after onset: {_accuracy(mine)}")
    return lines


def _accuracy(looks: Sequence[Crossing]) -> str:
    made = [(c.low, c.middle, c.high, c.truth) for c in looks if c.low is not None]
    if not made:
        return f"none identified, of {len(looks)}"
    low, middle, high, truth = (np.array(column, dtype=np.float64) for column in zip(*made, strict=True))
    inside = np.mean((low <= truth) & (truth <= high))
    return (
        f"identified {100 * len(made) / len(looks):.0f} % of {len(looks)}; median error "
        f"{np.median(np.abs(middle - truth)):.1f} cycles, bias {np.median(middle - truth):+.1f}; "
        f"5-95 % interval holds the truth in {100 * inside:.0f} %"
    )
