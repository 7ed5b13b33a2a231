"""Settings that are possible but look like a slip: a word of warning each, never a refusal."""

from __future__ import annotations

from typing import Final

from rinsewatch.errors import UsageError
from rinsewatch.logbook.settings import Settings, parse_factor, setting_text
from rinsewatch.quantities import (
    TDS_UNITS,
    Quantity,
    parse_reading,
    parse_volume_ml,
    reading_us_cm,
)

# Beyond these a wrong unit is likelier than such a rinse. Common practice, no source.
LEAST_RESIN_ML: Final = 5.0
MOST_RESIN_ML: Final = 1e6
MOST_PORTION_RESINS: Final = 20.0
LEAST_PORTION_RESINS: Final = 1 / 50


def setup_warnings(settings: Settings) -> list[str]:
    """What looks like a slip, one line each, naming the option.

    ``settings`` may still be incomplete, and what cannot be read is left to whoever refuses it.
    """
    return [*_volume_warnings(settings), *_water_warnings(settings)]


def _volume_warnings(settings: Settings) -> list[str]:
    resin_ml, portion_ml = (_volume_ml(settings, name) for name in ("resin_ml", "portion_ml"))
    words: list[str] = []
    if resin_ml is None:
        return words
    if resin_ml < LEAST_RESIN_ML:
        words.append(f"--resin-ml: {resin_ml:g} mL is very little resin; a bare number is mL: did you mean L?")
    if resin_ml > MOST_RESIN_ML:
        words.append(f"--resin-ml: {resin_ml / 1000:g} L is very much resin; a bare number is mL: is that right?")
    if portion_ml is not None and portion_ml > MOST_PORTION_RESINS * resin_ml:
        words.append(f"--portion-ml: {portion_ml:g} mL is {portion_ml / resin_ml:.0f} times the resin: is that right?")
    if portion_ml is not None and portion_ml < LEAST_PORTION_RESINS * resin_ml:
        words.append(
            f"--portion-ml: {portion_ml:g} mL is a {resin_ml / portion_ml:.0f}th of the resin ({resin_ml:g} mL): "
            "is that right?"
        )
    return words


def _water_warnings(settings: Settings) -> list[str]:
    feed, water = _us_cm(settings, "feed"), _us_cm(settings, "rinse_water")
    words = _unit_warnings(settings)
    if feed == 0:
        words.append(f"--feed: {settings['feed']} is what a probe in air shows; was it in the feed water?")
    if feed is not None and water is not None and water > feed:
        words.append(
            f"--rinse-water {settings['rinse_water']} reads above --feed {settings['feed']}: are the two mixed up?"
        )
    return words + _endpoint_warnings(settings, feed, water)


def _unit_warnings(settings: Settings) -> list[str]:
    """Two waters read on one meter: one that shows ppm does not show uS/cm beside it."""
    units = [_unit(settings, name) for name in ("feed", "rinse_water")]
    if not ("" not in units and (units[0] in TDS_UNITS) != (units[1] in TDS_UNITS)):
        return []
    return [
        f"--feed {settings['feed']} and --rinse-water {settings['rinse_water']} are in two units: is each written as "
        "this meter shows it?"
    ]


def _unit(settings: Settings, name: str) -> str:
    value = settings.get(name)
    try:
        return "" if value is None else parse_reading(setting_text(value, name), name).unit
    except UsageError:
        return ""


def _endpoint_warnings(settings: Settings, feed: float | None, water: float | None) -> list[str]:
    endpoint = str(settings.get("endpoint") or "").strip().lower()
    target = feed if endpoint == "feed" else _us_cm(settings, "endpoint")
    if not target or water is None or target > water:
        return []
    return [
        f"--endpoint {settings['endpoint']} is at or below the rinse water ({settings['rinse_water']}): "
        "no rinse gets there; choose a higher endpoint, or zero"
    ]


def _volume_ml(settings: Settings, name: str) -> float | None:
    value = settings.get(name)
    try:
        return None if value is None else parse_volume_ml(setting_text(value, name), name)
    except UsageError:
        return None


def _us_cm(settings: Settings, name: str) -> float | None:
    value = settings.get(name)
    try:
        factor = parse_factor(settings.get("tds_factor"))
        quantity: Quantity | None = None if value is None else parse_reading(setting_text(value, name), name)
        return None if quantity is None else reading_us_cm(quantity.value, quantity.unit, factor)
    except UsageError:
        return None
