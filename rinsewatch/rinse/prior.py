"""What is believed before the first reading: ranges of the bed, the residue and the floor.

Parameters of one hypothesis (a row of ``theta``), in natural logs unless said:

====  ==========  =====================================================  ==================
col   name        meaning                                                unit
====  ==========  =====================================================  ==================
0     ENTRAINED   mobile liquid per resin volume, Ve/R                   -
1     SLOW        slow liquid per mobile liquid, Vs/Ve                   -
2     EXCHANGE    exchange rate of the slow liquid                       1/s
3     START       level at the start, as linear conductivity             uS/cm
4     FLOOR       floor above its lower bound, see ``floor_us_cm``       uS/cm
5     UNEVEN      unevenness of the washout per e-fold                   -
6     CARBON      share of the floor that is carbon dioxide (logit)      -
7     FILL        strength of the slow liquid at the start, of START     see ``fill``
8     CELLS       mixed cells in series (continuous flow only)           -
====  ==========  =====================================================  ==================

Ranges: entrained 0.3-0.6 R, slow 0.03-0.12 R and more in old resin, caustic up to 15 % (4.4 mol/L),
acid 5-7 % (1.4-2 mol/L): common practice of the trade, no source. Most of the slow liquid is inside the beads,
whose fixed charges keep the liquor out in part: Donnan's balance x (x + X) = c c gives x/c of 0.2 to 0.75 for
c of 1 to 4.4 mol/L outside and X of 2 to 4 mol/L of fixed charge; liquid in dead corners is as strong as outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rinsewatch.rinse.setup import Residue, RinseSetup

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Index = NDArray[np.intp]

ENTRAINED: Final = 0
SLOW: Final = 1
EXCHANGE: Final = 2
START: Final = 3
FLOOR: Final = 4
UNEVEN: Final = 5
CARBON: Final = 6
FILL: Final = 7
CELLS: Final = 8

# Limiting molar conductivities, S cm2/mol: CRC Handbook, ionic conductivities (Na 50.08, OH 198.0, H 349.65, Cl 76.31).
_LAMBDA0 = {Residue.NAOH: 248.08, Residue.HCL: 425.96, Residue.SALT: 126.39}
# Strength of the liquor the resin is wet with, mol/L: median and log spread. Common practice, no source.
_STRENGTH = {Residue.NAOH: (2.0, 0.5), Residue.HCL: (1.65, 0.4), Residue.SALT: (2.0, 0.8)}
# Nothing is stronger than this, ln uS/cm: 10 mol/L of acid on the linear scale. Keeps wild hypotheses finite.
LN_MOST: Final = 15.3
# Pure water, uS/cm at 25 C (Light et al. 2005: 0.0550): nothing reads below it.
PURE_WATER_US_CM: Final = 0.055
WIDE_FLOOR_SPREAD: Final = 1.0  # log
STANDING_FLOOR_SHARE: Final = 0.5  # of the floors, near where a reading stands still
# Floors below what the rinse water reads are looked for where nothing else explains the readings: fresh anion resin
# takes up carbonic acid and bicarbonate, and what was rinse water in the morning may have a better cartridge at noon.
LOW_FLOOR_SHARE: Final = 0.1
LOW_FLOOR_SPREADS: Final = 4.0  # the parameter goes so many spreads below its usual mean before the floor goes below
LOW_FLOOR_SPAN: Final = 4.0  # ... and so much further down to pure water
SALT_SHARE: Final = 0.5  # of the rinse water's reading; the rest is carbon dioxide. Common practice, no source
# Logit of the share of what carbon dioxide can make of the floor that it does make: mean and spread. A mixed bed holds
# it back, and water gathers it again as it stands in air; how much nobody knows who is not told. Water fresh from its
# cartridge gathers some while it is poured and stirred. Common practice, no source for the figures.
_CARBON: Final = {None: (-1.2, 2.2), False: (-3.0, 1.5), True: (0.0, 1.3)}
# Strength of the slow liquid at the start: no bead keeps more of the liquor out.
LEAST_FILL: Final = 0.1
# Beds unlike the usual ones: log spreads so many times as wide. What slow liquid holds varies most: some beds show
# a tail so weak that it cannot be pores, others are fouled.
UNUSUAL_SLOW: Final = 3.0
UNUSUAL_BED: Final = 1.5
UNUSUAL_SHARE: Final = 0.1  # of all beds
# Log spread below which earlier rinses of a resin are not believed: drained by hand, no two are alike.
LEAST_SPREAD: Final = 0.15


@dataclass(frozen=True, slots=True)
class Prior:
    """Independent normals on the log parameters; the floor's is a mixture of a narrow and a wide one.

    The narrow one has a spread of its own above its mean, ``floor_above``, and below, ``spread[FLOOR]``.
    ``unusual_share`` of the beds have slow liquid unlike the usual, ``floor_low_share`` a floor below the bound.
    """

    mean: Array
    spread: Array
    floor_above: float
    floor_bound_us_cm: float
    floor_wide_mean: float
    floor_wide_spread: float
    floor_wide_share: float = 0.10
    floor_low_share: float = 0.0
    unusual_share: float = 0.0

    def draw(self, count: int, rng: np.random.Generator) -> Array:
        """``count`` hypotheses, shape (count, parameters)."""
        spread = self.spread
        if self.unusual_share > 0.0:
            unusual = rng.random(count) < self.unusual_share
            spread = np.where(unusual[:, None], self._unusual_slow_liquid(), spread)
        theta: Array = self.mean + spread * rng.standard_normal((count, self.mean.size))
        if self.mean.size > CELLS:
            theta[:, CELLS] = np.abs(theta[:, CELLS])  # fewer than one cell is no bed
        height = theta[:, FLOOR] - self.mean[FLOOR]
        above = rng.random(count) < self.floor_above / (self.floor_above + self.spread[FLOOR])
        skewed = np.where(above, np.abs(height) * self.floor_above / self.spread[FLOOR], -np.abs(height))
        theta[:, FLOOR] = self.mean[FLOOR] + skewed
        wide = rng.random(count) < self.floor_wide_share
        theta[wide, FLOOR] = self.floor_wide_mean + self.floor_wide_spread * rng.standard_normal(int(wide.sum()))
        if self.floor_low_share > 0.0:
            low = rng.random(count) < self.floor_low_share
            theta[low, FLOOR] = self._ln_low_mean + self._ln_low_spread * rng.standard_normal(int(low.sum()))
        return theta

    def log_density(self, theta: Array) -> Array:
        """Log density up to a constant, shape (count,)."""
        z = (theta - self.mean) / self.spread
        z[:, FLOOR] = 0.0
        log_normal: Array = -0.5 * np.einsum("ij,ij->i", z, z)
        floor = theta[:, FLOOR]
        height, below = floor - self.mean[FLOOR], self.spread[FLOOR]
        narrow = np.exp(-0.5 * (height / np.where(height > 0.0, self.floor_above, below)) ** 2)
        narrow *= 2.0 / (below + self.floor_above)
        wide = np.exp(-0.5 * ((floor - self.floor_wide_mean) / self.floor_wide_spread) ** 2) / self.floor_wide_spread
        mixed = (1 - self.floor_wide_share) * narrow + self.floor_wide_share * wide
        if self.floor_low_share > 0.0:
            low = np.exp(-0.5 * ((floor - self._ln_low_mean) / self._ln_low_spread) ** 2) / self._ln_low_spread
            mixed = (1 - self.floor_low_share) * mixed + self.floor_low_share * low
        out: Array = log_normal + np.log(mixed + 1e-300)
        if self.unusual_share > 0.0:
            out += self._ln_more(theta)
        if self.mean.size > CELLS:
            out = np.where(theta[:, CELLS] < 0.0, -np.inf, out)  # fewer than one cell is no bed
        return out

    def _ln_more(self, theta: Array) -> Array:
        """How much more likely (log) than among usual beds alone each hypothesis is among all, shape (count,)."""
        columns = [SLOW, EXCHANGE]
        away, usual, wide = theta - self.mean, self.spread, self._unusual_slow_liquid()
        nearer = 0.5 * ((away / usual) ** 2 - (away / wide) ** 2)[:, columns].sum(axis=1)
        ln_odds = nearer + np.log(usual / wide)[columns].sum()
        out: Array = np.logaddexp(math.log(1.0 - self.unusual_share), math.log(self.unusual_share) + ln_odds)
        return out

    def _unusual_slow_liquid(self) -> Array:
        """Log spreads where the slow liquid is unlike the usual; the rest is as it always is."""
        wider = np.ones(self.spread.size)
        wider[SLOW], wider[EXCHANGE] = UNUSUAL_SLOW, UNUSUAL_BED
        return wider * self.spread

    def unusual(self) -> Prior:
        """The same around beds unlike the usual ones: what no usual one explains is looked for here."""
        wider = np.ones(self.spread.size)
        wider[ENTRAINED] = wider[CELLS:] = UNUSUAL_BED
        low = LOW_FLOOR_SHARE if self.floor_bound_us_cm > PURE_WATER_US_CM else 0.0
        mean, spread = self.mean.copy(), wider * self._unusual_slow_liquid()
        mean[CARBON], spread[CARBON] = _CARBON[None]  # whatever was said of the rinse water
        return replace(self, mean=mean, spread=spread, floor_low_share=low, unusual_share=0.0)

    def with_floor_near(self, level_us_cm: float) -> Prior:
        """The same, but the floor may well lie there, far above the rinse water: fouled resin, other water."""
        height = math.log(max(level_us_cm - self.floor_bound_us_cm, PURE_WATER_US_CM))
        return replace(
            self, floor_wide_mean=height, floor_wide_spread=WIDE_FLOOR_SPREAD, floor_wide_share=STANDING_FLOOR_SHARE
        )

    @property
    def _ln_lowest(self) -> float:
        """Of the floor's parameter, where the floor is next to its bound; lower ones lie below it."""
        return float(self.mean[FLOOR] - LOW_FLOOR_SPREADS * self.spread[FLOOR])

    @property
    def _ln_low_mean(self) -> float:
        return self._ln_lowest - 0.5 * LOW_FLOOR_SPAN

    @property
    def _ln_low_spread(self) -> float:
        return 0.25 * LOW_FLOOR_SPAN

    def floor_us_cm(self, theta: Array) -> Array:
        """Floor of each hypothesis, uS/cm: the exponential above the bound, evenly down to pure water below it."""
        height, lowest = theta[:, FLOOR], self._ln_lowest
        below = np.maximum(lowest - height, 0.0) * (self.floor_bound_us_cm - PURE_WATER_US_CM) / LOW_FLOOR_SPAN
        floor = self.floor_bound_us_cm + np.exp(np.maximum(height, lowest)) - below
        out: Array = np.maximum(floor, PURE_WATER_US_CM)
        return out


def fill(theta: Array) -> Array:
    """Strength of the slow liquid at the start, relative to the mobile liquid; shape (count,).

    The parameter is the logit of where it lies between ``LEAST_FILL`` and 1.
    """
    out: Array = LEAST_FILL + (1.0 - LEAST_FILL) / (1.0 + np.exp(-theta[:, FILL]))
    return out


def prior_from_setup(setup: RinseSetup, rinse_water_step_us_cm: float) -> Prior:
    """The prior a set-up justifies; ``rinse_water_step_us_cm`` is the display step of that reading."""
    strength, strength_spread = _STRENGTH[setup.residue]
    start = np.log(strength * _LAMBDA0[setup.residue] * 1000.0)
    bound, narrow, wide, (floor_spread, floor_above) = _floor_scales(setup, rinse_water_step_us_cm)
    carbon, carbon_spread = _CARBON[setup.water_stood]
    mean: list[float] = [np.log(0.45), np.log(0.16), np.log(4e-3), start, np.log(narrow), np.log(0.05), carbon, 0.0]
    spread: list[float] = [0.40, 0.75, 0.9, strength_spread, floor_spread, 0.5, carbon_spread, 1.2]
    _learn_from_earlier(setup, mean, spread)
    if setup.is_flow:
        mean.append(np.log(4.0))
        spread.append(0.6)
    # In flow a front tells more of the bed than such a tail would: what no usual bed explains is looked for anyway.
    unusual_share = 0.0 if setup.is_flow else UNUSUAL_SHARE
    means, spreads = np.array(mean), np.array(spread)
    return Prior(
        means, spreads, floor_above, bound, float(np.log(wide)), WIDE_FLOOR_SPREAD, unusual_share=unusual_share
    )


def _learn_from_earlier(setup: RinseSetup, mean: list[float], spread: list[float]) -> None:
    """This resin's earlier rinses say more of its bed than the usual range; old resin may still have changed."""
    if setup.earlier_entrained is not None:
        mean[ENTRAINED], spread[ENTRAINED] = setup.earlier_entrained[0], max(setup.earlier_entrained[1], LEAST_SPREAD)
    if setup.earlier_slow is not None:
        # Of the earlier rinses it is known what the slow liquid held; here a volume is asked for, filled as usual.
        mean[SLOW] = setup.earlier_slow[0] - mean[ENTRAINED] - math.log(0.5 * (1.0 + LEAST_FILL))
        spread[SLOW] = max(setup.earlier_slow[1], 2.0 * LEAST_SPREAD)


def _floor_scales(setup: RinseSetup, step_us_cm: float) -> tuple[float, float, float, tuple[float, float]]:
    """Lower bound of the floor, usual and unusual height above it, uS/cm; log spreads below and above the usual one.

    Below: what the rinse water's reading allows. Above: the bed and the air add a little (carbon dioxide
    alone gives pure water 0.9-1.1 uS/cm, CRC Handbook), rarely much: regenerated resin swaps the salt of the
    rinse water, taken as half of its reading, for its own base or acid, which conducts more.
    """
    water = setup.rinse_water_us_cm
    if water is None:
        return PURE_WATER_US_CM, 0.8, 3.0, (1.0, 1.0)
    bound = max(PURE_WATER_US_CM, 0.985 * (water - step_us_cm / 2))
    width = water + step_us_cm / 2 - bound
    swapped = SALT_SHARE * (_LAMBDA0[setup.residue] / _LAMBDA0[Residue.SALT] - 1.0)
    unusual, added = max(step_us_cm / 2, max(0.4, swapped) * water, 0.3), max(0.05 * water, 0.02)
    if 0.55 * width <= added:
        return bound, added, unusual, (0.8, 0.8)
    # Anywhere within the display's step, evenly: most of an even share's logs lie little below that of the whole,
    # few far below; above the whole only what the bed adds.
    return bound, 0.75 * width, unusual, (0.9, 0.3)
