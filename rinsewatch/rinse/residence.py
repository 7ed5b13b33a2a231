"""How long a parcel stays in a column of N mixed cells in series, each exchanging with slow liquid behind it.

The column is linear and starts evenly filled, so the strength of the filtrate relative to the start is the
chance that a parcel stays longer: P(T > x), with x the rinse volume. Two-region (mobile and immobile) model: van
Genuchten and Wierenga 1976, Soil Sci. Soc. Am. J. 40, 473; in cells: Coats and Smith 1964, SPE J. 4, 73 (both
from memory). One cell's moment generating function has two poles, ``slow < quick``; so a cell is passed at the
quick rate or, with a small chance, at the slow one, and the column's function is the Nth power.

Parcels that meet no slow passage leave as a gamma distribution, exactly. The others: Lugannani and Rice 1980,
Adv. Appl. Probab. 12, 475, about their saddle point; within 5 % of the matrix exponential over 14 e-folds.

Slow liquid that starts weaker, at a share f of the mobile liquid, takes up before it gives. Laplace's transform of
the filtrate is then that of an even start times (p + k + f b) / (p + k + b), with k the exchange and b what flows
into the slow liquid (both 1/mL): in time, less (1 - f) b times what the filtrate would have been, remembered at the
rate k + b. Exact for the first parcels; for the others the factor goes into the cumulants (within 6 % of the matrix
exponential at f = 0.5, 15 % at 0.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import erfcx, gammainc, gammaincc

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
    cumulant function itself, with the share of these parcels in it, all three with the factor of the start.
    """

    u: Array
    past_ml: Array
    variance_ml2: Array
    ln_mass: Array


@dataclass(frozen=True, slots=True)
class Residence:
    """The column of each hypothesis; arrays of any one shape (or shapes that broadcast).

    ``memory_per_ml``: at which the slow liquid comes into balance; ``lack_per_ml``: what flows into it, times the
    share it lacks at the start; ``beyond_per_ml``: the former less the slow pole.
    """

    cells: Array
    slow_per_ml: Array
    quick_per_ml: Array
    gap_per_ml: Array
    ln_direct: Array
    odds: Array
    memory_per_ml: Array
    lack_per_ml: Array
    beyond_per_ml: Array

    @classmethod
    def of(
        cls, cells: Array, mobile_ml: Array, slow_share: Array, exchange_per_ml: Array, fill: Array | float = 1.0
    ) -> Residence:
        """``slow_share``: slow per mobile volume; ``exchange_per_ml``: exchange rate over flow; ``fill``: strength of
        the slow liquid at the start, of the mobile liquid's. All positive."""
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
        lack = (1.0 - fill) * into
        return cls(cells, slow, quick, gap, cells * ln_quick, odds, exchange_per_ml + into, lack, below + into)

    def ln_strength(self, past_ml: Array) -> Array:
        """Log strength of the filtrate at rinse volumes (mL), at most 0."""
        past = np.maximum(past_ml, _LEAST_ML)
        return self.ln_strength_at(self.saddle(past), past)

    def ln_strength_at(self, here: Saddle, past_ml: Array) -> Array:
        """The same about a place close to the rinse volumes."""
        not_yet_taken = self._lack * np.exp(-self.memory_per_ml * past_ml)
        # The last two may cancel in part: what the first parcels leave in the slow liquid the others bring.
        strength = not_yet_taken + np.exp(self.ln_delayed(here, past_ml)) + self.direct(past_ml)
        out: Array = np.minimum(np.log(np.maximum(strength, _TINY)), 0.0)
        return out

    @property
    def _lack(self) -> Array:
        """Share of the filtrate the slow liquid takes up for itself, where the filtrate hardly changes."""
        return self.lack_per_ml / self.memory_per_ml

    def direct(self, past_ml: Array) -> Array:
        """Strength from parcels without a slow passage, less what the slow liquid took up of them."""
        stay = np.exp(self.ln_direct) * gammaincc(self.cells, self.quick_per_ml * past_ml)
        apart = np.maximum(self.quick_per_ml - self.memory_per_ml, _TINY)
        gone = gammainc(self.cells, apart * past_ml)
        ln_gain = self.cells * np.log(self.quick_per_ml / apart) - self.memory_per_ml * past_ml
        # Never more than there was: where the chance is too small for its gain there is nothing yet.
        taken = np.exp(self.ln_direct + np.minimum(np.log(np.maximum(gone, _TINY)) + ln_gain, 0.0))
        out: Array = stay - self._lack * (stay + np.where(gone > _TINY, taken, 0.0))
        return out

    def ln_delayed(self, here: Saddle, past_ml: Array) -> Array:
        """Log of the strength from parcels with slow passages, about a place close to ``past_ml``."""
        tilt = self._tilt(here)
        share = np.maximum(-np.expm1(self.ln_direct) * (1.0 - self._lack), _TINY)
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
        # The factor of the start, its logarithm and two derivatives; past and variance stay above nought, as both of
        # these are greater than u.
        below = u + self.beyond_per_ml
        above = below - self.lack_per_ml
        past = past - self.lack_per_ml / (above * below)
        variance = variance - 1.0 / (above * above) + 1.0 / (below * below)
        return Saddle(u, past, variance, ln_mass + np.log(above / below))

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
