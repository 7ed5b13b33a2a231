"""Numbers as a report writes them."""

from __future__ import annotations

from datetime import UTC, datetime
from math import floor, isfinite, log10

from rinsewatch.rinse.state import Interval, Remaining


def number(value: float, digits: int = 3) -> str:
    """Digits that count, never an exponent: 47100, 450, 22, 0.672."""
    if not isfinite(value):
        return "unknown"
    if value == 0.0:
        return "0"
    places = digits - 1 - floor(log10(abs(value)))
    return f"{round(value, places):.{max(places, 0)}f}"


def litres(volume_ml: float) -> str:
    """'300 mL', '4.50 L'."""
    return f"{volume_ml:.0f} mL" if abs(volume_ml) < 999.5 else f"{number(volume_ml / 1000.0)} L"


def us_cm(value: float) -> str:
    """'22 µS/cm'."""
    return f"{number(value)} µS/cm"


def between(low: float, high: float, digits: int = 3) -> str:
    """'451 to 492'."""
    return f"{number(low, digits)} to {number(high, digits)}"


def estimate(filtrate: Interval | None) -> str:
    """'471 (451 to 492)', or that nothing is known yet."""
    return "not known yet" if filtrate is None else f"{number(filtrate.mid)} ({between(filtrate.low, filtrate.high)})"


def still(ahead: Remaining | None) -> str:
    """Water still to pour, mL: '1660 (1100 to 2160)'."""
    if ahead is None:
        return "no target"
    if ahead.mid_ml is None:
        return f"at least {number(ahead.low_ml)}; perhaps never"
    high = "no end known" if ahead.high_ml is None else number(ahead.high_ml)
    return f"{number(ahead.mid_ml)} ({number(ahead.low_ml)} to {high})"


def clock(time_s: float) -> str:
    """'1:05:09' since the rinse began."""
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"


def percent(share: float) -> str:
    """'7 %', '0.3 %'."""
    return f"{100.0 * share:.0f} %" if abs(share) >= 0.0095 or share == 0.0 else f"{number(100.0 * share, 1)} %"


def chance(share: float) -> str:
    """'over 99 %', 'under 1 %', '40 %': no forecast is certain."""
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else percent(share)


def utc_minute(utc: str) -> str:
    """A stored time, UTC as stored, so that a report is the same wherever it is made; what is no time comes back."""
    try:
        return datetime.fromisoformat(utc).astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")
    except ValueError:
        return utc
