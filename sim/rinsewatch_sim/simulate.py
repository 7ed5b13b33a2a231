"""Run one scenario: the bed evolves, the operator pours, the meter reads; returns the Record.

Pure and quick: the chemistry and the meter are worked out for all samples at once after the bed has run.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from rinsewatch_sim.draw import random_scenario
from rinsewatch_sim.faults import disturb
from rinsewatch_sim.operator import Pour
from rinsewatch_sim.record import BenchRow, Record
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.textbook import AnyBed
from rinsewatch_sim.water import Array

__all__ = ["Record", "flow_past_end", "noise_free_knots", "random_scenario", "run"]

CUP_S = 6.0  # the little cup at the probe takes seconds to fill with new filtrate
TRAIL_PORTIONS = 6.0  # rinsing goes on this far past the endpoint
LIMIT_RESIN_VOLUMES = 70.0  # nobody rinses longer than this
PAST_END_SHARE = 0.005  # of the resin volume at a time, where no reading asks for more


@dataclass(slots=True)
class _Track:
    """Samples while the bed runs (one entry a reading), events, and settled knots."""

    time_s: list[float] = field(default_factory=list)
    mol_l: list[float] = field(default_factory=list)
    settled: list[int] = field(default_factory=list)
    poured_ml: list[float] = field(default_factory=list)
    logged_ml: list[float] = field(default_factory=list)
    knots_ml: list[float] = field(default_factory=list)
    knots_mol_l: list[float] = field(default_factory=list)
    events: list[tuple[float, float, str]] = field(default_factory=list)

    def sample(self, time_s: float, mol_l: float, poured_ml: float, logged_ml: float) -> None:
        """One reading's worth of truth; it belongs to the knot about to be added."""
        self.time_s.append(time_s)
        self.mol_l.append(mol_l)
        self.settled.append(len(self.knots_ml))
        self.poured_ml.append(poured_ml)
        self.logged_ml.append(logged_ml)

    def knot(self, poured_ml: float, mol_l: float) -> None:
        """A settled filtrate at this poured volume."""
        self.knots_ml.append(poured_ml)
        self.knots_mol_l.append(mol_l)


def progress(scenario: Scenario, poured_ml: Array | float) -> Array | float:
    """Share of a typical rinse that is over (1 at 12 resin volumes): what a drifting floor follows."""
    return poured_ml / (12.0 * scenario.resin_ml)


def _scale(scenario: Scenario, mol_l: float, poured_ml: float) -> float:
    kappa = scenario.water_us_cm(mol_l, scenario.temperature_c, progress(scenario, poured_ml))
    return float(scenario.meter.scale_us_cm(kappa, scenario.temperature_c))


@dataclass(slots=True)
class _Finish:
    """Ends the simulation some portions past the target or, if that is out of reach, past the plateau."""

    scenario: Scenario
    past_ml: float | None = None

    def over(self, mol_l: float, poured_ml: float) -> bool:
        """True once the rinse has gone on long enough."""
        scenario = self.scenario
        if self.past_ml is None:
            scale = _scale(scenario, mol_l, poured_ml)
            floor = scenario.floor_scale_us_cm(float(progress(scenario, poured_ml)))
            step = scenario.meter.finest_step / scenario.meter.per_us_cm
            flat = scale - floor < max(0.03 * floor, 0.1 * step) and floor > scenario.target_us_cm
            if scale <= scenario.target_us_cm or flat:
                self.past_ml = poured_ml
        trail = TRAIL_PORTIONS * scenario.portion_ml
        done = self.past_ml is not None and poured_ml >= self.past_ml + trail
        return done or poured_ml > LIMIT_RESIN_VOLUMES * scenario.resin_ml


def _pour_all(scenario: Scenario, pour: Callable[[int], Pour]) -> _Track:
    """Portions until the finish."""
    bed, track, finish = scenario.bed(), _Track(), _Finish(scenario)
    time_s = poured = logged = 0.0
    cup = scenario.start_mol_l
    index = 0
    while True:
        portion = pour(index)
        poured += scenario.operator.portion_ml
        if portion.logged:
            logged += scenario.operator.portion_ml
            track.events.append((time_s, logged, "portion"))
        cup = _one_portion(scenario, bed, portion, track, (time_s, cup, poured, logged))
        time_s += portion.interval_s
        if finish.over(track.knots_mol_l[-1], poured):
            return track
        if portion.pause_s > 0:
            track.events += [(time_s, logged, "pause"), (time_s + portion.pause_s, logged, "resume")]
            bed.rest(portion.pause_s)
            time_s += portion.pause_s
        index += 1


def _one_portion(
    scenario: Scenario, bed: AnyBed, portion: Pour, track: _Track, now: tuple[float, float, float, float]
) -> float:
    """Contact, drain, rest; readings all along. Returns what is left in the probe's cup, mol/L."""
    start_s, cup, poured, logged = now
    period = scenario.period_s
    mixing_ml = portion.volume_ml * (1.0 - portion.bypass)
    keep = math.exp(-period / CUP_S)
    water = bed.soak(mixing_ml, 0.0)
    count = max(2, int(portion.interval_s / period))
    contact = min(count - 1, max(1, int(portion.contact_s / period)))
    for i in range(count):
        if i < contact:
            water = bed.soak(mixing_ml, period) * (1.0 - portion.bypass)
        elif i == contact:
            water = bed.drain(mixing_ml) * (1.0 - portion.bypass)
        if i >= scenario.probe_late * count:
            cup = water + (cup - water) * keep
        if not scenario.hand_typed:
            track.sample(start_s + (i + 1) * period, cup, poured, logged)
    bed.rest(max(0.0, portion.interval_s - contact * period))
    if scenario.hand_typed:
        track.sample(start_s + 0.9 * portion.interval_s, water, poured, logged)
    track.knot(poured, water)
    return cup


def _flowing(
    scenario: Scenario, bias: float, period_s: Callable[[float], float]
) -> Iterator[tuple[float, float, float]]:
    """(seconds, poured mL, residue mol/L) of a bed in flow, for ever; ``period_s``: of the sample after so much water.

    ``bias``: the pump's error against the nominal flow.
    """
    assert scenario.flow_ml_min is not None
    bed, pause, time_s, poured = scenario.bed(), scenario.flow_pause, 0.0, 0.0
    while True:
        period = period_s(poured)
        nominal_ml = scenario.flow_ml_min / 60.0 * period
        mol_l = bed.flow(nominal_ml * (1.0 + bias), period)
        time_s += period
        poured += nominal_ml
        yield time_s, poured, mol_l
        if pause is not None and poured >= pause[0]:
            bed.rest(pause[1])
            time_s += pause[1]
            pause = None


def _run_flow(scenario: Scenario, bias: float) -> _Track:
    """Continuous flow until the finish."""
    track, finish, pause = _Track(), _Finish(scenario), scenario.flow_pause
    for time_s, poured, mol_l in _flowing(scenario, bias, lambda _: scenario.period_s):
        track.sample(time_s, mol_l, poured, poured)
        track.knot(poured, mol_l)
        if len(track.time_s) % 20 == 0 and finish.over(mol_l, poured):
            break
        if pause is not None and poured >= pause[0]:
            track.events += [(time_s, poured, "pause"), (time_s + pause[1], poured, "resume")]
            pause = None
    return track


def run(scenario: Scenario, rng: np.random.Generator) -> Record:
    """Simulate ``scenario`` with the scatter of ``rng``; same seed, same record."""
    if scenario.is_flow:
        track = _run_flow(scenario, scenario.flow_bias)
    else:
        track = _pour_all(scenario, lambda i: scenario.operator.pour(i, rng))
    return _measure(scenario, track, rng)


def noise_free_knots(scenario: Scenario) -> tuple[Array, Array]:
    """(poured mL, settled filtrate uS/cm on the meter's scale) with every scatter switched off."""
    mean_pour = scenario.operator.mean_pour
    track = _run_flow(scenario, 0.0) if scenario.is_flow else _pour_all(scenario, mean_pour)
    return _knots(scenario, track)


def flow_past_end(scenario: Scenario, sampled_ml: float, most_ml: float) -> tuple[Array, Array, Array]:
    """(seconds, poured mL, residue mol/L) of a rinse in flow that goes on to ``most_ml``, whatever its target.

    As often as the meter reads up to ``sampled_ml``, in ``PAST_END_SHARE`` of the resin volume past it.
    """
    assert scenario.flow_ml_min is not None
    coarse_s = PAST_END_SHARE * scenario.resin_ml / (scenario.flow_ml_min / 60.0)
    out: list[tuple[float, float, float]] = []
    for time_s, poured, mol_l in _flowing(
        scenario, scenario.flow_bias, lambda poured: scenario.period_s if poured < sampled_ml else coarse_s
    ):
        out.append((time_s, poured, max(0.0, mol_l)))
        if poured >= most_ml:
            break
    times, volumes, strengths = np.array(out).T
    return times, volumes, strengths


def _knots(scenario: Scenario, track: _Track) -> tuple[Array, Array]:
    volumes, mol_l = np.array(track.knots_ml), np.array(track.knots_mol_l)
    kappa = scenario.water_us_cm(mol_l, scenario.temperature_c, progress(scenario, volumes))
    return volumes, scenario.meter.scale_us_cm(kappa, scenario.temperature_c)


def _measure(scenario: Scenario, track: _Track, rng: np.random.Generator) -> Record:
    """Chemistry, meter and faults for all samples at once."""
    meter = scenario.meter
    times, mol_l, poured = np.array(track.time_s), np.array(track.mol_l), np.array(track.poured_ml)
    done = np.asarray(progress(scenario, poured))
    temperature = scenario.temperature_c + scenario.temperature_drift_c * done
    scale = meter.scale_us_cm(scenario.water_us_cm(mol_l, temperature, done), temperature)
    true = scenario.water_us_cm(mol_l, 25.0, done)
    seen = scale
    if not scenario.hand_typed:
        seen = meter.lagged(scale, np.diff(times, prepend=times[0] - 1e9))
    noisy = seen * meter.jitter(times, rng)
    readings = disturb(times, noisy, scenario.faults, scenario.feed_scale_us_cm())
    texts = [meter.show(v) if v == v else "" for v in readings.tolist()]
    if not scenario.hand_typed:
        texts = [texts[i] for i in meter.held(times).tolist()]
    knots_ml, knots_us_cm = _knots(scenario, track)
    settled = scale if scenario.is_flow else knots_us_cm[np.array(track.settled)]
    rows, order = _rows(scenario, track, texts, temperature)
    return Record(scenario, rows, true[order], scale[order], settled[order], poured[order], knots_ml, knots_us_cm)


def _rows(
    scenario: Scenario, track: _Track, texts: list[str], temperature_c: Array
) -> tuple[tuple[BenchRow, ...], list[int]]:
    """Readings and events in order of time, and for each row the sample its truth is taken from."""
    unit, shows = scenario.meter.unit, scenario.meter.shows_temperature
    tagged: list[tuple[float, int, int, BenchRow]] = []
    for i, (time_s, text) in enumerate(zip(track.time_s, texts, strict=True)):
        if text:
            warmth = round(float(temperature_c[i]), 1) if shows else None
            tagged.append((time_s, 1, i, BenchRow(time_s, text, unit, warmth, track.logged_ml[i], "")))
    for time_s, logged_ml, event in track.events:
        sample = min(int(np.searchsorted(track.time_s, time_s)), len(texts) - 1)
        tagged.append((time_s, 0, sample, BenchRow(time_s, "", "", None, logged_ml, event)))
    tagged.sort(key=lambda entry: entry[:3])
    return tuple(entry[3] for entry in tagged), [entry[2] for entry in tagged]
