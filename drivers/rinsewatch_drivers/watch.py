"""The state of a link, judged from what comes and when: one event per change, never one per look."""

from __future__ import annotations

import statistics
from collections import deque

from rinsewatch_drivers.reading import LinkEvent, LinkState

SILENT_LEAST_S = 5.0
SILENT_PERIODS = 3.0
GARBAGE_AFTER_S = 10.0
GARBAGE_AFTER_FRAMES = 20
_GARBAGE_LEAST_BYTES = 32
# Or so many bursts half a second apart: read far too slowly, a whole line is only two odd bytes.
_GARBAGE_LEAST_BURSTS, _BURST_APART_S = 5, 0.5
# A shaky plug: beyond this many losses within a minute, "back" is told only once the link has held for a
# second.
_SHAKY_LOSSES = 5
_SHAKY_WINDOW_S = 60.0
_SHAKY_HOLD_S = 1.0


class LinkWatch:
    """Keeps the state OPEN, SILENT, GARBAGE or LOST and says when it changes. Times in s, monotonic."""

    def __init__(self, url: str, now_s: float, period_s: float | None) -> None:
        self.state = LinkState.OPEN
        self._url = url
        self._declared_s = period_s
        self._gaps: deque[float] = deque(maxlen=9)
        self._losses: deque[float] = deque(maxlen=_SHAKY_LOSSES)
        self._last_fit_s: float | None = None
        self._reopened = False  # the port is there again, but no reading yet
        self._held_until_s = now_s
        self._since_s = now_s  # of the trouble, for "back after"
        self.known_cause = ""  # told instead of the usual guess
        self._restart(now_s)

    def _restart(self, now_s: float) -> None:
        self._last_bytes_s = now_s
        self._unfit_since_s: float | None = None
        self._unfit_frames = self._unfit_bytes = self._unfit_bursts = 0
        self._last_fit_s = None

    @property
    def period_s(self) -> float | None:
        """Seconds between readings: declared, or learned from the last ones."""
        if self._declared_s is not None:
            return self._declared_s
        return statistics.median(self._gaps) if len(self._gaps) >= 3 else None

    @property
    def stale_after_s(self) -> float:
        """Silence longer than this is told."""
        return max(SILENT_PERIODS * (self.period_s or 0.0), SILENT_LEAST_S)

    def bytes_came(self, count: int, now_s: float) -> None:
        """Bytes, terminators aside; without a fitting frame they will count as garbage in time."""
        if count and (now_s - self._last_bytes_s >= _BURST_APART_S or not self._unfit_bursts):
            self._unfit_bursts += 1
        self._last_bytes_s = now_s
        self._unfit_bytes += count
        if self._unfit_since_s is None and count:
            self._unfit_since_s = now_s

    def frame_came(self, fits: bool, now_s: float) -> None:
        """A frame that fits the profile, or does not."""
        if not fits:
            self._unfit_frames += 1
            return
        if self._last_fit_s is not None and now_s > self._last_fit_s:
            self._gaps.append(now_s - self._last_fit_s)
        self._last_fit_s = now_s
        self._unfit_since_s, self._unfit_frames, self._unfit_bytes, self._unfit_bursts = None, 0, 0, 0
        self.known_cause = ""

    def lost(self, detail: str, now_s: float) -> list[LinkEvent]:
        """The port went away."""
        self._reopened = False
        self._losses.append(now_s)
        if self.state is LinkState.LOST:  # it was never told back, so it is not told lost again
            return []
        if self.state is LinkState.OPEN:
            self._since_s = now_s
        self.state = LinkState.LOST
        return [LinkEvent(LinkState.LOST, detail, now_s)]

    def reopened(self, now_s: float) -> None:
        """The port is there again. The meter is told back once a frame fits, on a shaky plug once it has held."""
        self._restart(now_s)
        recent = [t for t in self._losses if now_s - t <= _SHAKY_WINDOW_S]
        self._reopened = True
        self._held_until_s = now_s + (_SHAKY_HOLD_S if len(recent) >= _SHAKY_LOSSES else 0.0)

    def check(self, now_s: float) -> list[LinkEvent]:
        """The change of state that has become due, if any."""
        if self.state is LinkState.LOST and not (self._reopened and now_s >= self._held_until_s):
            return []
        wanted = self._wanted(now_s)
        if wanted is self.state:
            return []
        return self._turn(wanted, now_s)

    def _wanted(self, now_s: float) -> LinkState:
        if now_s - self._last_bytes_s >= self.stale_after_s:
            return LinkState.SILENT
        if self._is_garbage(now_s):
            return LinkState.GARBAGE
        # bytes that may yet become a reading neither mend nor break the state
        settled = self._unfit_since_s is None and self._last_fit_s is not None
        return LinkState.OPEN if settled else self.state

    def _is_garbage(self, now_s: float) -> bool:
        if self._unfit_frames >= GARBAGE_AFTER_FRAMES:
            return True
        # a single odd line of a slow meter is no garbage yet
        enough = (
            self._unfit_frames >= 3
            or self._unfit_bytes >= _GARBAGE_LEAST_BYTES
            or self._unfit_bursts >= _GARBAGE_LEAST_BURSTS
        )
        since_s = now_s if self._unfit_since_s is None else self._unfit_since_s
        return enough and now_s - since_s >= GARBAGE_AFTER_S

    def _turn(self, wanted: LinkState, now_s: float) -> list[LinkEvent]:
        if wanted is LinkState.OPEN:
            return self._back(now_s)
        if self.state is LinkState.OPEN:
            self._since_s = now_s
        self.state = wanted
        return [LinkEvent(wanted, self._trouble(wanted, now_s), now_s)]

    def _trouble(self, state: LinkState, now_s: float) -> str:
        if state is LinkState.SILENT:
            for_s = f"for {now_s - self._last_bytes_s:.0f} s"
            if self.known_cause:
                return f"no reading {for_s}: {self.known_cause}"
            return f"nothing heard {for_s}; is it switched on and sending?"
        return self.known_cause or f"bytes arrive from {self._url}, but no line fits: wrong speed or meter profile?"

    def _back(self, now_s: float) -> list[LinkEvent]:
        self.state = LinkState.OPEN
        return [LinkEvent(LinkState.BACK, f"meter back after {now_s - self._since_s:.1f} s", now_s)]
