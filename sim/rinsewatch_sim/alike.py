"""Many rinses of the population at once, as arrays: those a person could not tell apart before the first portion.

Drawn from the same ranges as single rinses (``draw``); the stirred bed's two compartments in closed form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rinsewatch_sim import draw
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.water import Array, co2_for_us_cm, conductivity_us_cm, salt_for_us_cm

DRAWS, ENOUGH = 600_000, 100  # a fine display shows few alike: after so many draws so many are taken again and again
READS_AT_MOST = 1.5  # times a water's conductivity at 25 C, or by this less: compensation and gain are never so far off

Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Waters:
    """Rinse waters with what the bed adds for ever, and the meter's errors; shapes (count,)."""

    residue: str
    slope_per_k: float
    temperature_c: Array
    gain: Array
    salt_mol_l: Array
    leak_mol_l: Array
    co2_mol_l: Array

    def take(self, index: Index) -> Waters:
        """The chosen ones."""
        parts = (self.temperature_c, self.gain, self.salt_mol_l, self.leak_mol_l, self.co2_mol_l)
        return Waters(self.residue, self.slope_per_k, *(part[index] for part in parts))

    def reading_us_cm(self, mol_l: Array, warmer_c: Array | float = 0.0, *, with_leak: bool = True) -> Array:
        """What the noise-free meter makes of each water with residue in it: ``mol_l`` (count,) or (1 or count, n).

        ``warmer_c``: by how much the water is warmer than at the start.
        """
        column = (-1,) + (1,) * (np.ndim(mol_l) - 1)
        temperature = self.temperature_c.reshape(column) + warmer_c
        salt = (self.salt_mol_l + self.leak_mol_l if with_leak else self.salt_mol_l).reshape(column)
        kappa = conductivity_us_cm(self.residue, mol_l, temperature, salt, self.co2_mol_l.reshape(column))
        return np.asarray(self.gain.reshape(column) * kappa / (1.0 + self.slope_per_k * (temperature - 25.0)))


def waters(
    scenario: Scenario, count: int, rng: np.random.Generator, *, same_bench: bool = False, any_target: bool = False
) -> Waters:
    """``count`` waters that this rinse's meter shows as its rinse water, with targets not within a hair of the floor.

    Of few that are hard to find some are there more than once. ``same_bench``: temperature and gain are this rinse's.
    ``any_target``: also those whose floor is so near the target that the bench would have drawn again.
    """
    found: list[Waters] = []
    have = drawn = 0
    while have < count and not (drawn > DRAWS and have > ENOUGH):
        drawn += 4 * count
        some = _some_waters(scenario, 4 * count, rng, same_bench)
        some = some.take(np.flatnonzero(_shown_alike(scenario, some)))
        found.append(some if any_target else some.take(np.flatnonzero(_sensible(scenario, some))))
        have += len(found[-1].gain)
    columns = ("temperature_c", "gain", "salt_mol_l", "leak_mol_l", "co2_mol_l")
    joined = [np.concatenate([getattr(w, name) for w in found])[:count] for name in columns]
    all_found = Waters(scenario.residue, scenario.meter.slope_per_k, *joined)
    return all_found if have >= count else all_found.take(rng.integers(0, have, count))


def _some_waters(scenario: Scenario, count: int, rng: np.random.Generator, same_bench: bool) -> Waters:
    low, high = _may_show(scenario)
    rinse = np.exp(rng.uniform(math.log(low), math.log(high), count))
    air = np.minimum(rinse, 1.0) * rng.uniform(*draw.CARBONIC_SHARE, count)
    air = np.where(rng.random(count) < draw.AIR_SHARE, air, 0.0)
    leak = rng.uniform(*draw.LEAK_SHARE, count) * rinse
    gain = 1.0 + np.clip(draw.GAIN_SPREAD * rng.standard_normal(count), -draw.GAIN_AT_MOST, draw.GAIN_AT_MOST)
    temperature = rng.uniform(*draw.TEMPERATURE_C, count)
    if same_bench or scenario.meter.shows_temperature:
        temperature = np.full(count, scenario.temperature_c)
    if same_bench:
        gain = np.full(count, scenario.meter.gain)
    grid = np.linspace(0.0, 1.0, 400)
    co2 = np.interp(air, grid, [co2_for_us_cm(float(v)) if v > 0 else 0.0 for v in grid])
    per_us_cm = salt_for_us_cm(1.0)
    salt = np.maximum(0.0, rinse - air) * per_us_cm
    return Waters(
        scenario.residue, scenario.meter.slope_per_k, temperature, gain, salt, leak * per_us_cm,
        np.where(air > 0, co2, 0.0),
    )  # fmt: skip


def _may_show(scenario: Scenario) -> tuple[float, float]:
    """Rinse waters (uS/cm) outside this range never show the same: the rest is drawn less in vain."""
    shown = scenario.shown_us_cm(scenario.shown_rinse_water())
    step = scenario.meter.finest_step / scenario.meter.per_us_cm
    low, high = draw.RINSE_US_CM
    return max(low, min(high, (shown - step) / READS_AT_MOST)), min(high, max(low, (shown + step) * READS_AT_MOST))


def _shown_alike(scenario: Scenario, some: Waters) -> NDArray[np.bool_]:
    meter = scenario.meter
    scale = some.reading_us_cm(np.zeros(len(some.gain)), with_leak=False)
    shown = np.floor(scale * meter.per_us_cm / meter.finest_step + 0.5) * meter.finest_step
    return np.asarray(np.abs(shown - float(scenario.shown_rinse_water())) < 0.01 * meter.finest_step)


def _sensible(scenario: Scenario, some: Waters) -> NDArray[np.bool_]:
    share = scenario.target_us_cm / some.reading_us_cm(np.zeros(len(some.gain)))
    return np.asarray((share < draw.NEAR_FLOOR[0]) | (share > draw.NEAR_FLOOR[1]))


@dataclass(slots=True)
class Beds:
    """Stirred beds of the population: volumes mL, amounts mmol, exchange 1/s, shapes (count,)."""

    entrained_ml: Array
    slow_ml: Array
    exchange_per_s: Array
    contact_share: Array
    mobile_mmol: Array
    slow_mmol: Array

    def take(self, index: Index) -> Beds:
        """The chosen ones."""
        return Beds(*(getattr(self, name)[index] for name in self.__slots__))

    def portion(
        self, volume_ml: Array, bypass: Array, interval_s: Array | float, pause_s: float, read_s: float
    ) -> tuple[Array, Array]:
        """One portion of each bed, drained, and the rest until the next: (strength ``read_s`` after the pour, of the
        drained filtrate), mol/L."""
        mixing = volume_ml * (1.0 - bypass)
        free_ml = self.entrained_ml + mixing
        contact_s = interval_s * self.contact_share
        strength = (1.0 - bypass) / free_ml
        read = self._mobile(free_ml, np.minimum(read_s, contact_s)) * strength
        mobile = self._mobile(free_ml, contact_s)
        drained = mobile * strength
        self.slow_mmol = np.maximum(0.0, self.mobile_mmol + self.slow_mmol - mobile)
        self.mobile_mmol = mobile * self.entrained_ml / free_ml
        rested = self._mobile(self.entrained_ml, np.maximum(0.0, interval_s - contact_s) + pause_s)
        self.slow_mmol, self.mobile_mmol = self.mobile_mmol + self.slow_mmol - rested, rested
        return read, drained

    def _mobile(self, free_ml: Array, seconds: Array) -> Array:
        """Residue in the free liquid after so long with the slow liquid (first-order exchange)."""
        even = (self.mobile_mmol + self.slow_mmol) * free_ml / (free_ml + self.slow_ml)
        rate = self.exchange_per_s * (1.0 + self.slow_ml / free_ml)
        return np.maximum(0.0, even + (self.mobile_mmol - even) * np.exp(-rate * seconds))


def beds(scenario: Scenario, count: int, rng: np.random.Generator) -> Beds:
    """``count`` beds of this rinse's resin volume and residue, as they are when a rinse starts."""
    aged = rng.random(count) < draw.AGED_SHARE

    def by_age(ranges: dict[bool, tuple[float, float]]) -> Array:
        return np.where(aged, rng.uniform(*ranges[True], count), rng.uniform(*ranges[False], count))

    entrained = rng.uniform(*draw.ENTRAINED_RATIO, count) * scenario.resin_ml
    slow = by_age(draw.SLOW_RATIO) * scenario.resin_ml
    exchange = np.exp(
        by_age({old: (math.log(low), math.log(high)) for old, (low, high) in draw.EXCHANGE_PER_S.items()})
    )
    start = rng.uniform(*draw.STRENGTH_MOL_L[scenario.residue], count)
    fill = rng.uniform(*draw.SLOW_FILL, count)
    contact = rng.uniform(*draw.CONTACT_SHARE, count)
    return Beds(entrained, slow, exchange, contact, start * entrained, start * fill * slow)
