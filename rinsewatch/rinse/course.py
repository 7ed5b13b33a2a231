"""The course of one rinse as the hypotheses see it: pours or flow, and the settled facts along it.

Bounded however long the rinse: old facts are thinned (neighbours say nearly the same) and old pours bundled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np

from rinsewatch.rinse.beds import BedState, PortionBed, Pour
from rinsewatch.rinse.evidence import BEND_PER_EFOLD, Observation
from rinsewatch.rinse.flowbed import FlowBed, FlowState
from rinsewatch.rinse.prior import Array

MOST_FACTS: Final = 48
MOST_POURS: Final = 96
MOST_RESTS: Final = 6
FINE: Final = 1.35  # a display's step over which it cannot show whether the filtrate stands still
STILL: Final = 1.03  # so much noise a reading may have that stands still
BEND_IN_FLOW: Final = 0.008  # nobody stirs and drains there: less is left to chance than in portions


class Course(Protocol):
    """What the population needs to know of a rinse."""

    @property
    def wander(self) -> float:
        """How much the bend of the nominal curve wanders per root e-fold."""

    @property
    def observations(self) -> list[Observation]:
        """The settled facts in order."""

    def trace(self, theta: Array) -> Array:
        """Nominal log level of each hypothesis at each fact, shape (count, facts)."""

    def ln_level_now(self, theta: Array) -> Array:
        """Nominal log level at the present place, shape (count,)."""

    @property
    def last_serial(self) -> int:
        """Number of the last fact."""

    def stands(self, places: float) -> bool:
        """The reading has not moved over the last ``places``."""


@dataclass(frozen=True, slots=True)
class _Fact:
    place: float  # pours so far (portions) or rinse volume mL (flow)
    after_s: float  # seconds since the pour (portions)
    seen: Observation


def _thin(facts: list[_Fact]) -> list[_Fact]:
    """Drop every other of the older half; jumps are never dropped."""
    half = len(facts) // 2
    return [f for i, f in enumerate(facts[:half]) if i % 2 == 0 or f.seen.jump > 0] + facts[half:]


def _forget_weaker(facts: list[_Fact], seen: Observation) -> None:
    """Over range now implies over range before: of a run of them only the last says anything."""
    if facts and math.isinf(seen.high) and math.isinf(facts[-1].seen.high):
        facts.pop()


class FactLog:
    """The settled facts of a rinse in order, thinned when they grow many."""

    wander = BEND_PER_EFOLD

    def __init__(self) -> None:
        self.facts: list[_Fact] = []
        self._serial = 0

    @property
    def observations(self) -> list[Observation]:
        """The settled facts in order."""
        return [f.seen for f in self.facts]

    @property
    def last_serial(self) -> int:
        """Number of the last fact."""
        return self._serial

    def stands(self, places: float) -> bool:
        """The reading has not moved over the last ``places``, as far as a display fine enough to tell shows it."""
        facts = self.facts
        begun = next((i for i in range(len(facts) - 1, -1, -1) if facts[i].place <= facts[-1].place - places), None)
        if begun is None:
            return False
        spans = [(f.seen.low, f.seen.high) for f in facts[begun:]]
        if any(low <= 0.0 or high > FINE * low for low, high in spans):
            return False
        return max(low for low, _ in spans) <= STILL * min(high for _, high in spans)

    def _note(self, place: float, after_s: float, seen: Observation) -> None:
        _forget_weaker(self.facts, seen)
        self._serial += 1
        self.facts.append(_Fact(place, after_s, replace(seen, serial=self._serial)))
        if len(self.facts) > MOST_FACTS:
            self.facts = _thin(self.facts)


class PortionCourse(FactLog):
    """A rinse poured in portions."""

    def __init__(self, bed: PortionBed) -> None:
        super().__init__()
        self.bed = bed
        self.pours: list[Pour] = []
        self.now_after_s = 0.0

    def pour(self, pour: Pour) -> None:
        """Another portion."""
        self.pours.append(pour)
        self.now_after_s = 0.0
        if len(self.pours) > MOST_POURS:
            self._bundle()

    def unpour(self) -> None:
        """The last portion was none: take it back with what was seen after it."""
        if self.pours:
            self.facts = [f for f in self.facts if f.place < len(self.pours)]
            self.pours.pop()

    def learn(self, after_s: float, seen: Observation) -> None:
        """A settled fact of the present portion, ``after_s`` seconds after its pour."""
        self._note(len(self.pours), after_s, seen)

    def state(self, theta: Array) -> BedState:
        """Bed right after the last pour."""
        state, before = self.bed.start(theta), 0.0
        for pour in self.pours:
            state, before = self.bed.pour(theta, state, pour, before), pour.volume_ml
        return state

    def trace(self, theta: Array) -> Array:
        """Nominal log level of each hypothesis at each fact, shape (count, facts)."""
        out = np.empty((theta.shape[0], len(self.facts)))
        state, before, column = self.bed.start(theta), 0.0, 0
        for place in range(len(self.pours) + 1):
            if place:
                pour = self.pours[place - 1]
                state, before = self.bed.pour(theta, state, pour, before), pour.volume_ml
            while column < len(self.facts) and self.facts[column].place <= place:
                out[:, column] = self.bed.level(theta, state, before, self.facts[column].after_s)
                column += 1
        return out

    def ln_level_now(self, theta: Array) -> Array:
        """Nominal log level at the present place, shape (count,)."""
        before = self.pours[-1].volume_ml if self.pours else 0.0
        return self.bed.level(theta, self.state(theta), before, self.now_after_s)

    def _bundle(self) -> None:
        """Join the older pours in pairs; facts between the two of a pair go.

        Not the first of all: before it nothing leaked, and what a pair leaks it leaks before each of its two.
        """
        begun = 1 + MOST_POURS // 2
        old, kept, place_of = self.pours[1:begun], self.pours[:1], [0, 1]
        for first, second in zip(old[::2], old[1::2], strict=True):
            count = first.count + second.count
            mean = (first.volume_ml * first.count + second.volume_ml * second.count) / count
            gap = (first.gap_s * first.count + second.gap_s * second.count) / count
            stood = (first.stood_s * first.count + second.stood_s * second.count) / count
            kept.append(Pour(mean, second.time_s, gap, count, stood))
            place_of += [-1, len(kept)]
        shift = begun - len(kept)
        moved = []
        for fact in self.facts:
            place = fact.place - shift if fact.place > begun else place_of[int(fact.place)]
            if place >= 0:
                moved.append(replace(fact, place=place))
        self.facts, self.pours = moved, kept + self.pours[begun:]


@dataclass(frozen=True, slots=True)
class _Rest:
    volume_ml: float
    seconds: float


class FlowCourse(FactLog):
    """A rinse in continuous flow."""

    wander = BEND_IN_FLOW

    def __init__(self, bed: FlowBed) -> None:
        super().__init__()
        self.bed = bed
        self.rests: list[_Rest] = []
        self.now_ml = 0.0
        self._traced: tuple[Array, tuple[float, ...], tuple[_Rest, ...], Array] | None = None

    def learn(self, volume_ml: float, seen: Observation) -> None:
        """A settled fact at a rinse volume."""
        self._note(volume_ml, 0.0, seen)

    def rest(self, volume_ml: float, seconds: float) -> None:
        """The flow stood still for a while."""
        if self.rests and self.rests[-1].volume_ml == volume_ml:
            seconds += self.rests.pop().seconds
        elif len(self.rests) >= MOST_RESTS:
            self.rests.pop(0)
        self.rests.append(_Rest(volume_ml, seconds))

    def states(self, theta: Array) -> list[FlowState]:
        """One state per stretch of flow."""
        out = [self.bed.start(theta)]
        for rest in self.rests:
            out.append(self.bed.rest(theta, out[-1], rest.volume_ml, rest.seconds))
        return out

    def trace(self, theta: Array) -> Array:
        """Nominal log level of each hypothesis at each fact, shape (count, facts)."""
        places = tuple(f.place for f in self.facts)
        out = np.empty((theta.shape[0], len(places)))
        known = self._known_columns(theta, places, out)
        new = [column for column in range(len(places)) if column not in known]
        if new:
            out[:, new] = self._levels(theta, np.array([places[column] for column in new]))
        self._traced = theta, places, tuple(self.rests), out
        return out

    def _known_columns(self, theta: Array, places: tuple[float, ...], out: Array) -> set[int]:
        """Fill in what the last trace gave, if it was of the same hypotheses: a fact more is a column more."""
        if self._traced is None or self._traced[0] is not theta or self._traced[2] != tuple(self.rests):
            return set()
        before = {place: column for column, place in enumerate(self._traced[1])}
        known = {column for column, place in enumerate(places) if place in before}
        for column in known:
            out[:, column] = self._traced[3][:, before[places[column]]]
        return known

    def _levels(self, theta: Array, volumes: Array) -> Array:
        stretch = np.array([sum(r.volume_ml <= v for r in self.rests) for v in volumes], dtype=int)
        out = np.empty((theta.shape[0], volumes.size))
        for number, state in enumerate(self.states(theta)):
            here = stretch == number
            if here.any():
                out[:, here] = self.bed.levels(theta, state, volumes[here])
        return out

    def ln_level_now(self, theta: Array) -> Array:
        """Nominal log level at the present place, shape (count,)."""
        return self.bed.level(theta, self.states(theta)[-1], self.now_ml)
