"""Fault bench: rinse water that is no longer what it was (row O05)."""

from __future__ import annotations

import numpy as np

from rinsewatch import Rinse, Verdict
from rinsewatch.cli.bench_fault_rinses import first_stop, is_false, portions_record
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch.cli.bench_rinse import row_of, setup_of, target_in
from rinsewatch.session.waterwatch import WaterWatch, most_of
from rinsewatch_sim.record import Record
from rinsewatch_sim.scenario import Scenario
from rinsewatch_sim.simulate import noise_free_knots, progress

# A target within four times the rinse water's reading: there water gone three times as salty makes a difference.
NEAR_WATER = 4.0
# Rounded before and after, a change of less than two steps may show as one step, as rounding alone does.
SHOWN_STEPS = 2.0
TIMES_AS_SALTY = 3.0


@fault(
    "O05",
    "rinse water changed",
    inject="rinse water three times as salty: at once in mid-rinse, and slowly; simulated rinses, nobody told",
    must="no false endpoint; where target and display can show it the floor learned anew and told in nine of ten",
)
def other_water(bench: Bench) -> Outcome:
    """The set-up's reading of the rinse water is the old one. A change far below the target is not to be seen."""
    seeds = range(bench.many(bench.runs, 1))
    shown = [portions_record(seed, lambda drawn: _changed_near(drawn, fine=True)) for seed in seeds]
    coarse = [portions_record(seed, lambda drawn: _changed_near(drawn, fine=False)) for seed in seeds]
    anywhere = [portions_record(seed, _at_once) for seed in seeds]
    slow = [portions_record(seed, _slowly) for seed in seeds]
    sound = [portions_record(seed, _near_and_tight) for seed in seeds]
    false = sum(is_false(r, first_stop(r, [row_of(row) for row in r.rows])) for r in [*anywhere, *slow])
    found, unsure = [_watched(record) for record in shown], [_watched(record) for record in coarse]
    false += sum(is_false(r, stop) for r, (stop, _) in zip([*shown, *coarse], [*found, *unsure], strict=True))
    told, guessed = sum(was_told for _, was_told in found), sum(was_told for _, was_told in unsure)
    alarms = sum(_watched(record)[1] for record in sound)
    figures = f"{false} false stops of {4 * len(seeds)}; told in {told} of {len(shown)} whose display shows it,"
    figures += f" in {guessed} of {len(coarse)} with coarser ones, in {alarms} of {len(sound)} sound ones"
    return Outcome(false == alarms == 0 and told >= 0.9 * len(shown), figures)


def _at_once(drawn: Scenario) -> Scenario | None:
    """Another water from half way to the endpoint on; None where the endpoint cannot be reached at all."""
    poured_ml, settled_us_cm = noise_free_knots(drawn)
    reached = np.flatnonzero(settled_us_cm <= target_in(drawn))
    if not len(reached):
        return None
    half_way = float(progress(drawn, poured_ml[reached[0]] / 2.0))
    return drawn.changed(floor_step=TIMES_AS_SALTY - 1.0, floor_step_at=half_way)


def _slowly(drawn: Scenario) -> Scenario:
    """The water changes all through the rinse."""
    return drawn.changed(floor_drift=TIMES_AS_SALTY - 1.0)


def _near_and_tight(drawn: Scenario) -> Scenario | None:
    """A target near the rinse water, and resin that gives nothing off: what is told there is a false alarm."""
    return _if_near(drawn.changed(leak_us_cm=0.0))


def _if_near(drawn: Scenario) -> Scenario | None:
    water_us_cm = setup_of(drawn).rinse_water_us_cm or 0.0
    return drawn if target_in(drawn) <= NEAR_WATER * water_us_cm else None


def _changed_near(drawn: Scenario, *, fine: bool) -> Scenario | None:
    """Another water in mid-rinse, the target near it; ``fine``: by as many steps of the display as show."""
    near = _if_near(drawn)
    changed = None if near is None else _at_once(near)
    if changed is None:
        return None
    change_us_cm = changed.floor_scale_us_cm() - changed.floor_scale_us_cm(0.0)
    steps = change_us_cm * changed.meter.per_us_cm / changed.meter.finest_step
    return changed if (steps >= SHOWN_STEPS) is fine else None


def _watched(record: Record) -> tuple[int | None, bool]:
    """Where it stops, and whether a change of the water has been told by then."""
    setup, meter = setup_of(record.scenario), record.scenario.meter
    most_us_cm = most_of(setup.rinse_water_us_cm, meter.finest_step / meter.per_us_cm)
    rinse, watch, told = Rinse(setup), WaterWatch(True, most_us_cm), False
    for number, raw in enumerate(record.rows):
        row = row_of(raw)
        state = rinse.observe(row)
        watch.see(row.event, state)
        told = told or bool(watch.due())
        if state.verdict is Verdict.STOP:
            return number, told
    return None, told
