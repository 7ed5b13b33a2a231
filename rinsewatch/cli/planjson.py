"""The plan as one JSON object; units in the names, null where there is no such part."""

from __future__ import annotations

from rinsewatch.chemistry.resin import Range
from rinsewatch.planning.dose import Dose
from rinsewatch.planning.endpoints import End
from rinsewatch.planning.plan import Plan, RinsePlan
from rinsewatch.planning.quickrinse import QuickRinse
from rinsewatch.planning.recipe import Recipe
from rinsewatch.planning.schedule import Count
from rinsewatch.planning.sections import CAUTIONS
from rinsewatch.planning.separation import Separation
from rinsewatch.planning.spent import Spent

Object = dict[str, object]


def plan_object(plan: Plan) -> Object:
    """Everything that is worked out, in the order of the work."""
    resins, water = plan.wants.resins, plan.water
    return {
        "resins": {
            "cation_ml": resins.cation_ml,
            "cation_eq": _range(resins.cation_eq),
            "anion_ml": resins.anion_ml,
            "anion_eq": _range(resins.anion_eq),
        },
        "separation": _separation(plan.separation),
        "before_caustic": _quick(plan.before_caustic),
        "caustic": _dose(plan.caustic),
        "anion_rinse": _rinse(plan.anion),
        "before_acid": _quick(plan.before_acid),
        "acid": _dose(plan.acid),
        "cation_rinse": _rinse(plan.cation),
        "spent": _spent(plan.spent),
        "di_water_ml": {"liquors": _round(water.liquors_ml), "rinses": _round(water.rinses_ml),
                        "likely": _round(water.usual_ml), "to_be_safe": _round(water.high_ml)},
        "full_run_l": None if plan.full_run_l is None else _range(plan.full_run_l),
        "reached_run_l": None if plan.reached_run_l is None else _range(plan.reached_run_l),
        "warnings": _all_warnings(plan),
        "cautions": list(CAUTIONS),
    }  # fmt: skip


def _all_warnings(plan: Plan) -> list[str]:
    words = list(plan.warnings)
    if plan.separation is not None:
        words += [f"separation: {plan.separation.parting}"] if plan.separation.parting != "parts" else []
    for name, dose in (("caustic", plan.caustic), ("acid", plan.acid)):
        words += [f"{name}: {word}" for word in dose.warnings] if dose is not None else []
    return words


def _separation(part: Separation | None) -> Object | None:
    if part is None:
        return None
    return {
        "liquor": _recipe(part.recipe),
        "resin_water_ml": _range(part.resin_water_ml),
        "with_resin_pct": _range(part.pct),
        "with_resin_g_ml": _range(part.density_g_ml),
        "parting": str(part.parting),
        "margin_anion_g_ml": _round(part.anion_margin_g_ml),
        "margin_cation_na_g_ml": _round(part.cation_margin_g_ml),
        "margin_cation_h_g_ml": _round(part.fresh_cation_margin_g_ml),
        "remedy_pct": _round(part.remedy_pct),
        "remedy_ml": _round(part.remedy_ml),
        "vessel_ml": _round(part.room_ml),
        "top_up_g": _round(part.top_up_g),
    }


def _recipe(recipe: Recipe) -> Object:
    return {
        "stock": recipe.stock.words,
        "stock_g": _round(recipe.stock_g),
        "stock_ml": _round(recipe.stock_ml),
        "water_ml": _round(recipe.water_ml),
        "pct": recipe.pct,
        "volume_ml": _round(recipe.volume_ml),
        "mass_g": _round(recipe.mass_g),
        "density_g_ml": _round(recipe.density_g_ml),
        "temperature_c": recipe.temperature_c,
        "eq": _round(recipe.eq),
        "rise_c": _round(recipe.rise_c),
    }


def _dose(dose: Dose | None) -> Object | None:
    if dose is None:
        return None
    return {
        "liquor": _recipe(dose.recipe),
        "also_separates": dose.also_separates,
        "resin_ml": dose.resin_ml,
        "g_per_l": _round(dose.g_per_l),
        "times_need": _range(dose.times),
        "turned_share": [_range(dose.turned(parts)) for parts in (1, 2, 3)],
        "left_eq": _range(dose.left_eq),
    }


def _quick(quick: QuickRinse | None) -> Object | None:
    if quick is None:
        return None
    return {
        "portions": _count(quick.count),
        "left_share": _round(quick.left_share),
        "share_without": _round(quick.share_without),
        "rise_without_c": _round(quick.rise_without_c),
    }


def _rinse(part: RinsePlan | None) -> Object | None:
    if part is None:
        return None
    return {
        "residue": part.rinse.residue,
        "resin_ml": part.rinse.resin_ml,
        "start_eq_l": _round(part.rinse.start_eq_l),
        "portion_ml": part.rinse.portion_ml,
        "endpoint": part.chosen.name,
        "endpoints": [_end(end) for end in part.ends],
        "portions_if_old": part.old,
        "portion_sizes": [_count(one) for one in part.sizes],
        "reuse": [
            {"kept": r.kept, "contacts": r.contacts, "fresh": r.fresh, "saved": _round(r.saved)} for r in part.reuse
        ],
    }


def _end(end: End) -> Object:
    return {
        "name": end.name,
        "target_us_cm": _round(end.target_us_cm),
        "portions": _count(end.count),
        "given_up_eq": _round(end.given_up_eq),
        "given_up_share": _round(end.given_up_share),
        "given_up_l": _round(end.given_up_l),
        "why_not": end.why or None,
    }


def _count(count: Count) -> Object:
    return {
        "portion_ml": count.portion_ml,
        "low": count.low,
        "usual": count.usual,
        "high": count.high,
        "di_water_ml": count.usual_ml,
        "minutes": count.usual_min,
    }


def _spent(spent: Spent | None) -> Object | None:
    if spent is None:
        return None
    return {
        "caustic_left_eq": _range(spent.caustic_eq),
        "acid_left_eq": _range(spent.acid_eq),
        "neutralised_eq": _round(spent.neutralised_eq),
        "base_over_eq": _round(spent.base_over_eq),
        "more_acid_ml": _round(spent.more_acid_ml),
        "heat_kj": _round(spent.heat_kj),
        "rise_together_c": _round(spent.rise_c),
        "rise_diluted_c": _round(spent.diluted_rise_c),
        "dilute_caustic_to_ml": _round(spent.diluted_ml[0]),
        "dilute_acid_to_ml": _round(spent.diluted_ml[1]),
    }


def _range(both: Range) -> list[float | None]:
    return [_round(both.low), _round(both.high)]


def _round(value: float | None) -> float | None:
    """Six digits: more would be noise."""
    return None if value is None else float(f"{value:.6g}")
