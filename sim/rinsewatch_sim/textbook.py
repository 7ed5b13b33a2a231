"""Beds that follow a formula of the textbooks instead of a balance: an exponential or a chain of mixed cells, and a
second, slower exponential. How long a portion stands makes no difference to them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rinsewatch_sim.column import Bed

TAIL_SHARE = (-3.5, -1.3)  # log10 of the slower exponential's share at the start
TAIL_RESIN_VOLUMES = (0.7, 2.5)  # its volume constant


@dataclass(slots=True)
class TextbookBed:
    """Residue mol/L against rinse water: ``start ((1-f) front + f exp(-V/v2))``.

    The front is the mixing of each portion with the entrained liquid, in flow the chance that a chain of ``cells``
    mixed cells still holds a parcel, the incomplete gamma function Q(N, N V/Ve).
    """

    entrained_ml: float
    start_mol_l: float
    cells: int
    tail_share: float
    tail_ml: float
    _poured_ml: float = 0.0
    _front: float = 1.0

    @classmethod
    def of(
        cls, resin_ml: float, entrained_ml: float, start_mol_l: float, cells: int, draws: tuple[float, float]
    ) -> TextbookBed:
        """``draws``: where in their ranges the tail's share and volume lie, 0 to 1."""
        (low, high), (least, most) = TAIL_SHARE, TAIL_RESIN_VOLUMES
        share = 10.0 ** (low + draws[0] * (high - low))
        return cls(entrained_ml, start_mol_l, cells, share, resin_ml * (least + draws[1] * (most - least)))

    def _level(self, front: float, poured_ml: float) -> float:
        tail = math.exp(-poured_ml / self.tail_ml)
        return self.start_mol_l * ((1.0 - self.tail_share) * front + self.tail_share * tail)

    def soak(self, portion_ml: float, dt_s: float) -> float:
        """The filtrate of a portion that stands, mol/L."""
        front = self._front * self.entrained_ml / (self.entrained_ml + portion_ml)
        return self._level(front, self._poured_ml + portion_ml)

    def drain(self, portion_ml: float) -> float:
        """The same, and the portion is gone."""
        out = self.soak(portion_ml, 0.0)
        self._front *= self.entrained_ml / (self.entrained_ml + portion_ml)
        self._poured_ml += portion_ml
        return out

    def portion(self, volume_ml: float, contact_s: float, bypass: float = 0.0) -> float:
        """Pour, stand and drain; some of it goes by the bed."""
        return self.drain(volume_ml * (1.0 - bypass)) * (1.0 - bypass)

    def rest(self, dt_s: float) -> None:
        """Nothing happens."""

    def flow(self, volume_ml: float, dt_s: float) -> float:
        """The filtrate after so much more water, mol/L."""
        self._poured_ml += volume_ml
        return self._level(_still_in(self.cells, self._poured_ml / self.entrained_ml), self._poured_ml)


def _still_in(cells: int, volumes: float) -> float:
    """Q(N, N v) of a whole N: the chance of fewer than N of the Poisson steps that v entrained volumes bring."""
    mean = cells * volumes
    term = total = math.exp(-mean)
    for step in range(1, cells):
        term *= mean / step
        total += term
    return total


AnyBed = Bed | TextbookBed
