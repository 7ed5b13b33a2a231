"""Traces of residue in water that holds carbon dioxide: what the meter makes of the last of the rinse.

Near the end the residue does not simply add to the rinse water. Caustic is first neutralised by the dissolved
carbon dioxide and then conducts as bicarbonate (about 95 instead of 248 S cm2/mol), acid pushes the water's
own carbonic acid back. Closed forms from the charge balance; all levels linear uS/cm, arrays (count,).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rinsewatch.rinse.prior import CARBON, PURE_WATER_US_CM, Array, Flags, Prior
from rinsewatch.rinse.setup import Residue

# Limiting molar conductivities at 25 C, S cm2/mol: CRC Handbook, ionic conductivity and diffusion.
_H, _OH, _NA, _CL, _HCO3, _CO3 = 349.65, 198.0, 50.08, 76.31, 44.5, 138.6
# Carbonic acid at 25 C: Harned and Davis 1943 (K1), Harned and Scholes 1941 (K2); water: IAPWS R11-07.
_K1, _K2, _KW = 4.45e-7, 4.69e-11, 1.012e-14
_PER_MOL_L: Final = 1000.0  # S cm2/mol times mol/L gives mS/cm... times 1000: uS/cm
MOST_CARBONIC_US_CM: Final = 1.1  # water in equilibrium with laboratory air, CRC Handbook (KCl standards table)
_BIG_US_CM: Final = 400.0  # above it all of this is less than 1 %
_NUDGE: Final = 1.03
_LN_NUDGE: Final = float(np.log(_NUDGE))
_NOTHING_US_CM: Final = 1e-9
_LEAST_SLOPE: Final = 0.02  # caustic passes a minimum: keep the filter from learning backwards
_RATIOS: Final = np.geomspace(0.02, 1.2, 16)


@dataclass(frozen=True, slots=True)
class Water:
    """The water behind the residue for each hypothesis: floor in all, its salt, its carbonic acid (mol/L)."""

    residue: Residue
    floor: Array
    salt: Array
    carbonate: Array

    @classmethod
    def of(cls, residue: Residue, theta: Array, prior: Prior) -> Water:
        """Read the floor and its share of carbon dioxide out of the parameters."""
        floor = prior.floor_us_cm(theta)
        share = 1.0 / (1.0 + np.exp(-theta[:, CARBON]))
        carbonic = share * np.minimum(np.maximum(floor - PURE_WATER_US_CM, 0.0), MOST_CARBONIC_US_CM)
        if residue is Residue.SALT:
            carbonic = np.zeros_like(floor)
        hydrogen = carbonic / ((_H + _HCO3) * _PER_MOL_L)
        free = hydrogen * hydrogen / _K1
        # Acid pushes the carbonic acid back and only ever sees the free part; caustic takes up all of it.
        return cls(residue, floor, floor - carbonic, free if residue is Residue.HCL else free + hydrogen)

    def is_simple(self, level: Array) -> bool:
        """Residue and water simply add: salt, or far above what carbon dioxide can do."""
        return self.residue is Residue.SALT or float(level.min()) > _BIG_US_CM

    def reading(self, level: Array) -> Array:
        """Linear conductivity of the filtrate for a level of residue."""
        if self.is_simple(level):
            return self.floor + level
        return self.salt + self._traces(level)

    def reading_and_slope(self, level: Array) -> tuple[Array, Array]:
        """Reading, and its relative change per relative change of the level (1 far above the floor)."""
        if self.is_simple(level):
            reading = self.floor + level
            return reading, level / reading
        reading = self.reading(level)
        slope = np.log((self.salt + self._traces(_NUDGE * level)) / reading) / _LN_NUDGE
        return reading, np.maximum(slope, _LEAST_SLOPE)

    def _traces(self, level: Array) -> Array:
        if self.residue is Residue.NAOH:
            return _caustic(level / ((_NA + _OH) * _PER_MOL_L), self.carbonate)
        return _acid(level / ((_H + _CL) * _PER_MOL_L), self.carbonate)

    def level(self, reading: float) -> tuple[Array, Flags]:
        """(level of residue at which the filtrate has come down to ``reading``, whether it ever does).

        Where it never does the level is next to nothing, so that no chance is given to it.
        """
        room = reading - self.salt
        if self.residue is Residue.SALT:
            level, ever = room, room > 0
        elif self.residue is Residue.HCL:
            level, ever = _acid_for(room, self.carbonate) * (_H + _CL) * _PER_MOL_L, room > self.floor - self.salt
        else:
            level, ever = self._caustic_level(room)
        return np.where(ever, np.maximum(level, _NOTHING_US_CM), _NOTHING_US_CM), ever

    def _caustic_level(self, room: Array) -> tuple[Array, Flags]:
        """Caustic passes a minimum below the floor on its way: the branch above the minimum counts."""
        carbonate = np.maximum(self.carbonate, 1e-10)
        grid = _caustic(_RATIOS[:, None] * carbonate, carbonate)
        lowest = grid.argmin(axis=0)
        least, start = grid.min(axis=0), _RATIOS[lowest] * carbonate
        as_bicarbonate = (_NA + _HCO3) * _PER_MOL_L
        above = carbonate + (room - as_bicarbonate * carbonate) / ((_NA + _OH) * _PER_MOL_L)
        amount = np.maximum(np.where(room > as_bicarbonate * carbonate, above, room / as_bicarbonate), start)
        for _ in range(4):
            here = _caustic(amount, carbonate)
            rise = (_caustic(1.02 * amount, carbonate) - here) / (0.02 * amount)
            step = (room - here) / np.maximum(rise, 0.3 * as_bicarbonate)
            amount = np.maximum(amount + np.clip(step, -0.5 * amount, amount), start)
        return amount * (_NA + _OH) * _PER_MOL_L, room > least


def _caustic(sodium: Array, carbonate: Array) -> Array:
    """Conductivity (uS/cm) of NaOH (mol/L) in water with this total carbonate (mol/L)."""
    excess = sodium - carbonate
    hydroxide = 0.5 * (excess + np.sqrt(excess * excess + 4.0 * (_KW / _K1 * carbonate + _KW)))
    b = sodium + _K1
    hydrogen = np.where(excess < 0, 0.5 * (np.sqrt(b * b - 4.0 * _K1 * np.minimum(excess, 0.0)) - b), 0.0)
    doubly = hydroxide * (_K2 / _KW)
    doubly = np.minimum(carbonate * doubly / (1.0 + doubly), 0.5 * hydroxide)
    bicarbonate = np.minimum(sodium + hydrogen, carbonate)
    ions = _NA * sodium + _H * hydrogen + _HCO3 * bicarbonate + _OH * hydroxide
    return _PER_MOL_L * (ions + doubly * (_CO3 - _HCO3 - _OH))


def _acid(chloride: Array, carbonate: Array) -> Array:
    """Conductivity (uS/cm) of HCl (mol/L) in water with this free carbonic acid (mol/L)."""
    hydrogen = 0.5 * (chloride + np.sqrt(chloride * chloride + 4.0 * _K1 * carbonate))
    out: Array = _PER_MOL_L * (_CL * chloride + _H * hydrogen + _HCO3 * (hydrogen - chloride))
    return out


def _acid_for(conductivity: Array, carbonate: Array) -> Array:
    """HCl (mol/L) that gives this conductivity: ``_acid`` inverted."""
    both = _H + _HCO3
    a = 2.0 * conductivity / (_PER_MOL_L * both)
    b = 1.0 + 2.0 * (_CL - _HCO3) / both
    root = np.sqrt(np.maximum(a * a * b * b - (b * b - 1.0) * (a * a - 4.0 * _K1 * carbonate), 0.0))
    out: Array = (a * b - root) / (b * b - 1.0)
    return out
