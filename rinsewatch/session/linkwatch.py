"""The meter's link as events for the record: one per change of state or of its words, at most one a second."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch_drivers.reading import LinkState

LEAST_GAP_S = 1.0  # between two link events in the record; a flapping cable makes more than anyone reads
_AWAY = (LinkState.LOST, LinkState.WAITING)
_DOWN = (LinkState.LOST, LinkState.WAITING, LinkState.SILENT, LinkState.GARBAGE)


@dataclass(slots=True)
class LinkWatch:
    """Follows the link. Times in rinse seconds; ``told`` is the state the record knows of."""

    state: LinkState | None = None
    detail: str = ""
    down_since_s: float | None = None
    told: LinkState | None = None
    told_detail: str = ""
    told_s: float = float("-inf")
    noisy: bool = False  # bytes that are no reading came since it went away

    def change(self, state: LinkState, detail: str, time_s: float) -> list[str]:
        """A LinkEvent came; the events for the record."""
        was_down = self.state in _DOWN
        self.state, self.detail, self.noisy = state, detail, False
        if state in _DOWN and not was_down:
            self.down_since_s = time_s
        return self.tick(time_s)

    def heard(self, time_s: float) -> list[str]:
        """A reading came: the link is up, whatever it said before."""
        if self.state in _DOWN:
            return self.change(LinkState.BACK, "", time_s)
        return self.tick(time_s)

    def noise(self, time_s: float) -> list[str]:
        """Bytes came that are no reading: a meter that was away is there again, but nothing of it can be read yet."""
        self.noisy = self.state in _AWAY
        return self.tick(time_s)

    def tick(self, time_s: float) -> list[str]:
        """Time passes: tell what is due."""
        if self.state is None or not self._has_news() or time_s - self.told_s < LEAST_GAP_S:
            return []
        told, self.told, self.told_detail = self.told, self.state, self.detail
        event = self._event(told, time_s)
        if self.state not in _DOWN:
            self.down_since_s = None
        if event:
            self.told_s = time_s
        return [event] if event else []

    def _has_news(self) -> bool:
        """Another state, or another reason for the same one."""
        reason = self.state is not LinkState.BACK and self.detail not in ("", self.told_detail)
        return reason or self.state != self.told

    def away_s(self, time_s: float, *, count_silence: bool) -> float:
        """How long the meter has been gone; a silent one counts only where asked."""
        gone = self.state in _AWAY or (count_silence and self.state in _DOWN)
        return time_s - self.down_since_s if gone and self.down_since_s is not None else 0.0

    def words(self, time_s: float) -> str:
        """For the screen: ``open``, ``lost 4 s ago``."""
        if self.state is None:
            return ""
        if self.state in _DOWN and self.down_since_s is not None:
            ago = f"{max(0.0, time_s - self.down_since_s):.0f} s"
            if self.noisy:
                return f"there again, no line fits yet ({ago})"
            return {
                LinkState.LOST: f"lost {ago} ago", LinkState.WAITING: f"waiting {ago} for the meter",
                LinkState.SILENT: f"silent for {ago}", LinkState.GARBAGE: f"no line fits for {ago}",
            }[self.state]  # fmt: skip
        return "open"

    def _event(self, told: LinkState | None, time_s: float) -> str:
        if self.state is LinkState.OPEN and told not in _DOWN:
            return f"note: {self.detail}" if self.detail else ""
        if self.state in (LinkState.OPEN, LinkState.BACK):
            return self._back_event(told, time_s)
        start = {
            LinkState.LOST: "fault: meter lost", LinkState.WAITING: "fault: no meter yet",
            LinkState.SILENT: "fault: meter silent",
        }.get(self.state or LinkState.LOST, "fault: meter silent: no line fits")  # fmt: skip
        return f"{start}: {self.detail}" if self.detail else start

    def _back_event(self, told: LinkState | None, time_s: float) -> str:
        if told not in _DOWN or self.down_since_s is None:
            return ""
        return f"note: meter back after {time_s - self.down_since_s:.1f} s"
