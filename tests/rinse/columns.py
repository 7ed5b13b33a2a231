"""For the tests of the beds: one hypothesis by its plain numbers, and a column as a matrix (scipy's expm)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import expm

from rinsewatch.rinse.prior import CELLS, ENTRAINED, EXCHANGE, FILL, LEAST_FILL, SLOW, START

Array = npt.NDArray[np.float64]
NO_SLOW = -60.0
FULL = 40.0  # slow liquid as strong as the mobile liquid at the start


def theta_of(
    entrained: float = 0.45,
    slow: float = 0.1,
    rate_s: float = 3e-3,
    cells: float = 4.0,
    start: float = 1.0,
    fill: float = 1.0,
) -> Array:
    """One hypothesis, shape (1, 9)."""
    theta = np.zeros((1, 9))
    theta[0, FILL] = math.log((fill - LEAST_FILL) / (1.0 - fill)) if fill < 1.0 else FULL
    theta[0, ENTRAINED], theta[0, SLOW] = math.log(entrained), math.log(slow) if slow else NO_SLOW
    theta[0, EXCHANGE], theta[0, CELLS], theta[0, START] = math.log(rate_s), math.log(cells), math.log(start)
    return theta


@dataclass(frozen=True, slots=True)
class Column:
    """A column's numbers: cells, mobile liquid (mL), slow per mobile liquid, exchange (1/s), flow (mL/s), fill."""

    cells: int
    mobile_ml: float
    slow_share: float
    rate_s: float
    flow_ml_s: float
    fill: float = 1.0

    @classmethod
    def drawn(cls, rng: np.random.Generator, resin_ml: float, fill: float = 1.0) -> Column:
        """Any of the usual kinds, at 4 to 30 resin volumes an hour."""
        cells, share, rate = (
            int(rng.integers(1, 31)),
            math.exp(rng.uniform(-3.0, -0.5)),
            math.exp(rng.uniform(-7.6, -4.6)),
        )
        flow = resin_ml * math.exp(rng.uniform(math.log(4.0), math.log(30.0))) / 3600.0
        return cls(cells, 0.45 * resin_ml, share, rate, flow, fill)

    def theta(self, resin_ml: float) -> Array:
        """The same as a hypothesis."""
        return theta_of(self.mobile_ml / resin_ml, self.slow_share, self.rate_s, self.cells, fill=self.fill)


class MixedCells:
    """N cells in series with slow liquid behind each: mobile amounts, then slow ones."""

    def __init__(self, column: Column) -> None:
        self._column = column
        self.flowing, self.still = self._rates(column.flow_ml_s), self._rates(0.0)
        self.amounts = np.ones(2 * column.cells)
        self.amounts[column.cells :] = column.slow_share * column.fill

    def _rates(self, flow_ml_s: float) -> Array:
        n, rate, share = self._column.cells, self._column.rate_s, self._column.slow_share
        through = n * flow_ml_s / self._column.mobile_ml
        matrix = np.zeros((2 * n, 2 * n))
        for i in range(n):
            matrix[i, i] -= through + rate * share
            matrix[n + i, i] += rate * share
            matrix[n + i, n + i] -= rate
            matrix[i, n + i] += rate
            if i:
                matrix[i, i - 1] += through
        return matrix

    def run(self, rates: Array, seconds: float) -> float:
        """Strength of the filtrate after so long, relative to the start."""
        return self.step(np.asarray(expm(rates * seconds)))

    def step(self, map_: Array) -> float:
        """The same by a map worked out before."""
        self.amounts = map_ @ self.amounts
        return float(self.amounts[self._column.cells - 1])
