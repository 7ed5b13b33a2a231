"""A reading typed by mistake is struck: the record keeps it, the core sees the rinse again without it.

The strike is an event of the record, ``note: struck row 12 (125 ppm)``, rows counted from 1 as in a
recording, so that a replay does the same as the live rinse did.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

from rinsewatch.logbook.struck import MOST_ROWS, can_strike, struck_number
from rinsewatch.rinse.row import Row
from rinsewatch.rinse.state import RinseState


class Observer(Protocol):
    """The core, as the session uses it."""

    def observe(self, row: Row) -> RinseState: ...
    def forecast_band(self, points: int = ...) -> list[tuple[float, float, float, float]]: ...


Core = TypeVar("Core", bound=Observer)


class Retracting(Generic[Core]):
    """Observes for a core made by ``make``; at a strike a new core sees all rows but the struck ones.

    ``again``: after a strike, each of those rows with its new state; None after any other row. A strike of
    what is no reading is an ordinary note, and so is one in a rinse of more than MOST_ROWS rows.
    """

    def __init__(self, make: Callable[[], Core]) -> None:
        self._make = make
        self._core = make()
        self._rows: list[Row] = []
        self._struck: set[int] = set()
        self.again: list[tuple[Row, RinseState]] | None = None

    @property
    def core(self) -> Core:
        """The present core: it has seen all rows but the struck ones."""
        return self._core

    def observe(self, row: Row) -> RinseState:
        """The state after this row."""
        if len(self._rows) <= MOST_ROWS:
            self._rows.append(row)
        number = struck_number(row.event)
        if number is None or not can_strike(self._rows, number):
            self.again = None
            return self._core.observe(row)
        self._struck.add(number)
        self._core = self._make()
        kept = [each for place, each in enumerate(self._rows, start=1) if place not in self._struck]
        self.again = [(each, self._core.observe(each)) for each in kept]
        return self.again[-1][1]

    def forecast_band(self, points: int = 40) -> list[tuple[float, float, float, float]]:
        """(rinse mL, 5 %, median, 95 % filtrate uS/cm) from here on."""
        return self._core.forecast_band(points)
