"""Draws scenarios from the ranges of the benchmark's population."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import count

import numpy as np

from rinsewatch_sim.faults import draw_faults
from rinsewatch_sim.operator import Operator
from rinsewatch_sim.probe import KINDS, Meter, meter_of
from rinsewatch_sim.scenario import Scenario

PORTIONS_AT_MOST = 30.0
FLOW_RESIN_VOLUMES_AT_MOST = 25.0
ROWS_AT_MOST = 4000.0
STRENGTH_MOL_L = {"NaOH": (0.9, 4.4), "HCl": (1.0, 2.2), "salt": (0.5, 4.0)}
ENTRAINED_RATIO, SLOW_FILL, CONTACT_SHARE = (0.3, 0.6), (0.1, 1.0), (0.3, 0.7)
AGED_SHARE = 0.3
SLOW_RATIO = {True: (0.1, 0.3), False: (0.03, 0.12)}  # aged or not
EXCHANGE_PER_S = {True: (4e-4, 3e-3), False: (2e-3, 1e-2)}
RINSE_US_CM, LEAK_SHARE, CARBONIC_SHARE = (0.3, 3.0), (0.0, 0.2), (0.1, 0.95)
AIR_SHARE = 0.5  # of the rinse waters hold carbonic acid
TEMPERATURE_C, DRIFT_C = (12.0, 32.0), (-1.5, 1.5)
GAIN_SPREAD, GAIN_AT_MOST = 0.025, 0.05
NEAR_FLOOR = (0.9, 1.1)  # targets between these times the floor are not drawn
# Molar conductivity at infinite dilution, S cm2/mol (CRC Handbook): rough lengths only.
_MOLAR = {"NaOH": 247.8, "HCl": 426.2, "salt": 126.4}
_PERIODS_S = (0.2, 0.5, 1.0, 2.0, 5.0)


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Log-uniform."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _meter(rng: np.random.Generator, kind: str, hand: bool) -> Meter:
    return replace(
        meter_of(kind),
        lag_s=float(rng.uniform(1.0, 5.0)),
        noise=float(rng.uniform(0.003, 0.010)),
        gain=1.0 + float(np.clip(GAIN_SPREAD * rng.standard_normal(), -GAIN_AT_MOST, GAIN_AT_MOST)),
        refresh_s=float(rng.choice([0.5, 1.0, 2.0])),
        shows_temperature=not hand and kind in ("transmitter", "fine"),
    )


@dataclass(frozen=True, slots=True)
class _Kind:
    """The classes of a rinse, drawn once: redrawing them with the rest would thin out the long rinses."""

    residue: str
    flow: bool
    hand: bool
    meter: str
    aged: bool
    out_of_reach: bool
    endpoint: str


def _kind(rng: np.random.Generator) -> _Kind:
    flow = bool(rng.random() < 0.45)
    hand = not flow and bool(rng.random() < 0.35)
    return _Kind(
        residue=str(rng.choice(["NaOH", "HCl"])),
        flow=flow,
        hand=hand,
        meter=str(rng.choice(["pen-0.5", "pen-0.7"] if hand else list(KINDS))),
        aged=bool(rng.random() < AGED_SHARE),
        out_of_reach=bool(rng.random() < 0.08),
        endpoint=str(rng.choice(["feed", "zero", "value"])),
    )


def _draft(rng: np.random.Generator, kind: _Kind) -> Scenario:
    """One draw, not yet known to be a sensible rinse."""
    residue, aged = kind.residue, kind.aged
    resin = _between(rng, 50.0, 50_000.0)
    interval = _between(rng, 60.0, 240.0) * (resin / 500.0) ** 0.15
    portion = resin * float(rng.uniform(0.5, 2.0))
    rinse = _between(rng, *RINSE_US_CM)
    return Scenario(
        residue=residue,
        resin_ml=float(f"{resin:.3g}"),
        start_mol_l=float(rng.uniform(*STRENGTH_MOL_L[residue])),
        entrained_ratio=float(rng.uniform(*ENTRAINED_RATIO)),
        slow_ratio=float(rng.uniform(*SLOW_RATIO[aged])),
        slow_fill=float(rng.uniform(*SLOW_FILL)),  # Donnan exclusion and short contact keep the beads weaker
        exchange_per_s=_between(rng, *EXCHANGE_PER_S[aged]),
        cells=int(rng.integers(1, 31)),
        operator=_operator(rng, float(f"{portion:.2g}"), interval),
        meter=_meter(rng, kind.meter, kind.hand),
        endpoint="",
        target_us_cm=0.0,
        flow_ml_min=float(f"{_flow(rng, resin):.3g}") if kind.flow else None,
        flow_bias=float(np.clip(0.03 * rng.standard_normal(), -0.08, 0.08)),
        rinse_us_cm=rinse,
        co2_us_cm=_carbonic(rng, rinse),
        leak_us_cm=float(rng.uniform(*LEAK_SHARE)) * rinse,
        feed_us_cm=_between(rng, 4.0, 60.0),
        temperature_c=float(rng.uniform(*TEMPERATURE_C)),
        temperature_drift_c=float(rng.uniform(*DRIFT_C)),
        hand_typed=kind.hand,
        aged=aged,
    )


def other_water(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    """The same rinse with other rinse water, carbonic acid and leak, which its meter shows as the same rinse water."""
    shown = scenario.shown_rinse_water()
    while True:
        rinse = _between(rng, *RINSE_US_CM)
        leak = float(rng.uniform(*LEAK_SHARE)) * rinse
        other = replace(scenario, rinse_us_cm=rinse, co2_us_cm=_carbonic(rng, rinse), leak_us_cm=leak)
        if other.shown_rinse_water() == shown:
            return other


def _carbonic(rng: np.random.Generator, rinse_us_cm: float) -> float:
    """Share of the rinse water's conductivity that is carbonic acid: none when fresh out of its cartridge."""
    from_air = min(rinse_us_cm, 1.0) * float(rng.uniform(*CARBONIC_SHARE))
    return from_air if rng.random() < AIR_SHARE else 0.0


def _operator(rng: np.random.Generator, portion_ml: float, interval_s: float) -> Operator:
    pauses = rng.random() < 0.05
    return Operator(
        portion_ml=portion_ml,
        interval_s=interval_s,
        interval_noise=float(rng.uniform(0.05, 0.25)),
        contact_share=float(rng.uniform(*CONTACT_SHARE)),
        forget_chance=0.01 if rng.random() < 0.2 else 0.0,
        pause_at=int(rng.integers(2, 8)) if pauses else None,
        pause_s=float(rng.uniform(3600.0, 12 * 3600.0)) if pauses else 0.0,
    )


def _flow(rng: np.random.Generator, resin_ml: float) -> float:
    """Nominal flow, mL/min: 4-30 resin volumes an hour, small beds faster."""
    return resin_ml * _between(rng, 4.0, 30.0) / 60.0


def _with_endpoint(rng: np.random.Generator, scenario: Scenario, kind: _Kind) -> Scenario:
    """Choose the target; ``out_of_reach`` puts it below the floor."""
    meter, floor = scenario.meter, scenario.floor_scale_us_cm()
    step = meter.finest_step / meter.per_us_cm
    if kind.out_of_reach:
        target = floor * float(rng.uniform(0.3, 0.8))
        return replace(scenario, endpoint="value", target_us_cm=_as_shown(scenario, max(target, 0.55 * step)))
    if kind.endpoint == "feed":
        return replace(scenario, endpoint="feed", target_us_cm=scenario.shown_us_cm(scenario.shown_feed()))
    if kind.endpoint == "zero":
        shown = scenario.shown_us_cm(scenario.shown_rinse_water())
        return replace(scenario, endpoint="zero", target_us_cm=shown + max(step / 2, 0.1 * shown))
    target = _as_shown(scenario, _between(rng, max(2.0, 1.5 * floor), 60.0))
    return replace(scenario, endpoint="value", target_us_cm=target)


def _as_shown(scenario: Scenario, target_us_cm: float) -> float:
    """A target as a person would write it: three figures in the display's unit."""
    return float(f"{target_us_cm * scenario.meter.per_us_cm:.3g}") / scenario.meter.per_us_cm


def _length_ml(scenario: Scenario) -> float:
    """Rough volume to the endpoint (or the plateau) from the bed alone, without readings; inf if too long."""
    excess = scenario.target_us_cm - scenario.floor_scale_us_cm()
    floor = scenario.floor_scale_us_cm()
    wanted = max(excess if excess > 0 else 0.03 * floor, 0.01) / (1000.0 * _MOLAR[scenario.residue])
    bed = scenario.bed()
    most = PORTIONS_AT_MOST if not scenario.is_flow else FLOW_RESIN_VOLUMES_AT_MOST * 5
    step_ml = scenario.operator.portion_ml if not scenario.is_flow else scenario.resin_ml / 5
    for i in range(int(most)):
        if scenario.flow_ml_min is not None:
            left = bed.flow(step_ml, step_ml / scenario.flow_ml_min * 60.0)
        else:
            pour = scenario.operator.mean_pour(i)
            left = bed.portion(pour.volume_ml, pour.contact_s, pour.bypass)
            bed.rest(pour.interval_s - pour.contact_s + pour.pause_s)
        if left <= wanted:
            return (i + 1) * step_ml
    return math.inf


def _sensible(scenario: Scenario, length_ml: float) -> bool:
    """Neither endless nor over at once, and not aiming within a hair of the floor."""
    floor, target = scenario.floor_scale_us_cm(), scenario.target_us_cm
    if not math.isfinite(length_ml) or length_ml < 3 * scenario.portion_ml:
        return False
    return target < NEAR_FLOOR[0] * floor or target > NEAR_FLOOR[1] * floor


def random_scenario(rng: np.random.Generator, **overrides: object) -> Scenario:
    """One rinse from the benchmark's population; ``overrides`` replace drawn fields (see Scenario).

    Rinses of more than 30 portions or 25 resin volumes, which nobody waits for, are drawn again.
    """
    kind = _kind(rng)
    for attempt in count(1):
        if attempt % 150 == 0:  # some kinds (aged, through-flow, down to zero) are hardly ever done in time
            kind = _kind(rng)
        draft = replace(_draft(rng, kind), **overrides)  # type: ignore[arg-type]
        scenario = draft if "target_us_cm" in overrides else _with_endpoint(rng, draft, kind)
        length = _length_ml(scenario)
        if _sensible(scenario, length):
            return _with_readings(rng, scenario, length, overrides)
    raise AssertionError("unreachable")


def _with_readings(
    rng: np.random.Generator, scenario: Scenario, length_ml: float, overrides: dict[str, object]
) -> Scenario:
    """Reading period (no more than some thousand rows), faults, a pause now and then."""
    if scenario.flow_ml_min is not None:
        span_s = length_ml / scenario.flow_ml_min * 60.0
    else:
        span_s = length_ml / scenario.portion_ml * scenario.operator.interval_s
    wish = float(rng.choice(_PERIODS_S))
    period = next((p for p in _PERIODS_S if p >= wish and 1.4 * span_s / p <= ROWS_AT_MOST), 5.0)
    changes: dict[str, object] = {"period_s": 1.0 if scenario.hand_typed else period}
    faulty = rng.random() < (0.15 if scenario.hand_typed else 0.45)
    if faulty:
        changes["faults"] = draw_faults(rng, span_s, int(rng.integers(1, 5)))
    if scenario.is_flow and rng.random() < 0.05:
        changes["flow_pause"] = (float(rng.uniform(0.2, 0.8)) * length_ml, float(rng.uniform(600.0, 36000.0)))
    return replace(scenario, **{k: v for k, v in changes.items() if k not in overrides})  # type: ignore[arg-type]
