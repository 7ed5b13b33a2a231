"""Refused readings in flow that come down by small steps and ever more slowly are the washout all the same."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from rinsewatch.rinse.gate import Cause, Expectation, Gate
from rinsewatch.rinse.glide import Glide
from rinsewatch.rinse.spans import Span
from rinsewatch.rinse.state import Quality

PERIOD_S = 5.0


def _span(us_cm: float, step: float = 0.1) -> Span:
    shown = round(us_cm / step) * step
    return Span(shown, max(shown - step / 2, 0.0), shown + step / 2, step)


def _tail(s: float) -> float:
    """A front into a tail: two e-folds, one five times the other."""
    return 400.0 * math.exp(-s / 120.0) + 60.0 * math.exp(-s / 600.0)


def _film(s: float) -> float:
    return 460.0 * math.exp(-s / 200.0)


def _glass(s: float) -> float:
    """A slow probe put into another water."""
    return 3.0 + 457.0 * math.exp(-s / 15.0)


def _front(s: float) -> float:
    """As steep a fall as a washout has while it gets steeper."""
    return 460.0 * math.exp(-((s / 300.0) ** 2))


def _first(curve: Callable[[float], float], until_s: float = 1500.0) -> float | None:
    glide, rng = Glide(), np.random.default_rng(3)
    for at_s in np.arange(0.0, until_s, PERIOD_S):
        if glide.slows_down(_span(curve(float(at_s)) * (1.0 + 0.005 * rng.standard_normal())), float(at_s)):
            return float(at_s)
    return None


def test_a_front_that_ends_in_a_tail_is_known_and_not_at_once() -> None:
    found = _first(_tail)
    assert found is not None and 300.0 <= found <= 600.0


@pytest.mark.parametrize("curve", [_film, _glass, _front])
def test_films_glasses_and_falls_that_do_not_slow_down_are_not(curve: Callable[[float], float]) -> None:
    """The controls."""
    assert _first(curve) is None


@pytest.mark.parametrize("jump", [0.4, 1.5])
def test_a_bound_begins_anew(jump: float) -> None:
    """Half-way into another vessel, or back up: what is read then must come down by itself for as long."""
    jumped = _first(lambda s: _tail(s) * (jump if s > 250.0 else 1.0))
    assert jumped is None or jumped > 250.0 + 300.0


def test_zeros_are_no_glide() -> None:
    glide = Glide()
    for n in range(400):
        assert not glide.slows_down(_span(0.0 if n % 7 == 0 else _tail(n * PERIOD_S)), n * PERIOD_S)


@pytest.mark.parametrize(("is_flow", "believed"), [(True, True), (False, False)])
def test_the_gate_believes_it_in_flow_alone(is_flow: bool, believed: bool) -> None:
    """However wrong the forecast is: here it stays where it was. In portions it is whole portions that prove it."""
    gate = Gate()
    expected = Expectation(450.0, 600.0, True, True, False, comes_down=False, proof_low_us_cm=440.0, is_flow=is_flow)
    qualities = [gate.assess(_span(_tail(s)), s, 1.0, expected) for s in np.arange(30.0, 900.0, PERIOD_S).tolist()]
    assert qualities[5].cause is Cause.LOW
    assert any(q.quality is Quality.GOOD and q.rejoined for q in qualities) is believed
