"""What one simulated rinse leaves behind: rows as recorded, and the truth beside them."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.water import Array

HEADER = ("time_s", "reading", "unit", "temperature_c", "rinse_ml", "event")


@dataclass(frozen=True, slots=True)
class BenchRow:
    """One row: ``reading`` display text, ``over``, ``under`` or empty; ``rinse_ml`` as logged."""

    time_s: float
    reading: str
    unit: str
    temperature_c: float | None
    rinse_ml: float
    event: str


@dataclass(frozen=True, slots=True)
class Record:
    """Rows and, for each row, the truth; for portions also each portion's settled filtrate.

    ``true_us_cm`` at 25 C; ``scale_us_cm`` as a noise-free specimen of this meter would show it (the scale of
    targets measured with it); ``settled_scale_us_cm`` likewise for the drained portion a row belongs to
    (continuous flow: the same as ``scale_us_cm``). ``poured_ml``: water poured by the beaker's marks, whether
    logged or not. ``knots_ml``/``knots_us_cm``: poured volume against settled filtrate, meter scale.
    """

    scenario: Scenario
    rows: tuple[BenchRow, ...]
    true_us_cm: Array
    scale_us_cm: Array
    settled_scale_us_cm: Array
    poured_ml: Array
    knots_ml: Array
    knots_us_cm: Array

    def true_endpoint_ml(self, target_us_cm: float) -> float | None:
        """Poured volume (mL) at which the settled filtrate falls to the target (meter scale), None if never.

        Between portions and samples the logarithm is interpolated.
        """
        below = np.flatnonzero(self.knots_us_cm <= target_us_cm)
        if not len(below):
            return None
        i = int(below[0])
        if i == 0:
            return float(self.knots_ml[0])
        upper, lower = math.log(self.knots_us_cm[i - 1]), math.log(self.knots_us_cm[i])
        share = (upper - math.log(target_us_cm)) / (upper - lower) if upper > lower else 1.0
        return float(self.knots_ml[i - 1] + share * (self.knots_ml[i] - self.knots_ml[i - 1]))

    def first_below_ml(self, target_us_cm: float) -> float | None:
        """Poured volume of the first whole portion (flow: sample) at or below the target, None if never."""
        below = np.flatnonzero(self.knots_us_cm <= target_us_cm)
        return float(self.knots_ml[below[0]]) if len(below) else None

    def in_range_ml(self) -> float:
        """Poured volume at which the settled filtrate has come into the meter's range."""
        inside = np.flatnonzero(self.knots_us_cm <= self.scenario.meter.top_us_cm)
        return float(self.knots_ml[inside[0]]) if len(inside) else float(self.knots_ml[-1])

    def to_csv(self, path: Path, settings: Mapping[str, str | float] | None = None) -> None:
        """Write the recording as CSV with its settings as ``# name = value`` lines in front."""
        path.write_text(self.csv_text(settings), encoding="utf-8", newline="")

    def csv_text(self, settings: Mapping[str, str | float] | None = None) -> str:
        """The recording as text."""
        out = io.StringIO()
        chosen = self.scenario.settings() if settings is None else settings
        for name, value in chosen.items():
            out.write(f"# {name} = {_toml(value)}\r\n")
        writer = csv.writer(out)
        writer.writerow(HEADER)
        for row in self.rows:
            temperature = "" if row.temperature_c is None else f"{row.temperature_c:.1f}"
            reading = (f"{row.time_s:.3f}", row.reading, row.unit, temperature)
            writer.writerow((*reading, f"{row.rinse_ml:.3f}", row.event))
        return out.getvalue()


def _toml(value: str | float) -> str:
    return f'"{value}"' if isinstance(value, str) else f"{value:.10g}"
