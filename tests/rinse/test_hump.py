"""A bed that is not stirred: each portion first brings what stood in it, above where the portion before ended."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse import hump
from rinsewatch.rinse.hump import Hump
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import Verdict

PORTION_ML, PACE_S, PERIOD_S = 500.0, 120.0, 4.0


def _risen(*us_cm: float) -> Hump:
    rose = Hump()
    for value in us_cm:
        rose.add(value)
    return rose


def test_what_one_portion_did_the_next_may() -> None:
    rose = _risen(50.0, 65.0, 60.0, 40.0)
    rose.next_portion(50.0, 40.0)
    assert rose.most_us_cm(40.0) == pytest.approx(52.0)
    rose.add(40.0)
    rose.next_portion(40.0, 30.0)
    assert rose.most_us_cm(30.0) == 0.0, "and no longer than it does"


@pytest.mark.parametrize(
    ("readings", "before", "end"),
    [
        ((50.0, 52.0, 40.0), 50.0, 40.0),  # noise
        ((50.0, 400.0, 40.0), 50.0, 40.0),  # a spike, or the jar
        ((50.0, 65.0, 64.0), 50.0, 64.0),  # it stayed up there
        ((50.0, 65.0, 40.0), 50.0, 0.0),  # its end was not read
        ((50.0, 65.0, 40.0), 0.0, 40.0),  # nor was that of the one before
    ],
)
def test_no_hump(readings: tuple[float, ...], before: float, end: float) -> None:
    rose = _risen(*readings)
    rose.next_portion(before, end)
    assert rose.most_us_cm(40.0) == 0.0


def _rows() -> list[Row]:
    """Portions of which half leaves 0.3 above the end of the one before, and which end 0.8 times there."""
    rows, rng, end = [], np.random.default_rng(4), 3000.0
    for n in range(1, 19):
        begun_s, before = (n - 1) * PACE_S, end
        end = 2.0 + 0.8 * (before - 2.0)
        rows.append(Row(begun_s, n * PORTION_ML, event="portion"))
        for after_s in np.arange(PERIOD_S, PACE_S, PERIOD_S).tolist():
            share = after_s / PACE_S
            level = before * (1.0 + 0.3 * min(share / 0.1, 1.0))
            level = level + (end - level) * min(max(share - 0.5, 0.0) / 0.3, 1.0)
            shown = round(level * (1.0 + 0.01 * float(rng.standard_normal())), 1)
            rows.append(Row(begun_s + after_s, n * PORTION_ML, Mark.VALUE, shown, "uS/cm", 1))
    return rows


def _asked(bench: Any) -> int:
    """Readings from the eighth portion on at which somebody was told to look."""
    setup = bench.setup(portion_ml=PORTION_ML, endpoint=Endpoint.parse("20 uS/cm", 0.5), resolution_us_cm=0.1)
    states = bench.watch(setup, _rows())
    return sum(state.verdict is Verdict.CHECK and state.cause == "high" for state in states[8 * 30 :])


def test_nobody_is_asked_about_it_in_every_portion(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: where it is not learnt."""
    assert _asked(bench) == 0
    monkeypatch.setattr(hump, "MOST", 0.0)
    assert _asked(bench) > 0
