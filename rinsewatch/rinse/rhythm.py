"""The person's own rhythm: how long a portion takes, when it is read, and what is a rest."""

from __future__ import annotations

import math
from statistics import fmean, median, median_low
from typing import Final

USUAL_PACE_S: Final = 180.0  # a portion through a slow filter, until the person's own rhythm is known
LOWEST_PACE_S: Final = 1.0  # recordings without real times must not stop the slow exchange
LONG_REST_PACES: Final = 8.0  # a gap of so many portions' time is a rest, not the rhythm
STAND_SHARE: Final = 0.6  # of its time a portion stands before it is judged, within these bounds in seconds
LEAST_STAND_S: Final = 10.0
MOST_STAND_S: Final = 120.0
GAP_JUMP: Final = 0.15  # log spread per log of a gap's length against the usual, up to 1: see ``unsure``
WAIT_SHARE: Final = 0.9  # of its time, until when what reads as the portion before may still be that: a slow filter
READ_SHARE: Final = 0.7  # a portion is read about so far through its time, unless the person types later or sooner
LATE: Final = 1.5  # times the latest so far
_KEPT: Final = 9


class Rhythm:
    """Gaps between the last pours, when in them the person typed, and when filtrate came to the probe."""

    def __init__(self) -> None:
        self._gaps_s: list[float] = []
        self._typed_at: list[float] = []
        self._arrived_s: list[float] = []
        self._pace_s: float | None = None  # found with each pour, asked many times at every reading

    @property
    def pace_s(self) -> float | None:
        """Seconds per portion, None before two portions."""
        return self._pace_s

    @property
    def usual_s(self) -> float:
        """The pace, or what is usual until it is known."""
        return self._pace_s or USUAL_PACE_S

    def _find_pace(self) -> None:
        rhythm = self._without_rests_s
        self._pace_s = median(rhythm) if rhythm else None

    @property
    def _without_rests_s(self) -> list[float]:
        """The times of the last portions, without what is rare and so much longer than the others."""
        usual = USUAL_PACE_S if len(self._gaps_s) < 2 else median_low(self._gaps_s)
        return [gap for gap in self._gaps_s if gap < LONG_REST_PACES * usual]

    @property
    def stands_s(self) -> float:
        """For so long a portion to come will stand before it has drained: as those of the rhythm did."""
        pace = self.usual_s
        return fmean(min(gap, pace) for gap in self._without_rests_s or [pace])

    @property
    def due_s(self) -> float:
        """Seconds after its pour from which a portion may be judged."""
        return min(max(STAND_SHARE * self.usual_s, LEAST_STAND_S), MOST_STAND_S)

    @property
    def waits_s(self) -> float:
        """Seconds after its pour up to which a portion's filtrate may not have come to the probe yet."""
        return max(self.due_s, WAIT_SHARE * self.usual_s)

    @property
    def drained_s(self) -> float:
        """Seconds after its pour at which a portion has drained and is read, if a meter is at it."""
        return READ_SHARE * self.usual_s

    def read_s(self, *, typed: bool) -> float:
        """When a portion is read, seconds after its pour.

        The slow liquid leaks until then: coming portions must be foreseen at the same time as those behind were read.
        """
        return median(self._typed_at) * self.usual_s if self._typed_at and typed else self.drained_s

    def rested(self, gap_s: float) -> bool:
        """So long a gap is a rest."""
        return gap_s >= LONG_REST_PACES * self.usual_s

    def unsure(self, gap_s: float) -> float:
        """How far (log) a level may be off after such a gap: what has leaked hangs on when the portion had drained,
        which nobody knows; it is the same every time only where the gaps are."""
        if gap_s < LOWEST_PACE_S or self.pace_s is None:
            return 0.0
        return GAP_JUMP * min(abs(math.log(gap_s / self.pace_s)), 1.0)

    def poured(self, gap_s: float) -> float:
        """A portion was poured so long after the one before; the gap to reckon with, where times are not real."""
        if gap_s < LOWEST_PACE_S:
            return self.usual_s
        self._gaps_s = [*self._gaps_s[1 - _KEPT :], gap_s]
        self._find_pace()
        return gap_s

    def typed(self, after_s: float, gap_s: float) -> None:
        """A reading was typed ``after_s`` seconds into a portion of ``gap_s``."""
        self._typed_at = [*self._typed_at[1 - _KEPT :], after_s / gap_s]

    @property
    def late_s(self) -> float:
        """Seconds after its pour from which a portion's filtrate comes to the probe later than those before did."""
        return max(LATE * max(self._arrived_s, default=0.0), LEAST_STAND_S)

    def arrived(self, after_s: float) -> None:
        """A portion's filtrate came to the probe."""
        self._arrived_s = [*self._arrived_s[1 - _KEPT :], after_s]

    def unpour(self) -> None:
        """The last pour was none."""
        self._gaps_s, self._typed_at = self._gaps_s[:-1], self._typed_at[:-1]
        self._find_pace()
