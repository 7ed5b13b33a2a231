"""The belief of a rinse poured in portions: each portion is one fact."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from rinsewatch.rinse.arrival import MOVED, Arrival
from rinsewatch.rinse.assured import PLACES, USUAL, Assured
from rinsewatch.rinse.beds import PortionBed, Pour
from rinsewatch.rinse.belief import FORESEEN
from rinsewatch.rinse.course import PortionCourse
from rinsewatch.rinse.doubts import FALL, FALL_COUNT, Doubts
from rinsewatch.rinse.evidence import Observation
from rinsewatch.rinse.forecast import FIVE, chance_below
from rinsewatch.rinse.gate import Expectation
from rinsewatch.rinse.hump import Hump
from rinsewatch.rinse.population import Population, View
from rinsewatch.rinse.portionsahead import PortionsAhead
from rinsewatch.rinse.rhythm import GAP_JUMP, LEAST_STAND_S, Rhythm
from rinsewatch.rinse.settle import PortionWindow
from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.shape import PortionShape
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.verdict import HIDDEN_CHANCE, WRONG

UNLEAKED: Final = 0.5  # early in a portion little has leaked into it yet
SURE: Final = 1.5  # high end over the middle, of a forecast definite enough to say that nothing was to move
SLOWER: Final = 0.7  # of what the portion before ended with (and the gate's room): so little falls a tail, no liquor
AS_BEFORE: Final = 1.2  # times the movement within the portion before: no other movement
STANDING_PORTIONS: Final = 2.0
STILL: Final = 0.05  # log movement below which a reading counts as at rest
UNLOGGED_PORTIONS: Final = np.array([2.0, 3.0])  # so many may be poured and not told, so many may not


class PortionBelief(PortionsAhead):
    """A rinse poured in portions."""

    def __init__(self, setup: RinseSetup, water_step_us_cm: float) -> None:
        super().__init__(setup, PortionCourse(PortionBed(setup.resin_ml)), water_step_us_cm)
        self.portion_ml = setup.portion_ml or setup.resin_ml
        self.now_ml = 0.0
        self.window = PortionWindow()
        self._window_before = PortionWindow()
        self._arrival = Arrival(self.window, typed=False)
        self._shape = PortionShape()
        self._noticed = 0  # readings of the present portion, believed or not, and when the last one was
        self._noticed_s = 0.0
        self._fell_s = -math.inf
        self._doubts, self._hump = Doubts(), Hump()
        self._assured = Assured()
        self._most_before_us_cm = math.inf  # of the portion before, by the forecast alone
        self._foreseen_us_cm = self._likely_us_cm = self._unlogged_us_cm = 0.0
        self._poured_s: float | None = None
        self.rhythm = Rhythm()
        self._arrive()

    @property
    def _standing_places(self) -> float:
        return STANDING_PORTIONS

    @property
    def place(self) -> float:
        """Portions so far."""
        return float(len(self.course.pours))

    @property
    def pace_s(self) -> float | None:
        """Seconds per portion, the person's own rhythm; None before two portions."""
        return self.rhythm.pace_s

    def pour(self, volume_ml: float, time_s: float) -> None:
        """A portion was poured."""
        gap = 0.0 if self._poured_s is None else time_s - self._poured_s
        self._settle_for_early()
        self._most_before_us_cm = self._assured.most_us_cm(self.now_ml)
        unsure = self.rhythm.unsure(gap)
        self.jump = max(self.jump, unsure)
        self._commit()
        if self._poured_s is not None:
            gap = self.rhythm.poured(gap)
        usual_s, self.rested = self.rhythm.usual_s, self.rhythm.rested(gap)
        if gap > USUAL * usual_s:
            self._assured.forget()
        self.jump = max(self.jump, GAP_JUMP if self.rested else unsure)
        # Whoever leaves the rinse for a night leaves a bed that has drained as it always does.
        self.course.pour(Pour(volume_ml, time_s, gap, stood_s=min(gap, usual_s)))
        self.now_ml += volume_ml
        self._poured_s = time_s
        end_us_cm = 0.0 if self.window.is_over else self.window.late_us_cm
        self._hump.next_portion(self._doubts.last_end_us_cm(self.now_ml - volume_ml), end_us_cm)
        if self.window.late is not None and not self.window.late.is_over:
            self._doubt(self.window.late)
            self._doubts.keep_end(self.window.late, self.now_ml - volume_ml)
        typed = self._noticed <= 2 if self._noticed else self.window.typed
        if typed and 0.0 < self.window.last_after_s < gap and not self.rested:
            self.rhythm.typed(self.window.last_after_s, gap)
        self._shape.next_portion()
        self._doubts.next_portion()
        self._window_before, self.window, self._noticed = self.window, PortionWindow(typed=typed), 0
        self._arrival = Arrival(self._window_before, typed)
        self._arrive()

    def _settle_for_early(self) -> None:
        """Nothing new came to the probe until the next portion: what it went on reading is all there is of this one,
        if that was foreseen; else the display may have frozen, or the filtrate come too late."""
        early = self._arrival.early
        if self.window.count or early.late is None or early.last_after_s < self._noticed_s:
            return
        if early.late.is_over or self._was_foreseen(early.late):
            self.window = early

    def unpour(self, volume_ml: float) -> None:
        """The last portion was none; what was read since belongs to the one before."""
        self.course.unpour()
        self.now_ml -= volume_ml
        self._poured_s = self.course.pours[-1].time_s if self.course.pours else None
        self.rhythm.unpour()
        self._arrival.waits = False
        self.population = Population(self.population.usual, self.setup.residue, self.course, self.rng)
        self.stands = False
        self._arrive()

    def _relook(self) -> None:
        self._assured.forget()
        self._state = self.course.state(self.population.theta)
        fact = self.window.fact()
        self._look(*(fact if fact is not None else (self._looked_s, None)))

    def _commit(self) -> None:
        fact = self.window.fact()
        if fact is None:
            return
        after_s, seen = fact
        self.course.learn(after_s, self._linear(seen))
        self._refit()
        self.jump = 0.0

    def _arrive(self) -> None:
        """New portion: where every hypothesis expects the filtrate before it is read."""
        self._evaluated_at = 0
        first = not self.course.pours
        self._previous_high, before = (math.inf, 0.0) if first else (self._outer(self.view)[1], self.filtrate.mid)
        self._state = self.course.state(self.population.theta)
        # What will be read is the drained portion, with what leaks into it meanwhile; the gate takes the usual moment,
        # as whoever types late may type sooner this time.
        self._look(0.0 if first else self.rhythm.drained_s, None)
        self._foresee()
        if not first:
            self.travel += max(math.log(before / self.filtrate.mid), 0.0)

    def _foresee(self) -> None:
        """What the present portion may read, before it is read: for the gate, and for a stop."""
        self._before = self._outer(self.view)
        self._foreseen_us_cm = self.filtrate_ends(self.view, FORESEEN)[0] if self.course.pours else 0.0
        self._likely_us_cm = self.filtrate.mid
        self._unlogged_us_cm = self._least_unlogged() if self.known else 0.0
        if self.known and not self._doubts:
            ends = self.ends_ahead(np.arange(PLACES, dtype=np.float64) * self.portion_ml, (HIDDEN_CHANCE,))
            self._assured.renew(self.now_ml, self.portion_ml, ends[:, 0])

    def _least_unlogged(self) -> float:
        """Lower is another water: two portions may have been poured and not logged, as little as they may leave,
        and never what three are likely to."""
        two, three = self.ends_ahead(UNLOGGED_PORTIONS * self.portion_ml, (FIVE[0], 0.5))
        return float(max(two[0], three[1]))

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

    def begin_anew(self) -> None:
        """What was read of this portion so far was not the filtrate, or is no longer."""
        self.window = PortionWindow(typed=self.window.typed)
        self._shape.distrust()
        self._evaluated_at, self._before, self._foreseen_us_cm = 0, (0.0, math.inf), 0.0
        self._arrival.waits = False
        self._doubts.forget()
        self._assured.forget()

    def take(self, span: Span, time_s: float) -> None:
        """A trusted reading of the present portion."""
        after_s = self._after(time_s)
        self._shape.trust(after_s, span)
        if self._arrival.waits:
            window = self._arrival.hear(after_s, span, self._arrives_by_s(span))
            if window is None:
                self.heard = self.heard or span.is_over
                return
            self._begin(window)
        if self.window.count >= FALL_COUNT and span.high_us_cm < FALL * self.window.late_us_cm:
            # Poured and not logged; or the display went over to coarser steps. The next portion will tell.
            self._fell_s = time_s
            if self.settled and self.window.last_after_s > LEAST_STAND_S:
                self._doubts.fell(span, self.window.late_us_cm, self.place, self._likely_us_cm)
        elif self._arrival.late_us_cm is not None and span.high_us_cm < FALL * self._arrival.late_us_cm:
            self._doubts.fell(span, self._arrival.late_us_cm, self.place, self._likely_us_cm)
        else:
            self._doubts.did_not_fall(span)
        self.window.add(after_s, span)
        if self._due(self.window.count):
            fact = self.window.fact()
            if fact is not None:
                self._look(*fact)

    def _arrives_by_s(self, span: Span) -> float:
        """What still reads as the portion before is this one when it is due, if so much was foreseen of it."""
        return self.rhythm.due_s if self._was_foreseen(span) else self.rhythm.waits_s

    def _was_foreseen(self, span: Span) -> bool:
        """So much was foreseen of the portion, or neither that nor this is above the target."""
        foreseen = span.low_us_cm <= (1.0 + MOVED) * self.filtrate.mid and self.filtrate.high < SURE * self.filtrate.mid
        most_us_cm = max(span.high_us_cm, self.filtrate.high)
        return foreseen or (self._target is not None and most_us_cm <= self._target)

    def _begin(self, window: PortionWindow) -> None:
        """The portion's filtrate has come to the probe, or it is due and reads as the one before."""
        self.window, early = window, self._arrival.early
        if window is not early:
            self._arrival.note_late(self.rhythm.late_s)
            self.rhythm.arrived(early.last_after_s)

    def _find_chance(self, level_us_cm: float) -> float:
        """Now and when the portion has drained: the slow liquid leaks into it."""
        now = self.chance_below(level_us_cm)
        drained_s = self.rhythm.drained_s
        if now < 0.5 or self._looked_s >= drained_s:
            return now
        later = self.course.bed.level(self.population.theta, self._state, self._standing_ml(), drained_s)
        view = View(self.view.weights, later, self.view.corrections)
        return min(now, chance_below(view, self._level_for(self.scale.to_linear(level_us_cm))[0]))

    @property
    def settled(self) -> bool:
        """The present portion's readings have stopped moving."""
        return self.window.count > 0 and self.window.unsettled() < STILL

    def notice(self, span: Span, time_s: float, *, high: bool) -> None:
        """A reading: how it moves tells more than where it stands, but not one far above the filtrate."""
        self._noticed, self._noticed_s = self._noticed + 1, self._after(time_s)
        self._hump.add(0.0 if span.is_over else span.shown_us_cm)
        if not high:
            self._shape.add(self._noticed_s, span)

    @property
    def unlike(self) -> bool:
        """The reading does not move, while the portion stands, as it did in the portions before."""
        return not self.window.typed and not self._shape.behaves(self.floor_us_cm)

    @property
    def read_through(self) -> bool:
        """The present portion has been typed, or read until it was due."""
        typed = self.window.typed and self.window.count > 0
        return typed or self.window.last_after_s >= self.rhythm.due_s

    @property
    def waits(self) -> bool:
        """What is read has for some time been the portion before, and more than is believed of this one."""
        early = self._arrival.early
        late = early.late if self._arrival.waits and early.last_after_s >= LEAST_STAND_S else None
        return late is not None and not late.is_over and not self.agrees(late.low_us_cm)

    @property
    def contradicted(self) -> bool:
        """The portions stand still far above the floor, or read more than is believed of them."""
        late = self.window.late
        return late is not None and not (self._follows(late) and self.agrees(late.low_us_cm))

    def _follows(self, late: Span) -> bool:
        return self._doubts.follows(late, self.floor_us_cm, self.now_ml)

    def confirmed(self) -> None:
        """The person says the probe is in the filtrate."""
        self._shape.forget()
        self._doubts.confirmed()
        self._foreseen_us_cm = 0.0

    @property
    def doubts(self) -> bool:
        """The present portion reads lower than foreseen, or one before it did and no later one has borne it out.

        That matters as long as the rinse would not be done without it.
        """
        late = self.window.late
        if late is None or self._done_anyway:
            return False
        return late.high_us_cm < self._foreseen_us_cm or not self._doubts.borne_out(late, self.place)

    @property
    def _done_anyway(self) -> bool:
        """A stop would not be false by the forecast from before any doubt, and without what was read since."""
        if self._target is None or self._looked_s > USUAL * self.rhythm.usual_s:
            return False
        return self._assured.most_us_cm(self.now_ml) <= WRONG * self._target

    @property
    def _done_before(self) -> bool:
        """The portion before was at the target, by the forecast alone."""
        return self._target is not None and self._most_before_us_cm <= self._target

    def _doubt(self, late: Span) -> None:
        """The portion just ended: one that read lower than foreseen, or moved unlike those before it, is doubted until
        a later one falls further, or reads more: then it was that reading that was wrong."""
        if late.high_us_cm < self._foreseen_us_cm or self.unlike:
            self._doubts.call(late, self.place, self._likely_us_cm)
        else:
            self._doubts.end_portion(late, self.place)

    def drained(self, time_s: float, most_us_cm: float) -> bool:
        """The portion has stood long enough to be judged, and will read no more than ``most_us_cm`` when drained.

        While a portion stands the slow liquid leaks into it, so a low reading soon after the pour proves nothing.
        What is still to come is taken from this portion's own rise and from that of the one before. A reading
        lower than foreseen (a vessel of clean water?) has to be borne out by the next portion.
        """
        late = self.window.late
        if late is None or self.doubts or not self.agrees(late.low_us_cm):
            return False
        if not self._done_anyway and (not self._follows(late) or self.unlike):
            return False
        if self.window.typed:
            return True
        pace = self.rhythm.usual_s
        stood_s = self.window.last_after_s
        if not self._done_anyway:  # else a digit less, or one more, changes nothing
            stood_s = min(stood_s, time_s - self._fell_s)
        if self.window.lasted_s < LEAST_STAND_S:
            return False  # one reading, or a few at once: a beaker just emptied shows 0
        if stood_s < self.rhythm.due_s or not self._at_rest:
            return False
        rise = self._window_before.rise_after(self.window.last_after_s)
        return max(self.window.reading_at(pace), rise * late.shown_us_cm) <= most_us_cm

    @property
    def _at_rest(self) -> bool:
        """No longer falls, or no more than the portion before did over its time: a bed that is not stirred."""
        usual = self._window_before.unsettled(falls_only=True)
        return self.window.unsettled(falls_only=True) <= max(STILL, AS_BEFORE * usual)

    def expectation(self, time_s: float, _span: Span | None = None) -> Expectation:
        """What the meter may show now."""
        after, pace = self._after(time_s), self.rhythm.usual_s
        if after > self._looked_s + 0.5 * pace and self.window.count == 0:
            self._look(after, None)
            self._foresee()
        as_before = self._arrival.waits or self.window is self._arrival.early
        waiting = as_before and after < self.rhythm.waits_s
        settling = (waiting and after < self.rhythm.due_s) or (not self.window.typed and after < max(15.0, 0.25 * pace))
        low, high = self._before
        if self.window.count < 3 and after < self.rhythm.drained_s:
            low *= UNLEAKED
        if self.window.count >= 3 and self.settled and not self.window.is_over:
            low, high = self._outer(self.view)
        low = min(low, self._doubts.steady_us_cm(self.now_ml))
        last_us_cm = self._doubts.last_end_us_cm(self.now_ml)
        high = max(high, SLOWER * last_us_cm, self._hump.most_us_cm(last_us_cm))
        if settling or waiting:
            high = max(high, self._previous_high)
        alike = self.window.typed or self._shape.vouches(self.floor_us_cm)
        return Expectation(
            low,
            high,
            self.heard,
            self.known,
            settling,
            self.travel,
            waiting=waiting,
            carried_low_us_cm=low,
            comes_down=(self._done_before and self._done_anyway) or self._shape.moves(self.floor_us_cm),
            proof_low_us_cm=self._unlogged_us_cm,
            alike=alike,
        )
