"""A rinse in steps: each portion, or in continuous flow equal shares of the water."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.state import RinseState

FLOW_STEPS = 12
_SAME_ML = 1e-6


@dataclass(slots=True)
class Step:
    """One step as it ended. ``shown``: the last reading as the meter showed it, "" if there was none."""

    poured_ml: float
    from_s: float
    shown: str
    state: RinseState


class Steps:
    """Makes steps of rows; those that were undone disappear."""

    def __init__(self, setup: RinseSetup, total_ml: float) -> None:
        self._flow_ml = total_ml / FLOW_STEPS if setup.is_flow else 0.0
        self._done: list[Step] = []
        self._start_ml = 0.0

    def all(self) -> list[Step]:
        """The steps so far; what came before the first water is none."""
        return [step for step in self._done if step.state.rinse_ml > _SAME_ML]

    def add(self, row: Row, state: RinseState) -> None:
        """One more row with the answer after it."""
        while self._done and state.rinse_ml < self._done[-1].state.rinse_ml - _SAME_ML:
            self._done.pop()
        shown = shown_text(row)
        if self._begins(state):
            before_ml = self._done[-1].state.rinse_ml if self._done else 0.0
            self._start_ml = before_ml
            self._done.append(Step(state.rinse_ml - before_ml, row.time_s, shown, state))
        else:
            step = self._done[-1]
            step.poured_ml = state.rinse_ml - self._start_ml if self._flow_ml else step.poured_ml
            step.shown, step.state = shown or step.shown, state

    def _begins(self, state: RinseState) -> bool:
        if not self._done:
            return True
        if self._flow_ml:
            return len(self._done) < FLOW_STEPS and state.rinse_ml >= len(self._done) * self._flow_ml - _SAME_ML
        return state.rinse_ml > self._done[-1].state.rinse_ml + _SAME_ML


def shown_text(row: Row) -> str:
    """A reading as the meter showed it: '235 ppm', 'over'; "" for a row without one."""
    if row.mark is not Mark.VALUE or row.reading is None:
        return row.mark.value
    decimals = max(row.decimals or 0, 0)
    shown = f"{row.reading:.{decimals}f}" if row.decimals is not None else f"{row.reading:g}"
    return f"{shown} {row.unit}".replace("uS/cm", "µS/cm")
