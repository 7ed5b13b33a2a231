"""How the reading moves while a portion stands, beside how it moved in the portions before.

While a portion stands the slow liquid leaks into it, so the reading rises, much alike from portion to portion. A
probe in another vessel reads flat; a film that dries on a lifted probe falls. Neither needs a model to be told.
"""

from __future__ import annotations

from statistics import median
from typing import Final

from rinsewatch.rinse.settle import PortionWindow
from rinsewatch.rinse.spans import Span

KEPT: Final = 10
LEAST_KNOWN: Final = 2
LEAST_READINGS: Final = 6
EARLY: Final = (0.2, 0.45)  # of the portion's time so far
LATE: Final = (0.75, 1.0)
NOISE: Final = 0.04  # log, of the difference of two parts of a portion
RISES: Final = 0.15  # log, over which the portions before must have risen to expect it of this one
RISE_SHARE: Final = 0.4  # of that rise, of what lies above the floor, which it must show
FALLS: Final = 0.06  # log: no portion that did not fall before falls by so much

NOTHING_SEEN: Final = (True, True, False)  # behaves, vouches, moves


class PortionShape:
    """All readings of the present portion, believed or not, and the believed ones of the last portions that behaved."""

    def __init__(self) -> None:
        self._known: list[PortionWindow] = []
        self._now = PortionWindow()
        self._trusted = PortionWindow()
        self._looked_at = 0
        self._behaves, self._vouches, self._moves = NOTHING_SEEN

    def add(self, after_s: float, span: Span) -> None:
        """A reading of the present portion; over range and zero tell nothing of its shape."""
        if not span.is_over and not span.is_zero:
            self._now.add(after_s, span)

    def trust(self, after_s: float, span: Span) -> None:
        """The same reading, now that it is believed: an example is made of these alone, not of bubbles."""
        if not span.is_over and not span.is_zero:
            self._trusted.add(after_s, span)

    def distrust(self) -> None:
        """What was believed of this portion so far was not the filtrate."""
        self._trusted = PortionWindow()

    def next_portion(self) -> None:
        """A portion was poured; what was believed of the one before serves as an example if it behaved."""
        if self._trusted.count >= LEAST_READINGS and self._behaves:
            self._known = [*self._known[-(KEPT - 1) :], self._trusted]
        self._now, self._trusted, self._looked_at = PortionWindow(), PortionWindow(), 0
        self._behaves, self._vouches, self._moves = NOTHING_SEEN

    def forget(self) -> None:
        """The person vouches for the probe: what the portions before did is no measure any more."""
        self._known, self._looked_at = [], 0
        self._behaves, self._vouches, self._moves = NOTHING_SEEN

    def behaves(self, floor_us_cm: float) -> bool:
        """False if this portion does not move as those before it did; True while too little is known."""
        self._look(floor_us_cm)
        return self._behaves

    def vouches(self, floor_us_cm: float) -> bool:
        """True if nothing speaks against this portion, not even a display too coarse to tell, or it has only begun."""
        self._look(floor_us_cm)
        return self._vouches

    def moves(self, floor_us_cm: float) -> bool:
        """True if the display is seen to move by more than its step, as in the portions before: proof.

        Digits that flicker between two values are no movement, and a portion that stands flat proves nothing.
        """
        self._look(floor_us_cm)
        return self._moves

    def _look(self, floor_us_cm: float) -> None:
        if self._now.count > 1.1 * self._looked_at:
            self._looked_at = self._now.count
            self._behaves, self._vouches, self._moves = self._compare(floor_us_cm)

    def _compare(self, floor_us_cm: float) -> tuple[bool, bool, bool]:
        """(behaves, vouches, moves)."""
        now, until_s = self._now, self._now.last_after_s
        own, late = now.change(until_s, EARLY, LATE), now.late
        usual = [c for known in self._known if (c := known.change(until_s, EARLY, LATE)) is not None]
        if len(usual) < LEAST_KNOWN or own is None or late is None or now.count < LEAST_READINGS:
            return NOTHING_SEEN
        allowed = NOISE + late.step_us_cm / late.shown_us_cm
        expected = median(usual)
        share = RISE_SHARE * max(1.0 - floor_us_cm / late.shown_us_cm, 0.0)
        due = share * expected if expected > RISES else 0.0
        fallen = own < -FALLS - allowed and min(usual) > -FALLS
        flat = own < due and own < expected - 2.0 * allowed and expected > RISES + allowed
        seen = min(abs(expected), abs(own)) > allowed
        return not (fallen or flat), own >= due - NOISE, seen and own / expected >= share
