"""The meter and its faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rinsewatch_sim.faults import READING_KINDS, Fault, disturb, draw_faults
from rinsewatch_sim.probe import decimals, meter_of


@pytest.mark.parametrize(
    ("kind", "us_cm", "text"),
    [("pen-0.5", 14.6, "7"), ("pen-0.5", 0.98, "0"), ("pen-0.5", 1.02, "1"), ("pen-0.5", 2468.0, "1230"),
     ("pen-0.5", 19_980.0, "9990"), ("pen-0.5", 20_010.0, "over"), ("pen-0.7", 1427.0, "999"),
     ("pen-0.7", 1430.0, "over"), ("transmitter", 12.34, "12.3"), ("transmitter", 20_001.0, "over"),
     ("fine", 0.834, "0.83"), ("fine", 123.44, "123.4"), ("fine", 1234.4, "1234")],
)  # fmt: skip
def test_display_steps_and_tops(kind: str, us_cm: float, text: str) -> None:
    assert meter_of(kind).show(us_cm) == text


def test_decimals_of_a_step() -> None:
    assert [decimals(step) for step in (10.0, 1.0, 0.1, 0.01)] == [0, 0, 1, 2]


def test_lag_is_first_order() -> None:
    meter = replace(meter_of("fine"), lag_s=3.0)
    step = np.concatenate(([100.0], np.zeros(9)))
    lagged = meter.lagged(step, np.ones(10))
    assert lagged[3] == pytest.approx(100.0 * np.exp(-1.0))


def test_wrong_slope_misreads_caustic_away_from_25_c() -> None:
    """2 %/K on a 1.7 %/K solution at 15 C reads 0.83/0.8 too high."""
    scale = meter_of("fine").scale_us_cm(np.array([83.0]), 15.0)
    assert scale[0] == pytest.approx(103.75)


def test_noise_has_its_size_and_is_partly_slow() -> None:
    meter = replace(meter_of("fine"), noise=0.01)
    factors = np.log(meter.jitter(np.arange(0.0, 40_000.0), np.random.default_rng(3)))
    assert factors.std() == pytest.approx(0.01, rel=0.05)
    assert np.corrcoef(factors[:-1], factors[1:])[0, 1] == pytest.approx(0.45, abs=0.08)


def test_display_repeats_between_refreshes() -> None:
    held = replace(meter_of("fine"), refresh_s=2.0).held(np.array([0.5, 1.0, 1.5, 2.0, 2.5, 4.1]))
    assert held.tolist() == [0, 0, 0, 3, 3, 5]


@pytest.mark.parametrize(
    ("kind", "expected"),
    [("dry", [0.0, 0.0]), ("bubble", [5.0, 5.0]), ("frozen", [100.0, 100.0]), ("swap", [9.0, 9.0]),
     ("spike-high", [3000.0, 101.0]), ("spike-low", [0.5, 101.0])],
)  # fmt: skip
def test_faults_of_a_reading(kind: str, expected: list[float]) -> None:
    times, readings = np.arange(5.0), np.array([99.0, 100.0, 101.0, 102.0, 103.0])
    readings[1:3] = (100.0, 100.0 if kind == "bubble" else 101.0)
    out = disturb(times, readings, (Fault(1.0, 2.0, kind),), 9.0)
    assert out[1:3].tolist() == pytest.approx(expected)
    assert out[[0, 3, 4]].tolist() == [99.0, 102.0, 103.0]


def test_silence_is_no_number() -> None:
    out = disturb(np.arange(3.0), np.ones(3), (Fault(1.0, 1.0, "silent"),), 9.0)
    assert np.isnan(out).tolist() == [False, True, False]


def test_drawn_faults_are_in_the_span_and_of_every_kind() -> None:
    faults = draw_faults(np.random.default_rng(1), 1000.0, 200)
    assert {f.kind for f in faults} == set(READING_KINDS)
    assert all(50.0 <= f.start_s <= 950.0 for f in faults)
