"""The chemicals at hand: solid or of a strength, and which of them cannot do the job."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from rinsewatch.chemistry.density import strongest_pct
from rinsewatch.chemistry.tables import Solute
from rinsewatch.errors import QuantityError


class Use(StrEnum):
    """What a chemical is wanted for."""

    CAUSTIC = "caustic"
    ACID = "acid"
    BRINE = "brine"


ACIDS = (Solute.HCL, Solute.H2SO4)
_FITS = {
    Use.CAUSTIC: (Solute.NAOH, Solute.KOH),
    Use.ACID: ACIDS,
    Use.BRINE: (Solute.NACL,),
}
EXAMPLES = {
    Use.CAUSTIC: "'NaOH' (solid), 'NaOH 50 %', 'KOH' or 'KOH 45 %'",
    Use.ACID: "'HCl 30 %'",
    Use.BRINE: "'NaCl'",
}
_NAMES = {
    "naoh": Solute.NAOH, "caustic soda": Solute.NAOH, "sodium hydroxide": Solute.NAOH, "lye": Solute.NAOH,
    "koh": Solute.KOH, "caustic potash": Solute.KOH, "potassium hydroxide": Solute.KOH,
    "hcl": Solute.HCL, "hydrochloric acid": Solute.HCL, "muriatic acid": Solute.HCL,
    "h2so4": Solute.H2SO4, "sulfuric acid": Solute.H2SO4, "sulphuric acid": Solute.H2SO4,
    "battery acid": Solute.H2SO4,
    "nacl": Solute.NACL, "salt": Solute.NACL, "sodium chloride": Solute.NACL,
}  # fmt: skip
_LIME = {"ca(oh)2", "caoh2", "calcium hydroxide", "lime", "slaked lime", "hydrated lime", "quicklime", "cao"}
# Solubility at 20-25 C: 1.6-1.7 g per L of water. From memory of handbooks.
LIME_REASON = (
    "calcium hydroxide cannot regenerate: only 1.7 g/L dissolves (0.05 eq/L, a sixtieth of what a 10 % caustic has), "
    "and its calcium scales the resin; use NaOH or KOH"
)
_PATTERN = re.compile(
    r"(?:solid\s+|dry\s+)?([a-z][a-z0-9() ]*?)(?:\s*(-?[0-9]+(?:\.[0-9]+)?)\s*%)?(?:\s+(?:solid|dry))?"
)
# 50 % caustic soda begins to crystallise at about 12-15 C: common practice, on every supplier's label.
CRYSTALS_FROM_PCT, CRYSTALS_BELOW_C = 46.0, 15.0
SPITS_FROM_PCT = 51.0  # sulfuric acid stronger than in batteries: common practice, no source


@dataclass(frozen=True, slots=True)
class Stock:
    """A solute, ``pct`` % by mass in water, or solid (``pct`` None)."""

    solute: Solute
    pct: float | None = None

    @property
    def words(self) -> str:
        """``solid NaOH`` or ``30 % HCl``."""
        return f"solid {self.solute}" if self.pct is None else f"{self.pct:g} % {self.solute}"

    def warnings(self, temperature_c: float) -> tuple[str, ...]:
        """What to mind with this stock at the room's temperature."""
        if self.solute is Solute.H2SO4:
            return self._sulfuric_warnings()
        if self.solute is not Solute.NAOH or self.pct is None or self.pct < CRYSTALS_FROM_PCT:
            return ()
        now = ": at this temperature expect crystals" if temperature_c < CRYSTALS_BELOW_C else ""
        return (
            f"{self.pct:g} % NaOH forms crystals below about 12-15 C{now}; "
            "warm it gently in its closed bottle until clear, or the amount poured is wrong",
        )

    def _sulfuric_warnings(self) -> tuple[str, ...]:
        gypsum = (
            "sulfuric acid leaves calcium sulfate (gypsum) in the bed if the resin holds calcium, and that stays: "
            "hydrochloric acid is the better choice (more at the acid's step)"
        )
        if self.pct is None or self.pct <= SPITS_FROM_PCT:
            return (gypsum,)
        spits = (
            f"{self.pct:g} % sulfuric acid boils and spits where it meets water: a thin stream into much cold "
            "water, stirring, never the other way round; a weaker one, 37 % or less, is safer to handle"
        )
        return (gypsum, spits)


def parse_stock(text: str, use: Use) -> Stock:
    """``NaOH``, ``NaOH 50 %``, ``HCl 30 %``: what is at hand for this use. Error: QuantityError, with the reason."""
    found = _PATTERN.fullmatch(_turned(" ".join(text.strip().lower().replace("w/w", " ").split())))
    if found is None:
        raise QuantityError(f"--{use}: cannot read {text!r}; write it like {EXAMPLES[use]}")
    name, strength = found[1].strip(), found[2]
    if name in _LIME:
        raise QuantityError(f"--{use}: {LIME_REASON}")
    solute = _NAMES.get(name)
    if solute is None:
        raise QuantityError(f"--{use}: {text.strip()!r} is not known; write it like {EXAMPLES[use]}")
    stock = Stock(solute, None if strength is None else float(strength))
    _check_fits(stock, use)
    _check_strength(stock, use)
    return stock


def _turned(text: str) -> str:
    """``30 % hcl`` as ``hcl 30 %``."""
    first = re.fullmatch(r"(-?[0-9]+(?:\.[0-9]+)?\s*%)\s*([a-z].*)", text)
    return text if first is None else f"{first[2]} {first[1]}"


def _check_fits(stock: Stock, use: Use) -> None:
    if stock.solute in _FITS[use]:
        return
    mixed_up = {use, *(other for other, fits in _FITS.items() if stock.solute in fits)} == {Use.CAUSTIC, Use.ACID}
    danger = "; mixed up? Never add strong acid to caustic or caustic to acid: it boils and spits" if mixed_up else ""
    raise QuantityError(f"--{use}: {stock.solute} is no {use}{danger}; give {EXAMPLES[use]}")


def _check_strength(stock: Stock, use: Use) -> None:
    if stock.pct is None:
        if use is Use.ACID:
            raise QuantityError(
                f"--acid: {stock.solute} is sold as a solution; give its strength from the label: '{stock.solute} 30 %'"
            )
        return
    most = strongest_pct(stock.solute)
    if stock.pct <= 0.0:
        raise QuantityError(f"--{use}: {stock.pct:g} % must be more than 0")
    if stock.pct > most:
        raise QuantityError(
            f"--{use}: {stock.pct:g} % {stock.solute} does not exist; {_MOST[stock.solute]}: check the label"
        )


_MOST = {
    Solute.NAOH: "above 50 % it is no longer a solution at room temperature",
    Solute.KOH: "above 50 % it is no longer a solution at room temperature",
    Solute.HCL: "the strongest on sale is 37-38 %, at 40 % the gas escapes",
    Solute.NACL: "no more than 26 % dissolves",
    Solute.H2SO4: "the strongest on sale is 93-98 %",
}
