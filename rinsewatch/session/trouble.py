"""When frames from the meter make no sense: one event per change of state, everything counted."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

# Frames that every opening or unplugging cuts in two: kept as bytes, no sign of anything wrong.
EXPECTED_CAUSES = frozenset({"first-line", "cut"})
CLEAN_S = 10.0  # so long without a bad frame, and the trouble counts as over
ONLY_BAD_S = 5.0  # so long without a good one, and the readings count as gone

_WORDS = {
    "syntax": "a line does not fit the meter's profile",
    "unit": "a unit the profile does not know",
    "no-unit": "a number without its unit",
    "sensor-error": "the meter reports an error",
    "hold": "the meter's display is on hold",
    "battery": "the meter's battery is low",
    "negative": "a negative reading",
    "out-of-range": "a reading no meter can give",
    "echo": "the meter sends our own query back; switch its echo off",
    "overlong": "a line without an end",
    "word-order": "registers the other way round: change word_order in the profile",
    "shared": "another program reads this port too; close it",
}


class _Level(Enum):
    CLEAN = 0
    SOME = 1
    ONLY = 2


@dataclass(slots=True)
class FrameTrouble:
    """Turns good and bad frames into events. Times in rinse seconds."""

    level: _Level = _Level.CLEAN
    total: int = 0
    spell: int = 0
    since_s: float = 0.0
    last_bad_s: float = 0.0
    last_good_s: float = 0.0
    causes: dict[str, int] = field(default_factory=dict)

    def bad(self, cause: str, time_s: float) -> list[str]:
        """A frame that is no reading; the events this makes (none while the trouble is known)."""
        if cause in EXPECTED_CAUSES:
            return []
        self.total += 1
        self.spell += 1
        self.last_bad_s = time_s
        self.causes[cause] = self.causes.get(cause, 0) + 1
        if self.level is _Level.CLEAN:
            self.level, self.since_s = _Level.SOME, time_s
            return [f"fault: {cause_words(cause)}"]
        gone_s = time_s - max(self.last_good_s, self.since_s)
        if self.level is _Level.SOME and gone_s >= ONLY_BAD_S:
            self.level = _Level.ONLY
            # "silent" is what the core understands: nothing it may believe comes any more
            return [f"fault: meter silent: no reading for {gone_s:.0f} s, {cause_words(cause)}"]
        return []

    def good(self, time_s: float) -> list[str]:
        """A frame that is a reading; says so when readings were gone or the trouble is over."""
        self.last_good_s = time_s
        if self.level is _Level.ONLY:
            self.level = _Level.SOME
        if self.level is _Level.SOME and time_s - self.last_bad_s >= CLEAN_S:
            return self._over()
        return []

    def end(self) -> list[str]:
        """The rinse ends: account for an open spell."""
        return self._over() if self.level is not _Level.CLEAN else []

    def _over(self) -> list[str]:
        causes = ", ".join(f"{cause} {count}" for cause, count in sorted(self.causes.items()))
        lasted_s = self.last_bad_s - self.since_s
        event = f"note: {self.spell} frames were no readings in {lasted_s:.0f} s ({causes})"
        self.level, self.spell, self.causes = _Level.CLEAN, 0, {}
        return [event]


def cause_words(cause: str) -> str:
    """A driver's short code in words."""
    if cause.startswith("exception-"):
        return f"the meter answers with Modbus exception {cause.removeprefix('exception-')}"
    return _WORDS.get(cause, cause.replace("-", " ") or "a frame that is no reading")
