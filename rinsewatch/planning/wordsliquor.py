"""Words for the liquors: separation, caustic, the quick rinse, acid, and what is left over."""

from __future__ import annotations

from rinsewatch.chemistry.conductivity import both_concentrations, conductivity_us_cm
from rinsewatch.chemistry.density import mol_l_from_mass_pct
from rinsewatch.chemistry.resin import Range
from rinsewatch.chemistry.solutions import mass_pct_from_mol_l
from rinsewatch.chemistry.tables import Solute
from rinsewatch.planning.dose import CONTACT_MIN, STIR_EVERY_MIN, SULFURIC_CONTACT_MIN, Dose
from rinsewatch.planning.quickrinse import QuickRinse
from rinsewatch.planning.recipe import HOT_RISE_C, Recipe
from rinsewatch.planning.section import Section, Table, grams, portions, sentence, spread, three, volume
from rinsewatch.planning.separation import Parting, Separation, anion_bead_g_ml, cation_bead_g_ml
from rinsewatch.planning.spent import SAFE_EQ_L, Spent

TWINS_TO_PCT = 40.0  # the conductivity table of caustic soda ends here


def recipe_line(recipe: Recipe) -> str:
    """What goes into what, and what comes of it."""
    taken = grams(recipe.stock_g)
    if recipe.stock_ml is not None:
        taken = f"{volume(recipe.stock_ml)} ({taken})"
    return (
        f"{taken} of {recipe.stock.words} into {volume(recipe.water_ml)} of DI water gives {volume(recipe.volume_ml)} "
        f"({grams(recipe.mass_g)}) of {recipe.pct:g} % {recipe.solute}: {recipe.density_g_ml:.3f} g/mL at "
        f"{recipe.temperature_c:g} C, {three(recipe.eq_l)} eq/L."
    )


def warmth_lines(recipe: Recipe) -> tuple[str, ...]:
    """How hot it gets, where that matters."""
    if recipe.rise_c is not None and recipe.rise_c > HOT_RISE_C:
        return (
            f"Dissolving warms it by up to {recipe.rise_c:.0f} C: little by little, stirring, in a heat-proof vessel; "
            "let it cool to room temperature before the resin goes in.",
        )
    return ()


def twin_lines(recipe: Recipe) -> tuple[str, ...]:
    """That a conductivity meter cannot tell this strength from another; nothing where it can, or no table says."""
    if recipe.solute is not Solute.NAOH or recipe.pct > TWINS_TO_PCT:
        return ()
    mol_l = mol_l_from_mass_pct(recipe.solute, recipe.pct)
    weak, strong = both_concentrations(recipe.solute, conductivity_us_cm(recipe.solute, mol_l))
    if strong is None:
        return ()
    twin_mol_l = strong if abs(weak - mol_l) < abs(strong - mol_l) else weak
    twin_pct = mass_pct_from_mol_l(recipe.solute, twin_mol_l)
    return (
        f"A conductivity meter cannot check it: at 25 C {twin_pct:.0f} % conducts as well as {recipe.pct:g} %, what "
        "lies between them better. Weigh, or float a hydrometer.",
    )


def separation_section(part: Separation) -> Section:
    """The liquor that parts the beads."""
    recipe = part.recipe
    lines = [
        recipe_line(recipe),
        *warmth_lines(recipe),
        *twin_lines(recipe),
        f"Drained resin brings {volume(part.resin_water_ml.low)} to {volume(part.resin_water_ml.high)} of water; "
        f"with it the liquor has {spread(part.pct, 1)} %, {spread(part.density_g_ml, 3)} g/mL. "
        f"Vessel: {volume(part.room_ml)}.",
    ]
    if part.parting in (Parting.PARTS, Parting.PARTS_LATE):
        lines.append("Stir, let it settle, skim or decant the anion resin off the top; repeat with what came along.")
    if part.top_up_g is not None:
        lines.append(
            f"Keep the liquor, closed and labelled: about {grams(part.top_up_g)} of solid {recipe.solute} brings it "
            f"back to {recipe.pct:g} % for the next batch."
        )
    title = f"Separation in {'brine' if part.top_up_g is None else 'caustic'}"
    return Section(title, tuple(lines), (_beads(part),), separation_minds(part))


def _beads(part: Separation) -> Table:
    rows = (
        ("anion, Cl to OH form", spread(anion_bead_g_ml()), *_behaves("floats", part.anion_margin_g_ml)),
        ("cation, Na form", spread(cation_bead_g_ml()), *_behaves("sinks", part.cation_margin_g_ml)),
        ("cation, H form left", spread(cation_bead_g_ml("H")), *_behaves("sinks", part.fresh_cation_margin_g_ml)),
    )
    return Table(("beads", "g/mL", "in this liquor", "margin g/mL"), rows)


def _behaves(wanted: str, margin: float) -> tuple[str, str]:
    return wanted if margin > 0.0 else "IN DOUBT", f"{margin:+.3f}"


def separation_minds(part: Separation) -> tuple[str, ...]:
    """What to do if the liquor does not lie between the beads."""
    words = {
        Parting.TOO_LIGHT: "The liquor with the resin in it is too light to lift every anion bead. ",
        Parting.TOO_HEAVY: "The liquor with the resin in it is too heavy for the cation beads to sink. ",
        Parting.PARTS_LATE: "Cation beads still in the H form may float at first: stir, wait until they have turned.",
        Parting.PARTS: "The margin is thin: drain the resin well first, and give it time." if part.thin else "",
    }[part.parting]
    if part.parting in (Parting.TOO_LIGHT, Parting.TOO_HEAVY):
        words += _remedy(part)
    return (words,) if words else ()


def _remedy(part: Separation) -> str:
    if part.parting is Parting.TOO_HEAVY:
        weaker = f" or make it {part.remedy_pct:.1f} %" if part.remedy_pct else ""
        return f"Add water, a little at a time, until they part{weaker}."
    ways = [] if part.remedy_pct is None else [f"make it {part.remedy_pct:.1f} % instead"]
    ways += [] if part.remedy_ml is None else [f"take {volume(part.remedy_ml)} of it"]
    if not ways:
        return "Nothing fit can be made of this stock: use solid or stronger caustic, or brine."
    return sentence(", or ".join([*ways, "drain the resin on a cloth first"]))


def caustic_section(dose: Dose) -> Section:
    """Regenerating the anion resin."""
    if dose.also_separates:
        first = "The separation liquor regenerates the anion resin as well: leave it in there."
        return _dose_section("Caustic for the anion resin", dose, (first,))
    return _dose_section("Caustic for the anion resin", dose, (recipe_line(dose.recipe), *warmth_lines(dose.recipe)))


def acid_section(dose: Dose) -> Section:
    """Regenerating the cation resin."""
    section = _dose_section("Acid for the cation resin", dose, (recipe_line(dose.recipe),))
    if dose.recipe.solute is Solute.H2SO4:
        return section
    return Section(section.title, section.lines, (), (*section.minds, NOT_SULFURIC))


NOT_SULFURIC = (
    "Not sulfuric acid, if you can help it: it turns calcium held by the cation resin into calcium sulfate (gypsum), "
    "of which hardly 2.5 g/L dissolves: it stays in the bed."
)


def _dose_section(title: str, dose: Dose, lines: tuple[str, ...]) -> Section:
    times = f"{dose.middle_times:.1f} times the need ({spread(dose.times, 1)} over the usual capacities)"
    more = (
        f"Dose: {dose.g_per_l:.0f} g {dose.recipe.solute} per L of resin, {times}.",
        _contact_line(dose),
    )
    return Section(title, (*lines, *more, _turned_line(dose)), (), tuple(sentence(word) for word in dose.warnings))


def _contact_line(dose: Dose) -> str:
    if dose.recipe.solute is Solute.H2SO4:
        return (
            f"Contact: {SULFURIC_CONTACT_MIN} min at most, stirring all the time; drain and rinse at once, sooner if "
            "it turns cloudy (that is gypsum)."
        )
    return f"Contact: about {CONTACT_MIN} min, stirring every {STIR_EVERY_MIN} min. Then drain well."


def _turned_line(dose: Dose) -> str:
    """What a vessel can reach, and what splitting the charge gains."""
    once = f"Stirred in a vessel this can turn about {_pct_spread(dose.turned())} of the sites"
    if dose.also_separates:
        return once + ". What it drives out stays in it: a fresh weak charge afterwards gains more than a larger one."
    halves, thirds = _pct_spread(dose.turned(2)), _pct_spread(dose.turned(3))
    return f"{once}; poured on in two halves, drained in between, {halves}, in three parts {thirds}."


def _pct_spread(share: Range) -> str:
    return f"{spread(share.times(100.0), 0)} %"


def quick_rinse_section(quick: QuickRinse, resin: str, regenerant: str) -> Section:
    """The quick rinse of one resin before its regenerant."""
    count = quick.count
    heats = bool(quick.rise_without_c)
    does = f"eats {_pct(quick.share_without)} of the acid" if heats else _against(quick.share_without, regenerant)
    warms = f" and the first splash warms by {quick.rise_without_c:.0f} C" if heats else ""
    with_it = "" if quick.left_share is None else f" With it {_pct(quick.left_share)}."
    lines = (
        f"{portions(count)} portions of {volume(count.portion_ml)}, {volume(count.usual_ml)} of DI; needs no meter.",
        f"Without it the {quick.solute} in the bed {does}{warms}.{with_it}",
    )
    minds = ("Never pour acid on resin that is still wet with caustic liquor.",) if heats else ()
    return Section(f"Quick rinse of the {resin} resin, before the {regenerant}", lines, (), minds)


def _against(share: float, regenerant: str) -> str:
    return f"is {_pct(share)} of the {regenerant} and works against it"


def _pct(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def spent_section(spent: Spent) -> Section:
    """What is left, and what neutralises what."""
    lines = [_left("Caustic", spent.caustic_eq.low, spent.caustic_eq.high, spent.caustic_ml, "base")]
    lines.append(_left("Acid", spent.acid_eq.low, spent.acid_eq.high, spent.acid_ml, "acid"))
    both = [line for line in lines if line]
    if spent.neutralised_eq > 0.0:
        both += _meeting(spent)
    return Section("Spent liquors", tuple(both), (), SPENT_MINDS)


SPENT_MINDS = (
    "Never mix the strong liquors. Diluted and cool: the acid into the caustic, a little at a time, stirring, to "
    "a measured pH of 6-9.",
    "A liquor you keep is not spent. What you pour away: as labels, safety data sheets and your local code say.",
)


def _left(name: str, low: float, high: float, ml: float, kind: str) -> str:
    return f"{name}: {low:.2f} to {high:.2f} eq of {kind} left in {volume(ml)}." if high > 0.0 else ""


def _meeting(spent: Spent) -> list[str]:
    caustic_ml, acid_ml = spent.diluted_ml
    over = abs(spent.base_over_eq)
    rest = f"base over: {over:.2f} eq" if spent.base_over_eq >= 0.0 else f"acid over: {over:.2f} eq, it stays acid"
    if spent.more_acid_ml is not None and spent.stock is not None:
        rest += f", as much as {volume(spent.more_acid_ml)} of {spent.stock.words} (diluted first)"
    return [
        f"The spent acid neutralises {spent.neutralised_eq:.2f} eq of the caustic; {rest}.",
        f"Heat: {spent.heat_kj:.0f} kJ ({spent.kj_eq:.1f} kJ/eq), {spent.rise_c:.0f} C in all if poured "
        f"together as they are, on the spot far more. Diluted to {SAFE_EQ_L:g} eq/L first (caustic to "
        f"{volume(caustic_ml)}, acid to {volume(acid_ml)}): {spent.diluted_rise_c:.1f} C.",
    ]
