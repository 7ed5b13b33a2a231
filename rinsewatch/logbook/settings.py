"""The settings of a rinse as people write them, and the RinseSetup they make.

A settings mapping has the option names in snake case: ``{"resin_ml": 500, "endpoint": "12 uS/cm"}``.
It comes from the command line, from the ``# `` lines of a recording and from the logbook alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from rinsewatch.errors import SetupError
from rinsewatch.logbook.values import read_factor
from rinsewatch.quantities import (
    parse_flow_ml_min,
    parse_reading,
    parse_volume_ml,
    reading_us_cm,
)
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup

Settings = Mapping[str, object]

# What a plan said the rinse would take: portions of a usual, an easy and a stubborn bed, and DI water of the usual one.
PLANNED_NAMES = ("planned_portions", "planned_portions_low", "planned_portions_high", "planned_ml")
# What was known of the resin from its earlier rinses.
EARLIER_NAMES = ("earlier_rinses", "earlier_entrained", "earlier_slow")
# Every option that describes a rinse or its meter, in the order a recording lists them; then what was known
# of the resin, and what was planned.
SETTING_NAMES = (
    "resin_ml", "portion_ml", "flow_ml_min", "residue", "endpoint", "feed", "rinse_water", "water_state",
    "meter", "tds_factor", "top", "resolution", "batch",
    "resin", *EARLIER_NAMES, *PLANNED_NAMES,
)  # fmt: skip
_EXAMPLES = {
    "resin_ml": "--resin-ml 500",
    "residue": "--residue NaOH",
    "endpoint": "--endpoint feed",
    "pouring": "--portion-ml 250 or --flow-ml-min 100",
}
FRESH, STOOD = "fresh", "stood"  # rinse water straight from its cartridge or kept airtight; rinse water from the air
_SPELLED = {residue.value.lower(): residue for residue in Residue}


def merge_settings(base: Settings, overrides: Settings) -> dict[str, object]:
    """``base`` with every override that is not None on top; the overrides win.

    A flow given on top removes the portion below, and the other way round: a rinse has one of them.
    """
    given = {name: value for name, value in overrides.items() if value is not None}
    merged = {name: value for name, value in base.items() if value is not None}
    if "flow_ml_min" in given and "portion_ml" not in given:
        merged.pop("portion_ml", None)
    if "portion_ml" in given and "flow_ml_min" not in given:
        merged.pop("flow_ml_min", None)
    return {**merged, **given}


def missing_settings(settings: Settings) -> list[str]:
    """What must still be said before a rinse can begin, each with an example, like ``--resin-ml 500``."""
    have = {name for name, value in settings.items() if value is not None}
    if have & {"portion_ml", "flow_ml_min"}:
        have.add("pouring")
    return [example for name, example in _EXAMPLES.items() if name not in have]


def setup_from_settings(settings: Settings) -> RinseSetup:
    """The checked RinseSetup of these settings; names it does not know are ignored.

    Volumes and flows may be numbers (mL, mL/min) or text with a unit; readings (``feed``,
    ``rinse_water``, ``top``, ``resolution``, a value as ``endpoint``) always need their unit and
    are converted to uS/cm with ``tds_factor`` (ppm per uS/cm, 0.5 unless given).
    Raises SetupError or QuantityError: one line naming the option.
    """
    missing = missing_settings(settings)
    if missing:
        raise SetupError("the rinse is not fully described; still needed: " + ", ".join(missing))
    setup = RinseSetup(**_read(settings))
    setup.check()
    return setup


def check_given(settings: Settings) -> None:
    """Whether what was given can be read and can be, whatever is still missing: before anything (more) is asked.

    Raises SetupError or QuantityError: one line naming the option.
    """
    RinseSetup(**_read(settings)).check_values()


def _read(settings: Settings) -> dict[str, Any]:
    """Fields of a RinseSetup: None where nothing was given."""
    factor = parse_factor(settings.get("tds_factor"))
    return {
        "resin_ml": _volume(settings.get("resin_ml"), "--resin-ml"),
        "residue": _residue(settings.get("residue")),
        "endpoint": _endpoint(settings.get("endpoint"), factor),
        "portion_ml": _volume(settings.get("portion_ml"), "--portion-ml"),
        "flow_ml_min": _flow(settings.get("flow_ml_min"), "--flow-ml-min"),
        "feed_us_cm": _reading(settings.get("feed"), "--feed", factor),
        "rinse_water_us_cm": _reading(settings.get("rinse_water"), "--rinse-water", factor),
        "rinse_water_step_us_cm": _step(settings.get("rinse_water"), factor),
        "water_stood": parse_water_state(settings.get("water_state")),
        "tds_factor": factor,
        "top_us_cm": _reading(settings.get("top"), "--top", factor),
        "resolution_us_cm": _reading(settings.get("resolution"), "--resolution", factor),
        "earlier_entrained": _log_share(settings.get("earlier_entrained"), "earlier_entrained"),
        "earlier_slow": _log_share(settings.get("earlier_slow"), "earlier_slow"),
    }


def settings_from_setup(setup: RinseSetup) -> dict[str, object]:
    """The settings that make this setup again, in text form (``"12 uS/cm"``), absent ones left out."""
    settings: dict[str, object | None] = {
        "resin_ml": _plain(setup.resin_ml),
        "portion_ml": _plain(setup.portion_ml),
        "flow_ml_min": _plain(setup.flow_ml_min),
        "residue": setup.residue.value,
        "endpoint": _endpoint_text(setup.endpoint),
        "feed": _conductivity_text(setup.feed_us_cm),
        "rinse_water": _water_text(setup),
        "water_state": None if setup.water_stood is None else (STOOD if setup.water_stood else FRESH),
        "tds_factor": setup.tds_factor,
        "top": _conductivity_text(setup.top_us_cm),
        "resolution": _conductivity_text(setup.resolution_us_cm),
        "earlier_entrained": _share_pair(setup.earlier_entrained),
        "earlier_slow": _share_pair(setup.earlier_slow),
    }
    return {name: value for name, value in settings.items() if value is not None}


def setting_text(value: object, option: str) -> str:
    """A setting as the text a person would have typed; bool and nested values are refused."""
    if isinstance(value, str):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{value!r}"
    raise SetupError(f"{option}: {value!r} is neither a number nor text")


def _endpoint(value: object, factor: float) -> Endpoint | None:
    return None if value is None else Endpoint.parse(setting_text(value, "--endpoint"), factor)


def _volume(value: object, option: str) -> float | None:
    return None if value is None else parse_volume_ml(setting_text(value, option), option)


def _flow(value: object, option: str) -> float | None:
    return None if value is None else parse_flow_ml_min(setting_text(value, option), option)


def _reading(value: object, option: str, factor: float) -> float | None:
    if value is None:
        return None
    quantity = parse_reading(setting_text(value, option), option)
    return reading_us_cm(quantity.value, quantity.unit, factor)


def _step(value: object, factor: float) -> float | None:
    """The display step a reading was written with, uS/cm: "1.2 uS/cm" has 0.1."""
    if value is None:
        return None
    quantity = parse_reading(setting_text(value, "--rinse-water"), "--rinse-water")
    return reading_us_cm(10.0**-quantity.decimals, quantity.unit, factor)


def parse_factor(value: object) -> float:
    """A TDS scale, ppm per uS/cm; 0.5 for None. Raises SetupError, QuantityError."""
    if value is None:
        return 0.5  # the NaCl scale, the most common one on cheap pens (RinseSetup's own default)
    return float(read_factor(setting_text(value, "--tds-factor"), "--tds-factor"))


def share_of(value: object, name: str) -> tuple[float, float] | None:
    """A share of the resin's volume as ``[0.45, 0.15]``: median, and standard deviation of its natural log.

    None for None. Raises SetupError.
    """
    if value is None:
        return None
    pair = list(value) if isinstance(value, Sequence) and not isinstance(value, str) else []
    numbers = [float(one) for one in pair if isinstance(one, int | float) and not isinstance(one, bool)]
    if len(numbers) != 2 or len(pair) != 2 or not all(0.0 < one < 100.0 for one in numbers):
        raise SetupError(f"{name}: {value!r} is no share and its spread; write it like [0.45, 0.15], or leave it out")
    return numbers[0], numbers[1]


def _log_share(value: object, name: str) -> tuple[float, float] | None:
    share = share_of(value, name)
    return None if share is None else (math.log(share[0]), share[1])


def _share_pair(log_share: tuple[float, float] | None) -> list[float] | None:
    return None if log_share is None else [float(f"{math.exp(log_share[0]):.6g}"), log_share[1]]


def _residue(value: object) -> Residue | None:
    if value is None:
        return None
    known = _SPELLED.get(setting_text(value, "--residue").strip().lower())
    if known is None:
        raise SetupError(f"--residue: {value!r} is none; choose {', '.join(Residue)}")
    return known


def parse_water_state(value: object) -> bool | None:
    """Whether the rinse water has stood in air; None for None. Raises SetupError."""
    if value is None:
        return None
    word = setting_text(value, "--water-state").strip().lower()
    if word not in (FRESH, STOOD):
        raise SetupError(
            f"--water-state: {value!r} is none; choose {FRESH} (from its cartridge, kept airtight) or {STOOD} (in air)"
        )
    return word == STOOD


def _plain(value: float | None) -> float | int | None:
    """500 rather than 500.0, the way people write volumes."""
    return int(value) if value is not None and value == int(value) and abs(value) < 1e15 else value


def _conductivity_text(value_us_cm: float | None) -> str | None:
    return None if value_us_cm is None else f"{_plain(value_us_cm)!r} uS/cm"


def _water_text(setup: RinseSetup) -> str | None:
    """The rinse water's reading as it was written: its decimals say how fine the display was."""
    value, step = setup.rinse_water_us_cm, setup.rinse_water_step_us_cm
    if value is None or step is None:
        return _conductivity_text(value)
    for unit, factor in (("uS/cm", 1.0), ("ppm", setup.tds_factor)):
        decimals = -math.log10(step * factor)
        if abs(decimals - round(decimals)) < 1e-6 and decimals > -1e-6:
            return f"{value * factor:.{round(decimals)}f} {unit}"
    return _conductivity_text(value)


def _endpoint_text(endpoint: Endpoint) -> str:
    return endpoint.text or _conductivity_text(endpoint.value_us_cm) or endpoint.kind.value
