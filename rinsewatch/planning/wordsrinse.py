"""Words for the rinses: endpoints side by side, portion sizes, water used twice."""

from __future__ import annotations

from rinsewatch.chemistry.resin import Range
from rinsewatch.chemistry.tds import zero_may_be
from rinsewatch.planning.endpoints import End
from rinsewatch.planning.plan import Plan, RinsePlan
from rinsewatch.planning.section import (
    Display,
    Section,
    Table,
    grams,
    minutes,
    portions,
    sentence,
    small,
    spread,
    three,
    volume,
)
from rinsewatch.planning.washout import PORTION_MIN


def rinse_section(plan: RinsePlan, display: Display) -> Section:
    """One resin's rinse."""
    rinse, chosen = plan.rinse, plan.chosen
    lines = [
        f"{volume(rinse.resin_ml)} of {plan.resin} resin, wet with about {three(rinse.start_eq_l)} eq/L "
        f"{rinse.residue}; portions of {volume(rinse.portion_ml)}."
    ]
    if chosen.count.usual is not None:
        lines.append(
            f"To '{chosen.name}': {portions(chosen.count)} portions, about {volume(chosen.count.usual_ml)} of DI, "
            f"{minutes(chosen.count.usual_min)} at {PORTION_MIN:g} min a portion."
        )
    if plan.old is not None:
        lines.append(f"If the resin is old or fouled rather about {plan.old}, and no two such resins are alike.")
    tables = [_ends_table(plan, display)]
    if plan.sizes:
        tables.append(_sizes_table(plan))
    if plan.reuse:
        tables.append(_reuse_table(plan))
    minds = tuple(f"'{end.name}': {end.why}." for end in plan.ends if end.why)
    out = "caustic out" if plan.resin == "anion" else "acid out"
    return Section(f"Rinse of the {plan.resin} resin ({out})", tuple(lines), tuple(tables), minds)


def _ends_table(plan: RinsePlan, display: Display) -> Table:
    head = ("stop at", "filtrate", "portions", "DI water", "given up\nmeq", "% of\nbed", "litres")
    rows = tuple(_end_row(end, display) for end in plan.ends)
    return Table(head, rows, plan.ends.index(plan.chosen))


def _end_row(end: End, display: Display) -> tuple[str, ...]:
    reads = "-" if end.target_us_cm is None else display.reading(end.target_us_cm)
    share = None if end.given_up_share is None else 100.0 * end.given_up_share
    meq = None if end.given_up_eq is None else 1000.0 * end.given_up_eq
    given_up = (small(meq, 3), small(share, 3), small(end.given_up_l, 2))
    return (end.name, reads, portions(end.count), volume(end.count.usual_ml), *given_up)


def _sizes_table(plan: RinsePlan) -> Table:
    rows = tuple(
        (volume(c.portion_ml), portions(c), volume(c.usual_ml), volume(c.high_ml), minutes(c.usual_min))
        for c in plan.sizes
    )
    marked = next((i for i, c in enumerate(plan.sizes) if c.portion_ml == plan.rinse.portion_ml), None)
    title = f"Other portions, to '{plan.chosen.name}': small ones save water, large ones save time"
    return Table(("portion", "portions", "DI water", "at most", "time"), rows, marked, title)


def _reuse_table(plan: RinsePlan) -> Table:
    rows = tuple(
        (
            f"last {r.kept}",
            str(r.contacts),
            str(r.fresh),
            volume(r.fresh * plan.rinse.portion_ml),
            f"{100 * r.saved:.0f} %",
        )
        for r in plan.reuse
    )
    title = "Water used twice: keep the last portions, in order, as the first of the next batch"
    return Table(("kept", "poured", "fresh", "DI water", "saved"), rows, None, title)


def overview_section(plan: Plan, display: Display) -> Section:
    """What the plan is for."""
    resins, waters = plan.wants.resins, plan.wants.waters
    parts = []
    if resins.cation_ml > 0.0:
        parts.append(f"cation {volume(resins.cation_ml)} ({spread(resins.cation_eq)} eq)")
    if resins.anion_ml > 0.0:
        parts.append(f"anion {volume(resins.anion_ml)} ({spread(resins.anion_eq)} eq)")
    kind = f"{volume(resins.total_ml)} mixed resin: " if resins.mixed else "Resin: "
    lines = [kind + ", ".join(parts) + "."]
    lines.append(f"Feed {display.reading(waters.feed_us_cm)}, rinse water {display.reading(waters.rinse_water_us_cm)}.")
    if plan.full_run_l is not None:
        lines.append(f"Fully regenerated it treats {_litres(plan.full_run_l)} of this feed.")
    if plan.reached_run_l is not None:
        lines.append(f"What this plan can turn, stirred in vessels, treats {_litres(plan.reached_run_l)}.")
    zero = zero_may_be(display.step, display.tds_factor if display.unit == "ppm" else 1.0)
    said = (" ".join(lines), f"A 0 on this meter can be: {'; '.join(zero)}.")
    return Section("What this is for", said, (), tuple(sentence(words) for words in plan.warnings))


def _litres(run_l: Range) -> str:
    return f"{three(run_l.low)} to {three(run_l.high)} L"


def ready_section(plan: Plan) -> Section:
    """What must stand on the bench before the first drop."""
    water = plan.water
    rows = [*_chemicals(plan)]
    rows.append(("DI water", f"{volume(water.usual_ml)} likely, {volume(water.high_ml)} to be safe",
                 f"liquors {volume(water.liquors_ml)}, rinses {volume(water.rinses_ml)}"))  # fmt: skip
    lines = (
        f"Portions are counted for {PORTION_MIN:g} min each. A quicker pace and old or fouled resin need more: "
        "the meter tells, so watch it.",
    )
    unreached = [
        part.resin for part in (plan.anion, plan.cation) if part is not None and part.chosen.count.usual is None
    ]
    minds = tuple(
        f"The rinse of the {resin} resin does not get there: its water is not counted." for resin in unreached
    )
    return Section("Have ready", lines, (Table(("what", "how much", "for"), tuple(rows), wraps=True),), minds)


def _chemicals(plan: Plan) -> list[tuple[str, str, str]]:
    uses = []
    if plan.separation is not None:
        uses.append((plan.separation.recipe, "separation liquor"))
    if plan.caustic is not None and not plan.caustic.also_separates:
        uses.append((plan.caustic.recipe, "caustic"))
    if plan.acid is not None:
        uses.append((plan.acid.recipe, "acid"))
    rows = []
    for recipe, use in uses:
        amount = grams(recipe.stock_g) if recipe.stock_ml is None else volume(recipe.stock_ml)
        rows.append((recipe.stock.words, amount, f"{volume(recipe.volume_ml)} of {recipe.pct:g} %, {use}"))
    return rows
