"""How much rinse water was poured: portions that are counted, or a flow that runs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from rinsewatch.logbook.struck import portion_change
from rinsewatch.rinse.row import Row
from rinsewatch.session.timebase import DECIMALS

DOUBLE_PRESS_S = 2.0  # two portions within this time are more likely a bouncing key than two portions
FORGOTTEN_S = 60.0  # readings that fell so long before a portion is told: it may have been poured then
UNUSUAL_RATIO = 5.0  # a portion this many times the usual one, or that fraction of it, is asked about


class CannotPour(ValueError):
    """A pouring command that makes no sense now; the message is for the person."""


@dataclass(slots=True)
class Portions:
    """Counted portions. ``poured`` is a stack: an undo takes the newest off. Volumes mL.

    ``last_s``: when the newest was told, on the clock of the person's hands (monotonic s), not of the rinse.
    """

    usual_ml: float
    poured: list[float] = field(default_factory=list)
    total_ml: float = 0.0
    last_s: float | None = None
    is_flow: bool = False

    def rinse_ml(self, time_s: float) -> float:
        """Poured so far; ``time_s`` does not matter."""
        return self.total_ml

    @property
    def count(self) -> int:
        """Portions that count."""
        return len(self.poured)

    def doubt(self, volume_ml: float, pressed_s: float, *, keyed: bool) -> str:
        """Why this portion should be confirmed first, "" when it need not be."""
        if keyed and self.last_s is not None and pressed_s - self.last_s < DOUBLE_PRESS_S:
            return f"second portion within {DOUBLE_PRESS_S:g} s: was it poured?"
        ratio = volume_ml / self.usual_ml
        if ratio > UNUSUAL_RATIO or ratio < 1 / UNUSUAL_RATIO:
            return f"{volume_ml:g} mL, where {self.usual_ml:g} mL is usual: is that right?"
        return ""

    def pour(self, volume_ml: float, pressed_s: float | None) -> float:
        """Count a portion; returns the new total. Raises CannotPour unless more than 0."""
        if not 0 < volume_ml < 1e7:
            raise CannotPour(f"{volume_ml:g} mL is no portion")
        self.poured.append(round(volume_ml, DECIMALS))
        self.last_s = pressed_s
        return self._recount()

    def undo(self) -> float:
        """Take the newest portion off again; returns the new total. Raises CannotPour if there is none."""
        if not self.poured:
            raise CannotPour("no portion to undo")
        self.poured.pop()
        self.last_s = None
        return self._recount()

    def pause(self, time_s: float) -> None:
        """Portions stand still by themselves."""

    def resume(self, time_s: float) -> None:
        """Portions stand still by themselves."""

    def _recount(self) -> float:
        self.total_ml = round(sum(self.poured), DECIMALS)
        return self.total_ml


@dataclass(slots=True)
class Flow:
    """Continuous flow: ``flow_ml_min`` times the running time; the meter's fate does not matter to it."""

    flow_ml_min: float
    base_ml: float = 0.0
    running_since_s: float | None = 0.0
    is_flow: bool = True
    count: int = 0

    def rinse_ml(self, time_s: float) -> float:
        """Poured at ``time_s``, mL to three decimals."""
        running_s = 0.0 if self.running_since_s is None else max(0.0, time_s - self.running_since_s)
        return round(self.base_ml + self.flow_ml_min * running_s / 60.0, DECIMALS)

    def doubt(self, volume_ml: float, pressed_s: float, *, keyed: bool) -> str:
        """Never: there are no portions to doubt."""
        return ""

    def pour(self, volume_ml: float, pressed_s: float | None) -> float:
        """Raises CannotPour: the flow counts itself."""
        raise CannotPour(f"the water runs continuously at {self.flow_ml_min:g} mL/min: no portions to count")

    def undo(self) -> float:
        """Raises CannotPour: the flow counts itself."""
        raise CannotPour("the water runs continuously: no portion to undo")

    def pause(self, time_s: float) -> None:
        """The water is shut off."""
        self.base_ml, self.running_since_s = self.rinse_ml(time_s), None

    def resume(self, time_s: float) -> None:
        """The water runs again."""
        if self.running_since_s is None:
            self.running_since_s = time_s


Pouring = Portions | Flow


def begin_pouring(portion_ml: float | None, flow_ml_min: float | None) -> Pouring:
    """The account of a rinse that begins: a flow if there is one, else portions of ``portion_ml``."""
    if flow_ml_min is not None:
        return Flow(flow_ml_min)
    if portion_ml is None:
        raise CannotPour("neither a portion nor a flow is set")
    return Portions(portion_ml)


def rebuild_pouring(pouring: Pouring, rows: Iterable[Row]) -> Pouring:
    """Bring a fresh account to where the stored ``rows`` left it; returns the same account."""
    for row in rows:
        if isinstance(pouring, Portions):
            _replay_portion(pouring, row)
        else:
            _replay_flow(pouring, row)
    return pouring


def _replay_portion(portions: Portions, row: Row) -> None:
    if portion_change(row.event) > 0 and row.rinse_ml is not None:
        portions.pour(row.rinse_ml - portions.total_ml, None)
    elif row.event == "undo":
        portions.undo()
    elif (volume_ml := noted_portion_ml(row.event)) is not None:
        portions.usual_ml = volume_ml


def _replay_flow(flow: Flow, row: Row) -> None:
    if row.event == "pause":
        flow.pause(row.time_s)
    elif row.event == "resume":
        flow.resume(row.time_s)


_PORTION_NOTE = "note: portion = "


def portion_note(volume_ml: float) -> str:
    """The event that changes the portion's volume from here on."""
    return f"{_PORTION_NOTE}{volume_ml:g} mL"


def noted_portion_ml(event: str) -> float | None:
    """The volume in a portion note of ours, else None."""
    words = event.removeprefix(_PORTION_NOTE)
    if words == event or not words.endswith(" mL"):
        return None
    try:
        return float(words.removesuffix(" mL"))
    except ValueError:
        return None
