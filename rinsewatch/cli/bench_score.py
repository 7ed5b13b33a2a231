"""Benchmark: what one estimator answered on one simulated rinse, scored against the simulator's truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rinsewatch_sim.record import Record

CHECKPOINTS = (0.50, 0.65, 0.80, 0.90)
UNANSWERED = 20.0  # portions counted for no answer
FALSE_STOP = 1.15  # a stop is false with the true filtrate above this many times the target
LATE_PORTIONS = 4.0
WIDEST = 60.0  # portions: an open upper end counts as this in the pinball loss


@dataclass(frozen=True, slots=True)
class Answer:
    """Remaining rinse water, mL: 5 %, median, 95 %; ``mid_ml`` None: no answer; ends None: open."""

    low_ml: float | None
    mid_ml: float | None
    high_ml: float | None
    has_interval: bool


NO_ANSWER = Answer(None, None, None, False)


@dataclass(slots=True)
class Outcome:
    """Everything an estimator said on one rinse that is scored. Row numbers index ``record.rows``."""

    answers: dict[int, Answer] = field(default_factory=dict)
    stop_row: int | None = None
    stalled_row: int | None = None
    chances: list[tuple[float, int]] = field(default_factory=list)  # (chance reached, row)
    cost_us: list[float] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Task:
    """One rinse to answer: the record, the target (uS/cm, meter scale) and the rows of the checkpoints."""

    record: Record
    target_us_cm: float
    end_ml: float | None
    below_ml: float | None
    checkpoints: tuple[int, ...]

    @classmethod
    def of(cls, record: Record, target_us_cm: float) -> Task:
        """Checkpoints at fixed shares of the part of the rinse the meter can read."""
        end = record.true_endpoint_ml(target_us_cm)
        rows: tuple[int, ...] = ()
        if end is not None:
            start = min(record.in_range_ml(), end)
            rows = tuple(_last_row_before(record, start + f * (end - start)) for f in CHECKPOINTS)
        return cls(record, target_us_cm, end, record.first_below_ml(target_us_cm), rows)

    @property
    def last_row(self) -> int:
        """No row after this one can change the score of an estimator that has stopped."""
        return max(self.checkpoints, default=0)


def _last_row_before(record: Record, poured_ml: float) -> int:
    """The last reading row before more than ``poured_ml`` has been poured."""
    row = int(np.searchsorted(record.poured_ml, poured_ml + 1e-6, side="right")) - 1
    while row > 0 and not record.rows[row].reading:
        row -= 1
    return max(row, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """Figures of one estimator on one rinse; lists have one entry per checkpoint, in portions.

    ``errors`` count no answer as 20; ``covered`` holds only answers with an interval. None: not applicable.
    ``false_stop``: the portion's drained filtrate is above 1.15 x target; ``false_at_once``: the water at the
    probe at that very moment is (portions still in contact with the bed can rise after the stop).
    ``plateau_shown``: the target is out of reach, and the digits of the plateau say so.
    """

    labels: dict[str, str]
    seed: int
    errors: list[float]
    unanswered: int
    covered: list[bool]
    widths: list[float]
    pinball: list[float]
    reachable: bool
    stopped: bool
    false_stop: bool
    false_at_once: bool
    never: bool
    waste: float | None
    false_stalled: bool
    stalled_after: float | None
    plateau_shown: bool
    chances: list[tuple[float, bool]]
    cost_us: list[float]


def score(task: Task, outcome: Outcome, seed: int) -> Score:
    """Compare an outcome with the truth of its rinse."""
    record = task.record
    reachable = task.end_ml is not None
    answers = [(outcome.answers.get(row, NO_ANSWER), _remaining(task, row)) for row in task.checkpoints]
    portion = record.scenario.portion_ml
    spans = [(a, t) for a, t in answers if a.has_interval]
    stop = outcome.stop_row
    return Score(
        labels=record.scenario.labels(),
        seed=seed,
        errors=[_error(a, t, portion) for a, t in answers],
        unanswered=sum(a.mid_ml is None for a, _ in answers),
        covered=[_inside(a, t, 1e-6 * portion) for a, t in spans],
        widths=[_width(a) / portion for a, _ in spans],
        pinball=[pinball(a, t, portion) for a, t in spans],
        reachable=reachable,
        stopped=stop is not None,
        false_stop=stop is not None and _above(record.settled_scale_us_cm, stop, task.target_us_cm),
        false_at_once=stop is not None and _above(record.scale_us_cm, stop, task.target_us_cm),
        never=reachable and (stop is None or _late(task, stop) > LATE_PORTIONS),
        waste=_waste(task, stop) if reachable else None,
        false_stalled=reachable and _stalled_early(task, outcome),
        stalled_after=None if reachable else _stalled_after(record, outcome.stalled_row),
        plateau_shown=not reachable and shows_plateau(record, task.target_us_cm),
        chances=[(c, bool(record.settled_scale_us_cm[r] <= task.target_us_cm)) for c, r in outcome.chances],
        cost_us=_thin(outcome.cost_us),
    )


def _remaining(task: Task, row: int) -> float:
    return (task.end_ml or 0.0) - float(task.record.poured_ml[row])


def _error(answer: Answer, truth_ml: float, portion_ml: float) -> float:
    return UNANSWERED if answer.mid_ml is None else abs(answer.mid_ml - truth_ml) / portion_ml


def _width(answer: Answer) -> float:
    return (float("inf") if answer.high_ml is None else answer.high_ml) - (answer.low_ml or 0.0)


def _inside(answer: Answer, truth_ml: float, slack_ml: float) -> bool:
    below = answer.low_ml is None or answer.low_ml - slack_ml <= truth_ml
    return below and (answer.high_ml is None or truth_ml <= answer.high_ml + slack_ml)


def pinball(answer: Answer, truth_ml: float, portion_ml: float) -> float:
    """Mean pinball loss of the three quantiles, in portions."""
    total = 0.0
    for level, value in ((0.05, answer.low_ml), (0.5, answer.mid_ml), (0.95, answer.high_ml)):
        guess = WIDEST if value is None else min(value / portion_ml, WIDEST)
        miss = truth_ml / portion_ml - guess
        total += max(level * miss, (level - 1.0) * miss)
    return total / 3.0


def _above(truth_us_cm: NDArray[np.float64], row: int, target_us_cm: float) -> bool:
    return bool(truth_us_cm[row] > FALSE_STOP * target_us_cm)


def _late(task: Task, row: int) -> float:
    """Portions poured past the first settled filtrate at or below the target (negative: early)."""
    past = float(task.record.poured_ml[row]) - (task.below_ml or 0.0)
    return past / task.record.scenario.portion_ml


def _waste(task: Task, stop: int | None) -> float:
    row = len(task.record.rows) - 1 if stop is None else stop
    return max(0.0, _late(task, row))


def _stalled_early(task: Task, outcome: Outcome) -> bool:
    """Told "stalled" on a rinse that does reach its target."""
    return outcome.stalled_row is not None and _late(task, outcome.stalled_row) < 0.0


def plateau_ml(record: Record) -> float:
    """Poured volume at which the plateau is visible: within half a display step or 10 % of the floor."""
    scenario = record.scenario
    step = scenario.meter.finest_step / scenario.meter.per_us_cm
    floor = scenario.floor_scale_us_cm()
    flat = np.flatnonzero(record.knots_us_cm - floor < max(0.5 * step, 0.1 * floor))
    return float(record.knots_ml[flat[0]] if len(flat) else record.knots_ml[-1])


def shows_plateau(record: Record, target_us_cm: float) -> bool:
    """Whether what the meter shows on the plateau means more than the target, whatever is rounded away.

    Where it does not, the same digits stand for a bed that is clean and for one that never will be.
    """
    scenario = record.scenario
    half_step = 0.5 * scenario.meter.finest_step / scenario.meter.per_us_cm
    return scenario.shown_us_cm(scenario.meter.show(scenario.floor_scale_us_cm())) - half_step > target_us_cm


def _stalled_after(record: Record, row: int | None) -> float:
    """Portions from the visible plateau to the word "stalled"; inf if it never came."""
    if row is None:
        return float("inf")
    return (float(record.poured_ml[row]) - plateau_ml(record)) / record.scenario.portion_ml


def _thin(values: Sequence[float], most: int = 300) -> list[float]:
    """At most ``most`` of the values, evenly picked."""
    return list(values[:: max(1, len(values) // most)])
