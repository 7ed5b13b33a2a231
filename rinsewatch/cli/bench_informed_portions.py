"""Benchmark: the informed observer of a rinse in portions. A particle filter in the bench's own law.

What stays the same in a rinse (bed, contact) wanders a little at each resampling towards its mean, so that neither
its middle nor its spread changes (Liu and West 2001, in Sequential Monte Carlo Methods in Practice, chapter 10).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rinsewatch.cli.bench_informed_reading import FAR_ABOVE_US_CM, answer, crossing, is_sound, ln_like
from rinsewatch.cli.bench_score import Answer, Outcome, Task
from rinsewatch_sim import draw
from rinsewatch_sim.alike import Beds, Waters, beds, waters
from rinsewatch_sim.record import Record
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.simulate import CUP_S, progress
from rinsewatch_sim.water import Array

MEMBERS_AT_FIRST = 200_000
MEMBERS = 40_000  # after the readings have sorted them a few times: the first sort them out most
SORTED_AT_FIRST = 4
WATERS = 1000
FORECASTS = 1000
LOOK_AHEAD = 45  # portions
WANDER = 0.15  # of the members' own spread, at each resampling
HAND_SHARE = 0.9  # of a portion's time, when a person reads and types


@dataclass(frozen=True, slots=True)
class Poured:
    """One portion as it really was: when, until the next, a pause after it, and its last sound reading (a row)."""

    start_s: float
    interval_s: float
    pause_s: float
    row: int | None


def poured(record: Record) -> list[Poured]:
    """The portions of a record, also those nobody logged."""
    rows, portion = record.rows, record.scenario.portion_ml
    numbers = np.rint(record.poured_ml / portion).astype(int) - 1
    starts = {int(numbers[i]): rows[i].time_s for i in range(len(rows)) if rows[i].event == "portion"}
    pauses = [row.time_s for row in rows if row.event in ("pause", "resume")]
    read: dict[int, list[int]] = {}
    for i, row in enumerate(rows):
        if row.event == "":
            read.setdefault(int(numbers[i]), []).append(i)
    found: list[Poured] = []
    for number in range(int(numbers.max()) + 1):
        mine = read.get(number, [])
        start = starts.get(number, found[-1].start_s + found[-1].interval_s + found[-1].pause_s if found else 0.0)
        found.append(_one(record, mine, start, starts.get(number + 1), pauses))
    return found


def _one(record: Record, mine: list[int], start_s: float, next_s: float | None, pauses: list[float]) -> Poured:
    """``mine``: the rows read in it; ``next_s``: None where the next one was not logged (or never came)."""
    scenario = record.scenario
    last_s = record.rows[mine[-1]].time_s if mine else start_s + scenario.operator.interval_s
    interval = (last_s - start_s) / (HAND_SHARE if mine and scenario.hand_typed else 1.0)
    until_s = next_s if next_s is not None else start_s + interval + 2.0 * scenario.period_s
    paused = len(pauses) > 1 and start_s < pauses[0] < until_s
    pause = pauses[1] - pauses[0] if paused else 0.0
    if next_s is not None:
        interval = next_s - start_s - pause
    sound = [i for i in mine if is_sound(record, i)]
    return Poured(start_s, interval, pause, sound[-1] if sound else None)


@dataclass(slots=True)
class _Members:
    """The hypotheses, their log weights, and the filtrate of the last portion (mol/L)."""

    beds: Beds
    waters: Waters
    ln_weights: Array
    filtrate: Array
    sorted_times: int = 0

    def weights(self) -> Array:
        """Sum 1."""
        weights = np.exp(self.ln_weights - self.ln_weights.max())
        return np.asarray(weights / weights.sum())

    def chosen(self, count: int, rng: np.random.Generator) -> _Members:
        """``count`` of them by their weights."""
        points = (rng.random() + np.arange(count)) / count
        index = np.minimum(np.searchsorted(np.cumsum(self.weights()), points), len(self.ln_weights) - 1)
        times = self.sorted_times + 1
        return _Members(self.beds.take(index), self.waters.take(index), np.zeros(count), self.filtrate[index], times)


def in_portions(task: Task, *, any_rinse: bool) -> Outcome:
    """Forecasts at the checkpoints of a rinse in portions; ``any_rinse``: also such as the bench leaves out."""
    record, scenario = task.record, task.record.scenario
    rng, count = np.random.default_rng(MEMBERS), MEMBERS_AT_FIRST
    pool = waters(scenario, WATERS, rng, any_target=any_rinse)
    members = _Members(beds(scenario, count, rng), _any(pool, count, rng), np.zeros(count), np.zeros(count))
    wanted: dict[int, list[int]] = {}
    for row in task.checkpoints:
        wanted.setdefault(round(float(record.poured_ml[row]) / scenario.portion_ml) - 1, []).append(row)
    most = draw.PORTIONS_AT_MOST + (LOOK_AHEAD if any_rinse else 0)
    outcome = Outcome()
    for number, one in enumerate(poured(record)[: max(wanted) + 1]):
        members = _follow(record, members, number, one, pool, rng)
        for row in wanted.get(number, []):
            outcome.answers[row] = _forecast(task, members, number, rng, most)
    return outcome


def _any(pool: Waters, count: int, rng: np.random.Generator) -> Waters:
    return pool.take(rng.integers(0, len(pool.gain), count))


def _pour(scenario: Scenario, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """(volumes, by-passed shares) as such people pour."""
    habits = scenario.operator
    volume = habits.portion_ml * np.maximum(0.5, 1.0 + habits.volume_noise * rng.standard_normal(count))
    return volume, rng.uniform(0.0, habits.bypass_high, count)


def _follow(
    record: Record, members: _Members, number: int, one: Poured, pool: Waters, rng: np.random.Generator
) -> _Members:
    """One more portion, and what was read in it."""
    scenario = record.scenario
    read_s = math.inf
    if one.row is not None and not scenario.hand_typed:
        meter = scenario.meter
        read_s = max(0.0, record.rows[one.row].time_s - one.start_s - CUP_S - meter.lag_s - 0.5 * meter.refresh_s)
    volume, bypass = _pour(scenario, len(members.ln_weights), rng)
    read, members.filtrate = members.beds.portion(volume, bypass, one.interval_s, one.pause_s, read_s)
    if one.row is None:
        return members
    share = float(progress(scenario, (number + 1) * scenario.portion_ml))
    scale = members.waters.reading_us_cm(read, scenario.temperature_drift_c * share)
    text = record.rows[one.row].reading
    members.ln_weights = members.ln_weights + ln_like(scenario, text, scale)
    weights = members.weights()
    if 1.0 / np.square(weights).sum() > 0.5 * len(weights):
        return members
    count = MEMBERS_AT_FIRST if members.sorted_times < SORTED_AT_FIRST else MEMBERS
    members = members.chosen(count, rng)
    members.beds = _wandered(scenario, members.beds, rng)
    if text == "over" or float(text) / scenario.meter.per_us_cm > FAR_ABOVE_US_CM:
        members.waters = _any(pool, count, rng)
    return members


def _wandered(scenario: Scenario, found: Beds, rng: np.random.Generator) -> Beds:
    """The beds' parameters pulled to their mean and spread again, within the bench's ranges."""
    columns = (found.entrained_ml, found.slow_ml, found.exchange_per_s, found.contact_share)
    ln = np.log(np.stack(columns))
    mean, root = ln.mean(axis=1, keepdims=True), np.linalg.cholesky(np.cov(ln) + 1e-10 * np.eye(len(ln)))
    ln = mean + math.sqrt(1.0 - WANDER**2) * (ln - mean) + WANDER * root @ rng.standard_normal(ln.shape)
    resin = scenario.resin_ml
    return replace(
        found,
        entrained_ml=_within(ln[0], [resin * v for v in draw.ENTRAINED_RATIO]),
        slow_ml=_within(ln[1], [resin * v for ends in draw.SLOW_RATIO.values() for v in ends]),
        exchange_per_s=_within(ln[2], [v for ends in draw.EXCHANGE_PER_S.values() for v in ends]),
        contact_share=_within(ln[3], draw.CONTACT_SHARE),
    )


def _within(ln_values: Array, ends: Sequence[float]) -> Array:
    """The values no lower than the least end, no higher than the greatest."""
    return np.asarray(np.clip(np.exp(ln_values), min(ends), max(ends)))


def _forecast(task: Task, members: _Members, number: int, rng: np.random.Generator, most: float) -> Answer:
    """Pours on with each of some members until the target is passed; endings after ``most`` portions do not count."""
    scenario, target = task.record.scenario, task.target_us_cm
    some, habits = members.chosen(FORECASTS, rng), scenario.operator
    before = some.waters.reading_us_cm(some.filtrate)
    end = np.where(before <= target, float(number + 1), math.inf)
    for further in range(number + 1, number + LOOK_AHEAD):
        if np.isfinite(end).all():
            break
        interval = habits.interval_s * np.exp(habits.interval_noise * rng.standard_normal(FORECASTS))
        pause = habits.pause_s if further == habits.pause_at else 0.0
        _, filtrate = some.beds.portion(*_pour(scenario, FORECASTS, rng), interval, pause, 0.0)
        after = some.waters.reading_us_cm(filtrate)
        now = np.isinf(end) & (after <= target)
        end = np.where(now, further + crossing(before, after, target), end)
        before = after
    portion, even = scenario.portion_ml, np.full(FORECASTS, 1.0 / FORECASTS)
    return answer(end * portion, even, (number + 1) * portion, most * portion)
