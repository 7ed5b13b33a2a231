"""The live bench: bed, probe and clock that a demo or a pty meter drives step by step."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from rinsewatch_sim.operator import Operator, Pour
from rinsewatch_sim.probe import meter_of
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.simulate import CUP_S, progress
from rinsewatch_sim.textbook import AnyBed
from rinsewatch_sim.wire import Sample

STEP_S = 1.0  # longest inner step: cup and probe lag are a few seconds


@dataclass(slots=True)
class Bench:
    """One rinse under way, in virtual seconds. Not thread-safe: PtyMeter locks around it.

    ``pour`` starts a portion (it drains by itself after its contact time); continuous flow runs with time.
    """

    scenario: Scenario
    rng: np.random.Generator
    time_s: float = 0.0
    poured_ml: float = 0.0
    knots: list[tuple[float, float]] = field(default_factory=list)  # poured mL, settled filtrate mol/L
    _bed: AnyBed = field(init=False)
    _water: float = field(init=False)
    _cup: float = field(init=False)
    _probe: float = field(init=False)
    _wobble: float = field(init=False, default=0.0)
    _portion: Pour | None = field(init=False, default=None)
    _count: int = field(init=False, default=0)
    _since_pour_s: float = field(init=False, default=math.inf)
    _shown: tuple[float, str] = field(init=False, default=(-math.inf, ""))

    def __post_init__(self) -> None:
        self._bed = self.scenario.bed()
        self._water = self._cup = self._probe = self.scenario.start_mol_l

    @property
    def filtrate_scale_us_cm(self) -> float:
        """The true filtrate as a noise-free specimen of this meter would show it."""
        return self._scale(self._water)

    @property
    def filtrate_us_cm(self) -> float:
        """The true filtrate at 25 C."""
        return float(self.scenario.water_us_cm(self._water, 25.0, progress(self.scenario, self.poured_ml)))

    def due(self) -> bool:
        """True when the person would pour the next portion."""
        done = self._portion is None or self._since_pour_s >= self._portion.interval_s
        return not self.scenario.is_flow and done

    def pour(self, volume_ml: float | None = None) -> float:
        """Pour a portion (default: the usual one); returns the volume to log, mL."""
        self._drain()
        marked = self.scenario.operator.portion_ml if volume_ml is None else volume_ml
        habits = self.scenario.operator.pour(self._count, self.rng)
        scaled = habits.volume_ml * marked / self.scenario.operator.portion_ml
        self._portion = Pour(scaled, habits.bypass, habits.contact_s, habits.interval_s, True, 0.0)
        self._count += 1
        self._since_pour_s = 0.0
        self.poured_ml += marked
        return marked

    def advance(self, dt_s: float) -> None:
        """Let ``dt_s`` virtual seconds pass."""
        steps = max(1, math.ceil(dt_s / STEP_S))
        for _ in range(steps if dt_s > 0 else 0):
            self._step(dt_s / steps)

    def sample(self) -> Sample:
        """What the display shows now."""
        self._refresh()
        temperature = self.scenario.temperature_c if self.scenario.meter.shows_temperature else None
        return Sample(self._shown[1], self.scenario.meter.unit, temperature)

    def reading_text(self) -> str:
        """Display text alone: a number or ``over``."""
        return self.sample().reading

    def endpoint_ml(self, target_us_cm: float) -> float | None:
        """Poured volume of the first settled filtrate at or below the target, None before."""
        if not self.knots:
            return None
        volumes, mol_l = np.array(self.knots).T
        scenario = self.scenario
        kappa = scenario.water_us_cm(mol_l, scenario.temperature_c, progress(scenario, volumes))
        below = scenario.meter.scale_us_cm(kappa, scenario.temperature_c) <= target_us_cm
        return float(volumes[below.argmax()]) if below.any() else None

    def _scale(self, mol_l: float) -> float:
        scenario = self.scenario
        kappa = scenario.water_us_cm(mol_l, scenario.temperature_c, progress(scenario, self.poured_ml))
        return float(scenario.meter.scale_us_cm(kappa, scenario.temperature_c))

    def _step(self, dt_s: float) -> None:
        self.time_s += dt_s
        self._since_pour_s += dt_s
        if self.scenario.flow_ml_min is not None:
            self._flow(self.scenario.flow_ml_min / 60.0 * dt_s, dt_s)
        else:
            self._soak_or_rest(dt_s)
        self._cup = self._water + (self._cup - self._water) * math.exp(-dt_s / CUP_S)
        self._probe = self._cup + (self._probe - self._cup) * math.exp(-dt_s / self.scenario.meter.lag_s)
        keep = math.exp(-dt_s / 10.0)
        self._wobble = self._wobble * keep + math.sqrt(1.0 - keep * keep) * float(self.rng.standard_normal())

    def _flow(self, nominal_ml: float, dt_s: float) -> None:
        self._water = self._bed.flow(nominal_ml * (1.0 + self.scenario.flow_bias), dt_s)
        self.poured_ml += nominal_ml
        self.knots.append((self.poured_ml, self._water))

    def _soak_or_rest(self, dt_s: float) -> None:
        portion = self._portion
        if portion is None or self._drained():
            self._bed.rest(dt_s)
            return
        self._water = self._bed.soak(_mixing_ml(portion), dt_s) * (1.0 - portion.bypass)
        if self._since_pour_s >= portion.contact_s:
            self._drain()

    def _drained(self) -> bool:
        return len(self.knots) >= self._count

    def _drain(self) -> None:
        if self._portion is None or self._drained():
            return
        self._water = self._bed.drain(_mixing_ml(self._portion)) * (1.0 - self._portion.bypass)
        self.knots.append((self.poured_ml, self._water))

    def _refresh(self) -> None:
        meter = self.scenario.meter
        active = {fault.kind for fault in self.scenario.faults if fault.active(self.time_s)}
        fresh = self.time_s - self._shown[0] < meter.refresh_s or "frozen" in active
        if "silent" in active or (fresh and self._shown[1]):
            self._shown = (-math.inf, "") if "silent" in active else self._shown
            return
        noise = meter.noise * 0.7 * (self._wobble + float(self.rng.standard_normal()))
        self._shown = (self.time_s, meter.show(self._faulty(self._scale(self._probe) * math.exp(noise))))

    def _faulty(self, reading_us_cm: float) -> float:
        for fault in self.scenario.faults:
            if fault.active(self.time_s):
                factors = {"dry": 0.0, "bubble": 0.05, "spike-high": 30.0, "spike-low": 0.005}
                if fault.kind == "swap":
                    return self.scenario.feed_scale_us_cm()
                reading_us_cm *= factors.get(fault.kind, 1.0)
        return reading_us_cm


def _mixing_ml(portion: Pour) -> float:
    return portion.volume_ml * (1.0 - portion.bypass)


def demo_scenario(residue: str = "NaOH", *, flow: bool = False) -> Scenario:
    """An invented half-litre bed for demonstrations: pen meter in whole ppm, rinsed to the feed reading."""
    return Scenario(
        residue=residue,
        resin_ml=500.0,
        start_mol_l=2.4 if residue == "NaOH" else 1.6,
        entrained_ratio=0.42,
        slow_ratio=0.05,
        slow_fill=0.5,
        exchange_per_s=6e-3,
        cells=6,
        operator=Operator(portion_ml=300.0, interval_s=120.0),
        meter=meter_of("pen-0.5"),
        endpoint="feed",
        target_us_cm=22.0,
        flow_ml_min=60.0 if flow else None,
        rinse_us_cm=0.9,
        co2_us_cm=0.6,
        feed_us_cm=22.4,
    )
