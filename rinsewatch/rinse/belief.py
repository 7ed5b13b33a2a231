"""What is believed of one rinse, reading by reading: the population at the present place.

``PortionBelief`` and ``FlowBelief`` share everything but the places: a portion is one fact, a block of
flow is one fact; the present one counts provisionally until it is complete.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from statistics import median
from typing import Final

import numpy as np

from rinsewatch.chemistry.conductivity import LinearScale
from rinsewatch.rinse.beds import BedState, FlowBed, FlowState, PortionBed, Pour
from rinsewatch.rinse.course import Course, FlowCourse, PortionCourse
from rinsewatch.rinse.evidence import Observation
from rinsewatch.rinse.forecast import (
    Dice,
    chance_below,
    filtrate,
    interval,
    nominal_goal,
    remaining,
    weighted_quantiles,
)
from rinsewatch.rinse.gate import Expectation
from rinsewatch.rinse.population import Population, View
from rinsewatch.rinse.prior import Array, Prior, prior_from_setup
from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.settle import FlowBlock, PortionWindow
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.state import Interval, Remaining
from rinsewatch.rinse.traces import Water

MOST_RESIN_VOLUMES: Final = 150.0  # nobody rinses longer: beyond it the answer is "never"
GROWTH: Final = 1.12  # evaluate again when the present fact has this much more behind it
USUAL_PACE_S: Final = 180.0  # a portion through a slow filter, until the person's own rhythm is known
LOWEST_PACE_S: Final = 1.0  # recordings without real times must not stop the slow exchange
REST_JUMP: Final = 0.5  # log spread after a long rest: how evenly the bed refills is not known
LATE_START_JUMP: Final = 3.0  # log spread allowed when the rinse had begun before the recording
OUTER: Final = (0.005, 0.995)
LONG_REST_PACES: Final = 8.0  # a gap of so many portions' time is a rest, not the rhythm
READ_SHARE: Final = 0.7  # a portion is read about so far through its time
SEED: Final = 20260  # the dice are fixed: the same rows always give the same answers


class Belief(ABC):
    """Population, provisional fact and the answers drawn from both."""

    def __init__(self, setup: RinseSetup, course: Course, water_step_us_cm: float) -> None:
        self.setup = setup
        self.course: Course = course
        self.scale = LinearScale(setup.residue.value)
        self.rng = np.random.default_rng(SEED)
        self.population = Population(self._prior(water_step_us_cm), setup.residue, course, self.rng)
        self.dice = Dice.throw(self.population.theta.shape[0], self.rng)
        self.known = False
        self.heard = False
        self.jump = 0.0
        self._evaluated_at = 0
        self._target: float | None = None
        self.travel = 0.0
        self.rested = False
        self._levels: dict[float, tuple[Array, Array]] = {}
        self._levels_of: Water | None = None
        self._outer_of: tuple[View, tuple[float, float]] | None = None

    def _prior(self, water_step_us_cm: float) -> Prior:
        return prior_from_setup(self.setup, water_step_us_cm)

    # ---- places, by subclass -------------------------------------------------------------------

    @abstractmethod
    def take(self, span: Span, time_s: float) -> None:
        """A trusted reading at the present place."""

    @abstractmethod
    def expectation(self, time_s: float) -> Expectation:
        """What the meter may show now."""

    @abstractmethod
    def crossing_ml(self, view: View, ln_goal: Array) -> Array:
        """Rinse volume from here until each nominal curve falls to its goal."""

    @abstractmethod
    def path(self, volumes_ml: Array) -> Array:
        """Nominal log level at further volumes from here, shape (members, m)."""

    @abstractmethod
    def _relook(self) -> None:
        """Form the view anew after the population was replaced."""

    def new_rinse_water(self, setup: RinseSetup, step_us_cm: float) -> None:
        """The rinse water was measured: a new prior of the floor, all facts weighed again."""
        self.setup = setup
        self.population = Population(self._prior(step_us_cm), setup.residue, self.course, self.rng)
        self._relook()

    # ---- answers -------------------------------------------------------------------------------

    def aim(self, target_us_cm: float | None) -> None:
        """Set the target (meter scale); answers follow."""
        if target_us_cm != self._target:
            self._target = target_us_cm
            self.answer()

    def answer(self) -> None:
        """Recompute the answers from the present view."""
        view, water = self.view, self.population.water
        low, mid, high = (float(self.scale.to_reading(v)) for v in filtrate(view, water, self.dice))
        self.filtrate: Interval = interval([low, mid, high])
        self.floor_us_cm = weighted_quantiles(water.floor, view.weights, (0.5,))[0]
        self.chance_reached = self.chance_unreachable = 0.0
        self.end_ml: Array | None = None
        if self._target is not None:
            level, reachable = self._level_for(self.scale.to_linear(self._target))
            self.chance_reached = chance_below(view, level)
            goal = nominal_goal(view, level, reachable, self.population.uneven, self.dice)
            end = self.crossing_ml(view, goal.ln_goal)
            self.end_ml = np.where(goal.reachable, self.now_ml + end, np.inf)
            self.chance_unreachable = float(np.dot(view.weights, ~np.isfinite(self.end_ml)))

    def chance_below(self, level_us_cm: float) -> float:
        """Probability that the true filtrate is at or below a level (meter scale)."""
        return chance_below(self.view, self._level_for(self.scale.to_linear(level_us_cm))[0])

    def chance_stays_below(self, level_us_cm: float) -> float:
        """As ``chance_below``, and still so when the present portion has drained."""
        return self.chance_below(level_us_cm)

    def _level_for(self, reading: float) -> tuple[Array, Array]:
        """``Water.level``, remembered as long as the population stays."""
        if self._levels_of is not self.population.water:
            self._levels, self._levels_of = {}, self.population.water
        if reading not in self._levels:
            self._levels[reading] = self.population.water.level(reading)
        return self._levels[reading]

    def remaining(self) -> Remaining | None:
        """Water still to pour, None without a target."""
        if self.end_ml is None:
            return None
        return remaining(self.end_ml, self.view.weights, self.now_ml)

    def band(self, volumes_ml: Array) -> list[tuple[float, float, float, float]]:
        """(rinse volume, 5 %, median, 95 % of the filtrate) at further volumes from here, meter scale."""
        c, ahead = self.view.corrections, self.path(volumes_ml)
        out = []
        for column, further in enumerate(volumes_ml):
            change = ahead[:, column] - self.view.ln_level
            moved = View(self.view.weights, ahead[:, column], c.advance(change, self.population.uneven))
            low, mid, high = (
                float(self.scale.to_reading(v)) for v in filtrate(moved, self.population.water, self.dice)
            )
            out.append((self.now_ml + float(further), low, mid, high))
        return out

    def _outer(self, view: View) -> tuple[float, float]:
        if self._outer_of is None or self._outer_of[0] is not view:
            self._outer_of = (view, self._find_outer(view))
        return self._outer_of[1]

    def _find_outer(self, view: View) -> tuple[float, float]:
        low, high = filtrate(view, self.population.water, self.dice, OUTER)
        return float(self.scale.to_reading(low)), float(self.scale.to_reading(high))

    def _linear(self, seen: Observation) -> Observation:
        low = self.scale.to_linear(seen.low) if seen.low > 0 else 0.0
        high = seen.high if math.isinf(seen.high) else self.scale.to_linear(seen.high)
        return Observation(low, high, seen.noise, self.jump)

    def _first_in_range(self, seen: Observation, ln_level: Array) -> None:
        """The first in-range fact may contradict the prior: the rinse had begun before the recording."""
        heard, self.heard = self.heard, True
        if self.known or math.isinf(seen.high):
            return
        self.known = True
        if heard:
            return  # it came down from over range before our eyes: the prior has nothing to forgive
        bare = self.population.view(ln_level, None)
        low, high = filtrate(bare, self.population.water, self.dice, (0.02, 0.98))
        linear = self._linear(seen)
        if linear.high < low or linear.low > high:
            self.jump = max(self.jump, LATE_START_JUMP)

    def _due(self, count: int) -> bool:
        if count <= 1 or count >= self._evaluated_at * GROWTH:
            self._evaluated_at = count
            return True
        return False

    view: View
    now_ml: float


class PortionBelief(Belief):
    """A rinse poured in portions."""

    course: PortionCourse

    def __init__(self, setup: RinseSetup, water_step_us_cm: float) -> None:
        super().__init__(setup, PortionCourse(PortionBed(setup.resin_ml)), water_step_us_cm)
        self.portion_ml = setup.portion_ml or setup.resin_ml
        self.now_ml = 0.0
        self.window = PortionWindow()
        self._poured_s: float | None = None
        self._gaps_s: list[float] = []
        self._arrive()

    @property
    def pace_s(self) -> float | None:
        """Seconds per portion, the person's own rhythm; None before two portions."""
        return median(self._gaps_s) if self._gaps_s else None

    def pour(self, volume_ml: float, time_s: float) -> None:
        """A portion was poured."""
        self._commit()
        gap = 0.0 if self._poured_s is None else time_s - self._poured_s
        if self._poured_s is not None:
            if gap < LOWEST_PACE_S:
                gap = self.pace_s or USUAL_PACE_S
            elif gap < LONG_REST_PACES * (self.pace_s or USUAL_PACE_S):
                self._gaps_s = [*self._gaps_s[-8:], gap]
        self.rested = gap >= LONG_REST_PACES * (self.pace_s or USUAL_PACE_S)
        self.course.pour(Pour(volume_ml, time_s, gap))
        self.now_ml += volume_ml
        self._poured_s = time_s
        self.window = PortionWindow(typed=0 < self.window.count <= 2)
        self._arrive()

    def unpour(self, volume_ml: float) -> None:
        """The last portion was none; what was read since belongs to the one before."""
        self.course.unpour()
        self.now_ml -= volume_ml
        self._poured_s = self.course.pours[-1].time_s if self.course.pours else None
        self._gaps_s = self._gaps_s[:-1]
        self.population = Population(self.population.prior, self.setup.residue, self.course, self.rng)
        self._arrive()

    def _relook(self) -> None:
        self._state = self.course.state(self.population.theta)
        fact = self.window.fact()
        self._look(*(fact if fact is not None else (self._looked_s, None)))

    def _commit(self) -> None:
        fact = self.window.fact()
        if fact is None:
            return
        after_s, seen = fact
        self.course.learn(after_s, self._linear(seen))
        self.population.refit(self.course)
        self.jump = 0.0

    def _arrive(self) -> None:
        """New portion: where every hypothesis expects the filtrate before it is read."""
        self._evaluated_at = 0
        first = not self.course.pours
        self._previous_high, before = (math.inf, 0.0) if first else (self._outer(self.view)[1], self.filtrate.mid)
        self._state: BedState = self.course.state(self.population.theta)
        self._look(0.0, None)
        self._before = self._outer(self.view)
        if not first:
            self.travel += max(math.log(before / self.filtrate.mid), 0.0)

    def _standing_ml(self) -> float:
        return self.course.pours[-1].volume_ml if self.course.pours else 0.0

    def _look(self, after_s: float, seen: Observation | None) -> None:
        self._looked_s = after_s
        level = self.course.bed.level(self.population.theta, self._state, self._standing_ml(), after_s)
        if seen is not None:
            self._first_in_range(seen, level)
            seen = self._linear(seen)
        self.view = self.population.view(level, seen)
        self.answer()

    def _after(self, time_s: float) -> float:
        return 0.0 if self._poured_s is None else max(time_s - self._poured_s, 0.0)

    def take(self, span: Span, time_s: float) -> None:
        """A trusted reading of the present portion."""
        self.window.add(self._after(time_s), span)
        if self._due(self.window.count):
            fact = self.window.fact()
            if fact is not None:
                self._look(*fact)

    def chance_stays_below(self, level_us_cm: float) -> float:
        """As ``chance_below``, and still so when the portion has drained: the slow liquid leaks into it."""
        now = self.chance_below(level_us_cm)
        drained_s = READ_SHARE * (self.pace_s or USUAL_PACE_S)
        if now < 0.5 or self._looked_s >= drained_s:
            return now
        later = self.course.bed.level(self.population.theta, self._state, self._standing_ml(), drained_s)
        view = View(self.view.weights, later, self.view.corrections)
        return min(now, chance_below(view, self._level_for(self.scale.to_linear(level_us_cm))[0]))

    @property
    def settled(self) -> bool:
        """The present portion's readings have stopped moving."""
        return self.window.count > 0 and self.window.unsettled() < 0.05

    def expectation(self, time_s: float) -> Expectation:
        """What the meter may show now."""
        after, pace = self._after(time_s), self.pace_s or USUAL_PACE_S
        if after > self._looked_s + 0.5 * pace and self.window.count == 0:
            self._look(after, None)
            self._before = self._outer(self.view)
        settling = not self.window.typed and after < max(15.0, 0.25 * pace)
        low, high = self._before
        if self.window.count >= 3 and self.settled:
            low, high = self._outer(self.view)
        if settling:
            high = max(high, self._previous_high)
        return Expectation(low, high, self.heard, self.known, settling, self.travel)

    def crossing_ml(self, view: View, ln_goal: Array) -> Array:
        """Rinse volume from here until each nominal curve falls to its goal."""
        pace = self.pace_s or USUAL_PACE_S
        ladder = self.course.bed.ladder(
            self.population.theta, self._state, self.portion_ml, max(pace, self._looked_s), pace, READ_SHARE * pace
        )
        most = MOST_RESIN_VOLUMES * self.setup.resin_ml / self.portion_ml
        return ladder.crossing(view.ln_level, ln_goal, max(most, 2.0)) * self.portion_ml

    def path(self, volumes_ml: Array) -> Array:
        """Nominal log level at further volumes from here, shape (members, m)."""
        pace = self.pace_s or USUAL_PACE_S
        ladder = self.course.bed.ladder(
            self.population.theta, self._state, self.portion_ml, max(pace, self._looked_s), pace, READ_SHARE * pace
        )
        now, first = self.view.ln_level, ladder.log_level(np.ones(self.view.ln_level.size))
        out = np.empty((now.size, volumes_ml.size))
        for column, portions in enumerate(volumes_ml / self.portion_ml):
            out[:, column] = (
                now + portions * (first - now) if portions < 1 else ladder.log_level(np.full(now.size, portions))
            )
        return out


class FlowBelief(Belief):
    """A rinse in continuous flow."""

    course: FlowCourse
    IDLE_S: Final = 240.0  # flow that stands this long is a rest in which the slow liquid leaks

    def __init__(self, setup: RinseSetup, water_step_us_cm: float) -> None:
        flow = (setup.flow_ml_min or setup.resin_ml / 5.0) / 60.0
        super().__init__(setup, FlowCourse(FlowBed(setup.resin_ml, flow)), water_step_us_cm)
        self.now_ml = 0.0
        self._moved_s: float | None = None
        self._rested_ml: float | None = None
        self._set_block()
        self._look()

    @property
    def pace_s(self) -> float:
        """Seconds per mL."""
        return 1.0 / self.course.bed.flow_ml_s

    def move(self, rinse_ml: float, time_s: float) -> None:
        """The flow has brought the rinse volume to ``rinse_ml``."""
        if self._moved_s is not None and rinse_ml > self.now_ml:
            idle = time_s - self._moved_s - (rinse_ml - self.now_ml) * self.pace_s
            if idle > self.IDLE_S:
                self._commit()
                self.course.rest(self.now_ml, idle)
                self._rested_ml, self.jump = rinse_ml, max(self.jump, REST_JUMP)
                self.population.refit(self.course)
                self._states = self.course.states(self.population.theta)
        if rinse_ml > self.now_ml or self._moved_s is None:
            self._moved_s = time_s
        self.travel += max(rinse_ml - self.now_ml, 0.0) / self.efold_ml
        self.rested = self._rested_ml is not None and rinse_ml < self._rested_ml + 2.0 * self.setup.resin_ml
        self.now_ml = max(rinse_ml, 0.0)

    def _set_block(self) -> None:
        """Blocks of about a seventh of an e-fold, never more than a third of the resin volume."""
        self._states = self.course.states(self.population.theta)
        ahead = 0.05 * self.setup.resin_ml
        theta, state = self.population.theta, self._states[-1]
        level = self.course.bed.level(theta, state, self.now_ml)
        fall = level - self.course.bed.level(theta, state, self.now_ml + ahead)
        excess = np.exp(level)
        seen_fall = float(np.dot(self.population.weights, fall * excess / (excess + self.population.water.floor)))
        self.efold_ml = ahead / max(seen_fall, 1e-3)
        self.block_ml = min(0.15 * self.efold_ml, 0.33 * self.setup.resin_ml)
        self.block = FlowBlock(self.now_ml)
        self._evaluated_at = 0

    def _commit(self) -> None:
        fact = self.block.fact(self.now_ml)
        if fact is not None:
            self.course.learn(fact[0], self._linear(fact[1]))
            self.population.refit(self.course)
            self.jump = 0.0
        self._set_block()

    def _look(self) -> None:
        """The belief with the present block, carried to the present volume."""
        theta, state = self.population.theta, self._states[-1]
        now = self.course.bed.level(theta, state, self.now_ml)
        fact = self.block.fact(self.now_ml)
        if fact is None:
            self.view = self.population.view(now, None)
        else:
            there = now if fact[0] == self.now_ml else self.course.bed.level(theta, state, fact[0])
            self._first_in_range(fact[1], there)
            at_block = self.population.view(there, self._linear(fact[1]))
            moved = at_block.corrections.advance(now - there, self.population.uneven)
            self.view = View(at_block.weights, now, moved)
        self.answer()

    def take(self, span: Span, time_s: float) -> None:
        """A trusted reading at the present volume."""
        if self.block.count and self.now_ml - self.block.start_ml >= self.block_ml:
            self._commit()
        self.block.add(self.now_ml, span)
        if self._due(self.block.count):
            self._look()

    def expectation(self, time_s: float) -> Expectation:
        """What the meter may show now."""
        if self.block.count == 0 and self.now_ml > self.block.start_ml + self.block_ml:
            self._set_block()
            self._look()
        low, high = self._outer(self.view)
        return Expectation(low, high, self.heard, self.known, False, self.travel)

    def crossing_ml(self, view: View, ln_goal: Array) -> Array:
        """Rinse volume from here until each nominal curve falls to its goal."""
        most = MOST_RESIN_VOLUMES * self.setup.resin_ml
        return self.course.bed.crossing(self.population.theta, self._states[-1], self.now_ml, ln_goal, most)

    def path(self, volumes_ml: Array) -> Array:
        """Nominal log level at further volumes from here, shape (members, m)."""
        return self.course.bed.levels(self.population.theta, self._states[-1], self.now_ml + volumes_ml)

    def _relook(self) -> None:
        self._states: list[FlowState] = self.course.states(self.population.theta)
        self._look()
