"""A correction (logbook/struck.py): the record keeps all rows, the core sees the rinse again as it was meant.

It is an event of the record, so that a replay does the same as the live rinse did.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

from rinsewatch.logbook.struck import MOST_ROWS, corrected, corrects
from rinsewatch.rinse.row import Row
from rinsewatch.rinse.state import RinseState


class Observer(Protocol):
    """The core, as the session uses it."""

    def observe(self, row: Row) -> RinseState: ...
    def forecast_band(self, points: int = ...) -> list[tuple[float, float, float, float]]: ...


Core = TypeVar("Core", bound=Observer)


class Retracting(Generic[Core]):
    """Observes for a core made by ``make``; at a correction a new core sees all rows as corrected.

    ``again``: after a correction, each of those rows with its new state; None after any other row. A strike of
    what is no reading is an ordinary note, and so is any correction in a rinse of more than MOST_ROWS rows.
    """

    def __init__(self, make: Callable[[], Core]) -> None:
        self._make = make
        self._core = make()
        self._rows: list[Row] = []
        self.again: list[tuple[Row, RinseState]] | None = None

    @property
    def core(self) -> Core:
        """The present core: it has seen all rows as corrected."""
        return self._core

    def observe(self, row: Row) -> RinseState:
        """The state after this row."""
        if len(self._rows) <= MOST_ROWS:
            self._rows.append(row)
        if not corrects(self._rows):
            self.again = None
            return self._core.observe(row)
        self._core = self._make()
        self.again = [(each, self._core.observe(each)) for each in corrected(self._rows)]
        return self.again[-1][1]

    def forecast_band(self, points: int = 40) -> list[tuple[float, float, float, float]]:
        """(rinse mL, 5 %, median, 95 % filtrate uS/cm) from here on."""
        return self._core.forecast_band(points)
