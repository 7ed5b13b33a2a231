"""An update must not grow dearer with the length of the rinse; nor may memory."""

from __future__ import annotations

import gc
import math
import pickle
import tracemalloc
from statistics import median
from typing import Any

import pytest

from rinsewatch.rinse.row import Mark, Row
from tests.pace import processor_s


def _steady(i: int, portions: bool, per_portion: int = 100) -> Row:
    """Reading i of an endless slow rinse, 1 Hz, falling from 600 ppm towards 40 over 21,000 readings."""
    shown = round(40.0 + 600.0 * math.exp(-i / 4000.0))
    volume = 250.0 * (1 + i // per_portion) if portions else 0.5 * i
    return Row(float(i), volume, Mark.VALUE, float(shown), "ppm", 0)


@pytest.mark.parametrize("portions", [True, False])
def test_cost_of_a_reading_is_small_and_flat(bench: Any, portions: bool) -> None:
    """Median under 3 ms of processor time; readings from 20,000 on together no more than twice as dear as those from
    1,000 on. 400 of each are timed, young and old rinse in turn, as the machine's own pace may double meanwhile."""
    begun_at, costs = (1000, 20_000), ([], [])  # type: tuple[int, int], tuple[list[float], list[float]]
    rinses = [_rinsed(bench, portions, readings) for readings in begun_at]
    for n in range(400):
        for rinse, begun, taken in zip(rinses, begun_at, costs, strict=True):
            row = _steady(begun + n, portions)
            taken.append(processor_s(lambda rinse=rinse, row=row: rinse.observe(row)))
    early, late = costs
    assert median(late) < 3e-3 and median(early) < 3e-3
    assert median(late) <= 2.0 * median(early) + 1e-4
    assert sum(late) <= 2.0 * sum(early) + 0.05


def _rinsed(bench: Any, portions: bool, readings: int) -> Any:
    """A rinse after that many readings, of which nine in ten after the first 1,400 are left out to be quick."""
    setup = bench.setup(resin_ml=20_000.0) if portions else bench.setup(resin_ml=20_000.0, flow_ml_min=30.0)
    rinse = bench.begin(setup).rinse
    for i in range(readings):
        if i <= 1400 or i % 10 == 0:
            rinse.observe(_steady(i, portions))
    return rinse


def test_what_a_rinse_holds_stays_flat(bench: Any) -> None:
    """All that the object holds, written out: after 600 portions hardly more than after 150."""
    rinse, held = bench.begin(bench.setup(resin_ml=20_000.0)).rinse, {}
    for n in range(601):
        rinse.observe(_steady(35 * n, True, 35))
        if n in (150, 600):
            held[n] = len(pickle.dumps(rinse))
    assert held[600] < 1.2 * held[150]


def test_memory_stays_flat_while_readings_come(bench: Any) -> None:
    """Ten thousand readings within one portion leave less than 50 kB behind (tracemalloc). Collected before each look:
    Python 3.11 keeps up to 2000 freed tuples of twenty for reuse, 0.4 MB that no rinse holds."""
    rinse = bench.begin(bench.setup()).rinse
    rinse.observe(Row(0.0, 250.0, event="portion"))
    rows = [Row(float(i), 250.0, Mark.VALUE, 640.0 + i % 2, "ppm", 0) for i in range(1, 10_000)]
    for row in rows[:500]:
        rinse.observe(row)
    tracemalloc.start()
    try:
        gc.collect()
        before = tracemalloc.get_traced_memory()[0]
        for row in rows[500:]:
            rinse.observe(row)
        gc.collect()
        after = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert after - before < 50_000
