"""The chart's memory of a rinse: bounded, evenly thinned, the newest always there."""

from __future__ import annotations

from dataclasses import dataclass, field

from rinsewatch.quantities import reading_us_cm
from rinsewatch.rinse.row import Mark
from rinsewatch.rinse.state import Quality, RinseState
from rinsewatch.session.convert import Shown

LIMIT = 400  # points, twice the dot columns of a wide terminal's chart


@dataclass(frozen=True, slots=True)
class HistoryPoint:
    """A reading at ``rinse_ml``; ``kind`` is reading, over, under or bad."""

    rinse_ml: float
    us_cm: float
    kind: str


@dataclass(slots=True)
class History:
    """Readings so far; over range has the meter's ``top_us_cm`` as its value, else the highest seen, else 0."""

    tds_factor: float
    top_us_cm: float | None = None
    stride: int = 1
    seen: int = 0
    points: list[HistoryPoint] = field(default_factory=list)
    newest: HistoryPoint | None = None
    highest_us_cm: float = 0.0

    def add(self, shown: Shown, state: RinseState) -> None:
        """Remember a reading and how it was judged; the cost does not grow with the rinse."""
        point = self._point(shown, state)
        if point is None:
            return
        self.newest = point
        if self.seen % self.stride == 0:
            self.points.append(point)
        self.seen += 1
        if len(self.points) >= LIMIT:
            self.points = self.points[::2]
            self.stride *= 2

    def view(self) -> tuple[HistoryPoint, ...]:
        """At most LIMIT points in order."""
        tail = () if self.newest is None or self.points[-1:] == [self.newest] else (self.newest,)
        return (*self.points, *tail)

    def _point(self, shown: Shown, state: RinseState) -> HistoryPoint | None:
        if shown.mark is Mark.VALUE and shown.reading is not None:
            us_cm = reading_us_cm(shown.reading, shown.unit, self.tds_factor)
            self.highest_us_cm = max(self.highest_us_cm, us_cm)
            trusted = state.quality is not Quality.BAD
            return HistoryPoint(state.rinse_ml, us_cm, "reading" if trusted else "bad")
        if shown.mark is Mark.UNDER:
            return HistoryPoint(state.rinse_ml, 0.0, "under")
        if shown.mark is not Mark.OVER:
            return None
        return HistoryPoint(state.rinse_ml, self.top_us_cm or self.highest_us_cm, "over")
