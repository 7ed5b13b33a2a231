"""Readings of a rinse in portions that no later portion has borne out yet: such a rinse must not stop.

A portion that reads lower than foreseen, or whose settled reading falls, may be another vessel or a portion nobody
logged. A later one that has fallen further proves the washout; one that reads clearly more clears the doubt; a fall
that comes back while the portion stands was a bubble.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final

from rinsewatch.rinse.spans import Span

FALL: Final = 0.8  # a reading that falls so far within a portion: another one was poured and not logged
FALL_COUNT: Final = 5  # readings before a fall is one, and back up before it was none
BORNE_OUT: Final = 0.85  # of a doubted reading, to which a washout must have brought it since
ZERO_PATIENCE: Final = 1.5  # a washout slows down on its way to a level
LEAST_FALL: Final = 0.1  # log, per portion: slower than any rinse that goes on
FOLLOW_PORTIONS: Final = 4
FOLLOW_SHARE: Final = 0.35  # of the usual fall per portion that the last one must still show
FLOOR_NEAR: Final = 0.6  # of the reading, where standing still is what a washout does
ENDS_KEPT: Final = 6
CORRECTION: Final = 0.1  # of a portion: less water than that after it is a correction of its volume


@dataclass(frozen=True, slots=True)
class _Doubt:
    """A reading in doubt, and the portions in all from which a doubted 0 may be one: a later portion must tell."""

    of: Span
    until: float


@dataclass(frozen=True, slots=True)
class _End:
    """Rinse water up to the end of a portion, and the reading there, uS/cm."""

    rinse_ml: float
    us_cm: float


def _fall_per_ml(a: _End, b: _End) -> float:
    """Log fall from one portion's end to a later one's; neither reads 0."""
    return (math.log(a.us_cm) - math.log(b.us_cm)) / (b.rinse_ml - a.rinse_ml)


@dataclass(slots=True)
class _Fall:
    """A settled portion's reading fell: from where, what was in doubt before, and how many readings came back."""

    from_us_cm: float
    before: _Doubt | None
    back: int = 0

    def is_over(self, span: Span) -> bool:
        """Another reading: as many in a row as it takes to see a fall have come back."""
        self.back = self.back + 1 if span.high_us_cm >= FALL * self.from_us_cm else 0
        return self.back >= FALL_COUNT


class Doubts:
    """What is in doubt, and the readings at the end of the portions before that it is judged by."""

    def __init__(self) -> None:
        self._doubt: _Doubt | None = None
        self._fall: _Fall | None = None
        self._ends: list[_End] = []

    def __bool__(self) -> bool:
        """Something is in doubt."""
        return self._doubt is not None

    def call(self, span: Span, place: float, likely_us_cm: float) -> None:
        """Call a reading in doubt, ``place`` portions into the rinse, where ``likely_us_cm`` was foreseen."""
        until = place + max(ZERO_PATIENCE * self._portions_to(span.high_us_cm, likely_us_cm), 1.0)
        self._doubt = _Doubt(span, until if self._doubt is None else max(self._doubt.until, until))

    def fell(self, span: Span, from_us_cm: float, place: float, likely_us_cm: float) -> None:
        """The reading of a settled portion fell to ``span``."""
        self._fall = self._fall or _Fall(from_us_cm, self._doubt)
        self._fall.back = 0
        self.call(span, place, likely_us_cm)

    def did_not_fall(self, span: Span) -> None:
        """Another reading of the portion: what is poured, or shown in coarser steps, does not come back."""
        if self._fall is not None and self._fall.is_over(span):
            self._doubt, self._fall = self._fall.before, None

    def end_portion(self, late: Span, place: float) -> None:
        """A portion nobody doubts has ended with ``late``: it may bear out what is in doubt, or show it wrong."""
        if self._doubt is not None and (self.borne_out(late, place) or _above(late, self._doubt.of)):
            self._doubt = None

    def keep_end(self, late: Span, rinse_ml: float) -> None:
        """Remember the reading a portion ended with, and the rinse water so far.

        A volume corrected by a little makes no portion of its own: the noise of a reading would be a steep fall by mL.
        """
        ends = self._before(rinse_ml)
        begun_ml = ends[-2].rinse_ml if len(ends) > 1 else 0.0
        if ends and rinse_ml - ends[-1].rinse_ml < CORRECTION * (ends[-1].rinse_ml - begun_ml):
            ends.pop()
        self._ends = [*ends[1 - ENDS_KEPT :], _End(rinse_ml, late.shown_us_cm)]

    def _before(self, rinse_ml: float) -> list[_End]:
        """The ends of the portions before that volume: a portion taken back leaves none behind."""
        return [end for end in self._ends if end.rinse_ml < rinse_ml]

    def next_portion(self) -> None:
        """A fall that has not come back by then was one."""
        self._fall = None

    def forget(self) -> None:
        """Nothing is in doubt."""
        self._doubt = self._fall = None

    def confirmed(self) -> None:
        """The person vouches for the probe: how the readings fell before is no measure any more."""
        self.forget()
        self._ends = []

    def borne_out(self, late: Span, place: float) -> bool:
        """No doubt is left, or the washout has gone on since; 0 cannot fall, but in time the forecast comes to it."""
        if self._doubt is None:
            return True
        fallen = late.high_us_cm <= BORNE_OUT * self._doubt.of.low_us_cm and not late.is_zero
        return fallen or place >= self._doubt.until

    def follows(self, late: Span, floor_us_cm: float, rinse_ml: float) -> bool:
        """The reading still falls as it did: a washout slows down, but does not stand still far above its floor.

        A probe that was put into another vessel reads the same, portion after portion. Smaller portions may fall less.
        """
        ends = [*self._before(rinse_ml), _End(rinse_ml, late.shown_us_cm)]
        if len(ends) < FOLLOW_PORTIONS or min(end.us_cm for end in ends) <= 0:
            return True
        if floor_us_cm > FLOOR_NEAR * late.shown_us_cm:
            return True
        falls = [_fall_per_ml(a, b) for a, b in pairwise(ends)]
        allowed, last_ml = 2.0 * late.step_us_cm / late.shown_us_cm, rinse_ml - ends[-2].rinse_ml
        return falls[-1] * last_ml + allowed >= FOLLOW_SHARE * median(falls[:-1]) * last_ml

    def steady_us_cm(self, rinse_ml: float) -> float:
        """Where the washout is if it goes on at the steeper of its last two falls: no reading down to there is a
        surprise, whatever was believed. Infinite where too little was read in range, or it stood or rose."""
        ends = self._before(rinse_ml)[-3:]
        if len(ends) < 2 or min(end.us_cm for end in ends) <= 0.0:
            return math.inf
        fall = max(_fall_per_ml(a, b) for a, b in pairwise(ends))
        return ends[-1].us_cm * math.exp(-fall * (rinse_ml - ends[-1].rinse_ml)) if fall > 0.0 else math.inf

    def last_end_us_cm(self, rinse_ml: float) -> float:
        """What the last portion that was read before a rinse volume ended with, 0 if none."""
        ends = self._before(rinse_ml)
        return ends[-1].us_cm if ends else 0.0

    def _portions_to(self, level_us_cm: float, likely_us_cm: float) -> float:
        """Portions that would have brought what was likely of this one to a level, at the rate of those before it."""
        ends = [end.us_cm for end in self._ends if end.us_cm > 0.0]
        falls = [math.log(a / b) for a, b in pairwise(ends)]
        fall = max(median(falls), LEAST_FALL) if falls else 1.0
        return max(math.log(likely_us_cm / level_us_cm), 0.0) / fall


def _above(late: Span, doubted: Span) -> bool:
    """Clearly more was read; after a 0 any other digit is: it is mostly air that shows 0."""
    return BORNE_OUT * late.low_us_cm > doubted.high_us_cm or (doubted.is_zero and not late.is_zero)
