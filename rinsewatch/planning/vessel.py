"""What does not fit the largest vessel at hand, and what to do instead."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

from rinsewatch.planning.dose import Dose
from rinsewatch.planning.resins import Resins
from rinsewatch.planning.section import volume
from rinsewatch.planning.separation import Separation


def vessel_warnings(
    container_ml: float, resins: Resins, separation: Separation | None, doses: Sequence[Dose], portion_ml: float
) -> list[str]:
    """A line for each step that needs more than ``container_ml``; nothing where all of it fits."""
    words = [_separation_warning(separation, resins, container_ml)] if separation is not None else []
    words += [_dose_warning(dose, container_ml) for dose in doses if not dose.also_separates]
    words.append(_portion_warning(max(resins.cation_ml, resins.anion_ml), portion_ml, container_ml))
    return [word for word in words if word]


def _separation_warning(part: Separation, resins: Resins, container_ml: float) -> str:
    if part.room_ml <= container_ml:
        return ""
    runs = ceil(part.room_ml / container_ml)
    return (
        f"liquor and resin need {volume(part.room_ml)}, your container has {volume(container_ml)}; separate in "
        f"{runs} runs of about {resins.total_ml / runs:.0f} mL resin each, with the same liquor"
    )


def _dose_warning(dose: Dose, container_ml: float) -> str:
    """The charge on its resin, counted as if the liquor found no room between the beads (the careful side)."""
    need_ml, free_ml = dose.recipe.volume_ml + dose.resin_ml, container_ml - dose.resin_ml
    if need_ml <= container_ml:
        return ""
    words = f"{dose.recipe.solute} liquor and resin need {volume(need_ml)}, your container has {volume(container_ml)}"
    if free_ml < 0.25 * dose.resin_ml:
        return f"{words}: regenerate this resin in smaller lots"
    parts = ceil(dose.recipe.volume_ml / free_ml)
    return f"{words}: pour it on in {parts} parts, drained in between"


def _portion_warning(resin_ml: float, portion_ml: float, container_ml: float) -> str:
    most_ml = resin_ml + portion_ml
    if most_ml <= container_ml:
        return ""
    way = "rinse the resin in smaller lots" if resin_ml >= container_ml else "take smaller portions"
    return f"a portion on the resin is {volume(most_ml)}, more than the container holds ({volume(container_ml)}): {way}"
