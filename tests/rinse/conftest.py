"""An invented rinse at an invented meter, and how to watch it: no clock, no line, numbers only.

The bench here is deliberately simple and not the estimator's own: mobile liquid mixed with each portion (or leaving
a chain of mixed cells), a slow pocket that leaks into it in small time steps, a floor, a display.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pytest

from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import RinseState, Verdict

Rows = list[Row]


@dataclass(frozen=True, slots=True)
class Display:
    """An invented meter: unit, decimals, top (in its unit), ppm per uS/cm."""

    unit: str = "ppm"
    decimals: int = 0
    top: float = 9990.0
    tds_factor: float = 0.5

    def row(self, time_s: float, rinse_ml: float | None, us_cm: float) -> Row:
        """What it shows of a true conductivity (uS/cm)."""
        shown = round(us_cm * (self.tds_factor if self.unit == "ppm" else 1.0), self.decimals)
        if shown > self.top:
            return Row(time_s, rinse_ml, Mark.OVER, None, self.unit)
        return Row(time_s, rinse_ml, Mark.VALUE, shown, self.unit, self.decimals)


@dataclass(frozen=True, slots=True)
class Bed:
    """An invented bed: volumes mL, start and floor uS/cm, leak 1/s, unevenness of portions (log spread)."""

    entrained_ml: float = 180.0
    slow_ml: float = 12.0
    leak_s: float = 4e-3
    start_us_cm: float = 250_000.0
    floor_us_cm: float = 1.2
    uneven: float = 0.03

    def rest(self, mobile: float, slow: float, seconds: float) -> tuple[float, float]:
        """Slow pocket leaks into the mobile liquid, in steps of at most 5 s; mass is kept."""
        for _ in range(max(int(seconds / 5.0), 1)):
            part = self.leak_s * (seconds / max(int(seconds / 5.0), 1)) * (slow - mobile)
            slow, mobile = slow - part, mobile + part * self.slow_ml / self.entrained_ml
        return mobile, slow


@dataclass(frozen=True, slots=True)
class Watched:
    """A rinse whose every state is checked."""

    rinse: Rinse

    @property
    def state(self) -> RinseState:
        """The last state."""
        return self.rinse.state

    def observe(self, row: Row) -> RinseState:
        """The state after one more row."""
        return sound(self.rinse.observe(row))

    def forecast_band(self, points: int) -> list[tuple[float, float, float, float]]:
        """As the rinse's own."""
        return self.rinse.forecast_band(points)


@dataclass(slots=True)
class Bench:
    """Makes set-ups and rows, and watches them."""

    @staticmethod
    def setup(**changes: Any) -> RinseSetup:
        """A usual set-up: 500 mL of caustic resin, portions of 250 mL, to 12 uS/cm, on a whole-ppm meter."""
        usual: dict[str, Any] = {
            "resin_ml": 500.0, "residue": Residue.NAOH, "endpoint": Endpoint.parse("12 uS/cm", 0.5),
            "rinse_water_us_cm": 1.2, "rinse_water_step_us_cm": 0.1, "top_us_cm": 19_980.0,
        }  # fmt: skip
        if "flow_ml_min" not in changes:
            usual["portion_ml"] = 250.0
        return RinseSetup(**(usual | changes))

    @staticmethod
    def levels(bed: Bed, portions: int, rng: Any, portion_ml: float = 250.0, pace_s: float = 120.0) -> list[float]:
        """True filtrate (uS/cm) at the end of each portion, the undiluted liquor first."""
        mobile, slow, out = 1.0, 1.0, [bed.start_us_cm]
        for _ in range(portions):
            keep = bed.entrained_ml / (bed.entrained_ml + portion_ml)
            mobile *= keep ** math.exp(bed.uneven * rng.standard_normal())
            mobile, slow = bed.rest(mobile, slow, pace_s)
            out.append(bed.floor_us_cm + bed.start_us_cm * mobile)
        return out

    @staticmethod
    def pour_rows(
        levels: Sequence[float],
        display: Display,
        portion_ml: float = 250.0,
        pace_s: float = 120.0,
        period_s: float = 8.0,
    ) -> Rows:
        """A recording: each portion's row, then readings that settle onto its level with a lag of 4 s."""
        rows: Rows = []
        for n, level in enumerate(levels[1:], start=1):
            begin = (n - 1) * pace_s
            rows.append(Row(begin, n * portion_ml, event="portion"))
            for i in range(1, int(pace_s / period_s)):
                after = i * period_s
                value = level * (levels[n - 1] / level) ** math.exp(-after / 4.0)
                rows.append(display.row(begin + after, n * portion_ml, value))
        return rows

    @staticmethod
    def flow_rows(
        curve: Callable[[float], float],
        display: Display,
        flow_ml_min: float,
        seconds: float,
        period_s: float = 2.0,
        with_volume: bool = True,
    ) -> Rows:
        """A recording in continuous flow of a curve (mL -> uS/cm)."""
        rows: Rows = []
        for i in range(int(seconds / period_s)):
            time_s = i * period_s
            volume = time_s * flow_ml_min / 60.0
            rows.append(display.row(time_s, volume if with_volume else None, curve(volume)))
        return rows

    @staticmethod
    def watch(setup: RinseSetup, rows: Iterable[Row]) -> list[RinseState]:
        """Every state, with the promises that hold for each of them checked."""
        rinse = Watched(Rinse(setup))
        return [rinse.observe(row) for row in rows]

    @staticmethod
    def begin(setup: RinseSetup) -> Watched:
        """A rinse to be fed row by row."""
        return Watched(Rinse(setup))

    @staticmethod
    def first_stop(states: Sequence[RinseState]) -> int | None:
        """Index of the first stop."""
        return next((i for i, s in enumerate(states) if s.verdict is Verdict.STOP), None)

    @staticmethod
    def later(rows: Rows, seconds: float, rinse_ml: float = 0.0) -> Rows:
        """The same rows, moved."""

        def volume(row: Row) -> float | None:
            return None if row.rinse_ml is None else row.rinse_ml + rinse_ml

        return [replace(row, time_s=row.time_s + seconds, rinse_ml=volume(row)) for row in rows]


def sound(state: RinseState) -> RinseState:
    """No state holds a nan; intervals are in order; chances are chances; nothing is below nothing."""
    assert 0.0 <= state.chance_reached <= 1.0 + 1e-9 and 0.0 <= state.chance_unreachable <= 1.0 + 1e-9
    if state.filtrate is not None:
        f = state.filtrate
        assert 0.0 <= f.low <= f.mid <= f.high < math.inf
    if state.remaining is not None:
        r = state.remaining
        known = [v for v in (r.low_ml, r.mid_ml, r.high_ml) if v is not None]
        assert known == sorted(known) and known[0] >= 0.0 and all(math.isfinite(v) for v in known)
        assert r.mid_ml is not None or r.high_ml is None
    for number in (state.time_s, state.rinse_ml, state.floor_us_cm, state.remaining_portions, state.remaining_min):
        assert number is None or math.isfinite(number)
    assert state.reason and isinstance(state.verdict, Verdict)
    return state


@pytest.fixture(scope="session")
def bench() -> Bench:
    """The invented bench."""
    return Bench()


@pytest.fixture(scope="session")
def make_bed() -> type[Bed]:
    """An invented bed of chosen volumes."""
    return Bed


@pytest.fixture(scope="session")
def display() -> type[Display]:
    """An invented meter."""
    return Display
