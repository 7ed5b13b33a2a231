"""The plan of a whole regeneration: from resins, waters and chemicals at hand to amounts, portions and endpoints."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from rinsewatch.chemistry.load import feed_load_eq_l, residue_eq_l
from rinsewatch.chemistry.resin import Range
from rinsewatch.chemistry.tables import Solute
from rinsewatch.errors import QuantityError
from rinsewatch.planning.dose import USUAL_TIMES, Dose, dose_of, wanted_eq
from rinsewatch.planning.endpoints import End, Rinse, Waters, ends
from rinsewatch.planning.quickrinse import QuickRinse, quick_rinse
from rinsewatch.planning.recipe import Recipe, recipe_for_eq, recipe_for_volume
from rinsewatch.planning.resins import Resins
from rinsewatch.planning.schedule import Count, Reuse, reuse_table, size_table
from rinsewatch.planning.separation import LIQUOR_RESINS, Separation, resin_water_ml, separate, wetting_eq_l
from rinsewatch.planning.spent import Spent, spent_of
from rinsewatch.planning.stock import EXAMPLES, Stock, Use
from rinsewatch.planning.vessel import vessel_warnings
from rinsewatch.planning.washout import OLD, portions_to


class Separator(StrEnum):
    """In what a mixed bed is parted."""

    CAUSTIC = "caustic"
    BRINE = "brine"
    NONE = "no"


# Strengths unless told otherwise, % by mass: common practice, no source. The liquor: 3 parts to 17 of water.
LIQUOR_PCT, REGENERANT_PCT, BRINE_PCT = 15.0, 5.0, 24.0
ACID_PCT = {Solute.HCL: 6.0, Solute.H2SO4: 2.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wants:
    """What is at hand and wanted. mL, % by mass, C, uS/cm on the meter; ``dose``: times the need.

    ``endpoint``: feed, zero, break-even, or value with ``endpoint_us_cm``. ``caustic_pct``, ``acid_pct``: None: usual.
    """

    resins: Resins
    waters: Waters
    portion_ml: float
    caustic: Stock | None
    acid: Stock | None
    separator: Separator
    caustic_pct: float | None = None
    acid_pct: float | None = None
    dose: float = USUAL_TIMES
    liquor_ml: float | None = None
    container_ml: float | None = None
    temperature_c: float = 20.0
    endpoint: str = "feed"
    endpoint_us_cm: float | None = None

    def __post_init__(self) -> None:
        for name in ("portion_ml", "liquor_ml", "container_ml"):
            value = getattr(self, name)
            if value is not None and not (isfinite(value) and value > 0.0):
                raise QuantityError(f"--{name.replace('_', '-')}: {value:g} mL must be more than 0")
        if self.separator is not Separator.NONE and not self.resins.mixed:
            raise QuantityError(f"--separate {self.separator}: the resins are given apart; nothing is to be separated")


@dataclass(frozen=True, slots=True)
class RinsePlan:
    """One resin's rinse: endpoints side by side, the one chosen, other portion sizes, water used twice.

    ``old``: portions to the chosen endpoint if the resin is old or fouled; None: not to be reached.
    """

    resin: str
    rinse: Rinse
    ends: tuple[End, ...]
    chosen: End
    sizes: tuple[Count, ...]
    reuse: tuple[Reuse, ...]
    old: int | None = None


@dataclass(frozen=True, slots=True)
class WaterNeed:
    """Deionized water to have ready, mL: in the liquors, and in all rinses for usual and for stubborn resin."""

    liquors_ml: float
    rinses_ml: float
    rinses_high_ml: float

    @property
    def usual_ml(self) -> float:
        """All of it."""
        return self.liquors_ml + self.rinses_ml

    @property
    def high_ml(self) -> float:
        """All of it, if the resin is stubborn."""
        return self.liquors_ml + self.rinses_high_ml


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything worked out; a part is None where there is no such resin or step."""

    wants: Wants
    separation: Separation | None
    caustic: Dose | None
    acid: Dose | None
    before_caustic: QuickRinse | None
    before_acid: QuickRinse | None
    anion: RinsePlan | None
    cation: RinsePlan | None
    spent: Spent | None
    water: WaterNeed
    full_run_l: Range | None
    warnings: tuple[str, ...]

    @property
    def reached_run_l(self) -> Range | None:
        """Feed water that what is turned of both resins treats: the lesser share rules."""
        if self.full_run_l is None or self.caustic is None or self.acid is None:
            return None
        caustic, acid = self.caustic.turned(), self.acid.turned()
        low, high = min(caustic.low, acid.low), min(caustic.high, acid.high)
        return Range(self.full_run_l.low * low, self.full_run_l.high * high)


def make_plan(wants: Wants) -> Plan:
    """Work the plan out. Errors: QuantityError, one line naming what cannot be."""
    separation = _separation(wants)
    caustic, acid = _caustic(wants, separation), _acid(wants)
    before_caustic = None if wants.separator is Separator.CAUSTIC else _quick_rinse(wants, separation, caustic)
    before_acid = _quick_rinse(wants, separation, acid)
    anion = _rinse_plan(wants, "anion", caustic, separation)
    cation = _rinse_plan(wants, "cation", acid, None)
    doses = [dose for dose in (caustic, acid) if dose is not None]
    return Plan(
        wants=wants,
        separation=separation,
        caustic=caustic,
        acid=acid,
        before_caustic=before_caustic,
        before_acid=before_acid,
        anion=anion,
        cation=cation,
        spent=spent_of(caustic, acid, wants.acid, wants.temperature_c),
        water=_water(
            [separation.recipe] if separation and not (caustic and caustic.also_separates) else [],
            doses,
            [plan.chosen.count for plan in (anion, cation) if plan is not None]
            + [quick.count for quick in (before_caustic, before_acid) if quick is not None],
        ),
        full_run_l=_full_run_l(wants),
        warnings=tuple(_warnings(wants, separation, doses)),
    )


def _separation(wants: Wants) -> Separation | None:
    if wants.separator is Separator.NONE:
        return None
    volume_ml = LIQUOR_RESINS * wants.resins.total_ml if wants.liquor_ml is None else wants.liquor_ml
    if wants.separator is Separator.BRINE:
        recipe = recipe_for_volume(Stock(Solute.NACL), BRINE_PCT, volume_ml, wants.temperature_c)
    else:
        stock = _needed(wants.caustic, "caustic")
        recipe = recipe_for_volume(stock, wants.caustic_pct or LIQUOR_PCT, volume_ml, wants.temperature_c)
    return separate(recipe, wants.resins)


def _caustic(wants: Wants, separation: Separation | None) -> Dose | None:
    """The separation liquor itself if it is caustic, else a charge of its own."""
    resins = wants.resins
    if not resins.anion_ml > 0.0:
        return None
    if separation is not None and wants.separator is Separator.CAUSTIC:
        return dose_of(separation.recipe, resins.anion_ml, resins.anion_eq, also_separates=True)
    eq = wanted_eq(wants.dose, resins.anion_eq)
    stock = _needed(wants.caustic, "caustic")
    recipe = recipe_for_eq(stock, wants.caustic_pct or REGENERANT_PCT, eq, wants.temperature_c)
    return dose_of(recipe, resins.anion_ml, resins.anion_eq)


def _acid(wants: Wants) -> Dose | None:
    resins = wants.resins
    if not resins.cation_ml > 0.0:
        return None
    eq = wanted_eq(wants.dose, resins.cation_eq)
    stock = _needed(wants.acid, "acid")
    recipe = recipe_for_eq(stock, wants.acid_pct or ACID_PCT[stock.solute], eq, wants.temperature_c)
    return dose_of(recipe, resins.cation_ml, resins.cation_eq)


def _needed(stock: Stock | None, use: str) -> Stock:
    if stock is None:
        raise QuantityError(f"--{use}: say what is at hand, like {EXAMPLES[Use(use)]}")
    return stock


def _quick_rinse(wants: Wants, separation: Separation | None, after: Dose | None) -> QuickRinse | None:
    if separation is None or after is None:
        return None
    wet_eq_l = wetting_eq_l(separation)
    return quick_rinse(after.resin_ml, separation.recipe, wet_eq_l, wants.portion_ml, after.recipe)


def _rinse_plan(wants: Wants, resin: str, dose: Dose | None, separation: Separation | None) -> RinsePlan | None:
    if dose is None:
        return None
    wet_with_liquor = separation is not None and dose.also_separates
    start = wetting_eq_l(separation) if separation and wet_with_liquor else _diluted_eq_l(dose.recipe, dose.resin_ml)
    opposite = wants.resins.cation_eq if resin == "anion" else wants.resins.anion_eq
    residue = str(dose.recipe.solute)
    rinse = Rinse(residue, dose.resin_ml, start, wants.portion_ml, opposite.middle)
    all_ends = ends(rinse, wants.waters, wants.endpoint_us_cm)
    chosen = next(end for end in all_ends if end.name == wants.endpoint)
    above_us_cm = (chosen.target_us_cm or 0.0) - wants.waters.rinse_water_us_cm
    if chosen.count.usual is None or above_us_cm <= 0.0:
        return RinsePlan(resin, rinse, all_ends, chosen, (), ())
    target_eq_l = residue_eq_l(residue, above_us_cm)
    asked = (rinse.resin_ml, rinse.start_eq_l, rinse.portion_ml, target_eq_l)
    old = portions_to(OLD.bed(rinse.resin_ml), OLD.start(rinse.start_eq_l), rinse.portion_ml, target_eq_l)
    return RinsePlan(resin, rinse, all_ends, chosen, size_table(*asked), reuse_table(*asked), old)


def _diluted_eq_l(recipe: Recipe, resin_ml: float) -> float:
    """The regenerant with the resin's own water in it, nothing used up (the careful side)."""
    return 1000.0 * recipe.eq / (recipe.volume_ml + resin_water_ml(resin_ml).middle)


def _water(liquors: list[Recipe], doses: list[Dose], counts: list[Count]) -> WaterNeed:
    recipes = liquors + [dose.recipe for dose in doses]
    usual = sum(count.usual_ml or 0.0 for count in counts)
    # a stubborn bed that never gets there: no amount is safe, twice the usual is a beginning
    high = sum(count.high_ml or 2.0 * (count.usual_ml or 0.0) for count in counts)
    return WaterNeed(sum(recipe.water_ml for recipe in recipes), usual, high)


def _full_run_l(wants: Wants) -> Range | None:
    """Feed water a fully regenerated bed of both resins treats; None without both, or without a load."""
    resins, feed = wants.resins, wants.waters.feed_us_cm
    if not (resins.cation_ml > 0.0 and resins.anion_ml > 0.0):
        return None
    loads = feed_load_eq_l(feed, "NaOH"), feed_load_eq_l(feed, "HCl")
    if not all(load.low > 0.0 for load in loads):
        return None
    low = min(resins.cation_eq.low / loads[0].high, resins.anion_eq.low / loads[1].high)
    return Range(low, min(resins.cation_eq.high / loads[0].low, resins.anion_eq.high / loads[1].low))


def _warnings(wants: Wants, separation: Separation | None, doses: list[Dose]) -> list[str]:
    stocks = (stock for stock in (wants.caustic, wants.acid) if stock is not None)
    words = [word for stock in stocks for word in stock.warnings(wants.temperature_c)]
    waters = wants.waters
    if waters.rinse_water_us_cm >= waters.feed_us_cm > 0.0:
        words.append("the rinse water reads no better than the feed water: are the two mixed up?")
    if wants.liquor_ml is not None and not 0.5 <= wants.liquor_ml / wants.resins.total_ml <= 20.0:
        words.append(
            f"{wants.liquor_ml:g} mL of liquor for {wants.resins.total_ml:g} mL of resin is not usual (about "
            f"{LIQUOR_RESINS:g} times the resin): is that right?"
        )
    if wants.container_ml is not None:
        words += vessel_warnings(wants.container_ml, wants.resins, separation, doses, wants.portion_ml)
    return words
