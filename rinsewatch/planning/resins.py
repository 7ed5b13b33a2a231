"""The resins to be regenerated: volumes and what they can hold."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from rinsewatch.chemistry.resin import CAPACITY_EQ_L, Range, ResinKind
from rinsewatch.errors import QuantityError

# Share of cation resin in a mixed bed, % by volume: what makes both capacities about equal. Common practice, no source.
USUAL_CATION_PCT = 40.0
CATION_EQ_L = CAPACITY_EQ_L[ResinKind.STRONG_ACID]
ANION_EQ_L = CAPACITY_EQ_L[ResinKind.STRONG_BASE_1]
# No resin holds more, eq/L of settled wet resin. Cation: one sulfonic group on every ring is 5.4 eq per kg dry, at
# about 0.45 kg dry in a litre. Anion: common practice, no source.
MOST_CATION_EQ_L, MOST_ANION_EQ_L = 2.4, 1.6
LEAST_EQ_L = 0.1  # below this it is spent for good, or a slip
MOST_RESIN_ML = 1e6


@dataclass(frozen=True, slots=True)
class Resins:
    """Settled volumes in mL and total capacities in eq/L of resin; one of the volumes may be 0 (none of it).

    ``mixed``: they are mixed now and must be separated first. Error: QuantityError.
    """

    cation_ml: float
    anion_ml: float
    cation_eq_l: Range = CATION_EQ_L
    anion_eq_l: Range = ANION_EQ_L
    mixed: bool = False

    def __post_init__(self) -> None:
        for name, volume_ml in (("cation resin", self.cation_ml), ("anion resin", self.anion_ml)):
            if not (isfinite(volume_ml) and 0.0 <= volume_ml <= MOST_RESIN_ML):
                raise QuantityError(f"{name}: {volume_ml:g} mL is no volume of resin; give more than 0, up to 1000 L")
        if self.total_ml <= 0.0:
            raise QuantityError("resin: say how much there is, like --resin-ml 500 (mixed)")
        _check_capacity("cation", self.cation_eq_l, MOST_CATION_EQ_L, CATION_EQ_L)
        _check_capacity("anion", self.anion_eq_l, MOST_ANION_EQ_L, ANION_EQ_L)

    @property
    def total_ml(self) -> float:
        """Both together."""
        return self.cation_ml + self.anion_ml

    @property
    def cation_eq(self) -> Range:
        """Equivalents the cation resin can hold."""
        return self.cation_eq_l.times(self.cation_ml / 1000.0)

    @property
    def anion_eq(self) -> Range:
        """Equivalents the anion resin can hold."""
        return self.anion_eq_l.times(self.anion_ml / 1000.0)


def mixed_resins(
    resin_ml: float,
    cation_pct: float = USUAL_CATION_PCT,
    cation_eq_l: Range = CATION_EQ_L,
    anion_eq_l: Range = ANION_EQ_L,
) -> Resins:
    """A mixed bed of ``resin_ml`` mL with ``cation_pct`` % by volume of cation resin. Error: QuantityError."""
    if not (isfinite(resin_ml) and resin_ml > 0.0):
        raise QuantityError(f"resin: {resin_ml:g} mL must be more than 0")
    if not 5.0 <= cation_pct <= 95.0:
        raise QuantityError(f"cation share: {cation_pct:g} % is no mixed bed; usual are 30-50 %, 40 if you do not know")
    cation_ml = resin_ml * cation_pct / 100.0
    return Resins(cation_ml, resin_ml - cation_ml, cation_eq_l, anion_eq_l, mixed=True)


def _check_capacity(name: str, given: Range, most: float, usual: Range) -> None:
    if not (isfinite(given.high) and given.low >= LEAST_EQ_L):
        raise QuantityError(
            f"{name} capacity: {given.low:g} eq/L is no capacity; usual are {usual.low:g}-{usual.high:g}"
        )
    if given.high > most:
        raise QuantityError(
            f"{name} capacity: {given.high:g} eq/L is more than such resin can have ({most:g}); "
            f"usual are {usual.low:g}-{usual.high:g} eq/L"
        )
