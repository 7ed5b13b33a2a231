"""Garbage may be a meter at another speed: listen at the usual ones in turn until whole lines fit, and name it."""

from __future__ import annotations

from collections.abc import Sequence

from rinsewatch_drivers.framing import Frame, FrameKind
from rinsewatch_drivers.profile import Framing, Profile
from rinsewatch_drivers.sources import count_fits, framer_of

# The speeds of small instruments, the most usual first (common practice, no source).
SPEEDS = (9600, 19200, 2400, 4800, 115200, 38400, 57600, 1200)
_FITS_WANTED = 2.0  # whole lines; read at a wrong speed, none of 36,000 fitted
# Enough has been heard at a speed: bursts half a second apart, or bytes without a pause, or seconds.
_MOST_BURSTS, _BURST_APART_S, _MOST_BYTES, _LONGEST_S = 4, 0.5, 400, 15.0
_OWN_S = 4.0  # between two trials at the speed that was set: noise may be over, and then nothing may be missed for long
_PRINTABLE_SHARE = 0.9


class SpeedSearch:
    """Trials of one speed after another. ``trying`` is the one being listened at now, None between two trials.

    ``found`` is the speed at which lines fit, once it is known. Times monotonic s.
    """

    def __init__(self, profiles: Sequence[Profile], set_baud: int) -> None:
        self._profiles = [profile for profile in profiles if profile.text is not None]
        self._left = [speed for speed in SPEEDS if speed != set_baud] if self._profiles else []
        self._framing = self._profiles[0].framing if len(self._profiles) == 1 else Framing()
        self._own_since_s = float("-inf")
        self._since_s = self._heard_s = 0.0
        self.trying: int | None = None
        self.found: int | None = None
        self._told = False
        self._begin(0.0)

    def due(self, now_s: float) -> bool:
        """Is it time for the next trial?"""
        return self.found is None and bool(self._left) and self._own_heard(now_s)

    def tell(self, now_s: float) -> int | None:
        """The speed found, once: when the one that was set has been tried again and still gives garbage."""
        if self.found is None or self._told or not self._own_heard(now_s):
            return None
        self._told = True
        return self.found

    def _own_heard(self, now_s: float) -> bool:
        return self.trying is None and now_s - self._own_since_s >= _OWN_S

    def start(self, now_s: float) -> int:
        """Begin the next trial; its speed."""
        self.trying = self._left.pop(0)
        self._begin(now_s)
        return self.trying

    def give_up(self) -> None:
        """There is no speed to set."""
        self.trying, self._left = None, []

    def feed(self, data: bytes, now_s: float) -> list[Frame]:
        """What was heard at ``trying`` until now; its frames, none of them a reading. Ends the trial in time."""
        frames = self._framer.feed(data)
        self._lines += [frame.data for frame in frames if frame.kind is FrameKind.LINE]
        if data:
            self._bytes += len(data)
            self._bursts += now_s - self._heard_s >= _BURST_APART_S
            self._heard_s = now_s
        if max(count_fits(profile, self._lines) for profile in self._profiles) >= _FITS_WANTED:
            self.found = self.trying
        elif self._bursts <= _MOST_BURSTS and self._bytes <= _MOST_BYTES and now_s - self._since_s <= _LONGEST_S:
            return frames
        self.trying, self._own_since_s = None, now_s
        return frames + self._framer.cut()

    def _begin(self, now_s: float) -> None:
        self._framer, self._lines = framer_of(self._framing), list[bytes]()
        self._bytes = self._bursts = 0
        self._since_s = self._heard_s = now_s


def looks_like_text(lines: Sequence[bytes]) -> bool:
    """True where what was heard is text: then the speed is right and it is the profile that does not fit."""
    heard = b"".join(lines)
    return bool(heard) and sum(0x20 <= byte < 0x7F for byte in heard) >= _PRINTABLE_SHARE * len(heard)
