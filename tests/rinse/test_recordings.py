"""Open measured decays and real sensor trouble, read as if they were rinses.

The recordings are other people's and stay outside the project (folder named by RINSEWATCH_SHARED, or ``shared``
beside the checkout); source and licence of each stand at its test, as that folder's README gives them. They hold no
rinse volume: a flow is made up for each, and readings in other units are taken for uS/cm of a salt, shifted or scaled
as said. So only the shape of the decay, the noise and the trouble are real.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue
from rinsewatch.rinse.state import Quality, RinseState, Verdict

Series = list[tuple[float, float]]
Load = Callable[[str], Series]


@dataclass(frozen=True, slots=True)
class Outcome:
    """Rows, states, readings smoothed over five, and the volume where those first reach the target."""

    rows: list[Row]
    states: list[RinseState]
    smooth: list[float]
    target: float

    @property
    def end_ml(self) -> float:
        """Rinse volume at the target."""
        return next(r.rinse_ml or 0.0 for r, v in zip(self.rows, self.smooth, strict=True) if v <= self.target)

    def left_at(self, share: float) -> tuple[float, Any]:
        """(water truly still needed, forecast) at a share of the way."""
        at = next(i for i, r in enumerate(self.rows) if (r.rinse_ml or 0.0) >= share * self.end_ml)
        return self.end_ml - (self.rows[at].rinse_ml or 0.0), self.states[at].remaining

    @property
    def stops(self) -> list[int]:
        """Indices of all rows with a stop."""
        return [i for i, s in enumerate(self.states) if s.verdict is Verdict.STOP]


@pytest.fixture(scope="module")
def load() -> Load:
    """(seconds, reading) of one of the shared recordings."""
    beside = Path(__file__).parents[2].parent / "shared"
    folder = Path(os.environ.get("RINSEWATCH_SHARED", beside)) / "data"

    def series(name: str) -> Series:
        path = folder / f"{name}.csv"
        if not path.is_file():
            pytest.skip(f"shared recording {name} is not here; set RINSEWATCH_SHARED to the folder that holds data/")
        with path.open(encoding="utf-8", newline="") as file:
            return [(float(r["seconds"]), float(r["reading"])) for r in csv.DictReader(file)]

    return series


@pytest.fixture(scope="module")
def rinse_of(bench: Any) -> Callable[..., Outcome]:
    """Watch a series as a rinse in continuous flow."""

    def run(series: Series, target: float, resin_ml: float, flow_ml_min: float, decimals: int = 0) -> Outcome:
        setup = bench.setup(
            endpoint=Endpoint.parse(f"{target} uS/cm", 0.5), residue=Residue.SALT, resin_ml=resin_ml,
            flow_ml_min=flow_ml_min, rinse_water_us_cm=None, rinse_water_step_us_cm=None, top_us_cm=None,
        )  # fmt: skip
        begin = series[0][0]
        rows = [
            Row(t - begin, (t - begin) * flow_ml_min / 60.0, Mark.VALUE, round(v, decimals), "uS/cm", decimals)
            for t, v in series
        ]
        padded = np.pad([v for _, v in series], 2, mode="edge")
        smooth = [float(v) for v in np.convolve(padded, np.ones(5) / 5, "valid")]
        return Outcome(rows, bench.watch(setup, rows), smooth, target)

    return run


def _no_false_stop(outcome: Outcome) -> None:
    """No first stop while the reading (smoothed) is over 1.15 times the target."""
    if outcome.stops:
        assert outcome.smooth[outcome.stops[0]] <= 1.15 * outcome.target


@pytest.mark.parametrize("target", [250.0, 500.0])
def test_stirred_tank(load: Load, rinse_of: Callable[..., Outcome], target: float) -> None:
    """Dye washed out of a stirred tank (monroews/CEE4530, MIT); mg/L x 100 as uS/cm, 100 mL/min made up, as a bed of
    900 mL. Half way to the level the forecast is within a third and the interval holds the truth, later too."""
    outcome = rinse_of([(t, 100.0 * v) for t, v in load("seg_cmfr_cornell")], target, 900.0, 100.0)
    for share in (0.5, 0.65, 0.8):
        left, forecast = outcome.left_at(share)
        assert left / 1.35 < forecast.mid_ml < 1.35 * left
        assert forecast.low_ml < left < forecast.high_ml
    _no_false_stop(outcome)
    assert outcome.stops and (outcome.rows[outcome.stops[0]].rinse_ml or 0.0) < 1.05 * outcome.end_ml


@pytest.mark.parametrize("target", [120.0, 200.0])
def test_borehole_dilution(load: Load, rinse_of: Callable[..., Outcome], target: float) -> None:
    """Tracer washed out of a mixed well, noise 1.2 % (Mohammed-Fadul/Borehole-Dilution, MIT); counts as uS/cm, 100
    mL/min made up, 3 L bed. Slowing tail: half way within a factor 1.4, and the interval (with a tenth) holds."""
    outcome = rinse_of(load("seg_borehole_FC"), target, 3000.0, 100.0)
    for share in (0.5, 0.65, 0.8):
        left, forecast = outcome.left_at(share)
        assert left / 1.4 < forecast.mid_ml < 1.4 * left
        assert 0.9 * forecast.low_ml < left < 1.1 * forecast.high_ml
    _no_false_stop(outcome)


def test_borehole_never_below_its_floor(load: Load, rinse_of: Callable[..., Outcome]) -> None:
    """The same well does not come below 95 counts in the recording: a target of 60 is never announced."""
    assert not rinse_of(load("seg_borehole_FC"), 60.0, 3000.0, 100.0).stops


@pytest.mark.parametrize("target", [11.0, 16.0, 30.0])
def test_stream_slug_with_a_second_hump(load: Load, rinse_of: Callable[..., Outcome], target: float) -> None:
    """Salt slug in a stream, 1 uS/cm steps (dankovacek/Engineering_Hydrology_Notebooks, CC-BY-4.0); the stream's own
    240 uS/cm taken off, 100 mL/min and 200 mL bed made up. No false stop on hump or plateau; 11 is never reached."""
    outcome = rinse_of([(t, v - 240.0) for t, v in load("seg_ubc_A")], target, 200.0, 100.0)
    _no_false_stop(outcome)
    assert bool(outcome.stops) == (target > 11.0)


@pytest.mark.parametrize("target", [14.0, 30.0])
def test_zeros_inside_the_tail(load: Load, rinse_of: Callable[..., Outcome], target: float) -> None:
    """Drop-outs to exactly 0 in the tail of a slug (same source, CC-BY-4.0); 325 uS/cm of the stream taken off, zeros
    left, from the peak on. No zero is believed and none brings a stop; the rinse ends all the same."""
    series = [(t, max(v - 325.0, 0.0)) for t, v in load("full_ubc_C_zeros") if t >= 342.0]
    outcome = rinse_of(series, target, 400.0, 100.0)
    zeros = [i for i, r in enumerate(outcome.rows) if r.reading == 0.0 and i < outcome.stops[0]]
    assert len(zeros) >= 3
    assert all(outcome.states[i].quality is not Quality.GOOD for i in zeros)
    believed = [v for i, v in enumerate(outcome.smooth[: outcome.stops[0] + 1]) if outcome.rows[i].reading != 0.0]
    assert believed[-1] <= 1.15 * target


@pytest.mark.parametrize("target", [1.0, 12.0, 100.0])
@pytest.mark.parametrize("flow_ml_min", [1.0, 5.0, 20.0, 50.0])
def test_drying_probe_never_stops(
    load: Load, rinse_of: Callable[..., Outcome], target: float, flow_ml_min: float
) -> None:
    """A cheap probe lifted out of the water: its film dries and looks like a washout (walkerjeffd/riffle-ito-apps,
    MIT); Hz as uS/cm, a slow flow made up."""
    outcome = rinse_of(load("trap_riffle_drying"), target, 500.0, flow_ml_min, 2)
    assert not outcome.stops
    assert outcome.states[-1].verdict is Verdict.CHECK


def test_recirculating_loop(load: Load, rinse_of: Callable[..., Outcome]) -> None:
    """A salt shot that comes round again (turbinenreiter/OpenSalinity, MIT); counts as uS/cm, 120 mL/min and 50 mL
    made up. A level under all it shows is never announced; one it just touches is taken back when it rises."""
    series = load("trap_opensal_diy_recirc")[1:]
    for target in (200.0, 250.0):
        assert not rinse_of(series, target, 50.0, 120.0).stops
    touched = rinse_of(series, 300.0, 50.0, 120.0)
    _no_false_stop(touched)
    assert touched.states[-1].verdict is not Verdict.STOP
