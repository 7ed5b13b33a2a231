"""One fit against a certified data set: NIST StRD Misra1a (nonlinear regression, lower difficulty).

Model y = b1 (1 - exp(-b2 x)): an uptake curve, which is our washout upside down. Compared here: the parameters and
the residual sum of squares that scipy's least squares finds with (a) the plain formula and (b) the project's own
washout curves of one mixed cell, 1 - W(x), Ve = 1/b2, in flow and in portions, with NIST's certified values.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import curve_fit

from rinsewatch.rinse.beds import Ladder
from rinsewatch.rinse.flowbed import FlowBed
from rinsewatch.rinse.prior import CELLS, ENTRAINED, SLOW

Array = npt.NDArray[np.float64]
# NIST StRD, Misra1a (Misra 1978, monomolecular adsorption): x volume, y pressure.
X = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])
Y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.4, 75.47, 81.78])
CERTIFIED_B1, CERTIFIED_B2, CERTIFIED_SSR = 238.94212918, 0.00055015643181, 0.12455138894
NIST_STARTS = [(500.0, 1e-4), (250.0, 5e-4)]


def _formula(x: Array, b1: float, b2: float) -> Array:
    return np.asarray(b1 * (1.0 - np.exp(-b2 * x)))


def _flow_of_one_cell(x: Array, b1: float, b2: float) -> Array:
    theta = np.zeros((1, 9))
    theta[0, ENTRAINED], theta[0, CELLS], theta[0, SLOW] = -math.log(b2), 0.0, -60.0
    bed = FlowBed(1.0, 1.0)
    return np.asarray(b1 * (1.0 - np.exp(bed.levels(theta, bed.start(theta), x)[0])))


def _portions_without_tail(x: Array, b1: float, b2: float) -> Array:
    one = np.ones(1)
    ladder = Ladder(one, 0.0 * one, -b2 * one, -b2 * one)
    return np.asarray(b1 * (1.0 - np.exp([ladder.log_level(one + each)[0] for each in x])))


@pytest.mark.parametrize("start", NIST_STARTS)
@pytest.mark.parametrize("model", [_formula, _flow_of_one_cell, _portions_without_tail])
def test_misra1a(model: Callable[[Array, float, float], Array], start: tuple[float, float]) -> None:
    """Six digits of both parameters and of the residual sum of squares, from both of NIST's starts."""
    found, _ = curve_fit(model, X, Y, p0=start, x_scale=(100.0, 1e-4), method="trf", ftol=1e-14, xtol=1e-14, gtol=1e-14)
    assert tuple(found) == pytest.approx((CERTIFIED_B1, CERTIFIED_B2), rel=1e-6)
    assert float(np.sum((Y - model(X, *found)) ** 2)) == pytest.approx(CERTIFIED_SSR, rel=1e-6)
