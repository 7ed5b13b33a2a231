"""What is believed of one rinse, reading by reading: the population at the present place.

``PortionBelief`` and ``FlowBelief`` (files of their own) share everything but the places: a portion is one
fact, a block of flow is one fact; the present one counts provisionally until it is complete.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator
from typing import Final

import numpy as np

from rinsewatch.chemistry.conductivity import LinearScale
from rinsewatch.rinse.course import Course
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
from rinsewatch.rinse.prior import ENTRAINED, PURE_WATER_US_CM, SLOW, Array, Flags, Prior, fill, prior_from_setup
from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.state import Interval, Remaining
from rinsewatch.rinse.traces import Water
from rinsewatch.rinse.verdict import PLATEAU

MOST_RESIN_VOLUMES: Final = 150.0  # nobody rinses longer: beyond it the answer is "never"
AGREE: Final = 1.1  # a reading may lie so far above the 95 % end of the filtrate
GROWTH: Final = 1.2  # evaluate again when the present fact has this much more behind it
OUTER: Final = (0.005, 0.995)
LONG_STANDING: Final = 1.5  # times as long, before the person is told
GRAVE: Final = 0.8  # chance of being out of reach from which another explanation is looked for
FORESEEN: Final = (0.02, 0.98)  # of what was believed before a reading: one outside has to be borne out before a stop
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
        self.chance_unreachable = 0.0
        self.travel = 0.0
        self.stands = False
        self.water_read = False  # again, while the reading stood still: whatever it read, that is done
        self.rested = False
        self._levels: dict[float, tuple[Array, Flags]] = {}
        self._levels_of: Water | None = None
        self._outer_of: tuple[View, tuple[float, float]] | None = None

    def _prior(self, water_step_us_cm: float) -> Prior:
        return prior_from_setup(self.setup, water_step_us_cm)

    # ---- places, by subclass -------------------------------------------------------------------

    @abstractmethod
    def take(self, span: Span, time_s: float) -> None:
        """A trusted reading at the present place."""

    def notice(self, span: Span, time_s: float, *, high: bool) -> None:
        """A reading, believed or not, or ``high`` above what can be; nothing to note unless a subclass does."""
        return

    def confirmed(self) -> None:
        """The person says the probe is in the filtrate."""
        return

    @property
    def doubts(self) -> bool:
        """What is read is lower than foreseen and not borne out yet; a subclass that can tell says so."""
        return False

    @property
    def unlike(self) -> bool:
        """The reading does not move as it did before; a subclass that can tell says so."""
        return False

    @property
    def read_through(self) -> bool:
        """The present place has been read for as long as it takes to judge it; a subclass that can tell says so."""
        return True

    @property
    def waits(self) -> bool:
        """What is read is still an earlier water; a subclass that can tell says so."""
        return False

    @property
    def contradicted(self) -> bool:
        """The readings do not come down as a washout does; a subclass that can tell says so."""
        return False

    @abstractmethod
    def begin_anew(self) -> None:
        """What was read at the present place was not the filtrate, or is no longer."""

    @abstractmethod
    def expectation(self, time_s: float, span: Span | None = None) -> Expectation:
        """What the meter may show now; ``span``: the reading to be judged by it."""

    @abstractmethod
    def crossing_ml(self, view: View, ln_goal: Array) -> Array:
        """Rinse volume from here until each nominal curve falls to its goal."""

    @abstractmethod
    def path(self, volumes_ml: Array) -> Array:
        """Nominal log level at further volumes from here, shape (members, m)."""

    @abstractmethod
    def ln_next(self) -> Array:
        """Nominal log level (members,) of the next filtrate: after one more portion, or in flow from here on."""

    @abstractmethod
    def ahead(self) -> tuple[Array, float, Array]:
        """Residue left if stopped now, volume of the next portion (mL), residue it takes out.

        Residues as linear level (uS/cm) times mL, shape (members,).
        """

    @property
    def bed_shares(self) -> tuple[float, float] | None:
        """Medians of entrained and slow liquid per resin volume as believed now; None before a settled fact.

        Slow liquid counts by what it holds: so much as would be as strong as the mobile liquid at the start.
        """
        if not self.course.observations:
            return None
        theta, weights = self.population.theta, self.view.weights
        entrained = weighted_quantiles(theta[:, ENTRAINED], weights, (0.5,))[0]
        slow = weighted_quantiles(theta[:, ENTRAINED] + theta[:, SLOW] + np.log(fill(theta)), weights, (0.5,))[0]
        return math.exp(entrained), math.exp(slow)

    @abstractmethod
    def _relook(self) -> None:
        """Form the view anew after the population was replaced."""

    def new_rinse_water(self, setup: RinseSetup, step_us_cm: float) -> None:
        """The rinse water was measured: a new prior of the floor, all facts weighed again."""
        self.setup = setup
        self.population = Population(self._prior(step_us_cm), setup.residue, self.course, self.rng)
        self.stands, self.water_read = False, True  # what was asked for is done
        self._relook()

    def _refit(self) -> None:
        """Take in the facts committed; that the target is out of reach is not to be said of one explanation alone."""
        far, grave = self._far_above_floor, self.chance_unreachable > GRAVE
        still = self.course.stands(self._standing_places)
        stands = (far or grave) and still
        stands_us_cm = self.scale.to_linear(self.filtrate.mid) if stands else None
        self.population.refit(self.course, grave=grave, stands_us_cm=stands_us_cm)
        self.water_read = self.water_read and still
        tells = far and stands and not self.water_read
        self.stands = tells and self.course.stands(LONG_STANDING * self._standing_places)

    @property
    def _far_above_floor(self) -> bool:
        """Above the target too: what is believed of the floor hardly matters below it."""
        above = self._target is None or self.filtrate.mid > self._target
        return above and self.floor_us_cm < (1.0 - PLATEAU) * self.filtrate.mid

    @property
    @abstractmethod
    def _standing_places(self) -> float:
        """Over so many places of the course a reading that goes on as before must have moved."""

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
        self._ends: Remaining | None = None
        self._chances: dict[float, float] = {}
        if self._target is not None:
            level, reachable = self._level_for(self.scale.to_linear(self._target))
            self.chance_reached = chance_below(view, level)
            goal = nominal_goal(view, level, reachable, self.population.uneven, self.dice)
            end = self.crossing_ml(view, goal.ln_goal)
            end_ml = np.where(goal.reachable, self.now_ml + end, np.inf)
            self._ends = remaining(end_ml, view.weights)
            self.chance_unreachable = float(np.dot(view.weights, ~np.isfinite(end_ml)))

    def chance_below(self, level_us_cm: float) -> float:
        """Probability that the true filtrate is at or below a level (meter scale)."""
        return chance_below(self.view, self._level_for(self.scale.to_linear(level_us_cm))[0])

    def agrees(self, low_us_cm: float) -> bool:
        """What is read (its low end) is what is believed: no stop on a forecast that its own reading contradicts."""
        return low_us_cm <= AGREE * self.filtrate.high

    def chance_stays_below(self, level_us_cm: float) -> float:
        """As ``chance_below``, and still so when the present portion has drained. Remembered until the next look."""
        if level_us_cm not in self._chances:
            self._chances[level_us_cm] = self._find_chance(level_us_cm)
        return self._chances[level_us_cm]

    def _find_chance(self, level_us_cm: float) -> float:
        return self.chance_below(level_us_cm)

    def _level_for(self, reading: float) -> tuple[Array, Flags]:
        """``Water.level``, remembered as long as the population stays."""
        if self._levels_of is not self.population.water:
            self._levels, self._levels_of = {}, self.population.water
        if reading not in self._levels:
            self._levels[reading] = self.population.water.level(reading)
        return self._levels[reading]

    def remaining(self) -> Remaining | None:
        """Water still to pour, None without a target."""
        ends, now = self._ends, self.now_ml
        if ends is None:
            return None
        mid = None if ends.mid_ml is None else max(ends.mid_ml - now, 0.0)
        high = None if ends.high_ml is None else max(ends.high_ml - now, 0.0)
        return Remaining(max(ends.low_ml - now, 0.0), mid, high)

    def band(self, volumes_ml: Array) -> list[tuple[float, float, float, float]]:
        """(rinse volume, 5 %, median, 95 % of the filtrate) at further volumes from here, meter scale."""
        out = []
        for further, view in zip(volumes_ml, self._views_ahead(volumes_ml), strict=True):
            ends = filtrate(view, self.population.water, self.dice)
            low, mid, high = (float(self.scale.to_reading(v)) for v in ends)
            out.append((self.now_ml + float(further), low, mid, high))
        return out

    def ends_ahead(self, volumes_ml: Array, shares: tuple[float, ...]) -> Array:
        """Quantiles of the filtrate at further volumes from here, meter scale, shape (volumes, shares)."""
        ends = [filtrate(view, self.population.water, self.dice, shares) for view in self._views_ahead(volumes_ml)]
        return np.array([[float(self.scale.to_reading(value)) for value in of_one] for of_one in ends])

    def _views_ahead(self, volumes_ml: Array) -> Iterator[View]:
        ahead = self.path(volumes_ml)
        for column in range(volumes_ml.size):
            change = ahead[:, column] - self.view.ln_level
            moved = self.view.corrections.advance(change, self.population.uneven)
            yield View(self.view.weights, ahead[:, column], moved)

    def _outer(self, view: View) -> tuple[float, float]:
        if self._outer_of is None or self._outer_of[0] is not view:
            self._outer_of = (view, self.filtrate_ends(view, OUTER))
        return self._outer_of[1]

    def filtrate_ends(self, view: View, shares: tuple[float, float]) -> tuple[float, float]:
        """Two quantiles of the filtrate in a view, meter scale."""
        low, high = filtrate(view, self.population.water, self.dice, shares)
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
        low, middle, high = filtrate(bare, self.population.water, self.dice, (0.02, 0.5, 0.98))
        linear = self._linear(seen)
        if linear.high < low or linear.low > high:
            # Wide enough to reach the reading easily, or it would be taken for a false one.
            self.jump = max(self.jump, abs(math.log(max(linear.high, PURE_WATER_US_CM) / middle)))

    def _due(self, count: int) -> bool:
        if count <= 1 or count >= self._evaluated_at * GROWTH:
            self._evaluated_at = count
            return True
        return False

    view: View
    now_ml: float
