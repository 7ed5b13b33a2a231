"""How long a parcel stays in a column of N mixed cells in series, each exchanging with slow liquid behind it.

The column is linear and starts evenly filled, so the strength of the filtrate relative to the start is the
chance that a parcel stays longer: P(T > x), with x the rinse volume. Two-region (mobile and immobile) model: van
Genuchten and Wierenga 1976, Soil Sci. Soc. Am. J. 40, 473; in cells: Coats and Smith 1964, SPE J. 4, 73 (both
from memory). One cell's moment generating function has two poles, ``slow < quick``; so a cell is passed at the
quick rate or, with a small chance, at the slow one, and the column's function is the Nth power.

Parcels that meet no slow passage leave as a gamma distribution, exactly. The others: Lugannani and Rice 1980,
Adv. Appl. Probab. 12, 475, about their saddle point; within 5 % of the matrix exponential over 14 e-folds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import erfcx, gammaincc

from rinsewatch.rinse.prior import Array

_TINY: Final = 1e-300
_LEAST_W: Final = -8.0  # below: the chance is 1 to the last digit
_AT_MEAN: Final = 1e-3  # of the slow pole: nearer to the mean the formula divides nought by nought
_BESIDE: Final = 1e-4
_LEAST_HALF: Final = 1e-12  # of half w squared, which rounding may bring below nought
_NONE: Final = 1e-9  # slow per mobile liquid: as good as none
_LEAST_ML: Final = 1e-9
_MOST_STEPS: Final = 20  # four are the rule
_NEAR: Final = 1e-3  # of the volume; one more step of Newton's squares it
_ROOT_HALF: Final = float(np.sqrt(0.5))
_MOST_STEP: Final = 2.0  # of the logarithm of ``u``
_LN_ROOT_2PI: Final = 0.5 * float(np.log(2.0 * np.pi))
_ROOT_HALF_PI: Final = float(np.sqrt(0.5 * np.pi))


@dataclass(frozen=True, slots=True)
class Saddle:
    """A place on the curve of the parcels that meet slow liquid: ``u`` is the slow pole less the tilt, 1/mL.

    ``past_ml`` and ``variance_ml2`` are first and second derivative of the cumulants there; ``ln_mass`` is the
    cumulant function itself, with the share of these parcels in it.
    """

    u: Array
    past_ml: Array
    variance_ml2: Array
    ln_mass: Array


@dataclass(frozen=True, slots=True)
class Residence:
    """The column of each hypothesis; arrays of any one shape (or shapes that broadcast)."""

    cells: Array
    slow_per_ml: Array
    quick_per_ml: Array
    gap_per_ml: Array
    ln_direct: Array
    odds: Array

    @classmethod
    def of(cls, cells: Array, mobile_ml: Array, slow_share: Array, exchange_per_ml: Array) -> Residence:
        """``slow_share``: slow per mobile volume; ``exchange_per_ml``: exchange rate over flow. All positive."""
        through = cells / mobile_ml
        # As good as no slow liquid: its rate tells nothing, and the slower pole must stay the exchange's.
        exchange_per_ml = np.where(slow_share < _NONE, np.minimum(exchange_per_ml, 0.5 * through), exchange_per_ml)
        into = exchange_per_ml * slow_share
        gap = np.sqrt((through - exchange_per_ml) ** 2 + 2.0 * into * (through + exchange_per_ml) + into * into)
        quick = 0.5 * (through + into + exchange_per_ml + gap)
        slow = through * exchange_per_ml / quick
        # The two differences to the slow pole by what does not cancel: their product is into * exchange.
        product = np.maximum(into * exchange_per_ml, _TINY)
        wide = np.where(exchange_per_ml > through, exchange_per_ml - slow, through + into - slow)
        wide = np.maximum(wide, _TINY)
        below = np.where(exchange_per_ml > through, wide, product / wide)  # exchange less slow pole
        passed_slow = through * below / (slow * gap)
        passed_quick = through * product / below / (quick * gap)
        odds = passed_slow * slow / (passed_quick * quick)
        ln_quick = np.where(passed_slow < 0.5, np.log1p(-np.minimum(passed_slow, 0.5)), np.log(passed_quick))
        return cls(cells, slow, quick, gap, cells * ln_quick, odds)

    def ln_chance(self, past_ml: Array) -> Array:
        """Log of P(T > x) at rinse volumes (mL), at most 0."""
        past = np.maximum(past_ml, _LEAST_ML)
        return self.ln_chance_at(self.saddle(past), past)

    def ln_chance_at(self, here: Saddle, past_ml: Array) -> Array:
        """The same about a place close to the rinse volumes."""
        chance = self.direct(past_ml) + np.exp(self.ln_delayed(here, past_ml))
        out: Array = np.minimum(np.log(chance + _TINY), 0.0)
        return out

    def direct(self, past_ml: Array) -> Array:
        """Chance to stay longer without a slow passage."""
        out: Array = np.exp(self.ln_direct) * gammaincc(self.cells, self.quick_per_ml * past_ml)
        return out

    def ln_delayed(self, here: Saddle, past_ml: Array) -> Array:
        """Log of the chance to stay longer with slow passages, about a place close to ``past_ml``."""
        tilt = self._tilt(here)
        share = np.maximum(-np.expm1(self.ln_direct), _TINY)
        half = tilt * here.past_ml - here.ln_mass + np.log(share)
        w = np.maximum(np.copysign(np.sqrt(np.maximum(2.0 * half, _LEAST_HALF)), tilt), _LEAST_W)
        upper = _ROOT_HALF_PI * erfcx(w * _ROOT_HALF) + 1.0 / (tilt * np.sqrt(here.variance_ml2)) - 1.0 / w
        out: Array = np.log(share) - 0.5 * w * w - _LN_ROOT_2PI + np.log(np.maximum(upper, _TINY))
        return np.minimum(out, np.log(share)) - np.maximum(tilt, 0.0) * (past_ml - here.past_ml)

    def _tilt(self, here: Saddle) -> Array:
        return self.slow_per_ml - here.u

    def at(self, u: Array) -> Saddle:
        """The place with this ``u`` (> 0), or beside it where it lies on the mean."""
        aside = 1.0 - _AT_MEAN
        u = np.where(np.abs(u / self.slow_per_ml - 1.0) < _AT_MEAN, aside * self.slow_per_ml, u)
        v = u + self.gap_per_ml
        y = self.odds * v / u
        z, ln_power = y / (1.0 + y), self.cells * np.log1p(y)
        part = -np.expm1(-ln_power)
        g = self.cells * z / part  # slow passages to expect: from 1 to N
        a, b = 1.0 / u, 1.0 / v
        past = g * a + (self.cells - g) * b
        variance = g * a * a + (self.cells - g) * b * b + g * (1.0 + (self.cells - 1.0) * z - g) * (a - b) ** 2
        ln_mass = self.ln_direct + self.cells * np.log(self.quick_per_ml * b) + ln_power + np.log(part)
        return Saddle(u, past, variance, ln_mass)

    def beside(self, u: Array) -> Array:
        """A ``u`` a little further on, to take a slope with: never the same place."""
        on_mean = np.abs(u / self.slow_per_ml - 1.0) < _AT_MEAN
        return np.where(on_mean, (1.0 - 3.0 * _AT_MEAN) * self.slow_per_ml, (1.0 - _BESIDE) * u)

    def saddle(self, past_ml: Array) -> Saddle:
        """The place of these parcels' curve at a rinse volume (mL, > 0), by Newton's steps on its logarithm."""
        here = self.at(self._between(past_ml))
        for _ in range(_MOST_STEPS):
            last = bool(np.all(np.abs(here.past_ml / past_ml - 1.0) < _NEAR))
            here = self.at(self.towards(here, past_ml))
            if last:
                break
        return here

    def _between(self, past_ml: Array) -> Array:
        """Where to begin: exact for a fixed number of slow passages, here the root of N (of 1 to N)."""
        drag = past_ml * self.gap_per_ml
        excess, twice = self.cells - drag, 2.0 * np.sqrt(self.cells)
        root = np.sqrt(excess * excess + 2.0 * drag * twice)
        # Two forms of one root, each where nothing cancels.
        below = self.gap_per_ml * twice / np.where(excess > 0.0, 1.0, root - excess)
        return np.where(excess > 0.0, (excess + root) / (2.0 * past_ml), below)

    @staticmethod
    def towards(here: Saddle, past_ml: Array) -> Array:
        """One step of ``u`` from a place to the one at ``past_ml``."""
        step = np.log(here.past_ml / past_ml) * here.past_ml / (here.variance_ml2 * here.u)
        out: Array = here.u * np.exp(np.clip(step, -_MOST_STEP, _MOST_STEP))
        return out
