"""A bed unlike the usual ones: before it is called out of reach, or for ever misread, another explanation is sought.

Textbook curves, no balance of the bed: a chain of mixed cells and a second exponential far weaker than slow liquid
in beads could make it.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.special import gammaincc

from rinsewatch.rinse import monitor
from rinsewatch.rinse.population import Population
from rinsewatch.rinse.setup import Endpoint, Residue
from rinsewatch.rinse.state import Verdict

FLOW_ML_MIN, RESIN_ML, TARGET_US_CM = 87.0, 900.0, 33.0


def _curve(volume_ml: float) -> float:
    """A front of three cells in 410 mL, and 0.05 % of the liquor that leaves with an e-fold of 1.65 resin volumes."""
    front = float(gammaincc(3, 3 * volume_ml / 410.0))
    return 0.85 + 552_000.0 * (0.9995 * front + 5e-4 * math.exp(-volume_ml / (1.65 * RESIN_ML)))


def _states(bench: Any, display: Any) -> list[Any]:
    noise = np.random.default_rng(8)
    shown = display(unit="uS/cm", decimals=1, top=20_000.0)
    rows = bench.flow_rows(lambda v: _curve(v) * math.exp(0.004 * noise.standard_normal()), shown, FLOW_ML_MIN, 3600.0)
    setup = bench.setup(
        resin_ml=RESIN_ML,
        residue=Residue.NAOH,
        flow_ml_min=FLOW_ML_MIN,
        endpoint=Endpoint.parse(f"{TARGET_US_CM} uS/cm", 0.5),
        rinse_water_us_cm=0.7,
    )
    out: list[Any] = bench.watch(setup, rows)
    return out


def _wrong(states: list[Any]) -> list[Any]:
    """Told that no water will help, or asked to look at the probe, while it was well."""
    return [s for s in states if s.verdict in (Verdict.STALLED, Verdict.CHECK)]


def test_a_weak_long_tail_is_understood(bench: Any, display: Any) -> None:
    states = _states(bench, display)
    assert not _wrong(states)
    stop = bench.first_stop(states)
    assert stop is not None
    assert 0.9 * TARGET_US_CM < _curve(states[stop].rinse_ml) < 1.15 * TARGET_US_CM


def test_without_another_explanation_it_is_not(bench: Any, display: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: the members that are there, moved as ever."""
    monkeypatch.setattr(Population, "_begin_again", lambda self, course, unusual: None)
    monkeypatch.setattr(monitor, "STILL_FALLS", 1.0)
    assert _wrong(_states(bench, display))


def test_nothing_is_called_a_plateau_that_falls(bench: Any, display: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the members take for the floor, the reading is seen to go on."""
    monkeypatch.setattr(Population, "_begin_again", lambda self, course, unusual: None)
    told = [s for s in _states(bench, display) if s.verdict is Verdict.STALLED]
    monkeypatch.setattr(monitor, "STILL_FALLS", 1.0)
    assert len(told) < len([s for s in _states(bench, display) if s.verdict is Verdict.STALLED])
