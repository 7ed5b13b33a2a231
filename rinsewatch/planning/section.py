"""The plan in words: sections of lines and tables, the same for terminal and sheet. Plain ASCII throughout."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.chemistry.resin import Range
from rinsewatch.planning.schedule import Count


@dataclass(frozen=True, slots=True)
class Table:
    """Head and rows of cells; ``marked``: number of the row that is meant; ``wraps``: its last cells are words."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    marked: int | None = None
    title: str = ""
    wraps: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """One step of the job. ``minds``: what to mind, shown as such."""

    title: str
    lines: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    minds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Display:
    """How this person's meter shows a conductivity: ``unit`` ppm (with its factor) or uS/cm; ``step`` in that unit."""

    unit: str
    tds_factor: float
    step: float

    def reading(self, us_cm: float) -> str:
        """As the meter would show it, to its digit."""
        value = us_cm * (self.tds_factor if self.unit == "ppm" else 1.0)
        decimals = max(0, min(3, -_exponent(self.step)))
        half = self.step / 2.0
        if value < half * 1.001:
            return f"below {self.step:.{decimals}f} {self.unit}" if value > 0.0 else f"0 {self.unit}"
        return f"{value:.{decimals}f} {self.unit}" if value < 10000 else f"{value:.3g} {self.unit}"


def _exponent(step: float) -> int:
    return len(f"{step:.0f}") - 1 if step >= 1.0 else -len(f"{step:.6f}".rstrip("0").partition(".")[2])


def volume(ml: float | None) -> str:
    """``250 mL``, ``1.25 L``; three digits."""
    if ml is None:
        return "-"
    if ml < 999.5:
        return f"{ml:.0f} mL" if ml >= 9.95 else f"{three(ml)} mL"
    return f"{three(ml / 1000.0)} L"


def grams(g: float) -> str:
    """``63.2 g``, ``1164 g``, ``11.6 kg``."""
    if 99.95 <= g < 9999.5:
        return f"{g:.0f} g"
    return f"{three(g)} g" if g < 9999.5 else f"{three(g / 1000.0)} kg"


def three(value: float) -> str:
    """Three digits, no exponent, no trailing noise."""
    if value == 0.0:
        return "0"
    decimals = 0
    while decimals < 6 and abs(value) * 10.0**decimals < 99.95:
        decimals += 1
    if abs(value) >= 1000.0:
        step = 10 ** (len(f"{abs(value):.0f}") - 3)
        value = round(value / step) * step
    return f"{value:.{decimals}f}"


def spread(both: Range, digits: int = 2) -> str:
    """``0.30-0.42``."""
    low, high = f"{both.low:.{digits}f}", f"{both.high:.{digits}f}"
    return low if low == high else f"{low}-{high}"


def portions(count: Count) -> str:
    """``19 (10-35)``: usual, easy to stubborn bed; or that it cannot be."""
    if count.usual is None:
        return "never"
    high = "many" if count.high is None else str(count.high)
    return f"{count.usual} ({count.low}-{high})"


def minutes(value: float | None) -> str:
    """``45 min``, ``2 h 10``."""
    if value is None:
        return "-"
    whole = round(value)
    return f"{whole} min" if whole < 120 else f"{whole // 60} h {whole % 60:02d}"


def small(value: float | None, digits: int = 2) -> str:
    """A figure that may be very small, without exponents for the reader: ``below 0.01``."""
    if value is None:
        return "-"
    least = 10.0**-digits
    return f"<{least:.{digits}f}" if 0.0 <= value < least else three(value)


def sentence(words: str) -> str:
    """With a capital at the front and a stop at the end, unless it asks."""
    return words[:1].upper() + words[1:] + ("" if words.endswith("?") else ".")
