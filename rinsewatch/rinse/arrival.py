"""Does the probe stand in the filtrate of the present portion yet?

Through a slow filter it takes a while until anything new reaches the probe; until then it shows what came out of the
portion before. That is no fact of the new portion, neither as its level nor as a fall within it.
"""

from __future__ import annotations

import math
from typing import Final

from rinsewatch.rinse.settle import PortionWindow
from rinsewatch.rinse.spans import Span

MOVED: Final = 0.04  # relative, beyond what the probe read last: readings of one water differ by half of it


class Arrival:
    """The readings of a new portion until one differs from what was read before it was poured."""

    def __init__(self, before: PortionWindow, typed: bool) -> None:
        """``before``: the portion before, as believed; one without a reading was the liquor. A typed reading is taken
        when its time has come."""
        self._least_us_cm, self._most_us_cm = before.last_us_cm
        self.waits = not typed
        self.early = PortionWindow()
        self.late_us_cm: float | None = None  # what it fell from, if that came unusually late

    def note_late(self, usual_s: float) -> None:
        """It has come now; later than ever before it may be another water."""
        if self.early.last_after_s > usual_s and not math.isinf(self._least_us_cm) and not self.early.is_over:
            self.late_us_cm = self._least_us_cm

    def hear(self, after_s: float, span: Span, due_s: float) -> PortionWindow | None:
        """A trusted reading: the window it belongs to, None while it may be old filtrate.

        What still reads as before when the portion is due to be judged has come to rest there.
        """
        if self._moved(span):
            self.waits = False
            return PortionWindow(begins_s=self.early.last_after_s)
        if after_s < due_s:
            self.early.add(after_s, span)
            return None
        self.waits = False
        return self.early

    def _moved(self, span: Span) -> bool:
        fallen = span.high_us_cm < (1.0 - MOVED) * self._least_us_cm
        return fallen or span.low_us_cm > (1.0 + MOVED) * self._most_us_cm
