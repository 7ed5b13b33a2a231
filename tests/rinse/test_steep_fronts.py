"""Fronts steeper than the usual ones in continuous flow: held as too low for a while, not for ever."""

from __future__ import annotations

import math

import pytest

from rinsewatch.cli import bench_fault_laid as laid
from rinsewatch.cli.bench_fault_campaign import play_laid
from rinsewatch.rinse.flow import FlowBelief
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.spans import Span


def test_places_widen_while_nothing_is_believed() -> None:
    """What is believed of the front says nothing of the tail behind it, which may be a hundred times as slow."""
    setup = RinseSetup(
        residue=Residue.NAOH, resin_ml=1000.0, endpoint=Endpoint.parse("12 uS/cm", 0.5), flow_ml_min=60.0
    )
    places = []
    for believed in (True, False):
        belief = FlowBelief(setup, 1.0)
        belief.move(1.0, 1.0)
        for n in range(1, 5001):
            belief.move(10.0 * n, 10.0 * n)
            if believed:
                belief.take(Span(9e9, 9e9, math.inf, 0.0), 10.0 * n)  # over range: the belief stays what it was
        places.append(belief.place)
    assert places[1] < 60.0 < places[0]
    assert places[1] > 20.0, "a third of an e-fold, and then a tenth more each"


@pytest.mark.parametrize("seed", [156, 552])
def test_sound_rinses_with_a_steep_front_stop_unasked(seed: int) -> None:
    """23 and 11 mixed cells: both were held for ever, from 23 times the target down and from the first reading on."""
    played = play_laid(laid.clean, seed)
    assert played.delay_s is not None and not played.false
