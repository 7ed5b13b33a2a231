"""A cubic through points that never overshoots them.

numpy only: the same curve as scipy's PCHIP, without its import time in front of the first frame of a watch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MonotoneCubic:
    """Piecewise cubic Hermite curve; outside the points it holds the end values."""

    x: Array
    y: Array
    slopes: Array

    @classmethod
    def through(cls, x: Array, y: Array) -> MonotoneCubic:
        """Curve through three points or more, ``x`` rising (Fritsch and Butland 1984, for the slopes)."""
        step = np.diff(x)
        secant = np.diff(y) / step
        slopes = np.empty_like(y)
        slopes[1:-1] = _inner_slopes(step, secant)
        slopes[0] = _end_slope(step[0], step[1], secant[0], secant[1])
        slopes[-1] = _end_slope(step[-1], step[-2], secant[-1], secant[-2])
        return cls(x, y, slopes)

    def __call__(self, at: Array) -> Array:
        """The curve at each point of ``at``."""
        point = np.clip(at, self.x[0], self.x[-1])
        i = np.clip(np.searchsorted(self.x, point, side="right") - 1, 0, len(self.x) - 2)
        width = self.x[i + 1] - self.x[i]
        s = (point - self.x[i]) / width
        start = (1 + 2 * s) * (1 - s) ** 2 * self.y[i] + s * (1 - s) ** 2 * width * self.slopes[i]
        end = s**2 * (3 - 2 * s) * self.y[i + 1] + s**2 * (s - 1) * width * self.slopes[i + 1]
        return np.asarray(start + end, dtype=np.float64)


def _inner_slopes(step: Array, secant: Array) -> Array:
    left, right = secant[:-1], secant[1:]
    weight_left = 2 * step[1:] + step[:-1]
    weight_right = step[1:] + 2 * step[:-1]
    same = left * right > 0
    safe_left = np.where(same, left, 1.0)
    safe_right = np.where(same, right, 1.0)
    mean = (weight_left + weight_right) / (weight_left / safe_left + weight_right / safe_right)
    return np.where(same, mean, 0.0)


def _end_slope(near: float, far: float, near_secant: float, far_secant: float) -> float:
    slope = ((2 * near + far) * near_secant - near * far_secant) / (near + far)
    if slope * near_secant <= 0:
        return 0.0
    if near_secant * far_secant < 0 and abs(slope) > 3 * abs(near_secant):
        return 3 * near_secant
    return slope
