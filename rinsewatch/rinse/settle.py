"""From many readings to one settled fact.

Readings within one portion are not independent: they share the portion, the probe and its lag. A portion
gives one fact, taken from the last part of what has been read of it and doubted while it still moves.
Continuous flow gives one fact per small block of volume.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from operator import attrgetter
from typing import Final

from rinsewatch.rinse.evidence import Observation
from rinsewatch.rinse.spans import Span

PORTION_NOISE: Final = 0.025  # relative; bypass and stirring make settled portions differ by 2-4 %
BLOCK_NOISE: Final = 0.009  # relative, shared by a block: lag, drift
READING_NOISE: Final = 0.02  # relative, per reading; median over open measured decays 0.9 %, 90 % below 2.4 %
BLOCK_FALL: Final = math.exp(-1.0 / 3.0)  # a block spans a seventh of an e-fold as foreseen; a third was not foreseen
BORDER: Final = 0.125  # of a step: so near the border of two digits a quiet meter shows both
LONE_OF: Final = 5  # readings of a block before one of them is the odd one out
CUP_S: Final = 8.0  # seconds for a cup and a cheap cell to follow: memory of users' meters, no source
_KEEP: Final = 64
_LAST_PART: Final = 0.6


_EARLY_PART: Final = 0.3


@dataclass(frozen=True, slots=True)
class _Sample:
    after_s: float
    span: Span
    rank: float  # of the reading, over range above all


_RANK = attrgetter("rank")


class PortionWindow:
    """The readings of the present portion, decimated so that their number stays bounded."""

    def __init__(self, typed: bool = False, begins_s: float = 0.0) -> None:
        """``begins_s``: seconds after the pour until which its filtrate had not come to the probe."""
        self._samples: list[_Sample] = []
        self._arrived_s = begins_s
        self._stride = 1
        self._count = 0
        self._middles: dict[tuple[float, float], Span | None] = {}  # remembered until the next reading
        self.typed = typed

    @property
    def count(self) -> int:
        """Trusted readings of this portion so far."""
        return self._count

    @property
    def last_after_s(self) -> float:
        """Seconds after the pour of the last trusted reading."""
        return self._samples[-1].after_s if self._samples else 0.0

    @property
    def lasted_s(self) -> float:
        """Seconds from the first to the last trusted reading."""
        return self.last_after_s - self._samples[0].after_s if self._samples else 0.0

    @property
    def is_over(self) -> bool:
        """Over range so far."""
        late = self.late
        return late is not None and late.is_over

    @property
    def last_us_cm(self) -> tuple[float, float]:
        """Low and high end of what its end shows; above all displays while nothing was read."""
        late = self.late
        if late is None:
            return math.inf, math.inf
        last = self._samples[-1].span
        return min(late.low_us_cm, last.low_us_cm), max(late.high_us_cm, last.high_us_cm)

    def add(self, after_s: float, span: Span) -> None:
        """Take in a trusted reading."""
        sample = _Sample(after_s, span, math.inf if span.is_over else span.shown_us_cm)
        if self._samples and self._count % self._stride:
            self._samples[-1] = sample
        else:
            self._samples.append(sample)
        self._count += 1
        self._middles.clear()
        if len(self._samples) > _KEEP:
            self._samples = self._samples[::2]
            self._stride *= 2

    def fact(self) -> tuple[float, Observation] | None:
        """(seconds after the pour, what the portion says), None while nothing was read. Reading scale."""
        if not self._samples:
            return None
        span = self._middle(_LAST_PART, math.inf)
        assert span is not None  # the newest is in it
        late_s = [s.after_s for s in self._samples if s.after_s >= self._part_s(_LAST_PART)]
        after_s = sum(late_s) / len(late_s)
        noise = math.hypot(PORTION_NOISE, self.unsettled())
        return after_s, Observation(span.low_us_cm, span.high_us_cm, noise)

    @property
    def late(self) -> Span | None:
        """What the last part of the portion so far shows, None while nothing was read."""
        return self._middle(_LAST_PART, math.inf)

    @property
    def late_us_cm(self) -> float:
        """The same in uS/cm, 0 while nothing was read."""
        late = self.late
        return late.shown_us_cm if late is not None else 0.0

    def _middle(self, begin: float, end: float) -> Span | None:
        """The median of a part of the time so far, of two readings the newer; None if nothing was read in it."""
        if (begin, end) not in self._middles:
            from_s, until_s = self._part_s(begin), math.inf if end == math.inf else self._part_s(end)
            part = [s for s in self._samples if from_s <= s.after_s < until_s]
            ranked = sorted(part, key=_RANK) if len(part) != 2 else part
            self._middles[begin, end] = ranked[len(part) // 2].span if part else None
        return self._middles[begin, end]

    @property
    def _begins_s(self) -> float:
        """From when on the probe was in the filtrate: one reading before the first, if they come steadily."""
        if len(self._samples) < 2:
            return self._arrived_s
        first_s = self._samples[0].after_s
        return max(first_s - (self.last_after_s - first_s) / (len(self._samples) - 1), self._arrived_s)

    def _part_s(self, share: float) -> float:
        """Seconds after the pour at a share of the time read so far."""
        return self._begins_s + share * (self.last_after_s - self._begins_s)

    def change(self, until_s: float, early: tuple[float, float], late: tuple[float, float]) -> float | None:
        """Log change from the early to the late part (shares) of the time up to ``until_s``; None if one is empty."""
        parts = []
        for begin, end in (early, late):
            inside = [s.span.shown_us_cm for s in self._samples if begin * until_s <= s.after_s <= end * until_s]
            if not inside or min(inside) <= 0:
                return None
            parts.append(sum(math.log(value) for value in inside) / len(inside))
        return parts[1] - parts[0]

    def rise_after(self, after_s: float) -> float:
        """How much higher this portion read at its end than ``after_s`` seconds after the pour, 1 at least."""
        then = [s.span.shown_us_cm for s in self._samples if s.after_s >= after_s]
        end = self.late_us_cm
        return max(end / then[0], 1.0) if then and then[0] > 0 else 1.0

    def reading_at(self, after_s: float) -> float:
        """The reading (uS/cm) to expect later in this portion if it goes on as in its last two thirds.

        While a portion stands, the slow liquid leaks into it: what reads low early may not when drained.
        """
        newest = self._samples[-1]
        if self.typed or len(self._samples) < 4:
            return newest.span.shown_us_cm
        early_s, late_s = self._part_s(_EARLY_PART), self._part_s(_LAST_PART)
        early = [s for s in self._samples if early_s <= s.after_s < late_s]
        late = [s for s in self._samples if s.after_s >= late_s]
        if not early:
            return newest.span.shown_us_cm
        value_early, value_late = (sum(s.span.shown_us_cm for s in part) / len(part) for part in (early, late))
        time_early, time_late = (sum(s.after_s for s in part) / len(part) for part in (early, late))
        rise = max(value_late - value_early, 0.0) / (time_late - time_early)
        return value_late + rise * max(after_s - time_late, 0.0)

    def unsettled(self, *, falls_only: bool = False) -> float:
        """How much (log) the reading may still be away from where it goes; ``falls_only``: a rise does not count."""
        before, after = self._middle(_EARLY_PART, _LAST_PART), self.late
        lag = 0.0 if self.typed else math.exp(-(self.last_after_s - self._begins_s) / CUP_S)
        if before is None or after is None:
            return lag
        if before.is_over != after.is_over:
            return 1.0  # it came into range, or left it, while the portion stood
        if min(before.shown_us_cm, after.shown_us_cm) <= 0 or after.is_over:
            return lag
        move = math.log(before.shown_us_cm / after.shown_us_cm)
        move = max(move, 0.0) if falls_only else abs(move)
        step = after.step_us_cm / after.shown_us_cm
        return math.hypot(lag, 0.6 * max(move - step, 0.0))


class FlowBlock:
    """The readings of the present block of volume in continuous flow."""

    def __init__(self, start_ml: float) -> None:
        self.start_ml = start_ml
        self.count = 0
        self._overs = 0
        self._top = 0.0
        self._sum_ml = 0.0
        self._sum_shown = 0.0
        self._step = 0.0
        self._least, self._most = math.inf, 0.0
        self._last = math.inf

    def add(self, volume_ml: float, span: Span) -> None:
        """Take in a trusted reading at a rinse volume."""
        self.count += 1
        if span.is_over:
            self._overs += 1
            self._top = span.low_us_cm
            return
        self._sum_ml += volume_ml
        self._sum_shown += span.shown_us_cm
        self._least, self._most = min(self._least, span.shown_us_cm), max(self._most, span.shown_us_cm)
        self._last = span.shown_us_cm
        self._step = max(self._step, span.step_us_cm)

    def falls_away(self, span: Span) -> bool:
        """Two readings in a row lie further below the block's highest than one block should hold."""
        return max(self._last, span.shown_us_cm) + span.step_us_cm < BLOCK_FALL * self._most and not span.is_over

    @property
    def low_us_cm(self) -> float:
        """Low end of the block's mean reading, 0 while nothing was read."""
        inside = self.count - self._overs
        return max(self._sum_shown / inside - self._step / 2, 0.0) if inside else 0.0

    @property
    def high_us_cm(self) -> float:
        """High end of the block's mean reading, inf while nothing was read."""
        inside = self.count - self._overs
        return self._sum_shown / inside + self._step / 2 if inside else math.inf

    @property
    def is_over(self) -> bool:
        """Mostly over range."""
        return 2 * self._overs > self.count

    def fact(self, now_ml: float) -> tuple[float, Observation] | None:
        """(mean rinse volume, what the block says), None while nothing was read. Reading scale."""
        if not self.count:
            return None
        if self.is_over:
            return now_ml, Observation(self._top, math.inf, READING_NOISE)
        inside = self.count - self._overs
        shown = self._sum_shown / inside
        noise = math.hypot(BLOCK_NOISE, READING_NOISE / math.sqrt(inside))
        low, high = self._ends(shown, inside)
        if shown < self._step / 2:
            low, high = 0.0, max(self._step / 2, high)
        return self._sum_ml / inside, Observation(max(low, 0.0), high, noise)

    def _ends(self, shown: float, inside: int) -> tuple[float, float]:
        """Between what the mean of so many readings may stand for.

        Readings over several steps average to better than a step; the same digits again do not. Of two neighbours
        the mean is as good while the filtrate falls by about a step; on the flat it only lies where they meet.
        A single lower one may be a spike and frees no forecast of what all the others say.
        """
        spread = self._most - self._least
        if inside >= LONE_OF and 0.0 < spread < 1.5 * self._step and shown > self._most - 1.5 * spread / inside:
            shown, spread = self._most, 0.0
        width = self._step if spread <= 0.0 else self._step / math.sqrt(min(inside, 4))
        low, high = shown - width / 2, shown + width / 2
        if 0.0 < spread < 1.5 * self._step:
            border, near = 0.5 * (self._least + self._most), BORDER * self._step
            low, high = min(low, border - near), max(high, border + near)
        return low, high
