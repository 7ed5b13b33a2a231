"""Rinse seconds from the clock's seconds."""

from __future__ import annotations

from dataclasses import dataclass

DECIMALS = 3  # of time_s and rinse_ml, as a recording holds them: the core sees what replay will see


@dataclass(frozen=True, slots=True)
class TimeBase:
    """``time_s`` of the rinse: ``offset_s`` (a rinse that is continued) plus the monotonic seconds since
    ``start_monotonic_s``, times ``speed`` (1 but for the demo, whose rinse runs faster than the clock)."""

    start_monotonic_s: float
    offset_s: float = 0.0
    speed: float = 1.0

    def rinse_s(self, monotonic_s: float) -> float:
        """Seconds since the rinse began, to the millisecond, never negative."""
        return max(0.0, round(self.offset_s + (monotonic_s - self.start_monotonic_s) * self.speed, DECIMALS))
