"""The belief of a rinse in continuous flow: each small block of volume is one fact."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from rinsewatch.rinse.belief import FORESEEN, MOST_RESIN_VOLUMES, OUTER, Belief
from rinsewatch.rinse.course import FlowCourse
from rinsewatch.rinse.earlier import EarlierForecasts
from rinsewatch.rinse.evidence import Observation
from rinsewatch.rinse.flowbed import FlowBed, FlowState
from rinsewatch.rinse.flowpath import FlowPath
from rinsewatch.rinse.gate import Expectation
from rinsewatch.rinse.population import View
from rinsewatch.rinse.prior import Array
from rinsewatch.rinse.settle import FlowBlock
from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.spans import Span

IDLE_S: Final = 60.0  # flow that stands so long has rested: at the usual exchange a fifth of the slow liquid leaks
IDLE_SHARE: Final = 0.6  # of the time since it last moved; less is a slower flow between two readings far apart
# Steps in which a trend is followed while readings are not believed: a third of an e-fold as expected, bounded.
PLACE_EFOLDS: Final = 0.35
PLACE_RESIN_VOLUMES: Final = 0.3
PLACE_WIDENS: Final = 0.1  # of the water since the last reading believed: the tail is far slower than the front was
AHEAD_EFOLDS: Final = np.linspace(0.0, 3.5, 8)  # how far a forecast is kept to judge later readings by
STEADY: Final = np.exp(-AHEAD_EFOLDS)  # where a washout is by then that goes on as now, whatever floor is believed
STOP_SHARE: Final = 0.75  # of the earlier forecasts whose low end a reading at the endpoint may not fall short of
READ_SHARE: Final = 0.15  # of a block, after which what was read in it is weighed again
READ_FALL: Final = 0.03  # of the reading, after which it is in any case
NOT_THERE: Final = 0.01  # chance of being at the target, below which nobody waits for the next look
LOOK_SHARE: Final = 0.3  # of a block, after which the curve is followed though nothing was learnt
STANDING_RESIN_VOLUMES: Final = 1.5
SURE_EFOLDS: Final = 0.5  # of washout as foreseen, after a block that was not, before a stop ...
SURE_RESIN_VOLUMES: Final = 1.0  # ... or so much water, near the floor
REST_NOISE: Final = 0.2  # relative, while the front after a rest leaves: its misfit to the matrix exponential, 90 %
REST_JUMP: Final = 0.5  # log spread after a long rest: how evenly the bed refills is not known


class FlowBelief(Belief):
    """A rinse in continuous flow."""

    course: FlowCourse

    def __init__(self, setup: RinseSetup, water_step_us_cm: float) -> None:
        flow = (setup.flow_ml_min or setup.resin_ml / 5.0) / 60.0
        super().__init__(setup, FlowCourse(FlowBed(setup.resin_ml, flow)), water_step_us_cm)
        self.now_ml = 0.0
        self._looked_ml = 0.0
        self._last_taken = True
        self._taken_ml = 0.0
        self._looked_us_cm = math.inf  # what was read when the block was last weighed
        self._moved_s: float | None = None
        self._rested_ml: float | None = None
        self.place = 0.0
        self._earlier = EarlierForecasts()
        self._surprised_ml = self._vouched_ml = -math.inf
        self._path: FlowPath
        self._state: FlowState
        self._set_block()
        self._look()

    @property
    def _standing_places(self) -> float:
        return STANDING_RESIN_VOLUMES * self.setup.resin_ml

    @property
    def pace_s(self) -> float:
        """Seconds per mL."""
        return 1.0 / self.course.bed.flow_ml_s

    def move(self, rinse_ml: float, time_s: float) -> None:
        """The flow has brought the rinse volume to ``rinse_ml``."""
        if self._moved_s is not None and rinse_ml > self.now_ml:
            since_s = time_s - self._moved_s
            idle = since_s - (rinse_ml - self.now_ml) * self.pace_s
            if idle > max(IDLE_S, IDLE_SHARE * since_s):
                self._commit()
                self._earlier.clear()
                self.course.rest(self.now_ml, idle)
                self._rested_ml, self.jump = rinse_ml, max(self.jump, REST_JUMP)
                self.population.refit(self.course)
                self._foresee()
                self._looked_ml = -math.inf  # look anew before the next reading is judged
        if rinse_ml > self.now_ml or self._moved_s is None:
            self._moved_s = time_s
        moved = max(rinse_ml - self.now_ml, 0.0)
        self.travel += moved / self.efold_ml
        step_ml = min(PLACE_EFOLDS * self.efold_ml, PLACE_RESIN_VOLUMES * self.setup.resin_ml)
        self.place += moved / max(step_ml, PLACE_WIDENS * (rinse_ml - self._taken_ml))
        self.rested = self._rested_ml is not None and rinse_ml < self._rested_ml + 2.0 * self.setup.resin_ml
        self.now_ml = max(rinse_ml, 0.0)

    def _set_block(self) -> None:
        """Blocks of about a seventh of an e-fold, never more than a third of the resin volume."""
        self._foresee()
        ahead = 0.05 * self.setup.resin_ml
        level, later = self._level(self.now_ml), self._level(self.now_ml + ahead)
        water = self.population.water
        fall = np.log(water.reading(np.exp(level)) / water.reading(np.exp(later)))
        self.efold_ml = ahead / max(float(np.dot(self.population.weights, fall)), 1e-3)
        self.block_ml = min(0.15 * self.efold_ml, 0.33 * self.setup.resin_ml)
        self.block = FlowBlock(self.now_ml)
        self._evaluated_at = 0

    def _foresee(self) -> None:
        """The curves of the population from here on."""
        theta = self.population.theta
        self._state = self.course.states(theta)[-1]
        self._path = self.course.bed.path(theta, self._state, self.now_ml)

    def _level(self, volume_ml: float) -> Array:
        """Nominal log level of the members at a rinse volume."""
        if volume_ml >= self._path.start_ml:
            return self._path.level(volume_ml)
        return self.course.bed.level(self.population.theta, self._state, volume_ml)

    def _commit(self) -> None:
        fact = self.block.fact(self.now_ml)
        if self._surprises():
            self._surprised_ml = self.now_ml
        if fact is not None:
            self.course.learn(fact[0], self._linear(self._doubted(fact[1])))
            self._refit()
            self.jump = 0.0
        self._set_block()

    def _doubted(self, seen: Observation) -> Observation:
        """The front after a rest is known less well than a meter reads: it must not bend the bed or the floor."""
        return replace(seen, noise=math.hypot(seen.noise, REST_NOISE)) if self.rested else seen

    def _look(self) -> None:
        """The belief with the present block, carried to the present volume."""
        self._looked_ml = self.now_ml
        now = self._level(self.now_ml)
        fact = self.block.fact(self.now_ml)
        if fact is None:
            self.view = self.population.view(now, None)
        else:
            there = now if fact[0] == self.now_ml else self._level(fact[0])
            self._first_in_range(fact[1], there)
            at_block = self.population.view(there, self._linear(self._doubted(fact[1])))
            moved = at_block.corrections.advance(now - there, self.population.uneven)
            self.view = View(at_block.weights, now, moved)
        self.answer()

    def take(self, span: Span, time_s: float) -> None:
        """A trusted reading at the present volume."""
        self._last_taken, self._taken_ml = True, self.now_ml
        if self.block.count and (self.now_ml - self.block.start_ml >= self.block_ml or self.block.falls_away(span)):
            self._commit()
        if span.is_zero and self._unforeseen_zero(span):
            # A probe in air shows it too, for as long as it is there: it teaches nothing until the forecast is so far.
            self._surprised_ml = self.now_ml
            if self.now_ml > self._looked_ml + LOOK_SHARE * self.block_ml:
                self._look()
            return
        self.block.add(self.now_ml, span)
        if self._due(self.block.count) and (self.block.count == 1 or self._moved_on(span)):
            self._looked_us_cm = span.shown_us_cm
            self._look()
        if self.block.count == 1 and self.known and not span.is_over:
            self._remember()

    def _moved_on(self, span: Span) -> bool:
        """Away from the target a look is worth its cost only so often, unless the readings fall faster than foreseen:
        the answers come down by what flows, the gate does not."""
        away = self.chance_reached < NOT_THERE
        fallen = span.high_us_cm < (1.0 - READ_FALL) * self._looked_us_cm
        return not away or fallen or self.now_ml > self._looked_ml + READ_SHARE * self.block_ml

    def begin_anew(self) -> None:
        """What was read so far was not the filtrate, or is no longer."""
        self._earlier.clear()

    def confirmed(self) -> None:
        """The person says the probe is in the filtrate: what was foreseen before is no measure any more, nor, for a
        while, what is."""
        self._earlier.clear()
        self._surprised_ml, self._vouched_ml = -math.inf, self.now_ml

    @property
    def doubts(self) -> bool:
        """What is read is lower than foreseen earlier in the rinse, or was not foreseen and is not borne out yet."""
        sure = self.now_ml - self._surprised_ml >= self._sure_ml
        return not sure or self.block.high_us_cm < self._earlier.low_us_cm(self.now_ml, STOP_SHARE)

    @property
    def _sure_ml(self) -> float:
        return min(SURE_EFOLDS * self.efold_ml, SURE_RESIN_VOLUMES * self.setup.resin_ml)

    def _remember(self) -> None:
        """Keep what is forecast from here, to judge later readings by."""
        further = AHEAD_EFOLDS * self.efold_ml
        low, mid = self.ends_ahead(further, (OUTER[0], 0.5)).T
        # What goes on falling as it falls here is no surprise later: a tail may have been taken for the floor.
        low, mid = np.minimum(low, low[0] * STEADY), np.minimum(mid, mid[0] * STEADY)
        self._earlier.add(self.now_ml + self.efold_ml, self.now_ml + further, low, mid)

    def agrees(self, low_us_cm: float) -> bool:
        """As for every rinse; nor may the reading be lower than foreseen, just now or earlier in the rinse, unless the
        person has just looked at the probe."""
        vouched = self.now_ml - self._vouched_ml < self._sure_ml
        return super().agrees(low_us_cm) and not self.doubts and (vouched or not self._surprises())

    def _surprises(self) -> bool:
        """The present block reads other than was believed before it was read."""
        fact = self.block.fact(self.now_ml)
        if fact is None or not self.known:
            return False
        at_ml, seen = fact
        level = self._level(at_ml)
        low, high = self.filtrate_ends(self.population.view(level, None), FORESEEN)
        return seen.high < low or seen.low > high

    def _unforeseen_zero(self, span: Span) -> bool:
        """The display turns to zero sooner than was believed: of a whole block the mean would hide it."""
        if not self.known:
            return False
        level = self._level(self.now_ml)
        return span.high_us_cm < self.filtrate_ends(self.population.view(level, None), FORESEEN)[0]

    def expectation(self, time_s: float, span: Span | None = None) -> Expectation:
        """What the meter may show now; what only a refused reading is judged by is left out if ``span`` fits."""
        if self._last_taken and self.now_ml > self._looked_ml + self.block_ml:
            # Nothing was read for a while: the washout went on all the same. Never while readings are
            # refused: the forecast would come down to them by itself.
            self._commit()
            self._look()
        carried = None if self._last_taken else self._earlier.last_low_us_cm(self.now_ml)
        low, high = self._outer(self.view)
        low = max(low, self._earlier.low_us_cm(self.now_ml))
        refused = not self._last_taken or span is None or span.high_us_cm < low
        self._last_taken = False
        return Expectation(
            low,
            high,
            self.heard,
            self.known,
            settling=False,
            is_flow=True,
            travel=self.travel,
            carried_low_us_cm=low if carried is None else carried,
            comes_down=False,
            proof_low_us_cm=self._earlier.likely_us_cm(self.now_ml) if refused else 0.0,
            carried_band_us_cm=self._earlier.last_band_us_cm(self.now_ml) if refused else None,
        )

    def crossing_ml(self, view: View, ln_goal: Array) -> Array:
        """Rinse volume from here until each nominal curve falls to its goal."""
        most = MOST_RESIN_VOLUMES * self.setup.resin_ml
        ahead_ml = np.where(view.ln_level <= ln_goal, 0.0, self._path.crossing(ln_goal) - self.now_ml)
        return np.where(ahead_ml > most, np.inf, np.maximum(ahead_ml, 0.0))

    def ln_next(self) -> Array:
        """In flow the next filtrate is this one."""
        return self.view.ln_level

    def ahead(self) -> tuple[Array, float, Array]:
        """Residue left if the flow stopped; half a resin volume and what it takes out."""
        volume_ml, off = 0.5 * self.setup.resin_ml, np.exp(self.view.corrections.offset)
        now, then = (off * self._path.left(at_ml) for at_ml in (self.now_ml, self.now_ml + volume_ml))
        return now, volume_ml, np.maximum(now - then, 0.0)

    def path(self, volumes_ml: Array) -> Array:
        """Nominal log level at further volumes from here, shape (members, m)."""
        return self._path.levels(self.now_ml + volumes_ml)

    def _relook(self) -> None:
        self._foresee()
        self._look()
