"""What is known before the rinse starts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from rinsewatch.errors import SetupError
from rinsewatch.quantities import parse_reading, reading_us_cm

MOST_WATER_US_CM = 1e4  # brackish: no water that anyone treats with a mixed bed


class Residue(StrEnum):
    """What is being washed out."""

    NAOH = "NaOH"
    HCL = "HCl"
    SALT = "salt"


class EndpointKind(StrEnum):
    """Where the rinse is to stop."""

    FEED = "feed"
    ZERO = "zero"
    BREAK_EVEN = "break-even"
    VALUE = "value"


@dataclass(frozen=True, slots=True)
class Endpoint:
    """The chosen endpoint; ``value_us_cm`` (meter scale) only for kind VALUE."""

    kind: EndpointKind
    value_us_cm: float | None = None
    text: str = ""

    @classmethod
    def parse(cls, text: str, tds_factor: float) -> Endpoint:
        """Read ``feed``, ``zero``, ``break-even``, ``12 uS/cm`` or ``6 ppm``; errors: QuantityError, SetupError."""
        word = text.strip().lower()
        if word in ("feed", "zero", "break-even"):
            return cls(EndpointKind(word), None, word)
        if not any(c.isdigit() for c in word):
            raise SetupError(
                f"endpoint: {text.strip()!r} is none; choose feed, zero, break-even or a reading like '12 uS/cm'"
            )
        quantity = parse_reading(text, "endpoint")
        if quantity.value <= 0:
            raise SetupError("endpoint: a value of 0 cannot be reached; choose 'zero' to rinse down to the rinse water")
        return cls(EndpointKind.VALUE, reading_us_cm(quantity.value, quantity.unit, tds_factor), text.strip())


@dataclass(frozen=True, slots=True, kw_only=True)
class RinseSetup:
    """Settings of one rinse. Volumes mL, conductivities uS/cm on the meter's own 25 C scale.

    Exactly one of ``portion_ml`` (poured in portions) and ``flow_ml_min`` (continuous) is given.
    ``resolution_us_cm``: one display step where the readings' own decimals do not tell it;
    ``rinse_water_step_us_cm``: the step the rinse water's reading was written with ("1.2": 0.1).
    ``water_stood``: the rinse water has stood in air and holds carbon dioxide; False: it comes straight from its
    cartridge, or was kept airtight; None: not known.
    ``earlier_entrained``, ``earlier_slow``: what this resin's earlier rinses showed of its mobile and slow liquid per
    resin volume, as (median, spread) of the natural log.
    Raises SetupError from ``check()``.
    """

    resin_ml: float
    residue: Residue
    endpoint: Endpoint
    portion_ml: float | None = None
    flow_ml_min: float | None = None
    feed_us_cm: float | None = None
    rinse_water_us_cm: float | None = None
    tds_factor: float = 0.5
    top_us_cm: float | None = None
    resolution_us_cm: float | None = None
    rinse_water_step_us_cm: float | None = None
    water_stood: bool | None = None
    earlier_entrained: tuple[float, float] | None = None
    earlier_slow: tuple[float, float] | None = None

    @property
    def is_flow(self) -> bool:
        """True for continuous flow, False for portions."""
        return self.flow_ml_min is not None

    def check(self) -> None:
        """Refuse what cannot be rinsed, in one line naming the option."""
        self.check_values()
        self._check_earlier()
        if self.portion_ml is None and self.flow_ml_min is None:
            raise SetupError("say how the rinse water is poured: --portion-ml 250 or --flow-ml-min 100")
        self._check_endpoint()

    def check_values(self) -> None:
        """Refuse values that cannot be, alone or together, whatever else is still missing (None)."""
        for name in ("resin_ml", "portion_ml", "flow_ml_min", "tds_factor", "top_us_cm", "resolution_us_cm"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise SetupError(f"{_option(name)}: {value:g} must be more than 0")
        for name in ("feed_us_cm", "rinse_water_us_cm"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value >= 0):
                raise SetupError(f"{_option(name)}: {value:g} cannot be negative")
            if value is not None and value > MOST_WATER_US_CM:
                raise SetupError(f"{_option(name)}: {value:g} uS/cm is brackish, no water for a mixed bed; look again")
        if self.portion_ml is not None and self.flow_ml_min is not None:
            raise SetupError("give --portion-ml or --flow-ml-min, not both")
        if not 0.3 <= self.tds_factor <= 1.0:
            raise SetupError(f"--tds-factor: {self.tds_factor:g} is no TDS scale; usual are 0.5, 0.64 and 0.7")
        target = None if self.endpoint is None else self.endpoint.value_us_cm
        if target is not None and self.top_us_cm is not None and target >= self.top_us_cm:
            raise SetupError(f"endpoint: {self.endpoint.text} is above the meter's largest reading (--top)")
        if target is not None and self.resolution_us_cm is not None and target < self.resolution_us_cm / 2:
            raise SetupError(f"endpoint: {self.endpoint.text} is below what the meter can show (half of --resolution)")

    def _check_earlier(self) -> None:
        for pair in (self.earlier_entrained, self.earlier_slow):
            if pair is not None and not (
                all(map(math.isfinite, pair)) and abs(pair[0]) < 10.0 and 0.0 < pair[1] < 10.0
            ):
                raise SetupError("earlier rinses: their figures are none; leave the resin's name out")

    def _check_endpoint(self) -> None:
        kind = self.endpoint.kind
        if kind is EndpointKind.FEED and self.feed_us_cm is None:
            raise SetupError("--endpoint feed needs the feed water's reading on this meter: --feed '9 ppm'")
        if kind is EndpointKind.ZERO and self.rinse_water_us_cm is None:
            raise SetupError("--endpoint zero needs the rinse water's reading on this meter: --rinse-water '0 ppm'")
        if kind is EndpointKind.BREAK_EVEN and self.feed_us_cm is None:
            raise SetupError("--endpoint break-even needs the feed water's reading on this meter: --feed '9 ppm'")


def _option(name: str) -> str:
    return {"feed_us_cm": "--feed", "rinse_water_us_cm": "--rinse-water", "top_us_cm": "--top",
            "resolution_us_cm": "--resolution"}.get(name, "--" + name.replace("_", "-"))  # fmt: skip
