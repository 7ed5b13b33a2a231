"""What holds for any recording, tried on drawn ones (hypothesis); the draws are fixed, so a failure repeats."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rinsewatch.quantities import parse_volume_ml
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue
from rinsewatch.rinse.state import Verdict

FEW = settings(max_examples=40, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
PORTION_ML = 250.0

numbers = st.one_of(st.just(0.0), st.floats(0.0, 50.0), st.floats(0.0, 2e5), st.sampled_from([1e-3, 1e7, 999.0]))
readings = st.tuples(
    st.sampled_from([Mark.VALUE, Mark.VALUE, Mark.VALUE, Mark.OVER, Mark.UNDER]),
    numbers,
    st.sampled_from(["ppm", "uS/cm"]),
    st.sampled_from([None, 0, 1, 2, 5, -1]),
)
events = st.sampled_from(
    ["", "", "", "portion", "undo", "pause", "resume", "fault: meter lost", "fault: silent", "note: probe confirmed",
     "note: portion = 400 mL", "note: rinse-water = 3 uS/cm", "note: feed = 9 ppm", "note: hello = world", "?"]
)  # fmt: skip
tame_volumes = st.one_of(st.none(), st.just(0.0), st.floats(-500.0, 5000.0), st.sampled_from([250.0, 500.0, 750.0]))


@st.composite
def wild_rows(draw: Any, flow: bool = False) -> list[Row]:
    """Any rows at all, times and volumes in any order; in flow within some tens of bed volumes."""
    times = st.floats(-1e3, 5e3) if flow else st.floats(-1e4, 1e6)
    volumes = tame_volumes if flow else st.one_of(tame_volumes, st.just(1e9))
    rows = []
    for _ in range(draw(st.integers(1, 25))):
        if draw(st.booleans()):
            mark, value, unit, decimals = draw(readings)
            shown = value if mark is Mark.VALUE else None
            rows.append(Row(draw(times), draw(volumes), mark, shown, unit, decimals, event=draw(events)))
        else:
            rows.append(Row(draw(times), draw(volumes), event=draw(events)))
    return rows


@FEW
@pytest.mark.parametrize("flow", [False, True])
@given(data=st.data(), residue=st.sampled_from(list(Residue)), zero=st.booleans())
def test_any_rows_give_sound_states(bench: Any, data: Any, residue: Residue, flow: bool, zero: bool) -> None:
    """Never raises; no nan; low <= mid <= high; chances within 0 to 1; the state's words are there."""
    changes: dict[str, Any] = {"residue": residue, "endpoint": Endpoint.parse("zero" if zero else "12 uS/cm", 0.5)}
    if flow:
        changes["flow_ml_min"] = 100.0
    rows = data.draw(wild_rows(flow))
    assert len(bench.watch(bench.setup(**changes), rows)) == len(rows)


@settings(parent=FEW, max_examples=10)
@given(rows=wild_rows(), cut=st.integers(0, 25))
def test_replay_is_the_same_to_the_bit(bench: Any, rows: list[Row], cut: int) -> None:
    """The same rows give the same states, and what comes later changes nothing of what was said before."""
    whole = bench.watch(bench.setup(), rows)
    assert bench.watch(bench.setup(), rows) == whole
    assert bench.watch(bench.setup(), rows[:cut]) == whole[:cut]


@settings(parent=FEW, max_examples=6)
@given(seed=st.integers(0, 99), entrained_ml=st.floats(140.0, 240.0), slow_ml=st.floats(4.0, 25.0))
def test_units_of_reading_and_volume_do_not_matter(
    bench: Any, make_bed: Any, display: Any, seed: int, entrained_ml: float, slow_ml: float
) -> None:
    """The same water in ppm x0.5 with one decimal and in uS/cm in steps of 0.2; portions said in mL and in L."""
    bed = make_bed(entrained_ml=entrained_ml, slow_ml=slow_ml)
    levels = bench.levels(bed, 16, np.random.default_rng(seed))
    in_ppm = bench.pour_rows(levels, display(decimals=1), period_s=15.0)
    in_us = [replace(r, unit="uS/cm", reading=None if r.reading is None else 2.0 * r.reading) for r in in_ppm]
    one = bench.watch(bench.setup(), in_ppm)[-1]
    in_litres = {"portion_ml": parse_volume_ml("0.25 L"), "resin_ml": parse_volume_ml("0.5 L")}
    other = bench.watch(bench.setup(resolution_us_cm=0.2, **in_litres), in_us)[-1]
    assert other.filtrate.mid == pytest.approx(one.filtrate.mid, rel=0.01)
    assert other.remaining.mid_ml == pytest.approx(one.remaining.mid_ml, abs=0.1 * PORTION_ML)
    assert other.verdict is one.verdict


@settings(parent=FEW, max_examples=6)
@given(seed=st.integers(0, 99), more=st.integers(1, 30))
def test_more_clean_readings_never_make_it_less_clean(
    bench: Any, make_bed: Any, display: Any, seed: int, more: int
) -> None:
    """Once near the target, further equal or lower readings of the portion do not lower the chance of being there
    by more than a tenth."""
    levels = bench.levels(make_bed(), 24, np.random.default_rng(seed))
    end = next(i for i, level in enumerate(levels) if level < 11.0)
    rows = [r for r in bench.pour_rows(levels, display(decimals=1)) if r.rinse_ml <= end * PORTION_ML]
    before = bench.watch(bench.setup(), rows)
    last = rows[-1]
    again = [replace(last, time_s=last.time_s + 2.0 * i) for i in range(1, more + 1)]
    after = bench.watch(bench.setup(), rows + again)
    assert after[-1].chance_reached >= before[-1].chance_reached - 0.1
    if before[-1].verdict is Verdict.STOP:
        assert after[-1].verdict is Verdict.STOP


@settings(parent=FEW, max_examples=6)
@given(seed=st.integers(0, 99), target=st.floats(14.0, 200.0))
def test_higher_target_needs_no_more_water(bench: Any, make_bed: Any, display: Any, seed: int, target: float) -> None:
    """The same readings, a target half as strict: never more water to pour."""
    rows = bench.pour_rows(bench.levels(make_bed(), 11, np.random.default_rng(seed)), display(), period_s=20.0)
    left = [
        bench.watch(bench.setup(endpoint=Endpoint.parse(f"{t:.2f} uS/cm", 0.5)), rows)[-1].remaining.mid_ml
        for t in (target, 2.0 * target)
    ]
    assert left[1] <= left[0] + 1.0
