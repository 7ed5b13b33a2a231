"""One rinse in a simulated life: two exponentials on a floor, poured until the filtrate reads like the feed water.

Not the bench of column.py: a life needs thousands of rinses and of each only its summary.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

# Start, uS/cm: 2 mol/L caustic or acid read against dilute conductivities (CRC Handbook, about 248 and 426 S cm2/mol).
_START_US_CM = {"NaOH": 4.0e5, "HCl": 6.5e5}
_MOBILE_SHARE = 0.45  # of the resin volume: middle of common practice, no source
_LEAK_US_CM = 25.0  # floor that a wholly misplaced resin would add: assumption


@dataclass(frozen=True, slots=True)
class Tail:
    """The slow end of a rinse: liquid in beads per resin volume, its washout volume per resin volume, the floor."""

    slow_share: float
    slow_ml_share: float
    floor_us_cm: float

    def slower(self, factor: float) -> Tail:
        """More liquid held back, and given up more slowly: fouled or swollen beads."""
        return replace(self, slow_share=self.slow_share * factor, slow_ml_share=self.slow_ml_share * factor**0.2)

    def leaking(self, mixed_share: float) -> Tail:
        """Beads of the other resin, in the form that gives off salt."""
        return replace(self, floor_us_cm=self.floor_us_cm + _LEAK_US_CM * mixed_share)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rinsed:
    """The summary of a rinse as a program would have noted it. ``endpoint_ml`` None: it was cut short."""

    residue: str
    resin_ml: float
    endpoint_ml: float | None
    slow_share: float
    floor_us_cm: float
    water_us_cm: float
    feed_us_cm: float


@dataclass(frozen=True, slots=True)
class Care:
    """How evenly a person rinses: relative scatter, one portion per resin volume, chance that a rinse is cut short."""

    scatter: float
    portion_share: float
    cut_short: float


def filtrate_us_cm(tail: Tail, start_us_cm: float, poured_share: float) -> float:
    """After so many resin volumes; floor not counted."""
    slow = tail.slow_share / (tail.slow_share + _MOBILE_SHARE)
    # What comes out slowly does so at the strength of its own slower washout.
    weight = slow * _MOBILE_SHARE / tail.slow_ml_share
    fast = np.exp(-poured_share / _MOBILE_SHARE)
    return float(start_us_cm * ((1.0 - weight) * fast + weight * np.exp(-poured_share / tail.slow_ml_share)))


def endpoint_share(tail: Tail, start_us_cm: float, target_us_cm: float) -> float:
    """Resin volumes until the filtrate is down to the target; halving the interval."""
    low, high = 0.0, 60.0
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if filtrate_us_cm(tail, start_us_cm, middle) > target_us_cm else (low, middle)
    return high


def rinse(
    rng: np.random.Generator,
    residue: str,
    resin_ml: float,
    tail: Tail,
    feed_us_cm: float,
    care: Care,
) -> Rinsed:
    """One rinse to the feed reading, in whole portions; its summary has the errors of the program that wrote it."""
    water = float(np.clip(1.0 * np.exp(0.15 * rng.standard_normal()), 0.5, 3.0))
    floor = water + tail.floor_us_cm
    start = _START_US_CM[residue] * float(np.exp(0.2 * rng.standard_normal()))
    volumes = endpoint_share(tail, start, max(feed_us_cm - floor, 0.05 * feed_us_cm))
    volumes *= float(np.exp(care.scatter * rng.standard_normal()))
    portions = np.ceil(volumes / care.portion_share)
    return Rinsed(
        residue=residue,
        resin_ml=round(resin_ml * float(np.exp(0.015 * rng.standard_normal())), 0),
        endpoint_ml=None
        if rng.random() < care.cut_short
        else round(float(portions) * care.portion_share * resin_ml, 0),
        slow_share=round(tail.slow_share * float(np.exp(0.2 * rng.standard_normal())), 4),
        floor_us_cm=round(floor * float(np.exp(0.08 * rng.standard_normal())), 2),
        water_us_cm=round(water, 2),
        feed_us_cm=feed_us_cm,
    )
