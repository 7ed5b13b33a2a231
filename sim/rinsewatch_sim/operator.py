"""The person at the bench: pours roughly what the beaker says, in their own rhythm, and sometimes forgets."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Pour:
    """One portion as it really happened, and whether it was logged."""

    volume_ml: float
    bypass: float
    contact_s: float
    interval_s: float
    logged: bool
    pause_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Operator:
    """Habits. Noise: relative standard deviations; ``bypass_high``: largest share running past."""

    portion_ml: float
    interval_s: float
    interval_noise: float = 0.15
    contact_share: float = 0.5
    volume_noise: float = 0.05
    bypass_high: float = 0.12
    forget_chance: float = 0.0
    pause_at: int | None = None
    pause_s: float = 0.0

    def pour(self, index: int, rng: np.random.Generator) -> Pour:
        """Portion number ``index`` (from 0)."""
        volume = self.portion_ml * max(0.5, 1.0 + self.volume_noise * rng.standard_normal())
        interval = self.interval_s * math.exp(self.interval_noise * rng.standard_normal())
        return Pour(
            volume_ml=volume,
            bypass=float(rng.uniform(0.0, self.bypass_high)),
            contact_s=interval * self.contact_share,
            interval_s=interval,
            logged=bool(rng.random() >= self.forget_chance),
            pause_s=self.pause_s if index == self.pause_at else 0.0,
        )

    def mean_pour(self, index: int) -> Pour:
        """The same portion without any scatter."""
        return Pour(
            volume_ml=self.portion_ml,
            bypass=self.bypass_high / 2,
            contact_s=self.interval_s * self.contact_share,
            interval_s=self.interval_s,
            logged=True,
            pause_s=self.pause_s if index == self.pause_at else 0.0,
        )
