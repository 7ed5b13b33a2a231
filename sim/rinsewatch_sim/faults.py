"""Faults as a schedule of (start, duration, kind), laid over a series of readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Faults of the reading itself, here; faults of the line (bytes) are played by wire.py and pty.py.
READING_KINDS = ("dry", "bubble", "spike-high", "spike-low", "frozen", "swap", "silent")
LINE_KINDS = ("garbage", "half", "glued", "unplug")


@dataclass(frozen=True, slots=True)
class Fault:
    """``kind`` holds from ``start_s`` for ``duration_s`` (spikes: one reading)."""

    start_s: float
    duration_s: float
    kind: str

    def active(self, time_s: float) -> bool:
        """True while the fault lasts."""
        return self.start_s <= time_s < self.start_s + self.duration_s


def disturb(times_s: Array, shown_us_cm: Array, faults: Sequence[Fault], feed_us_cm: float) -> Array:
    """Readings (uS/cm, before display steps) with the faults laid over; NaN where the meter is silent.

    dry 0 · bubble x0.05 · spikes x30, x0.005 on one reading · frozen holds · swap reads the feed water.
    """
    out = shown_us_cm.copy()
    for fault in faults:
        where = np.flatnonzero((times_s >= fault.start_s) & (times_s < fault.start_s + fault.duration_s))
        if fault.kind.startswith("spike"):
            where = np.flatnonzero(times_s >= fault.start_s)[:1]
        if len(where):
            out[where] = _value(fault.kind, out, where, feed_us_cm)
    return out


def _value(kind: str, readings: Array, where: NDArray[np.int64], feed_us_cm: float) -> Array | float:
    if kind == "frozen":
        return float(readings[where[0]])
    if kind in _FACTORS:
        return np.asarray(readings[where] * _FACTORS[kind])
    return {"dry": 0.0, "swap": feed_us_cm, "silent": float("nan")}[kind]


_FACTORS = {"bubble": 0.05, "spike-high": 30.0, "spike-low": 0.005}


def draw_faults(rng: np.random.Generator, span_s: float, count: int) -> tuple[Fault, ...]:
    """``count`` faults somewhere in ``span_s``, of all kinds a reading can have."""
    lengths = {"dry": (5.0, 90.0), "bubble": (1.0, 30.0), "frozen": (30.0, 180.0), "swap": (20.0, 120.0),
               "spike-high": (0.1, 0.2), "spike-low": (0.1, 0.2), "silent": (5.0, 60.0)}  # fmt: skip
    out = []
    for _ in range(count):
        kind = str(rng.choice(READING_KINDS))
        start = float(rng.uniform(0.05, 0.95) * span_s)
        out.append(Fault(start, float(rng.uniform(*lengths[kind])), kind))
    return tuple(sorted(out, key=lambda f: f.start_s))
