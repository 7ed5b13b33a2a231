"""What was planned beside what was used, and when a plan's figures no longer speak of this rinse."""

from __future__ import annotations

from collections.abc import Mapping

from rinsewatch.errors import UsageError
from rinsewatch.logbook.settings import PLANNED_NAMES, merge_settings, setting_text
from rinsewatch.quantities import parse_volume_ml

_NEAR = 0.02  # another volume of resin than this is another rinse


def settings_over_plan(planned: Mapping[str, object], given: Mapping[str, object]) -> dict[str, object]:
    """A plan's settings with the given ones on top; its figures are left out where they were for another rinse."""
    merged = merge_settings(planned, given)
    other = "flow_ml_min" in given or _differs(planned, given, "resin_ml") or _differs(planned, given, "endpoint")
    return {name: value for name, value in merged.items() if not (other and name in PLANNED_NAMES)}


def _differs(planned: Mapping[str, object], given: Mapping[str, object], name: str) -> bool:
    if name not in given or name not in planned:
        return False
    said, meant = (setting_text(one[name], name) for one in (given, planned))
    try:
        volumes = parse_volume_ml(said), parse_volume_ml(meant)
    except UsageError:
        return said.strip().lower() != meant.strip().lower()
    return abs(volumes[0] / volumes[1] - 1.0) > _NEAR


def planned_object(settings: Mapping[str, object]) -> dict[str, object] | None:
    """The plan's figures in a rinse's settings as a JSON object, None without a plan."""
    found = {name: settings[name] for name in PLANNED_NAMES if name in settings}
    return found or None


def planned_line(settings: Mapping[str, object], portions: int, used_ml: float) -> str | None:
    """Planned against used, in one line; None without a plan."""
    from rinsewatch.screen.view import volume_words

    planned, water_ml = settings.get("planned_portions"), settings.get("planned_ml")
    if not isinstance(planned, int) or not isinstance(water_ml, int | float):
        return None
    low, high = settings.get("planned_portions_low", "?"), settings.get("planned_portions_high")
    range_words = f"{low} to {high}" if high is not None else f"{low} or more"
    of = f" of {volume_words(water_ml / planned)}" if planned else ""
    used = f"{portions} portion{'' if portions == 1 else 's'}, {volume_words(used_ml)}"
    return f"planned {planned} ({range_words}) portions{of}, {volume_words(water_ml)} of DI water; used {used}"
