"""The washout in continuous flow of many hypotheses at once: nominal log level against rinse water.

N mixed cells in series, slow liquid behind each (``residence``). Levels are linear conductivity, uS/cm, above the
floor. In a rest the slow liquid refills the mobile liquid beside it. Afterwards the column's curve goes on where it
was, weaker by what the slow liquid gave; what the mobile liquid gained leaves as a front of its own. Late in a rinse
the residue sits near the outlet: of neighbouring cells the upper holds a share ``fade`` of the lower. So the front is
``sum of fade**j e**-y y**j / j!`` over j < N, which is ``e**(-(1 - fade) y) Q(N, fade y)``, with y = N V / Ve.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import gammaincc

from rinsewatch.rinse.beds import exchange
from rinsewatch.rinse.flowpath import FlowPath
from rinsewatch.rinse.prior import CELLS, ENTRAINED, EXCHANGE, SLOW, START, Array, fill
from rinsewatch.rinse.residence import Residence

_TINY: Final = 1e-300
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(16)
_MEMORY: Final = 30.0  # e-folds of the exchange: older water is forgotten, and the nodes must not miss the newest
_PLACES: Final = 48
_PLACES_BEND: Final = 1.5  # places lie the closer the nearer
_LEAST_PAST: Final = 0.1  # of the resin volume: before, next to nothing has changed
_BEFORE: Final = 0.98  # the first place lies a little before where one is
_MOST_FADE: Final = 20.0
_LEAST_APART: Final = 0.1  # cells
_NEAR_PLACES: Final = np.geomspace(0.005, 3.0, 44)  # resin volumes
_FAR_EFOLDS: Final = 80.0  # of the slow pole: nobody rinses so far


@dataclass(frozen=True, slots=True)
class FlowState:
    """Start of the present stretch of flow and its volume (mL); shapes (count,), strengths relative to the start.

    ``kept``: what is left of the column's own curve; ``gained``: by the mobile liquid at the outlet in the rest
    before; ``fade``: from cell to cell upwards; ``slow``: strength of the slow liquid at the outlet; ``fill``: with
    which the column's curve starts.
    """

    kept: Array
    gained: Array
    fade: Array
    slow: Array
    fill: Array
    volume_ml: float


class FlowBed:
    """Continuous flow through the bed, at one flow."""

    def __init__(self, resin_ml: float, flow_ml_s: float) -> None:
        self.resin_ml = resin_ml
        self.flow_ml_s = flow_ml_s

    def start(self, theta: Array) -> FlowState:
        """The mobile liquid at full strength, the slow liquid not quite."""
        ones, filled = np.ones(theta.shape[0]), fill(theta)
        return FlowState(ones, 0.0 * ones, ones, filled, filled, 0.0)

    def level(self, theta: Array, state: FlowState, volume_ml: float) -> Array:
        """Log level of each hypothesis at one rinse volume; shape (count,)."""
        return self.levels(theta, state, np.array([volume_ml]))[:, 0]

    def levels(self, theta: Array, state: FlowState, volumes_ml: Array) -> Array:
        """Log levels at m rinse volumes shared by all hypotheses; shape (count, m)."""
        volumes = np.maximum(volumes_ml, state.volume_ml)[None, :]
        out: Array = theta[:, START, None] + self._curve(theta, state).at(volumes)
        return out

    def _curve(self, theta: Array, state: FlowState, above: float = 0.0) -> _Curve:
        """At the outlet, or ``above`` cells above it (the uppermost always counts): a column so much shorter."""
        columns = theta.T[:, :, None]
        whole, mobile_ml = np.exp(columns[CELLS]), self.resin_ml * np.exp(columns[ENTRAINED])
        cells = np.maximum(whole - above, 1.0) if above else whole
        rate = np.exp(columns[EXCHANGE]) / self.flow_ml_s
        column = Residence.of(cells, mobile_ml * cells / whole, np.exp(columns[SLOW]), rate, state.fill[:, None])
        return _Curve(column, whole / mobile_ml, state, above)

    def path(self, theta: Array, state: FlowState, volume_ml: float) -> FlowPath:
        """All that lies ahead of a rinse volume, worked out once."""
        curve = self._curve(theta, state)
        column = curve.column
        begin_ml = max(_BEFORE * volume_ml, state.volume_ml, _LEAST_PAST * self.resin_ml)
        here = column.saddle(np.full((theta.shape[0], 1), begin_ml))
        reach = np.log(here.u * _FAR_EFOLDS / np.minimum(column.slow_per_ml, here.u))
        part = np.linspace(0.0, 1.0, _PLACES)[None, :] ** _PLACES_BEND
        u = here.u * np.exp(-reach * part)
        if state.gained.any():
            # The front after a rest is short beside all the water before it.
            near = (begin_ml + self.resin_ml * _NEAR_PLACES)[None, :]
            u = -np.sort(-np.hstack([u, column.saddle(near).u]), axis=1)
        volumes, ln_strength = curve.along(u)
        beside_ml, ln_beside = curve.along(column.beside(u))
        slope = (ln_beside - ln_strength) / (beside_ml - volumes)
        return FlowPath.through(volumes, theta[:, START, None] + ln_strength, slope)

    def rest(self, theta: Array, state: FlowState, volume_ml: float, seconds: float) -> FlowState:
        """The flow stood still: slow and mobile liquid beside each other drift together."""
        curve, upper = self._curve(theta, state), self._curve(theta, state, above=1.0)
        slow, above = (self._slow(theta, each, volume_ml) for each in (curve, upper))
        at = np.array([[volume_ml]])
        before = np.exp(curve.at(at))[:, 0]
        mobile, left = exchange(before, slow, np.exp(theta[:, SLOW]), np.exp(theta[:, EXCHANGE]), seconds)
        # In the front the slow liquid may gain: then it is as if it had been fuller from the start, and all weaker.
        gains = left > slow
        filled = np.where(gains, np.minimum(state.fill * (left / slow) * (before / mobile), 1.0), state.fill)
        column = np.exp(self._curve(theta, replace(state, fill=filled)).column.ln_strength(at))[:, 0]
        kept = np.where(gains, mobile / column, state.kept * left / slow)
        apart = np.maximum(np.exp(theta[:, CELLS]) - upper.column.cells[:, 0], _LEAST_APART)
        fade = np.exp(np.clip(np.log(above / slow) / apart, -_MOST_FADE, 0.0))
        gained = np.where(gains, 0.0, mobile - kept * column)
        return FlowState(kept, gained, fade, left, filled, volume_ml)

    def _slow(self, theta: Array, curve: _Curve, volume_ml: float) -> Array:
        """Slow liquid follows the mobile liquid beside it at its rate: the integral over what it remembers of that."""
        state = curve.state
        per_ml, past_ml = np.exp(theta[:, EXCHANGE]) / self.flow_ml_s, max(volume_ml - state.volume_ml, 0.0)
        half = 0.5 * np.minimum(past_ml, _MEMORY / per_ml)
        ago_ml = half[:, None] * (1.0 + _NODES)
        strength = np.exp(curve.at(volume_ml - ago_ml))
        taken = half * per_ml * ((strength * np.exp(-per_ml[:, None] * ago_ml)) @ _NODE_WEIGHTS)
        begin = state.slow * state.fade**curve.above
        return np.maximum(begin * np.exp(-per_ml * past_ml) + taken, _TINY)


@dataclass(frozen=True, slots=True)
class _Curve:
    """Strength relative to the start over the rinse volume, from a state on; arrays of shape (count, 1)."""

    column: Residence
    through_per_ml: Array
    state: FlowState
    above: float

    def at(self, volume_ml: Array) -> Array:
        """Log strength at rinse volumes, shape (1 or count, m)."""
        return self.ln_strength(self.column.ln_strength(volume_ml), volume_ml)

    def along(self, u: Array) -> tuple[Array, Array]:
        """Rinse volume (mL) and log strength at places of the column's curve."""
        here = self.column.at(u)
        return here.past_ml, self.ln_strength(self.column.ln_strength_at(here, here.past_ml), here.past_ml)

    def ln_strength(self, ln_column: Array, volume_ml: Array) -> Array:
        """Log strength where the column's own is known."""
        kept = self.state.kept[:, None]
        if not self.state.gained.any():
            return ln_column + np.log(kept)
        since_ml = np.maximum(volume_ml - self.state.volume_ml, 0.0)  # a place found by search may lie a hair before
        y, fade = self.through_per_ml * since_ml, self.state.fade[:, None]
        front = np.exp(-(1.0 - fade) * y) * gammaincc(self.column.cells, fade * y)
        gained = self.state.gained[:, None] * fade**self.above
        out: Array = np.log(np.maximum(kept * np.exp(ln_column) + gained * front, _TINY))
        return out
