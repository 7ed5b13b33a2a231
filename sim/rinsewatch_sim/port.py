"""A meter's port in memory, in virtual time: bytes come due as the clock says, nothing sleeps."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rinsewatch_sim.wire import Mess, Sample, Wire


class MemoryPort:
    """Looks like the near end of a cable: ``read``, ``write``, ``close``.

    ``now`` gives the time in s; ``sample(time_s)`` what the display shows then. Unplugged: OSError.
    """

    def __init__(
        self,
        wire: Wire,
        sample: Callable[[float], Sample],
        now: Callable[[], float],
        period_s: float,
        mess: Mess | None = None,
        rng: np.random.Generator | None = None,
    ) -> None:
        self._wire, self._sample, self._now, self._period_s = wire, sample, now, period_s
        self._mess, self._rng = mess or Mess(), rng or np.random.default_rng(0)
        self._due_s = now() + period_s
        self._buffer = bytearray()
        self.plugged = True

    def read(self, size: int = 4096) -> bytes:
        """Up to ``size`` bytes that have come due; empty when there are none yet."""
        self._catch_up()
        out = bytes(self._buffer[:size])
        del self._buffer[:size]
        return out

    def write(self, data: bytes) -> int:
        """Send to the meter; its answer is readable at once."""
        self._catch_up()
        self._buffer += self._mess.spoil(self._wire.answer(data, self._sample(self._now())), self._rng)
        return len(data)

    def close(self) -> None:
        """Unplug this end."""
        self.plugged = False

    def _catch_up(self) -> None:
        if not self.plugged:
            raise OSError(5, "the meter is unplugged")
        while self._due_s <= self._now():
            self._buffer += self._mess.spoil(self._wire.push(self._sample(self._due_s)), self._rng)
            self._due_s += self._period_s
