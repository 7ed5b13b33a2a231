"""What a resin's life is computed from: frozen records, checked when they are made.

A cycle is one round of a mixed bed: regeneration, rinses, then the service run they prepared. All three carry its
number, from 1. Volumes of resin are settled and wet, mL; readings are uS/cm at 25 C; one date is enough for a rinse.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import isfinite

from rinsewatch.chemistry.resin import ResinKind
from rinsewatch.errors import QuantityError

DISCARD_SHARE = 0.7  # of the first cycles' capacity, if the person names none: common practice, no source


class Part(StrEnum):
    """Which of the two resins of a mixed bed."""

    ANION = "anion"
    CATION = "cation"


class Indicator(StrEnum):
    """The indicator's colour when the bed was changed."""

    NOT_SEEN = ""
    AS_NEW = "as new"
    TURNED = "turned"  # the whole bed shows spent
    FADED = "faded"  # no clear colour either way, or spent already when fresh


@dataclass(frozen=True, slots=True, kw_only=True)
class Resin:
    """The bed whose life it is. ``resin_ml``: all of it as installed. Error: QuantityError.

    ``discard_share``: share of the first cycles' capacity below which the person discards it; ``kind``: of a bed of
    one resin only, None: a mixed bed.
    """

    name: str
    resin_ml: float
    new: date | None = None
    discard_share: float = DISCARD_SHARE
    kind: ResinKind | None = None

    def __post_init__(self) -> None:
        _positive("resin volume", self.resin_ml, "mL")
        if not 0.0 < self.discard_share < 1.0:
            raise QuantityError(f"discard threshold: {self.discard_share:g} is no share; give 0.1 to 0.95, as 0.7")


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceRun:
    """One service run. ``litres``: treated between the changes. Error: QuantityError.

    ``feed_us_cm``: the feed water's reading, None: not noted; ``change_us_cm``: the treated water's at the change.
    """

    cycle: int
    litres: float
    installed: date | None = None
    removed: date | None = None
    feed_us_cm: float | None = None
    change_us_cm: float | None = None
    indicator: Indicator = Indicator.NOT_SEEN

    def __post_init__(self) -> None:
        _counted(self.cycle)
        _positive("litres treated", self.litres, "L")
        _positive("feed reading", self.feed_us_cm, "uS/cm")
        _at_least_zero("reading at change", self.change_us_cm, "uS/cm")
        if self.installed and self.removed and self.removed < self.installed:
            raise QuantityError(f"cycle {self.cycle}: removed {self.removed}, before it was installed {self.installed}")


@dataclass(frozen=True, slots=True, kw_only=True)
class RinseSummary:
    """One finished rinse of one of the two resins.

    ``resin_ml``: what was rinsed; ``residue``: NaOH, HCl or salt; ``endpoint``: its name or text, only rinses to the
    same one are compared; ``endpoint_ml``: rinse water until it was reached, None: it was not; ``slow_share``: liquid
    that exchanges slowly, per volume of resin; ``floor_us_cm``: where the filtrate ended or would end;
    ``water_us_cm``: the rinse water or, if that is unknown, None. Error: QuantityError.
    """

    cycle: int
    part: Part
    on: date
    resin_ml: float
    residue: str
    endpoint: str = "feed"
    endpoint_ml: float | None = None
    slow_share: float | None = None
    floor_us_cm: float | None = None
    water_us_cm: float | None = None
    feed_us_cm: float | None = None

    def __post_init__(self) -> None:
        _counted(self.cycle)
        _positive("resin volume", self.resin_ml, "mL")
        _positive("rinse volume", self.endpoint_ml, "mL")
        _at_least_zero("slow share", self.slow_share, "of the resin volume")
        _at_least_zero("floor", self.floor_us_cm, "uS/cm")
        _at_least_zero("rinse water", self.water_us_cm, "uS/cm")
        _at_least_zero("feed reading", self.feed_us_cm, "uS/cm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Regeneration:
    """Regenerants used before the cycle's rinses, equivalents; None: not noted. Error: QuantityError."""

    cycle: int
    on: date | None = None
    caustic_eq: float | None = None
    acid_eq: float | None = None

    def __post_init__(self) -> None:
        _counted(self.cycle)
        _positive("caustic", self.caustic_eq, "eq")
        _positive("acid", self.acid_eq, "eq")


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """All that is known of one bed. Any order; one service run a cycle. Error: QuantityError for two."""

    resin: Resin
    runs: tuple[ServiceRun, ...] = ()
    rinses: tuple[RinseSummary, ...] = ()
    regenerations: tuple[Regeneration, ...] = ()

    def __post_init__(self) -> None:
        counts = Counter(run.cycle for run in self.runs)
        if twice := [cycle for cycle, count in sorted(counts.items()) if count > 1]:
            raise QuantityError(f"cycle {twice[0]}: two service runs; correct or delete one of them")


def _counted(cycle: int) -> None:
    if cycle < 1:
        raise QuantityError(f"cycle: {cycle} is no cycle; they are counted from 1")


def _positive(what: str, value: float | None, unit: str) -> None:
    if value is not None and not (isfinite(value) and value > 0.0):
        raise QuantityError(f"{what}: {value:g} {unit} cannot be; it must be above 0 (leave it out if unknown)")


def _at_least_zero(what: str, value: float | None, unit: str) -> None:
    if value is not None and not (isfinite(value) and value >= 0.0):
        raise QuantityError(f"{what}: {value:g} {unit} cannot be; it must not be below 0 (leave it out if unknown)")
