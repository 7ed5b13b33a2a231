"""Benchmark: settled readings of a recording, as a careful person would write them down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rinsewatch.cli.bench_score import Task

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Settled:
    """One entry a portion (flow: a quarter of a nominal one): last row, logged mL, median reading uS/cm.

    Readings over the top are left out; ``step_us_cm``: the display step at each reading.
    """

    rows: NDArray[np.int64]
    volume_ml: Array
    us_cm: Array
    step_us_cm: Array

    def until(self, row: int) -> Settled:
        """What is known once ``row`` has been read."""
        known = int(np.searchsorted(self.rows, row, side="right"))
        return Settled(self.rows[:known], self.volume_ml[:known], self.us_cm[:known], self.step_us_cm[:known])


def settled(task: Task) -> Settled:
    """Group the readings by portion and take the median of each group's last fifth (at least one)."""
    scenario = task.record.scenario
    block = scenario.portion_ml * (0.25 if scenario.is_flow else 1.0)
    groups: dict[int, list[int]] = {}
    for i, row in enumerate(task.record.rows):
        if row.reading:
            groups.setdefault(int(task.record.poured_ml[i] / block + 1e-6), []).append(i)
    entries = [_entry(task, rows) for rows in groups.values()]
    kept = [e for e in entries if e is not None]
    columns = np.array(kept, dtype=np.float64).reshape(len(kept), 4)
    return Settled(columns[:, 0].astype(np.int64), columns[:, 1], columns[:, 2], columns[:, 3])


def _entry(task: Task, rows: list[int]) -> tuple[float, float, float, float] | None:
    meter = task.record.scenario.meter
    last = rows[-max(1, len(rows) // 5) :]
    texts = [task.record.rows[i].reading for i in last]
    numbers = [float(text) for text in texts if text not in ("over", "under")]
    if len(numbers) * 2 < len(texts):
        return None
    shown = float(np.median(numbers))
    volume = task.record.rows[rows[-1]].rinse_ml
    return float(rows[-1]), volume, shown / meter.per_us_cm, meter.step_at(shown) / meter.per_us_cm
