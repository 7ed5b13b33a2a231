"""The frozen picture of a rinse from which everything on the screen is drawn.

The caller fills it and carries all times in it; nothing under ``screen`` has a clock or reads a port.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.state import RinseState

PointKind = Literal["reading", "over", "under", "bad"]
HISTORY_LIMIT = 400  # points; a chart 200 cells wide has 400 dot columns


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """A reading at ``rinse_ml``, on the meter's 25 C scale; for over and under the limit it passed."""

    rinse_ml: float
    us_cm: float
    kind: PointKind = "reading"


@dataclass(frozen=True, slots=True)
class BandPoint:
    """The forecast filtrate at ``rinse_ml``: 5 %, median, 95 %, uS/cm."""

    rinse_ml: float
    low: float
    mid: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """One moment of a rinse. Volumes mL, times s, conductivities uS/cm.

    ``history`` holds at most HISTORY_LIMIT points (see ``decimated``). ``last_reading_text`` is what the
    meter showed, control bytes escaped. ``recorded``: rows stored, or "NOT SAVED: reason".
    ``question``: the text input in progress, "" when there is none. ``by_hand``: readings are typed.
    """

    state: RinseState | None
    setup: RinseSetup
    history: tuple[ChartPoint, ...] = ()
    band: tuple[BandPoint, ...] = ()
    meter_name: str = ""
    port: str = ""
    by_hand: bool = False
    link_words: str = ""
    last_reading_text: str = ""
    last_reading_age_s: float | None = None
    poured_ml: float = 0.0
    portions: int = 0
    elapsed_s: float = 0.0
    paused: bool = False
    batch: str = ""
    recorded: str = ""
    message: str = ""
    question: str = ""
    show_help: bool = False
    finished: bool = False
    unfinished: bool = False


def decimated(points: tuple[ChartPoint, ...], limit: int = HISTORY_LIMIT) -> tuple[ChartPoint, ...]:
    """At most ``limit`` of ``points``, evenly thinned; the first and the newest always stay."""
    if len(points) <= limit:
        return points
    if limit < 2:
        return points[-1:] if limit == 1 else ()
    step = (len(points) - 1) / (limit - 1)
    return tuple(points[round(i * step)] for i in range(limit))
