"""The washout in portions of many hypotheses at once: nominal log level against rinse water and time.

Each portion mixes with the mobile liquid, then the slow liquid leaks while the portion stands. Levels are linear
conductivity (concentration times limiting molar conductivity), uS/cm, above the floor. Continuous flow: ``flowbed``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from rinsewatch.rinse.prior import ENTRAINED, EXCHANGE, SLOW, START, Array, fill

STANDING_S: Final = 900.0  # at the latest a portion has drained by then; what leaks later meets the drained bed
_TINY: Final = 1e-300
_BISECTIONS: Final = 26


@dataclass(frozen=True, slots=True)
class Pour:
    """One portion (or ``count`` equal ones, long ago): volume mL, time s, seconds since the pour before.

    ``stood_s``: for so many of these the portion before stood in the bed; then it had drained.
    """

    volume_ml: float
    time_s: float
    gap_s: float
    count: int = 1
    stood_s: float = math.inf


@dataclass(frozen=True, slots=True)
class BedState:
    """Mobile and slow liquid of each hypothesis relative to the start, and where that holds."""

    mobile: Array
    slow: Array
    volume_ml: float
    time_s: float


def exchange(mobile: Array, slow: Array, ratio: Array, rate: Array, seconds: float) -> tuple[Array, Array]:
    """Mobile and slow liquid relax towards each other, mass kept; ``ratio`` is slow per mobile volume."""
    total = (mobile + ratio * slow) / (1.0 + ratio)
    left = (mobile - slow) * np.exp(-rate * (1.0 + ratio) * seconds) / (1.0 + ratio)
    return total + ratio * left, total - left


class PortionBed:
    """Poured in portions: stir, drain, pour again."""

    def __init__(self, resin_ml: float) -> None:
        self.resin_ml = resin_ml

    def start(self, theta: Array) -> BedState:
        """The mobile liquid at full strength, the slow liquid not quite."""
        return BedState(np.ones(theta.shape[0]), fill(theta), 0.0, 0.0)

    def pour(self, theta: Array, state: BedState, pour: Pour, before_ml: float) -> BedState:
        """After the exchange since the pour before (of ``before_ml``) and the mixing of this portion."""
        entrained = self.resin_ml * np.exp(theta[:, ENTRAINED])
        keep = entrained / (entrained + pour.volume_ml)
        if pour.count > 1:
            mobile, slow = self._many(theta, state, pour, keep)
        else:
            mobile, slow = self._rest(theta, state.mobile, state.slow, before_ml, pour.gap_s, pour.stood_s)
            mobile = mobile * keep
        return BedState(mobile, slow, state.volume_ml + pour.count * pour.volume_ml, pour.time_s)

    def _many(self, theta: Array, state: BedState, pour: Pour, keep: Array) -> tuple[Array, Array]:
        """``count`` equal portions at once: the one-portion map to a power, by squaring."""
        ones, zeros = np.ones(theta.shape[0]), np.zeros(theta.shape[0])
        a, c = self._rest(theta, ones, zeros, pour.volume_ml, pour.gap_s, pour.stood_s)
        b, d = self._rest(theta, zeros, ones, pour.volume_ml, pour.gap_s, pour.stood_s)
        a, b = a * keep, b * keep
        mobile, slow, count = state.mobile, state.slow, pour.count
        while count:
            if count & 1:
                mobile, slow = a * mobile + b * slow, c * mobile + d * slow
            a, b, c, d = a * a + b * c, a * b + b * d, c * a + d * c, c * b + d * d
            count >>= 1
        return mobile, slow

    def _rest(
        self,
        theta: Array,
        mobile: Array,
        slow: Array,
        standing_ml: float,
        seconds: float,
        stood_s: float = math.inf,
    ) -> tuple[Array, Array]:
        if seconds <= 0.0:
            return mobile, slow
        entrained = self.resin_ml * np.exp(theta[:, ENTRAINED])
        rate, ratio = np.exp(theta[:, EXCHANGE]), np.exp(theta[:, SLOW])
        wet = ratio * entrained / (entrained + standing_ml)
        stood_s = min(seconds, stood_s, STANDING_S)
        mobile, slow = exchange(mobile, slow, wet, rate, stood_s)
        if seconds > stood_s:
            mobile, slow = exchange(mobile, slow, ratio, rate, seconds - stood_s)
        return mobile, slow

    def level(self, theta: Array, state: BedState, standing_ml: float, seconds: float) -> Array:
        """Log level of the filtrate ``seconds`` after the last pour, shape (count,)."""
        mobile, _ = self._rest(theta, state.mobile, state.slow, standing_ml, seconds)
        out: Array = theta[:, START] + np.log(mobile + _TINY)
        return out

    def left(self, theta: Array, state: BedState, standing_ml: float, seconds: float) -> Array:
        """Residue left once the standing portion is drained: strength relative to the start times mL, (count,)."""
        mobile, slow = self._rest(theta, state.mobile, state.slow, standing_ml, seconds)
        entrained = self.resin_ml * np.exp(theta[:, ENTRAINED])
        out: Array = entrained * (mobile + np.exp(theta[:, SLOW]) * slow)
        return out

    def ladder(
        self,
        theta: Array,
        state: BedState,
        portion_ml: float,
        first_gap_s: float,
        pace_s: float,
        read_s: float,
        stood_s: float = math.inf,
    ) -> Ladder:
        """The levels after 1, 2, ... further portions, as a sum of two exponentials."""
        first = self.pour(theta, state, Pour(portion_ml, 0.0, first_gap_s, stood_s=stood_s), portion_ml)
        usual = Pour(portion_ml, 0.0, pace_s, stood_s=stood_s)
        second = self.pour(theta, first, usual, portion_ml)
        levels = [np.exp(self.level(theta, s, portion_ml, read_s)) for s in (first, second)]
        fast, slow = self._rates(theta, usual)
        return Ladder.through(levels[0], levels[1], fast, slow)

    def _rates(self, theta: Array, pour: Pour) -> tuple[Array, Array]:
        """Eigenvalues of one portion's map (rest, then mix), both in (0, 1)."""
        ones, zeros = np.ones(theta.shape[0]), np.zeros(theta.shape[0])
        entrained = self.resin_ml * np.exp(theta[:, ENTRAINED])
        keep = entrained / (entrained + pour.volume_ml)
        from_mobile = self._rest(theta, ones, zeros, pour.volume_ml, pour.gap_s, pour.stood_s)
        from_slow = self._rest(theta, zeros, ones, pour.volume_ml, pour.gap_s, pour.stood_s)
        trace = keep * from_mobile[0] + from_slow[1]
        determinant = keep * (from_mobile[0] * from_slow[1] - from_slow[0] * from_mobile[1])
        root = np.sqrt(np.maximum(trace * trace - 4.0 * determinant, 0.0))
        return (trace - root) / 2.0, (trace + root) / 2.0


@dataclass(frozen=True, slots=True)
class Ladder:
    """Level after n >= 1 further portions: ``a * fast**(n-1) + b * slow**(n-1)``, shapes (count,)."""

    a: Array
    b: Array
    ln_fast: Array
    ln_slow: Array

    @classmethod
    def through(cls, first: Array, second: Array, fast: Array, slow: Array) -> Ladder:
        """The ladder that passes the levels after one and after two portions."""
        fast = np.clip(fast, 1e-12, 1.0 - 1e-9)
        slow = np.clip(slow, fast + 1e-9, 1.0 - 1e-9)
        b = np.maximum((second - fast * first) / (slow - fast), 0.0)
        return cls(first - b, b, np.log(fast), np.log(slow))

    def log_level(self, n: Array) -> Array:
        """Log level after ``n`` further portions (real, >= 1); broadcasts over a leading axis."""
        out: Array = np.log(
            np.maximum(self.a * np.exp((n - 1) * self.ln_fast) + self.b * np.exp((n - 1) * self.ln_slow), _TINY)
        )
        return out

    def crossing(self, ln_now: Array, ln_target: Array, most: float) -> Array:
        """Portions until the log level falls to ``ln_target``: 0 when there, inf beyond ``most``."""
        ln_first = self.log_level(np.ones_like(ln_now))
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (ln_now - ln_target) / np.maximum(ln_now - ln_first, 1e-9)
        low, high = np.ones_like(ln_now), np.full_like(ln_now, most)
        never = self.log_level(high) > ln_target
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            above = self.log_level(middle) > ln_target
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        n = np.where(ln_first <= ln_target, np.clip(part, 0.0, 1.0), 0.5 * (low + high))
        n = np.where(ln_now <= ln_target, 0.0, n)
        return np.where(never & (ln_now > ln_target), np.inf, n)
