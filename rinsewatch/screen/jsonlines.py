"""One JSON object a line for each row that holds a reading: the promise to scripts."""

from __future__ import annotations

import json
import math

from rinsewatch.rinse.state import RinseState

_DIGITS = 6  # significant; a meter has four at most
_DECIMALS = 3  # of seconds and mL, as the recording holds them
_CHANCE_DECIMALS = 4


def json_line(state: RinseState, *, row: int, file: str | None = None) -> str:
    """The state as one line of JSON without a newline; key order is fixed.

    Conductivities uS/cm (25 C scale of the meter), volumes mL, ``time_s`` seconds; ``row`` counts data
    rows from 1. ``file`` leads only when given. What is not known, or not finite, is null.
    """
    head: dict[str, object] = {} if file is None else {"file": file}
    return json.dumps(head | {"row": row} | _fields(state), allow_nan=False)


def _fields(state: RinseState) -> dict[str, object]:
    filtrate, remaining = state.filtrate, state.remaining
    return {
        "time_s": _fixed(state.time_s, _DECIMALS),
        "rinse_ml": _fixed(state.rinse_ml, _DECIMALS),
        "reading_us_cm": _significant(state.reading_us_cm),
        "filtrate_us_cm": _significant(filtrate.mid if filtrate else None),
        "filtrate_low_us_cm": _significant(filtrate.low if filtrate else None),
        "filtrate_high_us_cm": _significant(filtrate.high if filtrate else None),
        "target_us_cm": _significant(state.target_us_cm),
        "floor_us_cm": _significant(state.floor_us_cm),
        "remaining_ml": _significant(remaining.mid_ml if remaining else None),
        "remaining_low_ml": _significant(remaining.low_ml if remaining else None),
        "remaining_high_ml": _significant(remaining.high_ml if remaining else None),
        "remaining_portions": _significant(state.remaining_portions),
        "remaining_min": _significant(state.remaining_min),
        "chance_reached": _fixed(state.chance_reached, _CHANCE_DECIMALS),
        "chance_unreachable": _fixed(state.chance_unreachable, _CHANCE_DECIMALS),
        "verdict": state.verdict.value,
        "reason": state.reason,
    }


def _significant(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{_DIGITS}g}") + 0.0  # + 0.0: no minus zero


def _fixed(value: float, decimals: int) -> float | None:
    return round(float(value), decimals) + 0.0 if math.isfinite(value) else None
