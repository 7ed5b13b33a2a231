"""The whole plan in words, in the order of the work."""

from __future__ import annotations

from rinsewatch.planning.plan import Plan
from rinsewatch.planning.section import Display, Section
from rinsewatch.planning.wordsliquor import (
    acid_section,
    caustic_section,
    quick_rinse_section,
    separation_section,
    spent_section,
)
from rinsewatch.planning.wordsrinse import overview_section, ready_section, rinse_section

# Common laboratory practice; no source.
CAUTIONS = (
    "Labels, safety data sheets and local codes come first; what needs a licence is for people who hold one.",
    "Caustic and acid burn skin and eyes: goggles, gloves, apron; running water within reach, rinse 15 minutes, then "
    "medical help.",
    "Acid and caustic go into the water, slowly, stirring; never water into them, never acid into strong caustic.",
    "Ventilate: hydrochloric acid gives off fumes. No aluminium or zinc near caustic (hydrogen), no bleach near acid.",
    "The first rinse portions are dilute caustic or acid: collect them. The treated water is not drinking water.",
    "Amounts are computed from usual ranges, not from your resin's data sheet: what the sheet says wins.",
)


def plan_sections(plan: Plan, display: Display) -> tuple[Section, ...]:
    """Every section, in order; the cautions always."""
    made: list[Section] = []
    if plan.separation is not None:
        made.append(separation_section(plan.separation))
    if plan.before_caustic is not None:
        made.append(quick_rinse_section(plan.before_caustic, "anion", "caustic"))
    if plan.caustic is not None:
        made.append(caustic_section(plan.caustic))
    if plan.anion is not None:
        made.append(rinse_section(plan.anion, display))
    if plan.before_acid is not None:
        made.append(quick_rinse_section(plan.before_acid, "cation", "acid"))
    if plan.acid is not None:
        made.append(acid_section(plan.acid))
    if plan.cation is not None:
        made.append(rinse_section(plan.cation, display))
    if plan.spent is not None:
        made.append(spent_section(plan.spent))
    steps = [
        Section(f"{number} {one.title}", one.lines, one.tables, one.minds) for number, one in enumerate(made, start=1)
    ]
    ending = (Section("Cautions", CAUTIONS), ready_section(plan))
    return (overview_section(plan, display), *steps, *ending)
