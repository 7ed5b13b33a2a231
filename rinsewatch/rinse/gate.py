"""Is this reading the filtrate? The tool's first duty: a dry probe reads zero, which is what success looks like.

The gate compares each reading with what the washout allows just now. What does not fit is kept out of the
forecast and latched as a hold; the hold ends when readings rejoin the expectation, when the person confirms
the probe, or when the trend behind it proves to be a washout of its own (a portion that was not logged).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise, takewhile
from typing import Final

from rinsewatch.rinse.glide import Glide
from rinsewatch.rinse.prior import PURE_WATER_US_CM
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.state import Quality

BRIEF_S: Final = 5.0  # longer than this and the person is asked to look
FROZEN_STEPS: Final = 3.0
FROZEN_CHANGE: Final = 0.10
FROZEN_RUN: Final = 5
FROZEN_TRUST: Final = 0.6  # share of the expected fall that must have shown: washouts slow down
RISE_S: Final = 45.0
RISEN: Final = 1.5  # times the lowest reading of a hold: the probe has been put back
TRAIL: Final = 12
PROOF_STEP: Final = 0.04  # log: every place reads so much less than the one before ...
PROOF_STEPS: Final = 2  # ... so many times in a row at least ...
PROOF_FALL: Final = 0.3  # ... and so much less in all
FOLLOWED: Final = 2.5  # e-folds over which refused readings must go where the last forecast before them goes


class Cause(StrEnum):
    """Why a reading is not believed."""

    NONE = ""
    DRY = "dry"
    LOW = "low"
    HIGH = "high"
    FROZEN = "frozen"
    LINK = "link"


@dataclass(frozen=True, slots=True)
class Expectation:
    """What the meter may show now: 0.5 and 99.5 % with allowances, uS/cm; ``settling`` early in a portion.

    ``bounded_below``: something was read (over range counts), so a sudden low is suspect; ``known``: an in-range
    reading was trusted, so a high one is too. ``travel``: e-folds the display is expected to have fallen since
    the rinse began (an odometer: only differences count).

    While readings are refused ``low_us_cm`` must not come down to them by itself. ``carried_low_us_cm`` has come
    down, for a probe that was out of the filtrate; ``comes_down``: so may ``low_us_cm``, the readings move like a
    washout. ``proof_low_us_cm``: held readings that go on falling, but not below this, prove a washout of their own;
    ``alike``: unless a place of theirs did not, when it ended, move as those before the hold.
    ``carried_band_us_cm``: low end, median and high end of the forecast carried on, without allowances: readings
    that stay within it for ``FOLLOWED`` e-folds are that washout, whatever was forecast before.
    ``waiting``: what is read may still be the portion before, and then it does not move.
    ``is_flow``: no portions, whose ends could prove a washout; readings that glide do.
    """

    low_us_cm: float
    high_us_cm: float
    bounded_below: bool
    known: bool
    settling: bool
    travel: float = 0.0
    carried_low_us_cm: float = math.inf
    comes_down: bool = True
    proof_low_us_cm: float = 0.0
    alike: bool = True
    carried_band_us_cm: tuple[float, float, float] | None = None
    waiting: bool = False
    is_flow: bool = False


@dataclass(frozen=True, slots=True)
class Assessment:
    """Quality and cause of one reading; ``rejoined``: a hold ended here by a trend, not by the old forecast, or
    ``vouched``: by the person's word."""

    quality: Quality
    cause: Cause
    rejoined: bool = False
    vouched: bool = False


@dataclass(slots=True)
class _Hold:
    cause: Cause
    since_s: float
    since_place: float
    low_us_cm: float  # what was too low when the hold began: the forecast must not come down to the readings
    least_us_cm: float = math.inf  # high end of the lowest reading since
    count: int = 1
    trail: list[tuple[float, float, bool]] = field(
        default_factory=list
    )  # (place, ln reading, alike) a portion or block
    follows_from: float | None = None  # ln of the carried median since which no reading has left its band
    glide: Glide = field(default_factory=Glide)


class Gate:
    """State of belief in the probe. Places are portions (or e-folds of flow volume) so far."""

    def __init__(self) -> None:
        self._hold: _Hold | None = None
        self._good_run = 0
        self._run_value: float | None = None
        self._run_count = 0
        self._run_travel = 0.0
        self._confirmed = False
        self._silent = False

    @property
    def held(self) -> Cause:
        """Cause of the present hold, NONE if there is none or it is still too brief to bother anyone."""
        return self._hold.cause if self._hold is not None else Cause.NONE

    def held_for_s(self, time_s: float) -> float:
        """How long the hold has lasted."""
        return 0.0 if self._hold is None else time_s - self._hold.since_s

    @property
    def silent(self) -> bool:
        """The link is down or the meter mute."""
        return self._silent

    @property
    def good_run(self) -> int:
        """Trusted readings in a row."""
        return self._good_run

    def confirm(self) -> None:
        """The person says the probe is in the filtrate: believe the next readings; the display lives."""
        self._hold = None
        self._confirmed = True
        self._run_value = None

    def link_down(self) -> None:
        """The meter was lost or fell silent."""
        self._silent = True
        self._good_run = 0

    def assess(self, span: Span, time_s: float, place: float, expected: Expectation) -> Assessment:
        """Judge one reading."""
        self._silent = False
        frozen = self._is_frozen(span, expected)
        cause = self._cause(span, expected, frozen)
        if cause is Cause.NONE:
            return self._good(span)
        self._good_run = 0
        if self._confirmed:
            self._confirmed = False
            self._hold = None
            return Assessment(Quality.GOOD, Cause.NONE, rejoined=True, vouched=True)
        if expected.settling and cause is Cause.LOW and self._hold is None:
            return Assessment(Quality.UNCERTAIN, cause)
        return self._suspect(span, time_s, place, cause, expected)

    def _cause(self, span: Span, expected: Expectation, frozen: bool) -> Cause:
        if span.is_zero:
            # Nothing is purer than water: a display this fine can show 0 only in air.
            impossible = span.step_us_cm / 2 < PURE_WATER_US_CM
            if impossible or not expected.bounded_below or expected.low_us_cm > span.high_us_cm:
                return Cause.DRY
            return Cause.NONE
        if expected.bounded_below and span.high_us_cm < self._lowest(span, expected):
            return Cause.LOW
        if not expected.known:
            return Cause.NONE
        if frozen:
            return Cause.FROZEN
        return Cause.HIGH if span.low_us_cm > expected.high_us_cm else Cause.NONE

    def _lowest(self, span: Span, expected: Expectation) -> float:
        """After zeros, words, a frozen value or a reading that has risen again the filtrate has gone on meanwhile; a
        vessel of clean water stays where it is."""
        if self._hold is None:
            return expected.low_us_cm
        if self._hold.cause is not Cause.LOW or span.low_us_cm > RISEN * self._hold.least_us_cm:
            return min(expected.low_us_cm, expected.carried_low_us_cm)
        return expected.low_us_cm if expected.comes_down else max(expected.low_us_cm, self._hold.low_us_cm)

    def _is_frozen(self, span: Span, expected: Expectation) -> bool:
        """The very same digits while the washout must have moved the display by some steps."""
        if span.is_over or span.is_zero or span.shown_us_cm != self._run_value:
            self._run_value, self._run_count, self._run_travel = span.shown_us_cm, 0, expected.travel
        self._run_count += 1
        due = FROZEN_TRUST * (expected.travel - self._run_travel)
        moved = due > max(FROZEN_STEPS * span.step_us_cm / max(span.shown_us_cm, 1e-9), FROZEN_CHANGE)
        still = not (expected.settling or expected.waiting)
        return expected.known and self._run_count >= FROZEN_RUN and ((moved and still) or self._frozen_before)

    @property
    def _frozen_before(self) -> bool:
        """A new portion is no reason to believe the digits that were not believed at the end of the one before."""
        return self._hold is not None and self._hold.cause is Cause.FROZEN

    def _good(self, span: Span) -> Assessment:
        self._good_run += 1
        if self._hold is not None and (self._good_run >= 2 or self._hold.count <= 2):
            self._hold = None
        if self._hold is not None:
            return Assessment(Quality.UNCERTAIN, self._hold.cause)
        self._confirmed = False
        return Assessment(Quality.GOOD, Cause.NONE)

    def _suspect(self, span: Span, time_s: float, place: float, cause: Cause, expected: Expectation) -> Assessment:
        above = (Cause.HIGH, Cause.FROZEN)
        same = self._hold is not None and (self._hold.cause is cause or (self._hold.cause in above and cause in above))
        if self._hold is None or not same:
            self._hold = _Hold(cause, time_s, place, expected.low_us_cm)
        else:
            self._hold.count += 1
            self._hold.cause = cause
        self._hold.least_us_cm = min(self._hold.least_us_cm, span.high_us_cm)
        if not span.is_zero:
            self._follow(self._hold, (place, math.log(span.shown_us_cm), expected.alike))
            if cause is Cause.LOW and span.high_us_cm < expected.proof_low_us_cm:
                self._hold.trail.clear()
        follows = cause is Cause.LOW and self._follows_forecast(self._hold, span, expected)
        if expected.is_flow and cause is Cause.LOW:
            follows = self._hold.glide.slows_down(span, time_s) or follows
        if follows or self._proves_washout(self._hold, time_s):
            self._hold = None
            return Assessment(Quality.GOOD, Cause.NONE, rejoined=True)
        return Assessment(Quality.BAD if self._hold.count > 1 else Quality.UNCERTAIN, cause)

    @staticmethod
    def _follow(hold: _Hold, step: tuple[float, float, bool]) -> None:
        """Keep the last reading of each whole portion (or e-fold)."""
        if hold.trail and math.floor(hold.trail[-1][0]) == math.floor(step[0]):
            hold.trail[-1] = step
        else:
            hold.trail.append(step)
            del hold.trail[:-TRAIL]

    @staticmethod
    def _follows_forecast(hold: _Hold, span: Span, expected: Expectation) -> bool:
        """Refused readings that keep to the last forecast, far down: a vessel stands still, a film dries faster.

        A front steeper than all the usual ones falls below what was forecast long before; that is no fault.
        """
        band = expected.carried_band_us_cm
        if band is None or span.high_us_cm < band[0] or span.low_us_cm > band[2]:
            hold.follows_from = None
            return False
        now = math.log(max(band[1], PURE_WATER_US_CM))
        hold.follows_from = now if hold.follows_from is None else hold.follows_from
        return hold.follows_from - now >= FOLLOWED

    @staticmethod
    def _proves_washout(hold: _Hold, time_s: float) -> bool:
        """The held readings decline portion after portion as a washout does: another vessel would not."""
        if hold.cause in (Cause.HIGH, Cause.FROZEN):
            lasting = time_s - hold.since_s > RISE_S and len(hold.trail) >= 3
            return lasting and hold.trail[-1][1] < hold.trail[-6:][0][1] - 0.05
        if hold.cause is not Cause.LOW:
            return False
        if not hold.trail or not hold.trail[-1][2]:
            return False
        known = takewhile(lambda step: step[2], reversed(hold.trail[:-1]))  # the last place is still under way
        values = [ln for _, ln, _ in known][::-1]
        falls = [a - b for a, b in pairwise(values)]
        steady = list(takewhile(lambda fall: fall > PROOF_STEP, reversed(falls)))
        return len(steady) >= PROOF_STEPS and sum(steady) > PROOF_FALL
