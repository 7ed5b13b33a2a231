"""Notices that the computer slept, the program was stopped, or the date was changed: rinse time survives all three."""

from __future__ import annotations

from dataclasses import dataclass

SLEPT_S = 2.0  # a smaller difference of the two clocks is their own doing
STOOD_S = 5.0  # longer than a starved processor makes anyone wait: Ctrl-Z, a debugger, a disk that hangs
MOVED_S = 5.0  # the date drifts and is set right in small steps all the time


@dataclass(frozen=True, slots=True)
class Jump:
    """Seconds slept since the last look, stopped meanwhile, and by how much the date was moved; 0: not at all."""

    slept_s: float = 0.0
    moved_s: float = 0.0
    stood_s: float = 0.0


@dataclass(slots=True)
class ClockWatch:
    """Compares the monotonic clock (stands still in sleep) with the boot-time clock and with the date."""

    boot_ahead_s: float | None = None
    wall_ahead_s: float | None = None
    looked_s: float | None = None

    def look(self, monotonic_s: float, wall_s: float, boottime_s: float | None) -> Jump:
        """What happened since the last look; the first one only sets the marks. ``boottime_s`` None: no such clock.

        Looked at every moment: whoever has not looked for long was stopped.
        """
        stood_s = 0.0 if self.looked_s is None else monotonic_s - self.looked_s
        self.looked_s = monotonic_s
        slept_s = 0.0
        if boottime_s is not None:
            ahead_s = boottime_s - monotonic_s
            slept_s = self._past(ahead_s, self.boot_ahead_s, SLEPT_S)
            self.boot_ahead_s = ahead_s if slept_s or self.boot_ahead_s is None else self.boot_ahead_s
        ahead_s = wall_s - monotonic_s
        moved_s = self._past(ahead_s - slept_s, self.wall_ahead_s, MOVED_S)
        if slept_s or moved_s or self.wall_ahead_s is None:
            self.wall_ahead_s = ahead_s
        return Jump(max(0.0, slept_s), moved_s, stood_s if stood_s > STOOD_S else 0.0)

    @staticmethod
    def _past(ahead_s: float, before_s: float | None, limit_s: float) -> float:
        if before_s is None or abs(ahead_s - before_s) <= limit_s:
            return 0.0
        return ahead_s - before_s
