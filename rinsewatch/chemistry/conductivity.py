"""Conductivity against concentration, from pure water to past the maximum, and back.

Up to 0.1 mol/L: limiting law with Onsager's slope and two terms fitted to the handbook's points. Above: a
monotone curve in the square root of concentration through the strong-solution tables. Typical error 1 %, for
NaOH between 0.01 and 0.5 mol/L (no verified handbook point) 2 %. Conductivity has a maximum (about 16 % NaOH,
19 % HCl): above roughly that strength the same conductivity means two concentrations.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from math import log, sqrt
from typing import overload

import numpy as np

from rinsewatch.chemistry.density import known_solute, mol_l_from_mass_pct
from rinsewatch.chemistry.halving import halved
from rinsewatch.chemistry.ions import check_temperature, pair_ratio
from rinsewatch.chemistry.monotone import Array, MonotoneCubic
from rinsewatch.chemistry.tables import (
    DILUTE_LAMBDA_S_CM2_MOL,
    ION_CONDUCTIVITY_S_CM2_MOL,
    IONS,
    MODERATE_20_C,
    STRONG_18_C,
    Solute,
)
from rinsewatch.chemistry.water import water_share_us_cm
from rinsewatch.errors import QuantityError

_JOIN_MOL_L = 0.1  # the law holds up to here, the strong tables take over
# Onsager's slope for 1:1 electrolytes in water at 25 C: S = A + B Lambda0 (Robinson and Stokes, from memory).
_ONSAGER_A, _ONSAGER_B = 60.65, 0.2289
_RESIDUE_SOLUTE = {"NaOH": Solute.NAOH, "HCl": Solute.HCL, "salt": Solute.NACL}
# Above this share of the maximum the inverse is ill-posed (two concentrations, slope near 0).
_TOP_SHARE = 0.95


@dataclass(frozen=True, slots=True)
class _Curve:
    """Molar conductivity of one solute at 25 C and how it follows temperature."""

    solute: Solute
    limit: float
    terms: tuple[float, float, float]
    strong: MonotoneCubic | None
    exponent: MonotoneCubic | None
    top_mol_l: float

    def molar(self, mol_l: Array) -> Array:
        """S cm2/mol at 25 C."""
        root = np.sqrt(mol_l)
        slope, linear, power = self.terms
        law = self.limit - slope * root + linear * mol_l + power * mol_l * root
        return law if self.strong is None else np.where(mol_l <= _JOIN_MOL_L, law, self.strong(root))

    def us_cm(self, mol_l: Array, temperature_c: float) -> Array:
        """uS/cm of the solute alone, without water's own ions."""
        ratio = pair_ratio(IONS[self.solute], temperature_c)
        power = 1.0 if self.exponent is None else self.exponent(np.sqrt(mol_l))
        return np.asarray(1000.0 * mol_l * self.molar(mol_l) * ratio**power)


def conductivity_us_cm(solute: str, mol_l: float, temperature_c: float = 25.0) -> float:
    """Conductivity in uS/cm of a solution with ``mol_l`` (mol/L at 20 C) of NaOH, HCl, KOH, NaCl or KCl.

    Valid 0-60 C (tables: 18-26 C), up to 40 % NaOH and HCl, 26 % NaCl, 21 % KCl; KOH up to 0.1 mol/L only,
    with NaOH's decline. Water's own ions are included. Error: QuantityError outside.
    """
    own = own_us_cm(solute, mol_l, temperature_c)
    neutral = known_solute(solute) in (Solute.NACL, Solute.KCL)
    return own + water_share_us_cm(0.0 if neutral else mol_l, temperature_c)


def conducting_solute(name: str) -> Solute:
    """The solute of this name, if its conductivity is known here; error: QuantityError."""
    solute = known_solute(name)
    if solute not in IONS:
        raise QuantityError(f"{solute}: no conductivity table; only its densities are known here")
    return solute


def own_us_cm(solute: str, mol_l: float, temperature_c: float = 25.0) -> float:
    """The solute's own share of it, without water's ions; range and errors as conductivity_us_cm."""
    curve = _curve(conducting_solute(solute))
    check_temperature(temperature_c)
    if not 0.0 <= mol_l <= curve.top_mol_l:
        raise QuantityError(f"{solute}: {mol_l:g} mol/L is outside the table (0-{curve.top_mol_l:.3g} mol/L)")
    return float(curve.us_cm(np.array(mol_l), temperature_c))


def concentration_mol_l(solute: str, conductivity_us_cm: float, temperature_c: float = 25.0) -> float:
    """The dilute answer in mol/L: the concentration below the maximum that has this conductivity.

    0 at or below pure water's own conductivity. Error: QuantityError above the maximum.
    """
    return both_concentrations(solute, conductivity_us_cm, temperature_c)[0]


def both_concentrations(
    solute: str, conductivity_us_cm: float, temperature_c: float = 25.0
) -> tuple[float, float | None]:
    """Both concentrations (mol/L) with this conductivity: below and above the maximum.

    The second is None where the table ends before conductivity has fallen that far again (dilute solutions;
    NaCl and KCl, which have no maximum). Near the maximum the two meet and each is loose (flat curve).
    """
    key = conducting_solute(solute)
    peak_mol_l = _peak_mol_l(key, temperature_c)
    if conductivity_us_cm > _total(key, peak_mol_l, temperature_c):
        raise QuantityError(f"{solute}: no solution in the table conducts {conductivity_us_cm:g} uS/cm")
    low = _bisect(key, conductivity_us_cm, temperature_c, 0.0, peak_mol_l)
    top_mol_l = _curve(key).top_mol_l
    if top_mol_l <= peak_mol_l or _total(key, top_mol_l, temperature_c) > conductivity_us_cm:
        return low, None
    return low, _bisect(key, conductivity_us_cm, temperature_c, top_mol_l, peak_mol_l)


class LinearScale:
    """Readings of a residue to and from a scale on which conductivity is proportional to concentration.

    "Linear" uS/cm are c times the limiting conductivity at 25 C: for NaOH 248, HCl 426, salt (NaCl) 126 uS/cm
    per mmol/L. Mixing is then plain arithmetic. Both directions are strictly rising, exact inverses of each
    other, and 0 maps to 0; water's own ions are not part of it (add the floor outside). Negative values down
    to -1e4 pass unchanged. Only the dilute branch is known: above 95 % of the maximum conductivity (NaOH
    about 390, HCl 800, NaCl 235 mS/cm) the curve goes on straight with its last slope: a reading up there
    only says "very strong". Over 0-100 mS/cm it is as good as the tables (1-2 %); at 1 uS/cm both scales
    agree within 0.2 %.
    """

    __slots__ = ("_linear", "_reading", "limit_s_cm2_mol", "top_us_cm")

    def __init__(self, residue: str) -> None:
        """``residue``: "NaOH", "HCl" or "salt"; error: QuantityError."""
        if residue not in _RESIDUE_SOLUTE:
            raise QuantityError(f"residue: {residue!r} is unknown; choose NaOH, HCl or salt")
        solute = _RESIDUE_SOLUTE[residue]
        self.limit_s_cm2_mol = _curve(solute).limit
        self._linear, self._reading = _scale_table(solute)
        self.top_us_cm = float(self._reading[-2])

    @overload
    def to_linear(self, reading: float) -> float: ...
    @overload
    def to_linear(self, reading: Array) -> Array: ...
    def to_linear(self, reading: float | Array) -> float | Array:
        """Linear uS/cm of a reading in uS/cm at 25 C."""
        return _interpolate(reading, self._reading, self._linear)

    @overload
    def to_reading(self, linear: float) -> float: ...
    @overload
    def to_reading(self, linear: Array) -> Array: ...
    def to_reading(self, linear: float | Array) -> float | Array:
        """Reading in uS/cm at 25 C of a linear conductivity in uS/cm."""
        return _interpolate(linear, self._linear, self._reading)


def ideal_us_cm(residue: str, reading_us_cm: float) -> float:
    """Linear conductivity (see LinearScale) of one reading, uS/cm; keep a LinearScale for many."""
    return LinearScale(residue).to_linear(reading_us_cm)


def reading_from_ideal_us_cm(residue: str, linear_us_cm: float) -> float:
    """The inverse of ideal_us_cm, uS/cm."""
    return LinearScale(residue).to_reading(linear_us_cm)


def _interpolate(value: float | Array, source: Array, target: Array) -> float | Array:
    result = np.interp(value, source, target)
    return result if isinstance(value, np.ndarray) else float(result)


@cache
def _scale_table(solute: Solute) -> tuple[Array, Array]:
    """(linear, reading) knots, about 300 a decade of concentration; see LinearScale."""
    curve = _curve(solute)
    peak_mol_l = _peak_mol_l(solute, 25.0)
    mol_l = np.geomspace(1e-9, peak_mol_l, 3000)
    reading = curve.us_cm(mol_l, 25.0)
    keep = reading <= _TOP_SHARE * reading[-1]
    linear, reading = 1000.0 * curve.limit * mol_l[keep], reading[keep]
    slope = (reading[-1] - reading[-2]) / (linear[-1] - linear[-2])
    far_us_cm = 1e9
    end = reading[-1] + slope * (far_us_cm - linear[-1])
    below = [-1e4, 0.0]  # not further: rounding in the interpolation grows with the span
    return np.concatenate([below, linear, [far_us_cm]]), np.concatenate([below, reading, [end]])


@cache
def _curve(solute: Solute) -> _Curve:
    if solute is Solute.KOH:
        return _borrowed_koh()
    dilute = np.array(DILUTE_LAMBDA_S_CM2_MOL[solute])
    power = _exponent(solute)
    strong = _strong_points(solute, power)
    limit = float(dilute[0, 1])
    terms = _fit_law(limit, np.vstack([dilute[1:], strong[strong[:, 0] < 1.3 * _JOIN_MOL_L]]))
    bare = _Curve(solute, limit, terms, None, power, float(strong[-1, 0]))
    law = np.array([[c, float(bare.molar(np.array(c)))] for c in (0.09, _JOIN_MOL_L)])
    knots = np.vstack([law, strong[strong[:, 0] > 1.05 * _JOIN_MOL_L]])
    above = MonotoneCubic.through(np.sqrt(knots[:, 0]), knots[:, 1])
    return _Curve(solute, limit, terms, above, power, bare.top_mol_l)


def _borrowed_koh() -> _Curve:
    base = _curve(Solute.NAOH)
    limit = sum(ION_CONDUCTIVITY_S_CM2_MOL[ion] for ion in IONS[Solute.KOH])
    slope, linear, power = (term * limit / base.limit for term in base.terms)
    return _Curve(Solute.KOH, limit, (slope, linear, power), None, None, _JOIN_MOL_L)


def _fit_law(limit: float, points: Array) -> tuple[float, float, float]:
    """Onsager's slope, and the terms in c and c^1.5 that fit the points best (relative least squares)."""
    mol_l, molar = points[:, 0], points[:, 1]
    slope = _ONSAGER_A + _ONSAGER_B * limit
    terms = np.stack([mol_l, mol_l**1.5], axis=1) / molar[:, None]
    rest = (molar - limit + slope * np.sqrt(mol_l)) / molar
    linear, power = np.linalg.lstsq(terms, rest, rcond=None)[0]
    return slope, float(linear), float(power)


def _exponent(solute: Solute) -> MonotoneCubic:
    """Power to which the pair's temperature ratio is raised, so that the strong tables' slopes come out."""
    cold = log(pair_ratio(IONS[solute], 18.0))
    root = [0.0] + [sqrt(mol_l_from_mass_pct(solute, pct)) for pct, _, _ in STRONG_18_C[solute]]
    power = [1.0] + [-log(1.0 + 7.0 * slope) / cold for _, _, slope in STRONG_18_C[solute]]
    return MonotoneCubic.through(np.array(root), np.array(power))


def _strong_points(solute: Solute, power: MonotoneCubic) -> Array:
    """(mol/L, S cm2/mol at 25 C) rows of the moderate and the strong table."""
    rows = [(pct, ms_cm * 1000.0, 20.0) for pct, ms_cm in MODERATE_20_C[solute]]
    rows += [(pct, s_cm * 1e6, 18.0) for pct, s_cm, _ in STRONG_18_C[solute]]
    points = []
    for pct, us_cm, at_c in rows:
        mol_l = mol_l_from_mass_pct(solute, pct)
        ratio = pair_ratio(IONS[solute], at_c) ** float(power(np.array(sqrt(mol_l))))
        points.append((mol_l, us_cm / ratio / mol_l / 1000.0))
    return np.array(points)


def _total(solute: Solute, mol_l: float, temperature_c: float) -> float:
    return conductivity_us_cm(solute, mol_l, temperature_c)


@lru_cache(maxsize=64)
def _peak_mol_l(solute: Solute, temperature_c: float) -> float:
    """Concentration of the largest conductivity in the table, mol/L."""
    curve = _curve(solute)
    mol_l = np.linspace(0.0, sqrt(curve.top_mol_l), 4001) ** 2
    mol_l[-1] = curve.top_mol_l
    return float(mol_l[np.argmax(curve.us_cm(mol_l, temperature_c))])


def _bisect(solute: Solute, us_cm: float, temperature_c: float, below: float, above: float) -> float:
    """Where conductivity crosses ``us_cm`` between the ends (below at ``below``)."""
    if _total(solute, below, temperature_c) >= us_cm:
        return below
    return halved(below, above, lambda mol_l: _total(solute, mol_l, temperature_c) < us_cm, rounds=90)
