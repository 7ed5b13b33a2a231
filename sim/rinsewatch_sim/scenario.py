"""One rinse to simulate: every parameter, and the class it is reported under."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rinsewatch_sim.column import Bed, Exchange
from rinsewatch_sim.faults import Fault
from rinsewatch_sim.operator import Operator
from rinsewatch_sim.probe import Meter
from rinsewatch_sim.textbook import AnyBed, TextbookBed
from rinsewatch_sim.water import Array, co2_for_us_cm, conductivity_us_cm, salt_for_us_cm


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Parameters of one rinse. Volumes mL, strengths mol/L, rates 1/s, conductivities uS/cm at 25 C.

    ``flow_ml_min`` is None for portions. ``rinse_us_cm`` is the rinse water's true conductivity, of which
    ``co2_us_cm`` comes from carbonic acid; ``leak_us_cm`` is what the bed adds for ever; ``floor_drift`` the
    relative change of the rinse water over the rinse, ``floor_step`` one at once, at the progress ``floor_step_at``.
    ``slow_fill``: slow strength over mobile strength. ``probe_late``: share of a portion's time until its filtrate
    comes to the probe.
    ``target_us_cm`` is on the meter's scale.
    """

    residue: str
    resin_ml: float
    start_mol_l: float
    entrained_ratio: float
    slow_ratio: float
    slow_fill: float
    exchange_per_s: float
    cells: int
    operator: Operator
    meter: Meter
    endpoint: str
    target_us_cm: float
    flow_ml_min: float | None = None
    flow_bias: float = 0.0
    rinse_us_cm: float = 1.0
    co2_us_cm: float = 0.5
    leak_us_cm: float = 0.0
    floor_drift: float = 0.0
    floor_step: float = 0.0
    floor_step_at: float = 0.5
    feed_us_cm: float = 20.0
    temperature_c: float = 22.0
    temperature_drift_c: float = 0.0
    faults: tuple[Fault, ...] = ()
    hand_typed: bool = False
    period_s: float = 1.0
    flow_pause: tuple[float, float] | None = None
    aged: bool = False
    exchange_law: str = "first-order"
    channel: float = 0.0
    probe_late: float = 0.0

    @property
    def is_flow(self) -> bool:
        """True for continuous flow."""
        return self.flow_ml_min is not None

    @property
    def water_stood(self) -> bool:
        """The rinse water has stood in air; fresh out of its cartridge it holds no carbonic acid."""
        return self.co2_us_cm > 0

    @property
    def portion_ml(self) -> float:
        """Portion; for continuous flow the nominal one errors are counted in: half the resin volume."""
        return self.resin_ml / 2 if self.is_flow else self.operator.portion_ml

    @property
    def entrained_ml(self) -> float:
        """Liquid that stays with the drained resin."""
        return self.entrained_ratio * self.resin_ml

    def bed(self) -> AnyBed:
        """The bed as it is when the rinse starts. Stirred portions are one mixed cell."""
        if self.exchange_law == "textbook":
            fast = math.log(self.exchange_per_s / 4e-4) / math.log(1e-2 / 4e-4)
            draws = (fast, (self.slow_fill - 0.1) / 0.9)
            return TextbookBed.of(self.resin_ml, self.entrained_ml, self.start_mol_l, self.cells, draws)
        exchange = Exchange.law(self.exchange_law, self.exchange_per_s)
        cells = self.cells if self.is_flow else 1
        bed = Bed(self.entrained_ml, self.slow_ratio * self.resin_ml, cells, exchange, self.channel)
        bed.fill(self.start_mol_l, self.start_mol_l * self.slow_fill)
        return bed

    def background(self, progress: Array | float, *, with_leak: bool = True) -> tuple[Array, float]:
        """(salt, carbonic acid), mol/L, of the water without residue; ``progress`` (from 0) drives drift and step."""
        salt_us_cm = max(0.0, self.rinse_us_cm - self.co2_us_cm)
        drift = self.floor_drift * self.rinse_us_cm * np.clip(progress, 0.0, 1.0)
        drift = drift + np.where(np.asarray(progress) >= self.floor_step_at, self.floor_step * self.rinse_us_cm, 0.0)
        leak = self.leak_us_cm if with_leak else 0.0
        salt = np.maximum(0.0, salt_us_cm + drift) + leak
        return np.asarray(salt * salt_for_us_cm(1.0)), co2_for_us_cm(self.co2_us_cm)

    def water_us_cm(self, mol_l: Array | float, temperature_c: Array | float, progress: Array | float) -> Array:
        """Conductivity of the filtrate at its own temperature."""
        salt, co2 = self.background(progress)
        return conductivity_us_cm(self.residue, mol_l, temperature_c, salt, co2)

    def rinse_water_scale_us_cm(self) -> float:
        """What the noise-free meter makes of the rinse water before the rinse."""
        salt, co2 = self.background(0.0, with_leak=False)
        kappa = conductivity_us_cm(self.residue, 0.0, self.temperature_c, salt, co2)
        return float(self.meter.scale_us_cm(kappa, self.temperature_c))

    def floor_scale_us_cm(self, progress: float = math.inf) -> float:
        """The floor as the noise-free meter sees it: rinse water plus what the bed adds."""
        kappa = self.water_us_cm(0.0, self.temperature_c, progress)
        return float(self.meter.scale_us_cm(kappa, self.temperature_c))

    def feed_scale_us_cm(self) -> float:
        """What the noise-free meter makes of the feed water (a dilute salt solution)."""
        kappa = conductivity_us_cm("salt", salt_for_us_cm(self.feed_us_cm), self.temperature_c)
        return float(self.meter.scale_us_cm(kappa, self.temperature_c))

    def shown_feed(self) -> str:
        """Display text for the feed water."""
        return self.meter.show(self.feed_scale_us_cm())

    def shown_rinse_water(self) -> str:
        """Display text for the rinse water."""
        return self.meter.show(self.rinse_water_scale_us_cm())

    def shown_us_cm(self, shown: str) -> float:
        """A display text in uS/cm of the meter's scale."""
        return float(shown) / self.meter.per_us_cm

    def labels(self) -> dict[str, str]:
        """Class labels for reporting."""
        return {
            "mode": "hand" if self.hand_typed else ("flow" if self.is_flow else "portions"),
            "residue": self.residue,
            "meter": self.meter.kind,
            "faults": "faults" if self.faults else "clean",
            "resin": "aged" if self.aged else "young",
            "endpoint": self.endpoint,
            "water": "air" if self.water_stood else "fresh",
            "floor": "above target" if self.floor_scale_us_cm() > self.target_us_cm else "below target",
        }

    def settings(self) -> dict[str, str | float]:
        """The recording's settings, option names in snake case."""
        out: dict[str, str | float] = {"resin_ml": self.resin_ml, "residue": self.residue}
        if self.flow_ml_min is not None:
            out["flow_ml_min"] = self.flow_ml_min
        else:
            out["portion_ml"] = self.operator.portion_ml
        unit = self.meter.unit
        value = self.target_us_cm * self.meter.per_us_cm
        out["endpoint"] = f"{value:.6g} {unit}" if self.endpoint == "value" else self.endpoint
        out["feed"] = f"{self.shown_feed()} {unit}"
        out["rinse_water"] = f"{self.shown_rinse_water()} {unit}"
        out["tds_factor"] = self.meter.tds_factor
        out["top"] = f"{self.meter.steps[-1][0]:g} {unit}"
        out["resolution"] = f"{self.meter.finest_step:g} {unit}"
        return out

    def changed(self, **changes: object) -> Scenario:
        """The same rinse under other laws or parameters."""
        return replace(self, **changes)  # type: ignore[arg-type]
