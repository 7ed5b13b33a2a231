"""The bed: N mixed cells of mobile liquid, each with slow liquid behind it; conserves the residue exactly.

Amounts in mmol (mol/L x mL). Everything is linear, so a time step is the exponential of a rate matrix whose
columns sum to zero (the last state collects what has left): mass cannot appear or vanish.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Exchange:
    """Slow liquid as parallel compartments: share of the slow volume and exchange rate (1/s) of each."""

    shares: tuple[float, ...]
    rates_per_s: tuple[float, ...]

    @classmethod
    def law(cls, name: str, rate_per_s: float) -> Exchange:
        """``first-order``, ``two-rate`` (a quick and a lazy half) or ``diffusion`` out of spheres.

        Diffusion: the series for a sphere in a stirred bath, shares 6/(pi j)^2 and rates j^2 (Crank,
        The Mathematics of Diffusion), the fifth and quickest compartment standing for all further terms.
        """
        if name == "first-order":
            return cls((1.0,), (rate_per_s,))
        if name == "two-rate":
            return cls((0.6, 0.4), (rate_per_s * 3.0, rate_per_s / 2.0))
        if name != "diffusion":
            raise ValueError(f"unknown exchange law {name!r}; known: first-order, two-rate, diffusion")
        weights = [6.0 / (math.pi * j) ** 2 for j in range(1, 5)]
        return cls((*weights, 1.0 - sum(weights)), tuple(rate_per_s * j * j for j in range(1, 6)))


def exponential(matrix: Array) -> Array:
    """exp(matrix) by scaling and squaring a Taylor sum; column sums of zero stay column sums of one."""
    norm = float(np.abs(matrix).sum(axis=0).max())
    halvings = max(0, math.ceil(math.log2(max(norm, 1e-300) / 0.25)))
    small = matrix / 2.0**halvings
    result = np.eye(len(matrix))
    term = result
    for order in range(1, 14):
        term = term @ small / order
        result = result + term
    for _ in range(halvings):
        result = result @ result
    return result


@dataclass(slots=True)
class Bed:
    """Residue in a bed. ``entrained_ml`` mobile liquid in ``cells`` cells, ``slow_ml`` behind them.

    ``channel``: share of the flow that enters at two thirds of the bed, by-passing the cells above.
    State: mobile amounts of the cells, then slow amounts (cell by cell for each compartment), then what left.
    """

    entrained_ml: float
    slow_ml: float
    cells: int
    exchange: Exchange
    channel: float = 0.0
    amounts: Array = field(init=False)
    _steps: dict[tuple[float, float, float], Array] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.amounts = np.zeros(self.cells * (1 + len(self.exchange.shares)) + 1)

    def fill(self, mobile_mol_l: float, slow_mol_l: float) -> None:
        """Set every cell to these concentrations (mol/L)."""
        n = self.cells
        self.amounts[:] = 0.0
        self.amounts[:n] = mobile_mol_l * self.entrained_ml / n
        for j, share in enumerate(self.exchange.shares):
            self.amounts[n * (j + 1) : n * (j + 2)] = slow_mol_l * self.slow_ml * share / n

    @property
    def held_mmol(self) -> float:
        """Residue still in the bed."""
        return float(self.amounts[:-1].sum())

    @property
    def left_mmol(self) -> float:
        """Residue that has left since ``fill``."""
        return float(self.amounts[-1])

    @property
    def mobile_mol_l(self) -> float:
        """Mean concentration of the mobile liquid."""
        return float(self.amounts[: self.cells].sum()) / self.entrained_ml

    @property
    def slow_mol_l(self) -> float:
        """Mean concentration of the slow liquid."""
        return float(self.amounts[self.cells : -1].sum()) / self.slow_ml if self.slow_ml > 0 else 0.0

    @property
    def outlet_mol_l(self) -> float:
        """Concentration in the last cell: what flows out."""
        return float(self.amounts[self.cells - 1]) * self.cells / self.entrained_ml

    def _rates(self, flow_ml_s: float, mobile_ml: float) -> Array:
        """Rate matrix (1/s) with ``mobile_ml`` of mobile liquid and this flow through it."""
        n = self.cells
        cell_ml = mobile_ml / n
        matrix = np.zeros((len(self.amounts), len(self.amounts)))
        for j, (share, rate) in enumerate(zip(self.exchange.shares, self.exchange.rates_per_s, strict=True)):
            slow_cell_ml = self.slow_ml * share / n
            for i in range(n if slow_cell_ml > 0 else 0):
                slow = n * (j + 1) + i
                _carry(matrix, i, slow, rate * slow_cell_ml / cell_ml)
                _carry(matrix, slow, i, rate)
        entry = int(2 * n / 3) if n > 2 else 0
        for i in range(n):
            through = flow_ml_s * (1.0 if i >= entry else 1.0 - self.channel)
            _carry(matrix, i, i + 1 if i < n - 1 else len(self.amounts) - 1, through / cell_ml)
        return matrix

    def _advance(self, flow_ml_s: float, dt_s: float, mobile_ml: float) -> None:
        key = (flow_ml_s, dt_s, mobile_ml)
        if key not in self._steps:
            if len(self._steps) > 8:
                self._steps.clear()
            self._steps[key] = exponential(self._rates(flow_ml_s, mobile_ml) * dt_s)
        self.amounts = self._steps[key] @ self.amounts

    def flow(self, volume_ml: float, dt_s: float) -> float:
        """Let ``volume_ml`` of clean water through in ``dt_s``; mean effluent concentration, mol/L."""
        before = self.left_mmol
        self._advance(volume_ml / dt_s, dt_s, self.entrained_ml)
        return (self.left_mmol - before) / volume_ml

    def rest(self, dt_s: float) -> None:
        """Nothing flows: mobile and slow liquid drift together."""
        if dt_s > 0:
            self._advance(0.0, dt_s, self.entrained_ml)

    def soak(self, portion_ml: float, dt_s: float) -> float:
        """Stirred contact with ``portion_ml`` in the bed; strength of the free liquid, mol/L."""
        mobile_ml = self.entrained_ml + portion_ml
        n = self.cells
        self.amounts[:n] = self.amounts[:n].sum() / n
        if dt_s > 0:
            self._advance(0.0, dt_s, mobile_ml)
            self.amounts[:n] = self.amounts[:n].sum() / n
        return float(self.amounts[:n].sum()) / mobile_ml

    def drain(self, portion_ml: float) -> float:
        """Drain ``portion_ml`` of the free liquid; its concentration, mol/L."""
        n = self.cells
        mobile_ml = self.entrained_ml + portion_ml
        concentration = float(self.amounts[:n].sum()) / mobile_ml
        self.amounts[:n] *= self.entrained_ml / mobile_ml
        self.amounts[-1] += concentration * portion_ml
        return concentration

    def portion(self, volume_ml: float, contact_s: float, bypass: float = 0.0) -> float:
        """One portion poured, stirred, drained; ``bypass`` of it runs past. Filtrate concentration, mol/L."""
        mixing_ml = volume_ml * (1.0 - bypass)
        self.soak(mixing_ml, contact_s)
        return self.drain(mixing_ml) * (1.0 - bypass)


def _carry(matrix: Array, source: int, sink: int, rate_per_s: float) -> None:
    """Move ``rate_per_s`` of the source's amount to the sink: the column keeps summing to zero."""
    matrix[source, source] -= rate_per_s
    matrix[sink, source] += rate_per_s
