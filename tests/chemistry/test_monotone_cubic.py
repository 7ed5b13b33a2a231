"""Our small curve against scipy's PCHIP, the same method written by others."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from rinsewatch.chemistry.monotone import MonotoneCubic


@settings(deadline=None, max_examples=80)
@given(
    steps=st.lists(st.floats(0.1, 5.0), min_size=3, max_size=12),
    heights=st.lists(st.integers(-50, 50), min_size=13, max_size=13),
)
def test_same_as_scipy(steps: list[float], heights: list[int]) -> None:
    x = np.cumsum(steps)
    y = np.array(heights[: len(steps)], dtype=np.float64)
    at = np.linspace(x[0], x[-1], 101)
    assert np.allclose(MonotoneCubic.through(x, y)(at), PchipInterpolator(x, y)(at), atol=1e-9)


def test_outside_it_holds_the_ends() -> None:
    curve = MonotoneCubic.through(np.array([0.0, 1.0, 2.0]), np.array([3.0, 4.0, 9.0]))
    assert curve(np.array([-5.0, 7.0])).tolist() == [3.0, 9.0]
