"""The most a bed can hold, by its kind."""

from __future__ import annotations

from rinsewatch.chemistry.resin import CAPACITY_EQ_L, ResinKind


def _mixed_bed_limit_eq_l() -> float:
    """What a litre of both resins can hold at most, in the best ratio: anion share a, a x A = (1 - a) x C."""
    anion = max(CAPACITY_EQ_L[kind].high for kind in (ResinKind.STRONG_BASE_1, ResinKind.STRONG_BASE_2))
    cation = CAPACITY_EQ_L[ResinKind.STRONG_ACID].high
    return anion * cation / (anion + cation)


MIXED_BED_LIMIT_EQ_L = _mixed_bed_limit_eq_l()


def limit_eq_l(kind: ResinKind | None) -> float:
    """The most a litre of this resin, or of a mixed bed (None), can hold; settled and wet."""
    return MIXED_BED_LIMIT_EQ_L if kind is None else CAPACITY_EQ_L[kind].high
