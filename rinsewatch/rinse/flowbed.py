"""The washout in continuous flow of many hypotheses at once: nominal log level against rinse water.

N mixed cells in series, slow liquid behind each (``residence``). Levels are linear conductivity, uS/cm, above the
floor. After a rest the mobile liquid is stronger or weaker than the slow: the difference leaves as the mobile
liquid alone would, ``Q(N, N V/Ve)`` (regularised incomplete gamma).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import gammaincc

from rinsewatch.rinse.beds import exchange
from rinsewatch.rinse.flowpath import FlowPath
from rinsewatch.rinse.prior import CELLS, ENTRAINED, EXCHANGE, SLOW, START, Array
from rinsewatch.rinse.residence import Residence

_TINY: Final = 1e-300
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(16)
_PLACES: Final = 32
_PLACES_BEND: Final = 1.5  # places lie the closer the nearer
_LEAST_PAST: Final = 0.1  # of the resin volume: before, next to nothing has changed
_BEFORE: Final = 0.98  # the first place lies a little before where one is
_FAR_EFOLDS: Final = 80.0  # of the slow pole: nobody rinses so far


@dataclass(frozen=True, slots=True)
class FlowState:
    """Start of the present stretch of flow: strengths there, relative to the start, and its volume (mL)."""

    mobile: Array
    slow: Array
    volume_ml: float


class FlowBed:
    """Continuous flow through the bed, at one flow."""

    def __init__(self, resin_ml: float, flow_ml_s: float) -> None:
        self.resin_ml = resin_ml
        self.flow_ml_s = flow_ml_s

    def start(self, theta: Array) -> FlowState:
        """All liquid at full strength."""
        ones = np.ones(theta.shape[0])
        return FlowState(ones, ones, 0.0)

    def level(self, theta: Array, state: FlowState, volume_ml: float) -> Array:
        """Log level of each hypothesis at one rinse volume; shape (count,)."""
        return self.levels(theta, state, np.array([volume_ml]))[:, 0]

    def levels(self, theta: Array, state: FlowState, volumes_ml: Array) -> Array:
        """Log levels at m rinse volumes shared by all hypotheses; shape (count, m)."""
        past = np.maximum(volumes_ml - state.volume_ml, 0.0)[None, :]
        curve = self._curve(theta, state)
        out: Array = theta[:, START, None] + curve.ln_strength(curve.column.ln_chance(past), past)
        return out

    def _curve(self, theta: Array, state: FlowState) -> _Curve:
        columns = theta.T[:, :, None]
        cells, mobile_ml = np.exp(columns[CELLS]), self.resin_ml * np.exp(columns[ENTRAINED])
        column = Residence.of(cells, mobile_ml, np.exp(columns[SLOW]), np.exp(columns[EXCHANGE]) / self.flow_ml_s)
        return _Curve(column, cells / mobile_ml, state.slow[:, None], (state.mobile - state.slow)[:, None])

    def path(self, theta: Array, state: FlowState, volume_ml: float) -> FlowPath:
        """All that lies ahead of a rinse volume, worked out once."""
        curve = self._curve(theta, state)
        column = curve.column
        past_ml = max(_BEFORE * (volume_ml - state.volume_ml), _LEAST_PAST * self.resin_ml)
        here = column.saddle(np.full((theta.shape[0], 1), past_ml))
        reach = np.log(here.u * _FAR_EFOLDS / np.minimum(column.slow_per_ml, here.u))
        part = np.linspace(0.0, 1.0, _PLACES)[None, :] ** _PLACES_BEND
        places = column.at(here.u * np.exp(-reach * part))
        ln_strength = curve.ln_strength(column.ln_chance_at(places, places.past_ml), places.past_ml)
        return FlowPath.through(state.volume_ml + places.past_ml, theta[:, START, None] + ln_strength)

    def rest(self, theta: Array, state: FlowState, volume_ml: float, seconds: float) -> FlowState:
        """The flow stood still: slow and mobile liquid about the outlet drift together."""
        past, rate = max(volume_ml - state.volume_ml, 0.0), np.exp(theta[:, EXCHANGE])
        mobile = np.exp(self.level(theta, state, volume_ml) - theta[:, START])
        slow = self._slow_at_outlet(theta, state, past)
        mobile, slow = exchange(mobile, slow, np.exp(theta[:, SLOW]), rate, seconds)
        return FlowState(mobile, slow, volume_ml)

    def _slow_at_outlet(self, theta: Array, state: FlowState, past_ml: float) -> Array:
        """Slow liquid follows the mobile liquid beside it at its rate: the integral over what passed."""
        per_ml = np.exp(theta[:, EXCHANGE]) / self.flow_ml_s
        places = 0.5 * past_ml * (1.0 + _NODES)
        strength = np.exp(self.levels(theta, state, state.volume_ml + places) - theta[:, START, None])
        memory = np.exp(-per_ml[:, None] * (past_ml - places))
        taken: Array = 0.5 * past_ml * per_ml * ((strength * memory) @ _NODE_WEIGHTS)
        return state.slow * np.exp(-per_ml * past_ml) + taken


@dataclass(frozen=True, slots=True)
class _Curve:
    """Strength relative to the start over the volume since a state; arrays of shape (count, 1)."""

    column: Residence
    through_per_ml: Array
    slow: Array
    surplus: Array  # of the mobile liquid over the slow

    def ln_strength(self, ln_chance: Array, past_ml: Array) -> Array:
        """Log strength where the column's log chance is known."""
        if not self.surplus.any():
            return ln_chance + np.log(self.slow)
        alone = self.surplus * gammaincc(self.column.cells, self.through_per_ml * past_ml)
        return np.log(np.maximum(self.slow * np.exp(ln_chance) + alone, _TINY))
