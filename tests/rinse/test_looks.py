"""In flow a block is weighed again only as it moves on; a front far steeper than foreseen must not outrun the gate."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rinsewatch.rinse import flow
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import Verdict

TARGET_US_CM, PERIOD_S = 24.0, 0.2


def _watched() -> tuple[float | None, int]:
    """(reading at the stop, readings not believed): 100 mL of resin, 10 mL/s, an e-fold each 2 s; invented. The first
    three readings had queued up and come at once."""
    endpoint = Endpoint.parse(f"{TARGET_US_CM} uS/cm", 0.5)
    rinse = Rinse(RinseSetup(resin_ml=100.0, residue=Residue.NAOH, endpoint=endpoint, flow_ml_min=600.0))
    rng, held = np.random.default_rng(2), 0
    for read_s in np.arange(0.4, 14.0, PERIOD_S).tolist():
        shown = round((1.0 + 2000.0 * math.exp(-read_s / 2.0)) * (1.0 + 0.005 * float(rng.standard_normal())), 1)
        come_s = max(read_s, 0.8)
        state = rinse.observe(Row(come_s, 10.0 * come_s, Mark.VALUE, shown, "uS/cm", 1))
        held += bool(state.cause)
        if state.verdict is Verdict.STOP:
            return shown, held
    return None, held


def test_a_steep_front_is_looked_at_as_it_falls() -> None:
    stop, held = _watched()
    assert held == 0
    assert stop is not None and 0.85 * TARGET_US_CM <= stop <= 1.15 * TARGET_US_CM


def test_by_the_water_alone_it_would_be_held(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control."""
    monkeypatch.setattr(flow, "READ_FALL", 1.0)
    stop, held = _watched()
    assert held > 5 and (stop is None or stop < 0.85 * TARGET_US_CM)
