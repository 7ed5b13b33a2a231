"""The meter: one compensation slope, gain error, lag, noise, display steps by range, a top, a refresh."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """A kind of meter and one specimen's errors.

    ``steps``: (up to this display value, step) in rising order; above the last one it is over range.
    ``unit`` uS/cm or ppm, ``tds_factor`` ppm per uS/cm; noise relative, ``gain`` 1 when right.
    ``slope_per_k``: the automatic compensation. ``refresh_s``: how often the display changes.
    """

    kind: str
    unit: str
    tds_factor: float
    steps: tuple[tuple[float, float], ...]
    lag_s: float = 2.0
    noise: float = 0.006
    noise_kind: str = "gauss"
    gain: float = 1.0
    slope_per_k: float = 0.02
    refresh_s: float = 1.0
    shows_temperature: bool = False

    @property
    def top_us_cm(self) -> float:
        """Largest reading, uS/cm on the meter's scale."""
        return self.steps[-1][0] / self.per_us_cm

    @property
    def per_us_cm(self) -> float:
        """Display units per uS/cm."""
        return self.tds_factor if self.unit == "ppm" else 1.0

    @property
    def finest_step(self) -> float:
        """The smallest display step, in display units."""
        return self.steps[0][1]

    def scale_us_cm(self, conductivity_us_cm: Array, temperature_c: Array | float) -> Array:
        """What this specimen would show (uS/cm) without lag, noise, steps or top."""
        factor = 1.0 + self.slope_per_k * (np.asarray(temperature_c) - 25.0)
        return np.asarray(self.gain * conductivity_us_cm / factor)

    def step_at(self, display: float) -> float:
        """Display step at this display value."""
        for upper, step in self.steps:
            if display <= upper:
                return step
        return self.steps[-1][1]

    def show(self, reading_us_cm: float) -> str:
        """Display text, or ``over``."""
        display = max(0.0, reading_us_cm * self.per_us_cm)
        step = self.step_at(display)
        rounded = math.floor(display / step + 0.5) * step
        if rounded > self.steps[-1][0]:
            return "over"
        return f"{rounded:.{decimals(self.step_at(rounded))}f}"

    def lagged(self, scale_us_cm: Array, period_s: Array) -> Array:
        """First-order lag over samples ``period_s`` apart."""
        keep = np.exp(-period_s / self.lag_s)
        out = np.empty_like(scale_us_cm)
        level = float(scale_us_cm[0]) if len(scale_us_cm) else 0.0
        for i, (value, k) in enumerate(zip(scale_us_cm.tolist(), keep.tolist(), strict=True)):
            level = value + (level - value) * k
            out[i] = level
        return out

    def jitter(self, times_s: Array, rng: np.random.Generator) -> Array:
        """Relative reading noise: half of it slow (10 s), half fresh at each sample, as factors near 1."""
        fresh = self._draw(len(times_s), rng)
        slow = self._draw(len(times_s), rng)
        keep = np.exp(-np.diff(times_s, prepend=times_s[:1] - 1e9) / 10.0)
        level = 0.0
        drift = np.empty(len(times_s))
        for i, (z, k) in enumerate(zip(slow.tolist(), keep.tolist(), strict=True)):
            level = level * k + z * math.sqrt(1.0 - k * k)
            drift[i] = level
        return np.exp(self.noise * (0.7 * fresh + 0.7 * drift))

    def _draw(self, count: int, rng: np.random.Generator) -> Array:
        if self.noise_kind == "heavy":  # unit-variance Student t with 3 degrees of freedom
            return rng.standard_t(3.0, count) / math.sqrt(3.0)
        return rng.standard_normal(count)

    def held(self, times_s: Array) -> NDArray[np.int64]:
        """For each sample the index of the sample the display still shows."""
        frame = np.floor(times_s / self.refresh_s + 1e-9)
        fresh = np.concatenate(([True], frame[1:] != frame[:-1]))
        return np.maximum.accumulate(np.where(fresh, np.arange(len(times_s)), 0))


def decimals(step: float) -> int:
    """Decimals a display with this step shows."""
    return max(0, -math.floor(math.log10(step) + 1e-9))


PEN_HALF = ("pen-0.5", "ppm", 0.5, ((999.0, 1.0), (9990.0, 10.0)))
PEN_SEVEN = ("pen-0.7", "ppm", 0.7, ((999.0, 1.0),))
TRANSMITTER = ("transmitter", "uS/cm", 0.5, ((20000.0, 0.1),))
FINE = ("fine", "uS/cm", 0.5, ((20.0, 0.01), (200.0, 0.1), (2000.0, 1.0)))
KINDS = {kind[0]: kind for kind in (PEN_HALF, PEN_SEVEN, TRANSMITTER, FINE)}


def meter_of(kind: str) -> Meter:
    """A faultless specimen of one of ``KINDS``."""
    name, unit, factor, steps = KINDS[kind]
    return Meter(kind=name, unit=unit, tds_factor=factor, steps=steps)
