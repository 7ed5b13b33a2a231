"""One rinse, row by row: ``Rinse(setup).observe(row) -> RinseState``. Pure: no I/O, no clock."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from rinsewatch.errors import QuantityError
from rinsewatch.quantities import parse_reading, parse_volume_ml, reading_us_cm
from rinsewatch.rinse.flow import FlowBelief
from rinsewatch.rinse.gate import BRIEF_S, Cause, Expectation, Gate
from rinsewatch.rinse.known import Verification, known_from_note
from rinsewatch.rinse.population import View
from rinsewatch.rinse.portions import PortionBelief
from rinsewatch.rinse.price import break_even_target_us_cm, price_now
from rinsewatch.rinse.rhythm import LEAST_STAND_S
from rinsewatch.rinse.row import Row, understood
from rinsewatch.rinse.setup import MOST_WATER_US_CM, EndpointKind, RinseSetup
from rinsewatch.rinse.spans import DisplayScale, Span
from rinsewatch.rinse.state import Price, Quality, RinseState, Verdict
from rinsewatch.rinse.target import target_us_cm
from rinsewatch.rinse.verdict import BEGUN_LOW, EVEN_CHANCE, NEAR, WRONG, Decision, Evidence, on_plateau

# Allowances of the gate over what the forecast says: other beds, other meters than it knows.
ROOM_BELOW: Final = 0.75
ROOM_BELOW_RESTED: Final = 0.2  # after a long rest the first volume may leave as a steep front
ROOM_ABOVE: Final = 1.35
ROOM_STEPS: Final = 1.5
MOST_FLOOR: Final = 300.0  # times the rinse water: no bed is so foul. The invented beds of the tests go up to 150
HIGH_FLOOR: Final = 5.0  # times: resin that swaps all the salt for its base or acid adds less
LEAST_WATER_US_CM: Final = 1.0  # rinse water counts as this at least: air alone brings it there (CRC Handbook)
PATIENCE: Final = 1.0  # portions poured on a plateau before it is called one
STILL_FALLS: Final = 0.05  # of the reading, meanwhile: that is no plateau, whatever is believed of the floor


class Rinse:
    """Watches one rinse. Feed it every row of the recording in order; each call returns the state after it."""

    def __init__(self, setup: RinseSetup) -> None:
        setup.check()
        self.setup = setup
        self._scale = DisplayScale(setup)
        self._water_step = setup.rinse_water_step_us_cm or self._scale.finest_us_cm
        self._belief = self._new_belief()
        self._gate = Gate()
        self._decision = Decision()
        self._verification = Verification()
        self._time_s = 0.0
        self._ran_s = 0.0
        self._paused = False
        self._start_s: float | None = None
        self._good_since_s = math.inf
        self._plateau: tuple[float, Span] | None = None  # where it came in sight, and what was read there
        self._trusted: Span | None = None  # the last reading believed
        self._quality, self._cause = Quality.MISSING, Cause.NONE
        self._coarse_us_cm = 0.0
        self._above_from_s, self._above_s = math.inf, 0.0
        self._highest_us_cm = 0.0  # of what was believed
        self._price_of: View | None = None
        self._price: Price | None = None
        self._break_even_of: View | None = None
        self._break_even: float | None = None
        self._belief.aim(self._target())
        self.state = self._state(None)

    def _new_belief(self) -> PortionBelief | FlowBelief:
        if self.setup.is_flow:
            return FlowBelief(self.setup, self._water_step)
        return PortionBelief(self.setup, self._water_step)

    def _target(self) -> float | None:
        if self.setup.endpoint.kind is EndpointKind.BREAK_EVEN:
            return self._break_even_us_cm()
        return target_us_cm(self.setup, self._scale.finest_us_cm)

    def _break_even_us_cm(self) -> float | None:
        """Moves with the belief in the bed, so it is found anew with each look."""
        if self._break_even_of is not self._belief.view:
            self._break_even_of = self._belief.view
            self._break_even = break_even_target_us_cm(self._belief, self._feed_us_cm())
        return self._break_even

    def _feed_us_cm(self) -> float | None:
        feed = self.setup.feed_us_cm
        return None if feed is None else max(feed, self._scale.finest_us_cm / 2)

    def _price_now(self) -> Price | None:
        if self._price_of is not self._belief.view:
            self._price_of, self._price = self._belief.view, price_now(self._belief, self._feed_us_cm())
        return self._price

    @property
    def bed_shares(self) -> tuple[float, float] | None:
        """Entrained and slow liquid per resin volume as believed now (medians); None before a settled fact."""
        return self._belief.bed_shares

    def observe(self, row: Row) -> RinseState:
        """Take in one row and answer. Never raises on what a meter or a person may do."""
        row = understood(row, self._time_s)
        self._pass_time(row)
        self._pass_volume(row)
        if row.event:
            self._event(row.event)
        reading = self._read(row) if row.has_reading else None
        self._belief.aim(self._target())
        self.state = self._state(reading)
        return self.state

    def forecast_band(self, points: int = 40) -> list[tuple[float, float, float, float]]:
        """(rinse mL, 5 %, median, 95 % filtrate uS/cm) from here to past the forecast endpoint."""
        ahead = self._belief.remaining()
        far = (ahead.high_ml or ahead.mid_ml or 2.0 * ahead.low_ml) if ahead is not None else 0.0
        least = 3.0 * (self.setup.portion_ml or self.setup.resin_ml)
        return self._belief.band(np.linspace(0.0, max(1.1 * far, least), points))

    # ---- time and volume -----------------------------------------------------------------------

    def _pass_time(self, row: Row) -> None:
        if self._start_s is None:
            self._start_s = self._time_s = row.time_s
        elapsed = max(row.time_s - self._time_s, 0.0)  # out-of-order times stand still, never go back
        self._time_s += elapsed
        if not self._paused:
            self._ran_s += elapsed

    def _pass_volume(self, row: Row) -> None:
        belief = self._belief
        if isinstance(belief, FlowBelief):
            flow = (self.setup.flow_ml_min or 0.0) / 60.0
            belief.move(self._ran_s * flow if row.rinse_ml is None else row.rinse_ml, self._time_s)
            return
        if row.rinse_ml is None:
            return
        poured = row.rinse_ml - belief.now_ml
        if poured > 1e-6:
            self._pour(belief, poured)
        elif poured < -1e-6:
            self._take_back(belief, -poured)

    def _pour(self, belief: PortionBelief, volume_ml: float) -> None:
        """One portion, or as many as the volume holds (rows were missing)."""
        count = max(round(volume_ml / belief.portion_ml), 1) if volume_ml < 200 * belief.portion_ml else 1
        count = count if count > 2 else 1
        for _ in range(count):
            belief.pour(volume_ml / count, self._time_s)

    def _take_back(self, belief: PortionBelief, volume_ml: float) -> None:
        """Undo whole portions; what is left over corrects the one before."""
        while volume_ml > 1e-6 and belief.course.pours:
            last = belief.course.pours[-1].volume_ml * belief.course.pours[-1].count
            belief.unpour(last)
            volume_ml -= last
        if volume_ml < -1e-6:
            belief.pour(-volume_ml, self._time_s)

    # ---- events --------------------------------------------------------------------------------

    def _event(self, event: str) -> None:
        if event in ("pause", "resume"):
            self._paused = event == "pause"
        elif event.startswith("fault:"):
            text = event.lower()
            if "lost" in text or "silent" in text:
                self._gate.link_down()
        elif event.startswith("note:"):
            self._note(event[5:].strip())

    def _note(self, text: str) -> None:
        """Notes that mean something to the core; others are the person's own."""
        if text == "probe confirmed":
            self._gate.confirm()
            self._belief.confirmed()
            self._decision.confirmed()
            self._highest_us_cm = math.inf  # vouched for
            return
        name, sign, value = text.partition("=")
        if not sign:
            return
        try:
            self._setting(name.strip(), value)
        except QuantityError:
            return  # a person's own words with a "=" in them

    def _setting(self, name: str, value: str) -> None:
        if name == "portion":
            volume = parse_volume_ml(value)
            self.setup = replace(self.setup, portion_ml=volume)
            if isinstance(self._belief, PortionBelief):
                self._belief.portion_ml = volume
                self._belief.answer()
        elif name == "known":
            self._verification.add(known_from_note(value, self.setup.tds_factor), self._time_s)
        elif name in ("feed", "rinse-water"):
            quantity = parse_reading(value)
            us_cm = reading_us_cm(quantity.value, quantity.unit, self.setup.tds_factor)
            if not us_cm <= MOST_WATER_US_CM:
                return  # a slip or the liquor: nothing to aim at
            if name == "feed":
                self.setup = replace(self.setup, feed_us_cm=us_cm)
                self._price_of = self._break_even_of = None
            else:
                step = reading_us_cm(10.0**-quantity.decimals, quantity.unit, self.setup.tds_factor)
                self.setup = replace(self.setup, rinse_water_us_cm=us_cm, rinse_water_step_us_cm=step)
                self._belief.new_rinse_water(self.setup, step)

    # ---- readings ------------------------------------------------------------------------------

    def _read(self, row: Row) -> float | None:
        """Judge and take in a reading; its uS/cm where it is trusted and in range."""
        span = self._scale.span(row)
        if self._belief.now_ml <= 0.0 and not self.setup.is_flow:
            # Before the first portion the probe stands in feed or rinse water being measured, or in the liquor.
            self._quality, self._cause = Quality.GOOD, Cause.NONE
            return None if span.is_over else span.shown_us_cm
        expected = self._roomy(self._belief.expectation(self._time_s, span), span)
        verdict = self._gate.assess(span, self._time_s, self._belief.place, expected)
        if verdict.cause is Cause.HIGH and self._began_elsewhere():
            self._start_over()
            expected = self._roomy(self._belief.expectation(self._time_s, span), span)
            verdict = self._gate.assess(span, self._time_s, self._belief.place, expected)
        self._belief.notice(span, self._time_s, high=verdict.cause is Cause.HIGH)
        self._quality, self._cause = verdict.quality, verdict.cause
        if verdict.quality is not Quality.GOOD:
            self._good_since_s = math.inf
            return None
        self._good_since_s = min(self._good_since_s, self._time_s)
        if verdict.rejoined:
            self._belief.jump = 2.0
            self._belief.begin_anew()
        self._belief.take(span, self._time_s)
        if verdict.vouched and self.setup.is_flow and self._beyond(span):
            self._start_over()
            self._belief.take(span, self._time_s)
        self._trusted = span
        self._note_above(span)
        self._highest_us_cm = max(self._highest_us_cm, span.low_us_cm)
        self._coarse_us_cm = span.step_us_cm if self._hides_target(span) else 0.0
        return None if span.is_over else span.shown_us_cm

    def _note_above(self, span: Span) -> None:
        """For how long, from reading to reading, every trusted one has been far above the target."""
        target = self._target()
        above = target is not None and span.low_us_cm > WRONG * target
        self._above_from_s = min(self._above_from_s, self._time_s) if above else math.inf
        self._above_s = self._time_s - self._above_from_s if above else 0.0

    def _came_down(self) -> bool:
        """In flow a washout is seen from above: what reads below the target from the first may be another vessel."""
        target = self._target()
        return not self.setup.is_flow or target is None or self._highest_us_cm > WRONG * target

    def _began_elsewhere(self) -> bool:
        """All that was read lay below the target until now: it was no filtrate, or there was nothing to do."""
        lasting = self._gate.held_for_s(self._time_s) >= BRIEF_S and self._gate.held is Cause.HIGH
        return lasting and not self._came_down()

    def _beyond(self, span: Span) -> bool:
        """Lower than all that is believed even now: a floor found while the flow stood still, or in another vessel."""
        return span.high_us_cm < self._roomy(self._belief.expectation(self._time_s, span), span).low_us_cm

    def _start_over(self) -> None:
        """What was read so far was another vessel: believe the usual beds again, as far rinsed as this one."""
        poured_ml = self._belief.now_ml
        self._belief, self._gate = self._new_belief(), Gate()
        assert isinstance(self._belief, FlowBelief)
        self._belief.move(poured_ml, self._time_s)

    def _hides_target(self, span: Span) -> bool:
        """The same digits stand for a filtrate at the target and for one far above it."""
        target = self._target()
        return target is not None and span.low_us_cm <= target and WRONG * target < span.high_us_cm < math.inf

    def _roomy(self, expected: Expectation, span: Span) -> Expectation:
        room = ROOM_STEPS * span.step_us_cm
        below = ROOM_BELOW_RESTED if self._belief.rested else ROOM_BELOW
        return replace(
            expected,
            low_us_cm=below * expected.low_us_cm - room,
            carried_low_us_cm=below * expected.carried_low_us_cm - room,
            high_us_cm=ROOM_ABOVE * expected.high_us_cm + room,
        )

    def _settled(self) -> bool:
        """An unbroken run of trusted readings long enough for this rinse."""
        belief, run_s = self._belief, self._time_s - self._good_since_s
        if isinstance(belief, FlowBelief):
            need_s = min(max(0.1 * belief.efold_ml * belief.pace_s, 0.5), 20.0)
            return self._gate.good_run >= 3 and run_s >= need_s and belief.agrees(belief.block.low_us_cm)
        if not belief.window.typed and run_s < LEAST_STAND_S:
            return False
        return belief.drained(self._time_s, NEAR * (self._target() or 0.0))

    # ---- answer --------------------------------------------------------------------------------

    def _evidence(self, target: float | None) -> Evidence:
        belief, gate = self._belief, self._gate
        hold = Cause.LINK if gate.silent else gate.held
        brief = gate.held_for_s(self._time_s) < BRIEF_S and hold not in (Cause.LINK, Cause.DRY)
        mid = belief.filtrate.mid
        water_us_cm = max(self.setup.rinse_water_us_cm or 0.0, LEAST_WATER_US_CM)
        at, near, not_wrong = (
            0.0 if target is None else belief.chance_stays_below(share * target) for share in (1.0, NEAR, WRONG)
        )
        at_target = at >= EVEN_CHANCE  # else nothing of what bars a stop is asked
        evidence = Evidence(
            chance_at=at,
            chance_near=near,
            chance_not_wrong=not_wrong,
            chance_unreachable=belief.chance_unreachable,
            excess_share=(mid - belief.floor_us_cm) / max(mid, 1e-9),
            settled=at_target and self._settled(),
            known=belief.known,
            hold=hold,
            hold_lasting=not brief,
            good=self._quality is Quality.GOOD,
            reads_at=target is not None and self._trusted is not None and self._trusted.high_us_cm <= target,
            reads_above=self._above_s >= LEAST_STAND_S,
            has_target=target is not None,
            patient=False,
            coarse_us_cm=self._coarse_us_cm,
            doubted=at_target and belief.doubts,
            unlike=at_target and (belief.unlike or belief.contradicted),
            came_down=self._came_down(),
            waits=belief.waits,
            stands=belief.stands,
            is_flow=self.setup.is_flow,
            read_through=belief.read_through,
            place=belief.now_ml / self.setup.resin_ml if self.setup.is_flow else belief.place,
            floor_high=belief.floor_us_cm > HIGH_FLOOR * water_us_cm and not belief.water_read,
            floor_plausible=belief.floor_us_cm <= MOST_FLOOR * water_us_cm,
        )
        return replace(evidence, patient=self._patient(on_plateau(evidence)))

    def _patient(self, plateau: bool) -> bool:
        """Enough was poured since the plateau came in sight, and the reading has not fallen on since."""
        seen, now_ml = self._trusted, self._belief.now_ml
        if not plateau or seen is None:
            self._plateau = None
            return False
        if self._plateau is None or seen.high_us_cm < (1.0 - STILL_FALLS) * self._plateau[1].low_us_cm:
            self._plateau = (now_ml, seen)
        return now_ml - self._plateau[0] >= PATIENCE * (self.setup.portion_ml or 0.5 * self.setup.resin_ml)

    def _state(self, reading: float | None) -> RinseState:
        belief, target = self._belief, self._target()
        verdict, reason = self._decision.decide(self._evidence(target))
        stopped, unproven = verdict is Verdict.STOP, reason == BEGUN_LOW
        self._verification.stopped(self._time_s if stopped else None)
        remaining = None if unproven else belief.remaining()
        quality, cause = (Quality.UNCERTAIN, Cause.LOW) if unproven else (self._quality, self._cause)
        return RinseState(
            time_s=self._time_s,
            rinse_ml=belief.now_ml,
            reading_us_cm=reading,
            filtrate=belief.filtrate if belief.known and belief.now_ml > 0.0 else None,
            target_us_cm=target,
            floor_us_cm=belief.floor_us_cm,
            remaining=remaining,
            portion_ml=belief.portion_ml if isinstance(belief, PortionBelief) else self.setup.portion_ml,
            pace_s=belief.pace_s,
            chance_reached=belief.chance_reached,
            chance_unreachable=belief.chance_unreachable,
            verdict=verdict,
            reason=reason + self._verification.words(self._time_s) if stopped else reason,
            quality=Quality.MISSING if self._gate.silent else quality,
            cause=str(Cause.LINK if self._gate.silent else cause),
            is_flow=self.setup.is_flow,
            verified=stopped and self._verification.verified(self._time_s),
            price=self._price_now() if belief.known else None,
        )

    @property
    def verdict(self) -> Verdict:
        """The present verdict."""
        return self.state.verdict
