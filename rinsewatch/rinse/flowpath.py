"""What lies ahead in continuous flow: each hypothesis' curve through places of its own, asked again and again.

Between places the log level is the cubic with the slopes there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rinsewatch.rinse.prior import Array, Index

_NEWTON_STEPS: Final = 5
_LEAST_FALL: Final = -1e-9  # of the log level between two places


@dataclass(frozen=True, slots=True)
class FlowPath:
    """Places (rinse volume, mL, rising), log levels there, their slopes and the area beyond; shape (count, m)."""

    volume_ml: Array
    ln_level: Array
    slope: Array
    area: Array

    @classmethod
    def through(cls, volume_ml: Array, ln_level: Array, slope: Array) -> FlowPath:
        """The path through the places, some of which may fall together."""
        part = _area(np.diff(volume_ml), ln_level[:, :-1], np.diff(ln_level))
        area = np.zeros_like(ln_level)
        area[:, :-1] = np.cumsum(part[:, ::-1], axis=1)[:, ::-1]
        return cls(volume_ml, ln_level, slope, area)

    @property
    def start_ml(self) -> float:
        """From here on the path is known."""
        return float(self.volume_ml[:, 0].max())

    def level(self, volume_ml: float) -> Array:
        """Log level at a rinse volume, shape (count,)."""
        return self._level(self._before(volume_ml), volume_ml)

    def levels(self, volumes_ml: Array) -> Array:
        """Log levels at m rinse volumes, shape (count, m)."""
        return np.stack([self.level(float(each)) for each in volumes_ml], axis=1)

    def _before(self, volume_ml: float) -> Index:
        """The last place at or before a volume, never the last of all."""
        count = np.count_nonzero(self.volume_ml <= volume_ml, axis=1)
        out: Index = np.minimum(np.maximum(count - 1, 0), self.volume_ml.shape[1] - 2)
        return out

    def _level(self, at: Index, volume_ml: float) -> Array:
        rows = np.arange(at.size)
        low, high = self.volume_ml[rows, at], self.volume_ml[rows, at + 1]
        run = high - low
        t = np.minimum(np.maximum((volume_ml - low) / run, 0.0), 1.0)
        ends = self.ln_level[rows, at], self.ln_level[rows, at + 1]
        slopes = self.slope[rows, at] * run, self.slope[rows, at + 1] * run
        beyond = self.slope[rows, at + 1] * np.maximum(volume_ml - high, 0.0)
        return _cubic(t, ends, slopes) + beyond

    def crossing(self, ln_target: Array) -> Array:
        """Rinse volume at which each log level falls to its target for good, mL; inf if not on the path."""
        places = self.ln_level.shape[1]
        above = self.ln_level > ln_target[:, None]
        last = places - 1 - np.argmax(above[:, ::-1], axis=1)
        at, rows = np.minimum(last, places - 2), np.arange(last.size)
        start, run = self.volume_ml[rows, at], self.volume_ml[rows, at + 1] - self.volume_ml[rows, at]
        ends = self.ln_level[rows, at], self.ln_level[rows, at + 1]
        slopes = self.slope[rows, at] * run, self.slope[rows, at + 1] * run
        found = start + run * _inverse(ln_target, ends, slopes)
        out = np.where(last == places - 1, np.inf, found)
        return np.where(above.any(axis=1), out, self.volume_ml[:, 0])

    def left(self, volume_ml: float) -> Array:
        """Area under the level (uS/cm times mL) from a volume on, shape (count,)."""
        at = self._before(volume_ml)
        rows, here = np.arange(at.size), self._level(at, volume_ml)
        run = np.maximum(self.volume_ml[rows, at + 1] - volume_ml, 0.0)
        part = _area(run, here, self.ln_level[rows, at + 1] - here)
        out: Array = self.area[rows, at + 1] + part
        return out


def _inverse(value: Array, ends: tuple[Array, Array], slopes: tuple[Array, Array]) -> Array:
    """Where in [0, 1] a falling cubic comes to a value: the chord, then Newton's steps kept between what is known."""
    low, high = np.zeros_like(value), np.ones_like(value)
    drop = np.minimum(ends[1] - ends[0], _LEAST_FALL)
    t = np.clip((value - ends[0]) / drop, 0.0, 1.0)
    for _ in range(_NEWTON_STEPS):
        off = _cubic(t, ends, slopes) - value
        low, high = np.where(off > 0.0, t, low), np.where(off > 0.0, high, t)
        rise = 6.0 * t * (1.0 - t) * (ends[1] - ends[0])
        rise += (1.0 - t) * (1.0 - 3.0 * t) * slopes[0] + t * (3.0 * t - 2.0) * slopes[1]
        t = t - off / np.minimum(rise, _LEAST_FALL)
        t = np.where((t < low) | (t > high), 0.5 * (low + high), t)
    return t


def _area(run: Array, ln_level: Array, fall: Array) -> Array:
    """Area under an exponential over ``run`` that falls by ``fall`` (negative)."""
    level, drop = np.exp(ln_level), np.maximum(np.abs(fall), 1e-9)
    out: Array = run * level * -np.expm1(-drop) / drop
    return out


def _cubic(t: Array, ends: tuple[Array, Array], slopes: tuple[Array, Array]) -> Array:
    """Hermite's cubic over [0, 1]."""
    rest = 1.0 - t
    out: Array = (
        rest * rest * (1.0 + 2.0 * t) * ends[0]
        + t * t * (1.0 + 2.0 * rest) * ends[1]
        + t * rest * (rest * slopes[0] - t * slopes[1])
    )
    return out
