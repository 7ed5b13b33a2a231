"""Simulated lives of mixed beds: service runs and rinses over many cycles, with a known cause of decline.

Laws and constants are this file's own. What nobody has measured for us (how fast a resin fouls, how much a badly
separated pair leaks) is drawn from wide ranges and is an assumption, not data.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from rinsewatch_sim.lives_rinse import Care, Rinsed, Tail, rinse

CAUSES = ("healthy", "fouling", "oxidation", "feed", "contamination", "indicator", "better feed")
_BEGIN = date(2024, 1, 8)
# Anion 60 %, cation 40 % by volume: common practice for equal equivalents, no source. Fresh capacities, eq/L: 1.2 for
# a strong-base resin in the OH form (teaching notes), 1.9 for a strong-acid one (Davis, p. 8-5: 1.8-2.0).
_ANION_EQ_L, _CATION_EQ_L = 1.2, 1.9
# Share of the fresh capacity that regeneration by hand and a run to breakthrough give: assumption.
_USED = 0.62
# Feed water: 119 S cm2/eq (sodium chloride at a few meq/L, CRC Handbook) and a little free carbon dioxide (assumption).
_SALT_S_CM2_EQ, _CO2_EQ_L = 119.0, 2.5e-5
# Healthy tails, anion and cation: middle of common practice (3-12 % slow liquid), no source.
_ANION_TAIL = Tail(slow_share=0.07, slow_ml_share=2.2, floor_us_cm=0.6)
_CATION_TAIL = Tail(slow_share=0.05, slow_ml_share=1.8, floor_us_cm=0.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """One household: its bed, its water and how carefully it notes things. Shares are relative standard deviations."""

    resin_ml: float = 1000.0
    anion_share: float = 0.6
    feed_us_cm: float = 20.0
    feed_wobble: float = 0.08
    litres_scatter: float = 0.07
    litres_a_day: float = 60.0
    portion_share: float = 0.25
    rinse_scatter: float = 0.05
    anion_tail: Tail = _ANION_TAIL
    cation_tail: Tail = _CATION_TAIL
    careless: float = 0.04  # chance of each: run stopped early, feed not noted, rinse cut short
    ageing: float = 0.002  # capacity lost a cycle by a healthy resin


@dataclass(frozen=True, slots=True, kw_only=True)
class Harm:
    """What goes wrong from cycle ``onset`` on (the first one affected), and how fast; figures a cycle.

    ``slow_growth``: of the first slow share; ``loss``: of the first capacity; ``swelling``: of the volume;
    ``feed_factor``: feed conductivity after the change; ``mixed_share``: of each resin left in the other.
    """

    cause: str = "healthy"
    onset: int = 10_000
    slow_growth: float = 0.0
    loss: float = 0.0
    swelling: float = 0.0
    feed_factor: float = 1.0
    mixed_share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One round as a person would have noted it. None: not noted, or a rinse that was cut short."""

    number: int
    regenerated: date
    installed: date
    removed: date
    caustic_eq: float
    acid_eq: float
    litres: float
    feed_us_cm: float | None
    change_us_cm: float
    indicator: str
    anion: Rinsed
    cation: Rinsed
    true_eq: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """A bed's cycles with the truth about them."""

    name: str
    habits: Habits
    harm: Harm
    cycles: tuple[Cycle, ...]


def live(
    rng: np.random.Generator, habits: Habits, harm: Harm, cycles: int, name: str = "bed", begin: date = _BEGIN
) -> Life:
    """``cycles`` rounds of one bed, one after the other, the first regenerated on ``begin``."""
    done: list[Cycle] = []
    for number in range(1, cycles + 1):
        done.append(_cycle(rng, habits, harm, number, begin))
        begin = done[-1].removed + timedelta(days=2)
    return Life(name=name, habits=habits, harm=harm, cycles=tuple(done))


def true_capacity_eq(habits: Habits, harm: Harm, number: int, mixed_share: float = 0.0) -> float:
    """Equivalents the bed gives in this cycle before scatter: the weaker resin decides."""
    age = 1.0 - habits.ageing * (number - 1)
    lost = min(0.9, harm.loss * _affected(harm, number))
    anion = habits.anion_share * _ANION_EQ_L * (1.0 - lost * (harm.cause == "fouling"))
    cation = (1.0 - habits.anion_share) * _CATION_EQ_L * (1.0 - lost * (harm.cause == "oxidation"))
    # A misplaced bead is regenerated into the wrong form and then also has to be undone: counted twice.
    return habits.resin_ml / 1000.0 * _USED * age * (1.0 - 2.0 * mixed_share) * min(anion, cation)


def _affected(harm: Harm, number: int) -> int:
    return max(0, number - harm.onset + 1)


def _cycle(rng: np.random.Generator, habits: Habits, harm: Harm, number: int, begin: date) -> Cycle:
    mixed = _mixed_share(rng, harm, number)
    feed_true, feed_noted = _feed(rng, habits, harm, number)
    eq = true_capacity_eq(habits, harm, number, mixed) * float(np.exp(habits.litres_scatter * rng.standard_normal()))
    early = rng.random() < habits.careless
    part = float(rng.uniform(0.55, 0.9)) if early else 1.0
    litres = part * eq / (feed_true / 1000.0 / _SALT_S_CM2_EQ + _CO2_EQ_L)
    installed = begin + timedelta(days=1)
    anion, cation = _rinses(rng, habits, harm, number, mixed, feed_noted)
    doses = 1.8 * habits.resin_ml / 1000.0 * (1.0 + 0.05 * rng.standard_normal(2))
    return Cycle(
        number=number,
        regenerated=begin,
        installed=installed,
        removed=installed + timedelta(days=max(1, round(litres / habits.litres_a_day))),
        caustic_eq=round(float(doses[0]) * habits.anion_share, 3),
        acid_eq=round(float(doses[1]) * (1.0 - habits.anion_share), 3),
        litres=round(litres, 1),
        feed_us_cm=None if rng.random() < habits.careless else feed_noted,
        change_us_cm=round(float(rng.uniform(0.1, 0.4) if early else 2.0 * np.exp(0.2 * rng.standard_normal())), 2),
        indicator=_indicator(rng, harm, number, early),
        anion=anion,
        cation=cation,
        true_eq=eq,
    )


def _mixed_share(rng: np.random.Generator, harm: Harm, number: int) -> float:
    """Separations differ: some are good even when most are not."""
    drawn = harm.mixed_share * float(rng.uniform(0.5, 1.5)) if rng.random() < 0.85 else 0.0
    return drawn if _affected(harm, number) else 0.0


def _feed(rng: np.random.Generator, habits: Habits, harm: Harm, number: int) -> tuple[float, float]:
    """The run's mean conductivity (seasons and chance), and the single reading that was noted."""
    season = 1.0 + habits.feed_wobble * np.sin(2.0 * np.pi * number / 9.0)
    mean = habits.feed_us_cm * season * np.exp(0.5 * habits.feed_wobble * rng.standard_normal())
    if _affected(harm, number):
        mean *= harm.feed_factor
    noted = mean * np.exp(0.6 * habits.feed_wobble * rng.standard_normal())
    return float(mean), round(float(noted), 1)


def _indicator(rng: np.random.Generator, harm: Harm, number: int, early: bool) -> str:
    if harm.cause == "indicator" and _affected(harm, number):
        return "faded"
    if rng.random() < 0.05:
        return "faded"  # hard to judge now and then
    return "as new" if early else "turned"


def _rinses(
    rng: np.random.Generator, habits: Habits, harm: Harm, number: int, mixed: float, feed_us_cm: float
) -> tuple[Rinsed, Rinsed]:
    """The anion resin's rinse from caustic and the cation resin's from acid."""
    grown = 1.0 + harm.slow_growth * _affected(harm, number)
    anion_ml = habits.resin_ml * habits.anion_share
    cation_ml = habits.resin_ml * (1.0 - habits.anion_share)
    anion, cation = habits.anion_tail.leaking(mixed), habits.cation_tail.leaking(mixed)
    if harm.cause == "fouling":
        anion = anion.slower(grown)
    if harm.cause == "oxidation":
        cation, cation_ml = cation.slower(grown), cation_ml * (1.0 + harm.swelling * _affected(harm, number))
    care = Care(habits.rinse_scatter, habits.portion_share, habits.careless)
    return (
        rinse(rng, "NaOH", anion_ml, anion, feed_us_cm, care),
        rinse(rng, "HCl", cation_ml, cation, feed_us_cm, care),
    )
